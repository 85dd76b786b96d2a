//! The end of a run, in a screen's worth of text.

use std::collections::BTreeMap;

use super::columns::lay_out;
use super::flags::split;
use super::{parts, predictions};
use crate::config::issue::shown;
use crate::engine::outcome::Outcome;
use crate::numerics::shown::{figures, stated, with_half};
use crate::plan::Plan;
use crate::stages::season::cross_check;
use crate::table::flags::meaning;
use crate::table::rows::{ComparisonRow, ConfigurationRow, CrossCheckRow, FORCE_CAUTION, FitRow, RegressorRow};
use crate::units::{self, Dimension, Unit};

/// The summary of a finished batch, in the units that the pipeline asks for.
pub fn text(outcome: &Outcome, plan: &Plan) -> String {
    let show = &plan.pipeline().show;
    let force = units::unit_of(&show.force.value, Dimension::Force).ok();
    let speed = units::unit_of(&show.speed.value, Dimension::Speed).ok();
    let mut out = String::new();
    if let (Some(force), Some(speed)) = (force, speed) {
        out.push_str(&configurations(outcome, force, speed));
        out.push_str(&comparisons(&outcome.season.comparisons, force));
        out.push_str(&parts::effects(&outcome.season.parts, force));
        out.push_str(&predictions::text(&outcome.season.predictions, force, speed));
        out.push_str(&parts::combinations(&outcome.season.combinations, force, speed));
        out.push_str(&super::answers::text(&outcome.season, force, speed));
    }
    out.push_str(&cross_checks(&outcome.season.cross_checks, &outcome.season.regressors));
    out.push_str(&left_out(outcome));
    if !outcome.season.configurations.is_empty() {
        out.push_str(&format!("{FORCE_CAUTION}\n\n"));
    }
    out.push_str(&logs(outcome));
    out.push_str(&format!("tables: {}", shown(&outcome.folder)));
    out
}

fn configurations(outcome: &Outcome, force: Unit, speed: Unit) -> String {
    let season = &outcome.season;
    let Some(first) = season.configurations.first() else { return String::new() };
    let fit = |configuration: &str, quantity: &str| {
        season.fits.iter().find(|f| f.configuration == configuration && f.quantity == quantity)
    };
    let unit = force.symbol;
    let mut rows = vec![vec![
        "configuration".to_owned(),
        format!("front {unit}"),
        format!("rear {unit}"),
        "balance %".to_owned(),
        format!("drag {unit}"),
        "downforce/drag".to_owned(),
        "windows".to_owned(),
        "sessions".to_owned(),
    ]];
    for c in &season.configurations {
        let of = |q: &str| force_cell(fit(&c.configuration, q), force);
        rows.push(vec![
            c.configuration.clone(),
            of("front_downforce"),
            of("rear_downforce"),
            interval_cell(c.balance, c.balance_lo95, c.balance_hi95, 100.0),
            of("drag"),
            interval_cell(c.efficiency, c.efficiency_lo95, c.efficiency_hi95, 1.0),
            c.windows.to_string(),
            c.sessions.to_string(),
        ]);
    }
    format!(
        "season {}: downforce and drag at {} {} in air of {} kg/m3; ± is half the 95 % interval\n\n{}\n{}\n",
        outcome.origin.season,
        stated(speed.from_si(first.reference_speed)),
        speed.symbol,
        first.reference_density,
        lay_out(&rows),
        remarks(&season.configurations, &season.fits)
    )
}

fn force_cell(fit: Option<&FitRow>, unit: Unit) -> String {
    fit.map_or_else(missing, |f| interval_cell(f.value, f.value_lo95, f.value_hi95, unit.delta_from_si(1.0)))
}

fn interval_cell(value: Option<f64>, lo: Option<f64>, hi: Option<f64>, factor: f64) -> String {
    match (value, lo, hi) {
        (Some(v), Some(lo), Some(hi)) => with_half(v * factor, 0.5 * (hi - lo) * factor),
        _ => missing(),
    }
}

fn missing() -> String {
    "-".to_owned()
}

fn remarks(configurations: &[ConfigurationRow], fits: &[FitRow]) -> String {
    let mut by_flag: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let all = configurations.iter().map(|c| (c.configuration.as_str(), c.flags.as_str()));
    for (configuration, flags) in all.chain(fits.iter().map(|f| (f.configuration.as_str(), f.flags.as_str()))) {
        for flag in split(flags) {
            let who = by_flag.entry(flag).or_default();
            if !who.contains(&configuration) {
                who.push(configuration);
            }
        }
    }
    by_flag.iter().map(|(flag, who)| format!("\n{flag} ({}): {}", who.join(", "), meaning(flag))).collect::<String>()
        + "\n"
}

