//! The accuracy study. `cargo bench --bench accuracy -- --seasons 400 [--case NAME] [--seed N]`

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

use clap::Parser;
use squarelaw::study::{self, Instead};

#[derive(Debug, Parser)]
struct Args {
    /// Seasons of each case.
    #[arg(long, default_value_t = 20)]
    seasons: usize,
    /// Only the cases whose name holds this.
    #[arg(long)]
    case: Option<String>,
    /// First seed.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Options of `fit` as JSON, instead of the case's own.
    #[arg(long)]
    fit: Option<String>,
    /// Factor on the noise of all sensors, instead of the case's own.
    #[arg(long)]
    noise: Option<f64>,
    /// Standard deviation of the wind from session to session in m/s, instead of the case's own.
    #[arg(long)]
    wind: Option<f64>,
    /// Factor on the gusts.
    #[arg(long)]
    gusts: Option<f64>,
    /// Share of straights behind another car, instead of the case's own.
    #[arg(long)]
    drafting: Option<f64>,
    /// One session in so many is miscalibrated by 6 %, instead of the case's own; 0: none.
    #[arg(long, value_name = "N")]
    miscalibrated_every: Option<usize>,
    /// Tell the answers apart by configuration.
    #[arg(long)]
    split: bool,
    /// Keep the simulated windows in this folder and take those that are there: for changes of the fit alone.
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Instead of the cases: one session with a broken sensor, and how far it moves the numbers.
    #[arg(long)]
    faults: bool,
    /// Given by `cargo bench`.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() -> ExitCode {
    let args = Args::parse();
    if args.faults {
        return match study::faults::run(8, args.seasons, args.seed) {
            Ok(struck) => {
                println!("{}", study::faults::Report(&struck));
                ExitCode::SUCCESS
            }
            Err(e) => {
                eprintln!("error: {e}");
                ExitCode::FAILURE
            }
        };
    }
    for mut case in study::cases() {
        if args.case.as_ref().is_some_and(|c| !case.name.contains(c.as_str())) {
            continue;
        }
        if let Some(fit) = &args.fit {
            case.fit.clone_from(fit);
        }
        case.instead = Instead {
            noise: args.noise,
            wind: args.wind,
            gusts: args.gusts,
            drafting: args.drafting,
            miscalibrated_every: args.miscalibrated_every,
        };
        case.split = args.split;
        case.kept.clone_from(&args.keep);
        let start = Instant::now();
        match study::run(&case, args.seasons, args.seed) {
            Ok(tally) => println!("## {} ({:.0} s)\n\n{tally}\n", case.name, start.elapsed().as_secs_f64()),
            Err(e) => {
                eprintln!("error: {e}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}
