//! `squarelaw demo`: writes an invented season with known truth, or holds written tables against it.

use std::io::Write;
use std::path::PathBuf;

use clap::{ArgGroup, Args};

use super::count;
use crate::demo::car::CarModel;
use crate::demo::export::Form;
use crate::demo::files::{Files, check_folder};
use crate::demo::{Faults, Scenario, sample, score, simulate, write};
use crate::error::Fatal;

/// Options that describe a season; `--sample` has one of its own.
const OF_A_SCENARIO: [&str; 17] = [
    "sessions",
    "outings",
    "minutes",
    "rate",
    "seed",
    "channels",
    "noise",
    "wind",
    "drafting",
    "grade",
    "pitot",
    "miscalibrated_every",
    "frozen_damper",
    "mislabelled_speed",
    "ride_height_effect",
    "bump_stop",
    "form",
];

/// Writes an invented season with known truth, or holds written tables against that truth.
#[derive(Args, Clone, Debug)]
#[command(group(ArgGroup::new("what").required(true).args(["out", "score"])))]
pub struct DemoArgs {
    /// Folder to write logs, car file, run sheet, pipeline, layouts and truth to.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Folder of written tables to hold against the truth; exit code 1 when a bar is missed.
    #[arg(long, value_name = "TABLES", conflicts_with = "out")]
    pub score: Option<PathBuf>,
    /// Truth file for `--score`; by default truth.json beside the folder of tables.
    #[arg(long, value_name = "FILE", requires = "score", conflicts_with = "out")]
    pub truth: Option<PathBuf>,
    /// The small season of sample-logs/; goes with no other option.
    #[arg(long, requires = "out", conflicts_with_all = OF_A_SCENARIO)]
    pub sample: bool,
    /// Sessions.
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = count)]
    pub sessions: usize,
    /// Outings of a session.
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = count)]
    pub outings: usize,
    /// Minutes of an outing.
    #[arg(long, value_name = "M", default_value_t = 6.0, value_parser = positive)]
    pub minutes: f64,
    /// Samples per second.
    #[arg(long, value_name = "HZ", default_value_t = 50.0, value_parser = positive)]
    pub rate: f64,
    /// Seed of all random numbers.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub seed: u64,
    /// Least number of columns; invented further channels fill up.
    #[arg(long, value_name = "K", default_value_t = 0)]
    pub channels: usize,
    /// Scale of road, sensor noise and zero drift; 0 is none.
    #[arg(long, value_name = "X", default_value_t = 1.0, value_parser = not_negative)]
    pub noise: f64,
    /// Standard deviation of each component of a session's mean wind, m/s.
    #[arg(long, value_name = "W", default_value_t = 2.0, value_parser = not_negative)]
    pub wind: f64,
    /// Share of straights driven behind another car.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0, value_parser = share)]
    pub drafting: f64,
    /// Scale of the circuits' gradients; with any gradient the channel is logged.
    #[arg(long, value_name = "X", default_value_t = 0.0, value_parser = not_negative)]
    pub grade: f64,
    /// Log the air speed of a pitot tube.
    #[arg(long)]
    pub pitot: bool,
    /// One session in this many has damper sensors that read 6 % too much; 0: none.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub miscalibrated_every: usize,
    /// Session, from 0, in whose first log the front left damper freezes.
    #[arg(long, value_name = "SESSION")]
    pub frozen_damper: Option<usize>,
    /// Session, from 0, whose first log says m/s over a speed in km/h.
    #[arg(long, value_name = "SESSION")]
    pub mislabelled_speed: Option<usize>,
    /// Relative gain of downforce per metre of ride height lost; breaks the square law.
    #[arg(long, value_name = "X", default_value_t = 0.0, value_parser = not_negative)]
    pub ride_height_effect: f64,
    /// Front springs with a bump stop that the car comes to at speed.
    #[arg(long)]
    pub bump_stop: bool,
    /// Form of the logs.
    #[arg(long, value_enum, default_value_t = Form::Csv)]
    pub form: Form,
}

fn number(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| format!("`{text}` is not a number"))
}
fn positive(text: &str) -> Result<f64, String> {
    number(text).and_then(|v| if v > 0.0 { Ok(v) } else { Err("it must be more than 0".to_owned()) })
}
fn share(text: &str) -> Result<f64, String> {
    number(text)
        .and_then(|v| if (0.0..=1.0).contains(&v) { Ok(v) } else { Err("it is a share, from 0 to 1".to_owned()) })
}
fn not_negative(text: &str) -> Result<f64, String> {
    number(text).and_then(|v| if v >= 0.0 { Ok(v) } else { Err("it can't be less than 0".to_owned()) })
}

