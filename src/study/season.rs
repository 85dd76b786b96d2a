//! One simulated season through the stages, without files for its logs.

use serde::{Deserialize, Serialize};

use super::bound::Bound;
use super::tally::{Line, Tally};
use super::{Case, defect, parts};
use crate::config::car::Car;
use crate::config::log_names::Runs;
use crate::config::read;
use crate::demo::files::{self, Files};
use crate::demo::scenario::Scenario;
use crate::demo::season::SimLog;
use crate::demo::truth::{ConfigurationTruth, Truth};
use crate::demo::{Season, simulate};
use crate::engine::one_log;
use crate::error::Fatal;
use crate::located::Located;
use crate::numerics::distributions::t_quantile;
use crate::plan::Plan;
use crate::stages::log::air::pressure::AirSpeedFrom;
use crate::stages::season::SeasonTables;
use crate::stages::season::compare::Compare;
use crate::stages::season::fit::estimate::{Derived, Estimate};
use crate::stages::season::fit::{Fit, SeasonFit};
use crate::stages::window::{Window, written};
use crate::stages::{LogCx, LogStep, SeasonCx, SeasonStep, WindowStep};
use crate::table::frame::LogFrame;
use crate::units;

/// Simulates a season, fits it, holds the result against the truth.
///
/// # Errors
/// A season that can't be processed.
pub fn one(case: &Case, seed: u64) -> Result<Tally, Fatal> {
    let season = simulate(&case.scenario_of(seed));
    let plan = plan(case, &season)?;
    let of = |windows| tables(&plan, windows);
    let tables = of(windows(case, &seed.to_string(), &plan, &season)?);
    let cx = cx(&plan);
    let solved = fitted(case, &plan, &tables)?;
    let mut bound = None;
    if case.bound {
        let calm = Scenario { gusts: 0.0, wind_sd: 0.0, session_gain_sd: 0.0, ..season.scenario.clone() };
        let calm = of(windows(case, &format!("{seed}-calm"), &plan, &simulate(&calm))?);
        bound = Some(Bound::of(&season, &tables, &calm, &cx)?);
    }
    let mut out = tally(&solved, &season.truth(), bound.as_ref(), &tables, case.split);
    parts::tally(&season, &solved, &mut out);
    if case.hold_out {
        parts::hold_out(case, &plan, &season, &tables, &mut out)?;
    }
    Ok(out)
}

/// The season's windows: kept ones, where there are any.
fn windows(case: &Case, which: &str, plan: &Plan, season: &Season) -> Result<Vec<Window>, Fatal> {
    let place = case
        .kept
        .as_ref()
        .map(|folder| folder.join(format!("{}{}-{which}.json", case.name.replace(' ', "_"), case.instead.mark())));
    if let Some(text) = place.as_ref().and_then(|p| std::fs::read(p).ok()) {
        return serde_json::from_slice(&text).map(|Kept(windows)| windows).map_err(defect);
    }
    let mut windows = Vec::new();
    for log in season.iter() {
        windows.extend(process(plan, &log, frame(&log)).unwrap_or_default());
    }
    if let Some(place) = place {
        let kept = Kept(windows);
        let text = serde_json::to_vec(&kept).map_err(defect)?;
        std::fs::write(&place, text).map_err(defect)?;
        return Ok(kept.0);
    }
    Ok(windows)
}

/// Windows of a season in a file.
#[derive(Serialize, Deserialize)]
struct Kept(#[serde(with = "written")] Vec<Window>);

/// The fit of a case on windows.
pub(super) fn fitted(case: &Case, plan: &Plan, tables: &SeasonTables) -> Result<SeasonFit, Fatal> {
    let fit: Fit = serde_json::from_str(&case.fit).map_err(defect)?;
    Ok(fit.solve(tables, &cx(plan)))
}

fn cx(plan: &Plan) -> SeasonCx<'_> {
    SeasonCx {
        season: "study",
        car: &plan.definitions.car,
        runs: &plan.definitions.runs.rows,
        reference_density: plan.reference_density(),
        tables: std::path::Path::new("."),
        at_wheels: true,
        logs: &[],
        kept: None,
    }
}

pub(super) fn plan(case: &Case, season: &Season) -> Result<Plan, Fatal> {
    let folder = tempfile::tempdir().map_err(defect)?;
    files::write_definitions(season, &Files::default(), folder.path())?;
    let mut definitions = read::definitions(&folder.path().join("pipeline.yaml"))?;
    let fit: Fit = serde_json::from_str(&case.fit).map_err(defect)?;
    definitions.pipeline.season_wide = vec![Located::nowhere(SeasonStep::Fit(fit))];
    for step in &mut definitions.pipeline.per_log {
        if let (LogStep::Air(air), Some(channel)) = (&mut step.value, case.air_speed_from) {
            air.air_speed_from = Some(AirSpeedFrom { channel: Located::nowhere(channel.to_owned()) });
        }
    }
    for text in &case.windows {
        let step: WindowStep = serde_json::from_str(text).map_err(defect)?;
        definitions.pipeline.windows.push(Located::nowhere(step));
    }
    Ok(Plan::new(definitions)?)
}

