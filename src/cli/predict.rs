//! `squarelaw predict PIPELINE --parts a,b --wing 3`: what a combination will do, from the season's logs.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::Args;

use super::{Voice, exit, print, progress};
use crate::config::read;
use crate::engine::{self, Options};
use crate::error::Fatal;
use crate::plan::Plan;
use crate::report::prediction;
use crate::stages::season::SeasonTables;
use crate::stages::season::parts::{Parts, part_names, rows};
use crate::stages::season::predict::forecast::{Ground, Wing, Wish};
use crate::stages::season::stated::SPEEDS;
use crate::units::{self, Dimension};

/// Predict what a combination of parts and a wing position will do; writes no tables.
#[derive(Debug, Args)]
pub struct PredictArgs {
    /// Pipeline file.
    pub pipeline: PathBuf,
    /// Parts fitted, separated by commas or, as in the run sheet, by `+`; none where left out.
    #[arg(long, value_name = "A,B", value_delimiter = ',')]
    pub parts: Vec<String>,
    /// Wing position; that of the first configuration of the run sheet where left out.
    #[arg(long, value_name = "POSITION", value_parser = wing, allow_negative_numbers = true, conflicts_with = "balance")]
    pub wing: Option<f64>,
    /// Find the wing position that gives this front share of the downforce, for example 42%.
    #[arg(long, value_name = "SHARE", value_parser = share)]
    pub balance: Option<f64>,
    /// Speed that forces are given at, with its unit; the reference speed of the pipeline's `fit` where left out.
    #[arg(long, value_name = "SPEED", value_parser = speed, allow_hyphen_values = true)]
    pub speed: Option<f64>,
    /// Logs worked on at once; one per core by default.
    #[arg(long, value_name = "N", value_parser = super::count)]
    pub threads: Option<usize>,
}

fn wing(text: &str) -> Result<f64, String> {
    let position = text.trim().parse().ok().filter(|at: &f64| at.is_finite());
    position.ok_or_else(|| format!("`{text}` is no wing position: write a number, as in the run sheet"))
}

fn share(text: &str) -> Result<f64, String> {
    let value = units::parse(text, Dimension::Ratio).map_err(|e| e.to_string())?;
    if (0.0..=1.0).contains(&value) {
        Ok(value)
    } else {
        Err(format!("`{text}` is no share of the downforce: write it like `42%`"))
    }
}

fn speed(text: &str) -> Result<f64, String> {
    let value = units::parse(text, Dimension::Speed).map_err(|e| e.to_string())?;
    if SPEEDS.contains(&value) { Ok(value) } else { Err(format!("`{text}` is no speed of a race car")) }
}

/// Runs the season and prints the answer.
///
/// # Errors
/// Faults of the definitions, no log, a part that the run sheet does not name.
pub fn run(args: &PredictArgs, voice: Voice, out: &mut dyn Write) -> Result<u8, Fatal> {
    let plan = Plan::new(read::definitions(&args.pipeline)?)?;
    let known = part_names(&plan.definitions.runs.rows);
    let has_wing = plan.definitions.runs.rows.iter().any(|r| r.wing_position.is_some());
    if known.is_empty() && !has_wing {
        let why = "the run sheet names neither parts nor wing positions: nothing tells one car from another; fill its columns `parts` and `wing_position`";
        return Err(Fatal::Usage(why.to_owned()));
    }
    let parts = wanted_parts(&args.parts, &known)?;
    if !has_wing && (args.wing.is_some() || args.balance.is_some()) {
        return Err(Fatal::Usage("the run sheet names no wing positions".to_owned()));
    }
    let stop = Arc::new(AtomicBool::new(false));
    let options = Options { threads: args.threads.unwrap_or(0), ..Default::default() };
    let mut tables = engine::tables(&plan, &options, &stop, progress::watcher(voice).as_ref())?;
    let Some(season) = tables.model.take() else {
        return Err(Fatal::Usage("the pipeline has no `fit`: nothing to predict from".to_owned()));
    };
    let model = match tables.parts_model.take() {
        Some(model) => model,
        None => {
            let model = Parts::default().solve(&season);
            tables.parts = rows::parts(&season, &model, &tables.units);
            model
        }
    };
    let tables: &SeasonTables = &tables;
    let ground = Ground::new(&model, &season, tables);
    let wing = match (args.balance, args.wing) {
        (Some(b), _) => Wing::Balance(b),
        (None, Some(w)) => Wing::At(w),
        (None, None) => Wing::Reference,
    };
    let wish = Wish { parts, wing, speed: args.speed.unwrap_or(model.speed) };
    let forecast = ground.answer(&wish);
    print(out, &prediction::text(&forecast, &model, &plan.pipeline().show))?;
    Ok(exit::ALL_USED)
}

fn wanted_parts(asked: &[String], known: &[&str]) -> Result<BTreeSet<String>, Fatal> {
    let mut out = BTreeSet::new();
    for part in asked.iter().flat_map(|p| p.split('+')).map(str::trim).filter(|p| !p.is_empty()) {
        if !known.contains(&part) {
            let hint = match units::nearest(part, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => units::listed("the run sheet names", known.iter().copied()),
            };
            return Err(Fatal::Usage(format!("no run has the part `{part}`; {hint}")));
        }
        out.insert(part.to_owned());
    }
    Ok(out)
}
