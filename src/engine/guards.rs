//! What must not happen in the night: a log that counts twice, tables emptied by a layout that was edited badly.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::funnels;
use super::one_log::{Counts, LogResult, NamedLog};
use super::{Watcher, tables_folder};
use crate::config::log_names::is_pattern;
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::stages::window::{Measure, Window};
use crate::table::parquet_file::{self, place};
use crate::table::row::Row;
use crate::table::rows::ConfigurationRow;

/// Sets aside a log that holds what another one holds: counted twice, it would make every number look surer than it is.
pub(super) fn once(results: &mut [LogResult], watcher: &dyn Watcher) {
    let mut alike: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (i, result) in results.iter().enumerate().filter(|(_, r)| r.outcome.is_ok() && !r.content_hash.is_empty()) {
        alike.entry(result.content_hash.clone()).or_default().push(i);
    }
    let configurations =
        |i: usize| -> BTreeSet<&str> { results[i].runs.iter().map(|row| row.configuration.as_str()).collect() };
    let mut faults: Vec<(usize, LogFault)> = Vec::new();
    for of in alike.values().filter(|of| of.len() > 1) {
        let log = |i: usize| results[i].named.log.clone();
        let other = |i: usize| of.iter().copied().find(|j| configurations(*j) != configurations(i));
        // Where the run sheet does not say the same of all of them, none says what ran.
        let in_doubt = of.iter().any(|i| other(*i).is_some());
        faults.extend(of.iter().enumerate().filter_map(|(k, i)| match other(*i) {
            Some(j) => Some((*i, LogFault::TwoMinds { log: log(j) })),
            None => (k > 0 && !in_doubt).then(|| (*i, LogFault::SameAs { log: log(of[0]) })),
        }));
    }
    faults.sort_by_key(|(i, _)| *i);
    faults.into_iter().for_each(|(i, fault)| after_all(&mut results[i], fault, watcher));
}

/// A log that holds what another one holds.
struct Twice {
    log: usize,
    other: usize,
    fault: LogFault,
    /// Whether the run sheet says the same of both.
    agree: bool,
}

/// Sets aside what another log holds; both, where the run sheet says that they ran different configurations.
fn set_twice_aside(results: &mut [LogResult], twice: Vec<Twice>, watcher: &dyn Watcher) {
    for Twice { log, other, fault, agree } in twice {
        let in_doubt = |of: usize| LogFault::TwoMinds { log: results[of].named.log.clone() };
        let faults = if agree { vec![(log, fault)] } else { vec![(other, in_doubt(log)), (log, in_doubt(other))] };
        faults.into_iter().for_each(|(i, fault)| after_all(&mut results[i], fault, watcher));
    }
}

/// Windows in a row, and measured values in them, that tell a run from every other: where laps are alike, the speeds of
/// windows in a row are too, and one value in four agrees by chance. With fewer quantities more windows must agree.
const TELLING: usize = 3;
const VALUES: usize = 12;
/// Relative difference of speeds, and of lengths in samples, that comes from the digits of another export, or from
/// samples that lie between those of the other.
const SAME_SPEED: f64 = 1e-3;
const SAME_LENGTH: usize = 2;
/// The same of a measured value, in standard errors: those of two laps differ by more, one time in three at least, and
/// here all of them must agree, window after window.
const SAME_VALUE: f64 = 0.5;

/// What a window is in every export of a run: its kind, the step that its speed lies in.
type Shape<'a> = (&'a str, i64);

