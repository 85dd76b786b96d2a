//! What is odd about the definitions of a night, and is no fault: it may be meant.

use std::collections::{BTreeMap, BTreeSet};

use super::first_of;
use crate::config::layout::Layout;
use crate::config::log_names::Runs;
use crate::config::odd_car::odd_car;
use crate::config::run_sheet::RunRow;
use crate::config::slips::slips;
use crate::engine::one_log::{self, NamedLog};
use crate::plan::Plan;
use crate::stages::LogStep;
use crate::stages::log::load::{self, Load};
use crate::units::nearest;

/// What is odd about patterns, car file and run sheet, in words: springs of another car, patterns and rows that name no log,
/// and names that look like slips
/// of the pen, which cost a run, or make two cars out of one, without a trace.
pub(in crate::engine) fn of_definitions(plan: &Plan, named: &[NamedLog]) -> Vec<String> {
    let all = &plan.definitions.runs.rows;
    let sheet = Runs::new(all);
    let (mut used, mut alone) = (BTreeSet::new(), Vec::new());
    for log in named {
        let runs = one_log::runs_of(&sheet, log);
        used.extend(runs.iter().map(|row| row.spot.line));
        alone.extend(runs.is_empty().then_some(log.name.as_str()));
    }
    let one = |row: &RunRow| {
        let meant = nearest(&row.log, alone.iter().copied()).map(|log| format!(" (did you mean `{log}`?)"));
        format!("line {}, `{}`{}", row.spot.line, row.log.as_str(), meant.unwrap_or_default())
    };
    let idle: Vec<String> = all.iter().filter(|row| !used.contains(&row.spot.line)).map(one).collect();
    let rows = match idle.len() {
        0 => None,
        1 => Some("a row of the run sheet names".to_owned()),
        n => Some(format!("{n} rows of the run sheet name")),
    };
    let unnamed = rows.map(|rows| format!("{rows} no log that was found: {}", first_of(&idle)));
    let car = odd_car(&plan.definitions.car);
    let layouts = match plan.pipeline().per_log.first().map(|step| &step.value) {
        Some(LogStep::Load(load)) => of_layouts(plan, load),
        _ => Vec::new(),
    };
    idle_patterns(plan)
        .into_iter()
        .chain(car)
        .chain(unnamed)
        .chain(slips(all))
        .chain(unlike_rows(all))
        .chain(layouts)
        .collect()
}

/// Difference in altitude from which two runs were not at one place, m: a circuit climbs as much at most (common practice,
/// no source).
const CLIMB: f64 = 100.0;

/// Turn of a wind of at least so many m/s, degrees, and change of temperature, K, beyond which two runs were not of one
/// session (common practice, no source).
const BLOWS: f64 = 2.0;
const TURNED: f64 = 60.0;
const WARMED: f64 = 12.0;

/// Sessions whose rows name two days, two places or two weathers: what a session has in common, its wind above all, is
/// found once for it.
fn unlike_rows(rows: &[RunRow]) -> Vec<String> {
    let mut sessions: BTreeMap<(&str, &str), Vec<&RunRow>> = BTreeMap::new();
    for row in rows {
        sessions.entry((row.event.trim(), row.session.trim())).or_default().push(row);
    }
    let said = |((event, session), rows): ((&str, &str), Vec<&RunRow>)| {
        let days = apart(&rows, |row| row.date.as_ref().map(|date| date.as_str()), |a, b| day(a) != day(b))
            .map(|[(a, line), (b, other)]| format!("the days {a} (line {line}) and {b} (line {other})"));
        let places = apart(&rows, |row| row.altitude.as_ref().map(|h| h.get()), |a, b| (a - b).abs() > CLIMB)
            .map(|[(a, line), (b, other)]| format!("altitudes of {a:.0} m (line {line}) and {b:.0} m (line {other})"));
        // Another day is another wind, whatever the date says.
        let of_wind = |row: &RunRow| {
            let blows = row.wind_speed.as_ref().is_some_and(|speed| speed.get() >= BLOWS);
            row.wind_from.as_ref().filter(|_| blows).map(|from| from.get().to_degrees())
        };
        let turned = |a: f64, b: f64| (a - b + 180.0).rem_euclid(360.0) - 180.0;
        let winds = apart(&rows, of_wind, |a, b| turned(a, b).abs() > TURNED)
            .map(|[(a, line), (b, other)]| format!("winds from {a:.0}° (line {line}) and {b:.0}° (line {other})"));
        let celsius = |row: &RunRow| row.temperature.as_ref().map(|t| t.get() - 273.15);
        let warmth = apart(&rows, celsius, |a, b| (a - b).abs() > WARMED)
            .map(|[(a, line), (b, other)]| format!("{a:.0} °C (line {line}) and {b:.0} °C (line {other})"));
        let found = days.or(places).or(winds).or(warmth)?;
        Some(format!(
            "run sheet: session `{event}`, `{session}` has {found}: its wind and weather are taken for one; are these two sessions?"
        ))
    };
    sessions.into_iter().filter_map(said).collect()
}