fn comparisons(rows: &[ComparisonRow], force: Unit) -> String {
    let forces: Vec<&ComparisonRow> =
        rows.iter().filter(|r| matches!(r.quantity.as_str(), "front_downforce" | "rear_downforce" | "drag")).collect();
    if forces.is_empty() {
        return String::new();
    }
    // All pairs of a large season do not fit a screen.
    if forces.len() > MOST_DIFFERENCES {
        let resolved = forces.iter().filter(|r| r.verdict == "resolved").count();
        let n = forces.len();
        return format!("differences: {n} of forces, {resolved} resolved; they stand in the table `comparisons`\n\n");
    }
    let mut table = vec![vec![
        "difference".to_owned(),
        "of".to_owned(),
        force.symbol.to_owned(),
        "verdict".to_owned(),
        format!("smallest resolvable {}", force.symbol),
    ]];
    for r in forces {
        let f = force.delta_from_si(1.0);
        table.push(vec![
            format!("{} - {}", r.configuration, r.against),
            r.quantity.replace('_', " "),
            interval_cell(r.difference, r.difference_lo95, r.difference_hi95, f),
            r.verdict.clone(),
            r.smallest_resolvable.map_or_else(missing, |s| figures(s * f, 2)),
        ]);
    }
    format!("{}\n{RESOLVED}\n\n", lay_out(&table))
}

/// More differences than this are not printed.
const MOST_DIFFERENCES: usize = 45;

/// What the last two columns of the differences mean.
const RESOLVED: &str = "resolved: larger than chance explains, at the 5 % level. This is adjusted for the number of \
    differences: where there are many, one whose own interval leaves zero out may still be chance\n\
    smallest resolvable: the least difference that four of five seasons like this one would call resolved, were it the \
    only one";

/// What other evidence says, where it is at odds with the fit.
fn cross_checks(rows: &[CrossCheckRow], regressors: &[RegressorRow]) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let count = |verdict: &str| rows.iter().filter(|r| r.verdict == verdict).count();
    let known = regressors.iter().filter(|r| r.car_file.is_some());
    let differ = known.clone().filter(|r| r.verdict == "differs").count();
    let of_car = match differ {
        0 => String::new(),
        n => format!("; {n} of {} figures of the car file differ from the logs", known.count()),
    };
    let mut out = format!(
        "second opinions: {} held against the fit: {} agree, {} at odds, {} not resolved, {} not comparable{of_car}\n",
        rows.len(),
        count("agrees"),
        count("at odds"),
        count("not resolved"),
        count("not comparable")
    );
    for line in cross_check::in_words(rows, regressors) {
        out.push_str(&format!("  {line}\n"));
    }
    out + "\n"
}

/// Sessions that were left out of a quantity's fit, and why; logs that are odd by themselves.
fn left_out(outcome: &Outcome) -> String {
    let rows = outcome.season.agreement.iter().filter(|a| a.verdict == "left_out");
    let lines: Vec<String> = rows
        .map(|a| {
            let (what, x) = (a.quantity.replace('_', " "), a.factor);
            format!(
                "  {} {}: {what} answers {x:.2} times as the other sessions say, {}\n",
                a.event, a.session, a.suspicion
            )
        })
        .collect();
    let mut out = String::new();
    let odd: String = outcome.season.odd_logs.iter().map(|(log, words)| format!("  {log}: {words}\n")).collect();
    if !odd.is_empty() {
        out.push_str(&format!("logs that do not fit their configuration, look at these first:\n{odd}\n"));
    }
    if !lines.is_empty() {
        out.push_str(&format!("left out of the fit, look at sensors and run sheet:\n{}\n", lines.concat()));
    }
    out
}

fn logs(outcome: &Outcome) -> String {
    let b = &outcome.batch;
    let fitted = outcome.fitted as i64;
    let of_fit = if fitted < b.windows { format!(", {fitted} of them for the fit") } else { String::new() };
    let mut out =
        format!("logs: {} found, {} used, {} set aside, {} windows{of_fit}\n", b.logs, b.used, b.set_aside, b.windows);
    for l in outcome.logs.iter().filter(|l| l.status == "set_aside") {
        out.push_str(&format!(
            "  {} [{}]: {}\n",
            l.log,
            l.reason.as_deref().unwrap_or(""),
            l.message.as_deref().unwrap_or("")
        ));
    }
    out
}