/// Sets aside a log that holds the run of a longer one or a part of it, in another form (other line ends or digits, a
/// shifted clock, a range of time): some of its windows in a row have the same lengths, speeds and measured values.
pub(super) fn same_runs(results: &mut [LogResult], watcher: &dyn Watcher) {
    let quantities = results.iter().flat_map(|r| &r.windows).map(|w| w.measures.len()).max().unwrap_or(0);
    let telling = TELLING.max(VALUES.div_ceil(quantities.max(1)));
    let told = |r: &LogResult| r.outcome.is_ok() && r.windows.len() >= telling;
    let mut order: Vec<usize> = (0..results.len()).filter(|i| told(&results[*i])).collect();
    if !any_alike(results, &order) {
        return;
    }
    order.sort_by_key(|i| (Reverse(results[*i].windows.len()), *i));
    // Where windows of the logs that count stand, by what is the same in every export; speeds in steps as wide as they may
    // differ, so that those of one run lie in the same step or the next.
    let mut known: BTreeMap<Shape, Vec<(usize, usize)>> = BTreeMap::new();
    let step = |w: &Window| (w.speed.ln() / SAME_SPEED).floor() as i64;
    let mut twice = Vec::new();
    for i in order {
        let in_a_row = || results[i].windows.windows(telling).enumerate();
        let find = |here: &[Window]| {
            let near = (-1..=1).filter_map(|off| known.get(&(here[0].kind, step(&here[0]) + off)));
            let mut there = near.flatten().map(|(j, at)| (*j, &results[*j].windows[*at..at + telling]));
            let both = |there: &[Window]| here.iter().zip(there).map(|(a, b)| values(a, b).count()).sum::<usize>();
            let alike = |there: &[Window]| here.iter().zip(there).all(|(a, b)| same(a, b)) && both(there) >= VALUES;
            there.find(|(_, there)| alike(there)).map(|(j, there)| {
                let agree = here.iter().zip(there).all(|(a, b)| a.configuration == b.configuration);
                (j, agree)
            })
        };
        if let Some((other, agree)) = in_a_row().find_map(|(_, here)| find(here)) {
            let fault = LogFault::SameRun { log: results[other].named.log.clone() };
            twice.push(Twice { log: i, other, fault, agree });
            continue;
        }
        for (at, here) in in_a_row() {
            known.entry((here[0].kind, step(&here[0]))).or_default().push((i, at));
        }
    }
    set_twice_aside(results, twice, watcher);
}

/// Steps from one window to the next that two logs have in common, and the share of the shorter log's that they are, from
/// which both may be of one run: of two laps one step in ten thousand is.
const STEPS: usize = 10;
const MOSTLY: f64 = 0.6;
/// Relative difference of the speeds of a window in two exports, one of which may be rounded or calibrated anew, and of the
/// seconds from one window to the next.
const LIKE_SPEED: f64 = 4e-3;
const LIKE_GAP: f64 = 0.3;
/// Share of the variance that values of two runs differ by, a constant aside, below which they are of one, where two
/// quantities say so: it is one or more for the same course driven twice, however alike. Chance leads to less in one of ten
/// thousand pairs of runs that a robot drove, and in none of others.
const NO_NOISE: f64 = 0.25;

/// From one window of a log to the next.
struct Step {
    log: usize,
    at: usize,
    speed: f64,
    next: f64,
    gap: f64,
}

/// Sets aside the shorter of two logs of one run whose values differ: sensors zeroed again, another rate, filter or clock,
/// cut at both ends. Most of their windows follow each other at the same speeds and times, and what was measured in them
/// differs by a constant and hardly any noise.
pub(super) fn same_steps(results: &mut [LogResult], watcher: &dyn Watcher) {
    let twice = of_same_steps(results);
    set_twice_aside(results, twice, watcher);
}