/// Runs the command. The number is the exit code: 0, or 1 when `--score` misses a bar.
///
/// # Errors
/// When files can't be read or written.
pub fn run(args: &DemoArgs, out: &mut dyn Write) -> Result<u8, Fatal> {
    let say = |e| Fatal::Io { what: "can't write to", path: PathBuf::from("standard output"), source: e };
    if let Some(tables) = &args.score {
        let truth = args.truth.clone().unwrap_or_else(|| score::usual_truth(tables));
        let truth = score::read_truth(&truth)?;
        let result = score::score(&truth, &score::read_fits(tables, &truth.season)?);
        write!(out, "{}", result.text()).map_err(say)?;
        return Ok(u8::from(!result.passes()));
    }
    let Some(folder) = &args.out else {
        return Err(Fatal::Internal("neither --out nor --score was given".to_owned()));
    };
    let (scenario, files) = if args.sample { sample::sample() } else { (args.scenario(), args.files()) };
    let season = simulate(&scenario);
    check_folder(&season, &files, folder)?;
    let written = write(&season, &files, folder)?;
    writeln!(
        out,
        "{} logs of {} sessions, {:.1} MB, in {}",
        written.logs,
        season.sessions.len(),
        written.bytes as f64 / 1e6,
        folder.display()
    )
    .map_err(say)?;
    Ok(0)
}

impl DemoArgs {
    /// The scenario that the options describe.
    pub fn scenario(&self) -> Scenario {
        Scenario {
            seed: self.seed,
            sessions: self.sessions,
            outings: self.outings,
            minutes: self.minutes,
            rate: self.rate,
            channels: self.channels,
            noise: self.noise,
            wind_sd: self.wind,
            drafting: self.drafting,
            grade: self.grade,
            pitot: self.pitot,
            ride_height_effect: self.ride_height_effect,
            car: if self.bump_stop { CarModel::default().with_bump_stop() } else { CarModel::default() },
            faults: Faults {
                miscalibrated_every: self.miscalibrated_every,
                miscalibration: 0.06,
                frozen_damper: self.frozen_damper,
                mislabelled_speed: self.mislabelled_speed,
            },
            ..Scenario::default()
        }
    }

    fn files(&self) -> Files {
        Files { form: self.form, ..Files::default() }
    }
}

#[cfg(test)]
mod tests {
    use clap::{CommandFactory, Parser};

    use super::*;

    #[derive(Parser)]
    struct Cli {
        #[command(flatten)]
        demo: DemoArgs,
    }

    #[test]
    fn the_command_is_well_formed() {
        Cli::command().debug_assert();
        assert!(Cli::try_parse_from(["demo"]).is_err());
        assert!(Cli::try_parse_from(["demo", "--out", "x", "--sample", "--rate", "10"]).is_err());
        assert!(Cli::try_parse_from(["demo", "--out", "x", "--minutes", "0"]).is_err());
    }

    #[test]
    fn the_sample_goes_with_no_other_option() {
        assert!(Cli::try_parse_from(["demo", "--out", "x", "--sample"]).is_ok());
        let command = Cli::command();
        let others = command.get_arguments().filter(|a| !matches!(a.get_id().as_str(), "out" | "sample" | "help"));
        let mut count = 0;
        for option in others {
            let name = format!("--{}", option.get_long().unwrap());
            let mut text = vec!["demo", "--out", "x", "--sample", &name];
            let form = option.get_id() == "form";
            if option.get_action().takes_values() {
                text.push(if form { "csv" } else { "1" });
            }
            let refused = Cli::try_parse_from(&text).err().map(|e| e.kind());
            assert_eq!(refused, Some(clap::error::ErrorKind::ArgumentConflict), "{name}");
            count += 1;
        }
        // Those of a season, and the two of scoring.
        assert_eq!(count, OF_A_SCENARIO.len() + 2);
    }

    #[test]
    fn writes_a_season() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().to_str().unwrap();
        let text = ["demo", "--out", path, "--sessions", "1", "--minutes", "0.3", "--rate", "10", "--channels", "40"];
        let mut out = Vec::new();
        assert_eq!(run(&Cli::try_parse_from(text).unwrap().demo, &mut out).unwrap(), 0);
        assert!(String::from_utf8(out).unwrap().starts_with("3 logs of 1 sessions"));
        let head = std::fs::read_to_string(folder.path().join("logs/e01-s1-o1.csv")).unwrap();
        assert_eq!(head.lines().next().unwrap().split(',').count(), 40);
        // The same again may be, another season beside it may not.
        let again = |text: &[&str]| run(&Cli::try_parse_from(text).unwrap().demo, &mut Vec::new());
        assert_eq!(again(&text).unwrap(), 0);
        std::fs::write(folder.path().join("logs/e09-s1-o1.csv"), "1").unwrap();
        let refused = again(&text).unwrap_err().to_string();
        assert!(refused.contains("e09-s1-o1.csv is of another season"), "{refused}");
    }

    #[test]
    fn files_of_the_user_stay() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("runs.csv"), "mine").unwrap();
        let text = ["demo", "--out", folder.path().to_str().unwrap(), "--sessions", "1", "--minutes", "0.3"];
        let refused = run(&Cli::try_parse_from(text).unwrap().demo, &mut Vec::new()).unwrap_err().to_string();
        assert!(refused.contains("runs.csv is no demo's"), "{refused}");
        assert_eq!(std::fs::read_to_string(folder.path().join("runs.csv")).unwrap(), "mine");
    }
}