pub(super) fn tables(plan: &Plan, windows: Vec<Window>) -> SeasonTables {
    SeasonTables { quantities: plan.quantities.clone(), units: plan.units.clone(), windows, ..Default::default() }
}

/// The windows of a log after `load`; `None` for a log that a stage sets aside, as a planted fault may.
pub(super) fn process(plan: &Plan, log: &SimLog, frame: LogFrame) -> Option<Vec<Window>> {
    let name = format!("{}.csv", log.name);
    let rows = Runs::new(&plan.definitions.runs.rows);
    let runs: Vec<_> = rows.of(&name).into_iter().cloned().collect();
    let car: &Car = &plan.definitions.car;
    let cx = LogCx {
        path: name.as_ref(),
        log: &name,
        car,
        runs: &runs,
        needed: &plan.needed,
        quantities: &plan.quantities,
        road_load: true,
        bytes: None,
    };
    one_log::after(plan, &cx, 1, frame).ok().map(|p| p.windows)
}

/// A simulated log as `load` would give it.
pub(super) fn frame(log: &SimLog) -> LogFrame {
    let mut frame = LogFrame { time: log.time.clone(), ..Default::default() };
    for channel in &log.channels {
        if let (Some(name), Ok(unit)) = (channel.canonical, units::unit_of(channel.unit, channel.dimension)) {
            frame.set(name, channel.dimension, channel.values.iter().map(|v| unit.to_si(*v)).collect());
        }
    }
    frame
}

/// The figures of a configuration.
pub(super) const NAMES: [&str; 6] = ["front_downforce", "rear_downforce", "drag", "downforce", "balance", "efficiency"];

fn true_value(t: &ConfigurationTruth, name: &str) -> f64 {
    match name {
        "front_downforce" => t.force.front,
        "rear_downforce" => t.force.rear,
        "drag" => t.force.drag,
        "downforce" => t.force.front + t.force.rear,
        "balance" => t.balance,
        _ => t.efficiency,
    }
}

fn tally(fit: &SeasonFit, truth: &Truth, bound: Option<&Bound>, tables: &SeasonTables, split: bool) -> Tally {
    let mut out = Tally { seasons: 1, ..Default::default() };
    let index = |name: &str| fit.evidence.configurations.iter().position(|c| c.name == name);
    let Some(base) = truth.configurations.first() else { return out };
    for t in &truth.configurations {
        let Some(k) = index(&t.name) else { continue };
        for name in NAMES {
            let factor = if SeasonFit::is_ratio(name) { 1.0 } else { fit.speed * fit.speed };
            let of = |k: usize| fit.named(k, name).map(|d| d.0.times(factor));
            let cases = [
                (name.to_owned(), of(k), true_value(t, name)),
                (
                    format!("{name} difference"),
                    (t.name != base.name).then(|| Some(of(k)?.minus(&of(index(&base.name)?)?))).flatten(),
                    true_value(t, name) - true_value(base, name),
                ),
            ];
            for (label, derived, value) in cases {
                let Some(d) = derived else { continue };
                let label = if split { format!("{label}, {}", t.name) } else { label };
                out.add_line(&label, line(fit, bound, &d, value, true_value(base, name)));
            }
        }
    }
    verdicts(fit, tables, &mut out);
    out.left_out = fit.findings.iter().filter(|f| f.implausible).count();
    out
}

fn line(fit: &SeasonFit, bound: Option<&Bound>, d: &Derived, truth: f64, scale: f64) -> Line {
    let e = fit.estimate(d);
    let over_bound = e.as_ref().zip(bound.and_then(|b| b.se(&d.gradient))).map(|(e, b)| e.se / b);
    Line { over_bound: over_bound.into_iter().collect(), ..judged(e.as_ref(), truth, scale) }
}

/// An answer against its truth; errors and widths as shares of `scale`.
pub(super) fn judged(estimate: Option<&Estimate>, truth: f64, scale: f64) -> Line {
    let Some(e) = estimate else { return Line { missing: 1, ..Default::default() } };
    let error = e.value - truth;
    let t90 = t_quantile(0.95, e.dof.max(1.0)).unwrap_or(f64::INFINITY);
    Line {
        n: 1,
        inside95: usize::from(e.interval.0 <= truth && truth <= e.interval.1),
        inside90: usize::from(error.abs() <= t90 * e.se),
        error: error / scale,
        square: (error / scale).powi(2),
        se: vec![e.se / scale.abs()],
        over_bound: Vec::new(),
        half: vec![0.5 * (e.interval.1 - e.interval.0) / scale.abs()],
        missing: 0,
    }
}

fn verdicts(fit: &SeasonFit, tables: &SeasonTables, out: &mut Tally) {
    let compare: Result<Compare, _> = serde_json::from_str(r#"{"against": "base", "resolve": "70 N"}"#);
    let Ok(compare) = compare else { return };
    for row in compare.rows(fit, &tables.quantities, &tables.units) {
        let resolved = usize::from(row.verdict == "resolved");
        match (row.configuration.as_str(), row.quantity.as_str()) {
            ("small", "front_downforce") => out.small = (out.small.0 + resolved, out.small.1 + 1),
            ("nothing", "front_downforce" | "rear_downforce" | "drag") => {
                out.nothing = (out.nothing.0 + resolved, out.nothing.1 + 1);
            }
            _ => {}
        }
    }
}