fn of_same_steps(results: &[LogResult]) -> Vec<Twice> {
    let count = |i: usize| results[i].windows.len();
    let told: Vec<usize> = (0..results.len()).filter(|i| results[*i].outcome.is_ok() && count(*i) > STEPS).collect();
    let steps = |log: usize| {
        let pairs = results[log].windows.windows(2).enumerate();
        pairs.map(move |(at, w)| Step { log, at, speed: w[0].speed, next: w[1].speed, gap: w[1].start - w[0].start })
    };
    let mut all: Vec<Step> = told.iter().flat_map(|log| steps(*log)).collect();
    all.sort_unstable_by(|a, b| a.speed.total_cmp(&b.speed).then((a.log, a.at).cmp(&(b.log, b.at))));
    let like = |a: f64, b: f64| (a - b).abs() <= LIKE_SPEED * a.min(b).abs();
    // By chance most logs of a large season meet in some steps: the meetings of one log are looked at and let go.
    let of_log = |log: &usize| {
        let mut met: BTreeMap<usize, BTreeMap<usize, usize>> = BTreeMap::new();
        for here in steps(*log) {
            let first = all.partition_point(|s| s.speed < here.speed && !like(s.speed, here.speed));
            for there in all[first..].iter().take_while(|s| s.speed <= here.speed || like(s.speed, here.speed)) {
                // The other is longer, or as long and earlier.
                let longer = (count(there.log), *log) > (count(*log), there.log);
                if longer && (there.gap - here.gap).abs() <= LIKE_GAP && like(there.next, here.next) {
                    met.entry(there.log).or_default().insert(here.at, there.at);
                }
            }
        }
        let one_run = |(other, steps): (usize, BTreeMap<usize, usize>)| {
            let enough = steps.len() >= STEPS && steps.len() as f64 >= MOSTLY * (count(*log) - 1) as f64;
            let windows =
                || steps.iter().map(|(at, there)| (&results[*log].windows[*at], &results[other].windows[*there]));
            let same = enough && noise(windows()).is_some_and(|share| share < NO_NOISE);
            same.then(|| (other, *log, windows().all(|(a, b)| a.configuration == b.configuration)))
        };
        met.into_iter().filter_map(one_run).collect::<Vec<_>>()
    };
    let mut found: Vec<(usize, usize, bool)> = told.par_iter().flat_map_iter(of_log).collect();
    found.sort_unstable();
    let mut out: Vec<Twice> = Vec::new();
    for (other, log, agree) in found {
        // What is set aside already keeps no other out.
        if out.iter().all(|twice| twice.log != log && twice.log != other) {
            let fault = LogFault::SameRun { log: results[other].named.log.clone() };
            out.push(Twice { log, other, fault, agree });
        }
    }
    out
}

/// How much the differences of two logs' values scatter about their mean, window by window, over what their standard errors
/// would have two runs differ by: of the quantity for which that is least but one, as another row of the run sheet (fuel,
/// say) may move some of them. `None` of too few.
fn noise<'a>(windows: impl Iterator<Item = (&'a Window, &'a Window)> + Clone) -> Option<f64> {
    let quantities = windows.clone().map(|(a, b)| a.measures.len().min(b.measures.len())).max().unwrap_or(0);
    let of_quantity = |q: usize| {
        let both = windows.clone().filter_map(|(a, b)| a.measures.get(q)?.as_ref().zip(b.measures.get(q)?.as_ref()));
        let of = both.map(|(a, b)| (a.mean - b.mean, a.standard_error.powi(2) + b.standard_error.powi(2)));
        let of: Vec<(f64, f64)> = of.filter(|(_, variance)| *variance > 0.0).collect();
        let weight: f64 = of.iter().map(|(_, variance)| 1.0 / variance).sum();
        let mean = of.iter().map(|(d, variance)| d / variance).sum::<f64>() / weight;
        let squares: f64 = of.iter().map(|(d, variance)| (d - mean).powi(2) / variance).sum();
        (of.len() >= STEPS).then(|| squares / (of.len() - 1) as f64)
    };
    let mut shares: Vec<f64> = (0..quantities).filter_map(of_quantity).collect();
    shares.sort_unstable_by(f64::total_cmp);
    shares.get(1).or(shares.first()).copied()
}

/// Whether any window of one of these logs is one of another's, too: on most nights none is, and all is well.
fn any_alike(results: &[LogResult], of: &[usize]) -> bool {
    let windows = of.iter().flat_map(|i| results[*i].windows.iter().map(move |w| (*i, w)));
    let mut all: Vec<(usize, &Window)> = windows.collect();
    all.sort_unstable_by(|(_, a), (_, b)| a.speed.total_cmp(&b.speed));
    all.iter().enumerate().any(|(k, (i, w))| {
        let near = |(_, next): &&(usize, &Window)| next.speed - w.speed <= SAME_SPEED * next.speed.abs();
        all[k + 1..].iter().take_while(near).any(|(j, next)| j != i && same(w, next))
    })
}

/// Whether two windows are those of one stretch.
fn same(a: &Window, b: &Window) -> bool {
    a.kind == b.kind
        && a.samples.abs_diff(b.samples) <= SAME_LENGTH
        && (a.speed - b.speed).abs() <= SAME_SPEED * a.speed.abs().max(b.speed.abs())
        && values(a, b).all(|(a, b)| (a.mean - b.mean).abs() <= SAME_VALUE * a.standard_error.max(b.standard_error))
}