/// A date as the calendar has it, however it is written.
fn day(text: &str) -> Result<chrono::NaiveDate, &str> {
    text.trim().parse().map_err(|_| text)
}

/// The first two values of some rows that differ, with their lines.
fn apart<'a, T: Copy>(
    rows: &[&'a RunRow],
    of: impl Fn(&'a RunRow) -> Option<T>,
    differ: impl Fn(T, T) -> bool,
) -> Option<[(T, u64); 2]> {
    let mut seen: Vec<(T, u64)> = Vec::new();
    for one in rows.iter().filter_map(|row| Some((of(row)?, row.spot.line))) {
        if let Some(first) = seen.iter().find(|other| differ(other.0, one.0)) {
            return Some([*first, one]);
        }
        seen.push(one);
    }
    None
}

/// Patterns whose folder is not there: one that was renamed, or a share that is not mounted, costs a season else.
fn idle_patterns(plan: &Plan) -> Option<String> {
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|step| &step.value) else { return None };
    let idle = load.logs.iter().filter(|pattern| load::leads_nowhere(&plan.definitions.base, pattern));
    let idle: Vec<String> = idle.map(|pattern| format!("`{}`", pattern.as_str())).collect();
    (!idle.is_empty()).then(|| format!("`load` finds nothing by {}: that place is not there", first_of(&idle)))
}

/// Layouts without a column for a channel that a stage asks for: another layout has one, or the plan would not stand.
fn of_layouts(plan: &Plan, load: &Load) -> Vec<String> {
    // What another layout has and a stage makes use of, without asking for it: those logs do without in silence.
    let used = |channel: &&String| plan.needed.binary_search(channel).is_ok() && !plan.demanded.contains_key(*channel);
    let all = || load.resolved.layouts.iter().map(|(_, layout)| layout);
    let elsewhere: BTreeSet<&String> = all().flat_map(|layout| layout.channels.keys()).filter(used).collect();
    let lacks = |layout: &Layout| {
        let of_channel = |(channel, stage): (&String, &&str)| {
            let name = &layout.name;
            format!(
                "the layout `{name}` names no column for channel `{channel}`, which stage `{stage}` asks for: logs read by \
                 it are set aside or do without"
            )
        };
        let missing = plan.demanded.iter().filter(|(channel, _)| !layout.channels.contains_key(*channel));
        let without: Vec<String> = elsewhere
            .iter()
            .filter(|channel| !layout.channels.contains_key(**channel))
            .map(|channel| format!("`{channel}`"))
            .collect();
        let without = (!without.is_empty()).then(|| {
            format!(
                "the layout `{}` names no column for {}, which another layout has: logs read by it do without",
                layout.name,
                without.join(", ")
            )
        });
        missing.map(of_channel).chain(without).collect::<Vec<_>>()
    };
    let mut seen = BTreeSet::new();
    let layouts = all().filter(|l| seen.insert(l.name.as_str()));
    layouts.flat_map(lacks).collect()
}