/// What both windows have measured.
fn values<'a>(a: &'a Window, b: &'a Window) -> impl Iterator<Item = (&'a Measure, &'a Measure)> {
    a.measures.iter().zip(&b.measures).filter_map(|(a, b)| a.as_ref().zip(b.as_ref()))
}

/// Sets aside logs of one file name in several folders that a row of the run sheet names by it: what one of them was run
/// with need not be what the other was, and an old copy would count the same seconds twice. A pattern means all it names.
pub(super) fn apart(results: &mut [LogResult], watcher: &dyn Watcher) {
    let mut of_name: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (i, result) in results.iter().enumerate() {
        if result.outcome.is_ok() && by_name(&result.runs) {
            of_name.entry(result.named.name.clone()).or_default().push(i);
        }
    }
    // Copies byte by byte are no two logs, and told below.
    let differ = |of: &Vec<usize>| of.iter().any(|i| results[*i].content_hash != results[of[0]].content_hash);
    let namesakes: Vec<Vec<usize>> = of_name.into_values().filter(|of| of.len() > 1 && differ(of)).collect();
    for namesakes in namesakes {
        let shown: Vec<String> = namesakes.iter().map(|i| results[*i].named.shown.clone()).collect();
        for (k, i) in namesakes.iter().enumerate() {
            let fault = LogFault::SameName { other: shown[usize::from(k == 0)].clone() };
            after_all(&mut results[*i], fault, watcher);
        }
    }
}

/// What can be said of that before the logs are read: a log that has another's file name and is surely no copy of it.
pub(super) fn namesake(found: &[NamedLog], log: &NamedLog, runs: &[RunRow]) -> Result<(), LogFault> {
    if log.log == log.name || !by_name(runs) {
        return Ok(());
    }
    let other = found.iter().find(|n| n.name == log.name && n.bytes != log.bytes);
    other.map_or(Ok(()), |other| Err(LogFault::SameName { other: other.shown.clone() }))
}

/// Whether a row means one log, and not all that a pattern names.
fn by_name(runs: &[RunRow]) -> bool {
    runs.iter().any(|row| !is_pattern(&row.log))
}

/// Sets a log aside that was read well, and says so.
fn after_all(result: &mut LogResult, fault: LogFault, watcher: &dyn Watcher) {
    watcher.remark(&format!("log `{}` is set aside after all: {fault}", result.named.log));
    set_aside(result, fault);
}

fn set_aside(result: &mut LogResult, fault: LogFault) {
    (result.outcome, result.found) = (Err(fault), Counts::default());
    result.windows.clear();
}

/// A night on which no window passes any more (a limit in another unit, say) writes nothing either where the last run had
/// some. Where there was none there is nothing to lose, and table `funnel` helps.
pub(super) fn windows_not_lost(plan: &Plan, results: &[LogResult]) -> Result<(), Fatal> {
    let used = || results.iter().filter(|r| r.outcome.is_ok());
    if used().next().is_none() || used().any(|r| r.found.fitted > 0) {
        return Ok(());
    }
    let (tables, season) = (tables_folder(plan), plan.pipeline().season.value.as_str());
    let rows: Vec<ConfigurationRow> =
        parquet_file::read(&place(&tables, ConfigurationRow::TABLE, season)).unwrap_or_default();
    let former = rows.iter().map(|row| row.windows).sum::<i64>();
    if former == 0 {
        return Ok(());
    }
    let lost = funnels::dearest(results).into_iter();
    let lost = lost.map(|of| format!("`{}` takes {:.0} % of the time from `{}`", of.rule, of.percent, of.stage));
    let lost = lost.collect::<Vec<_>>().join(", ");
    Err(Fatal::NoneLeft { logs: used().count(), former, lost })
}

/// A night on which no log can be used (a layout that was edited badly, say) writes nothing: it would empty the tables of
/// the last one, or call tables good in which there is nothing.
pub(super) fn nothing_lost(results: &[LogResult]) -> Result<(), Fatal> {
    let Some(LogResult { named, outcome: Err(fault), .. }) = results.first() else { return Ok(()) };
    if results.iter().any(|r| r.outcome.is_ok()) {
        return Ok(());
    }
    Err(Fatal::NoneUsed { logs: results.len(), log: named.log.clone(), fault: fault.clone() })
}
