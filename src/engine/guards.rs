//! What must not happen in the night without a word: a log that counts twice, a row of the run sheet without a log, tables
//! emptied by a layout that was edited badly.

use std::collections::{BTreeMap, BTreeSet};

use super::one_log::{self, LogResult, NamedLog};
use super::{Watcher, tables_folder};
use crate::config::log_names::{Runs, is_pattern};
use crate::config::run_sheet::RunRow;
use crate::config::slips::slips;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::table::parquet_file::{self, place};
use crate::table::rows::{BatchRow, LogRow};

/// Sets aside a log that holds what another one holds: counted twice, it would make every number look surer than it is.
pub(super) fn once(results: &mut [LogResult], watcher: &dyn Watcher) {
    let mut first: BTreeMap<String, String> = BTreeMap::new();
    let mut twice = Vec::new();
    for (i, result) in results.iter().enumerate().filter(|(_, r)| r.outcome.is_ok() && !r.content_hash.is_empty()) {
        let log = first.entry(result.content_hash.clone()).or_insert_with(|| result.named.log.clone());
        if *log != result.named.log {
            let fault = LogFault::SameAs { log: log.clone() };
            twice.push((i, log.clone(), fault));
        }
    }
    set_twice_aside(results, twice, watcher);
}

/// Sets aside what another log holds; both, where the run sheet says that they ran different configurations.
fn set_twice_aside(results: &mut [LogResult], twice: Vec<(usize, String, LogFault)>, watcher: &dyn Watcher) {
    for (i, log, fault) in twice {
        let configurations =
            |r: &LogResult| r.runs.iter().map(|row| row.configuration.value.clone()).collect::<BTreeSet<_>>();
        let other = results
            .iter()
            .position(|r| r.named.log == log)
            .filter(|j| configurations(&results[*j]) != configurations(&results[i]));
        let at_odds = |other: &str| LogFault::TwoMinds { log: other.to_owned() };
        let faults = match other {
            Some(j) => vec![(j, at_odds(&results[i].named.log)), (i, at_odds(&log))],
            None => vec![(i, fault)],
        };
        for (i, fault) in faults {
            watcher.remark(&format!("log `{}` is set aside after all: {fault}", results[i].named.log));
            set_aside(&mut results[i], fault);
        }
    }
}

/// Windows that tell a run from every other: two of the same length and speed may be chance, three are not.
const TELLING: usize = 3;
/// Relative difference of speeds that comes from the digits of another export.
const SAME_SPEED: f64 = 1e-4;

/// Sets aside a log that holds the run of another one in another form (other line ends or digits, a shifted clock): its
/// windows have the same lengths and speeds, one after the other.
pub(super) fn same_runs(results: &mut [LogResult], watcher: &dyn Watcher) {
    let mut of_lengths: BTreeMap<Vec<(&str, usize)>, Vec<usize>> = BTreeMap::new();
    for (i, result) in results.iter().enumerate().filter(|(_, r)| r.outcome.is_ok() && r.windows.len() >= TELLING) {
        of_lengths.entry(result.windows.iter().map(|w| (w.kind, w.samples)).collect()).or_default().push(i);
    }
    let same = |a: &LogResult, b: &LogResult| {
        let mut speeds = a.windows.iter().zip(&b.windows).map(|(a, b)| (a.speed, b.speed));
        speeds.all(|(a, b)| (a - b).abs() <= SAME_SPEED * a.abs())
    };
    let mut twice = Vec::new();
    for alike in of_lengths.into_values() {
        for (k, i) in alike.iter().enumerate() {
            let first = alike.iter().take(k).find(|j| same(&results[**j], &results[*i]));
            let log = first.map(|j| results[*j].named.log.clone());
            twice.extend(log.map(|log| (*i, log.clone(), LogFault::SameRun { log })));
        }
    }
    set_twice_aside(results, twice, watcher);
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
    for namesakes in of_name.into_values().filter(|of| of.len() > 1) {
        let shown: Vec<String> = namesakes.iter().map(|i| results[*i].named.shown.clone()).collect();
        for (k, i) in namesakes.iter().enumerate() {
            let fault = LogFault::SameName { other: shown[usize::from(k == 0)].clone() };
            watcher.remark(&format!("log `{}` is set aside after all: {fault}", results[*i].named.log));
            set_aside(&mut results[*i], fault);
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

fn set_aside(result: &mut LogResult, fault: LogFault) {
    (result.outcome, result.found) = (Err(fault), 0);
    result.windows.clear();
}

/// Says which logs have no window to show for themselves: a steering sensor that is off costs a log as surely as a broken
/// file.
pub(super) fn without_windows<'a>(logs: impl Iterator<Item = (&'a str, bool)>, watcher: &dyn Watcher) {
    let idle: Vec<&str> = logs.filter(|(_, none)| *none).map(|(log, _)| log).collect();
    if let Some(log) = idle.first() {
        let which =
            if idle.len() == 1 { format!("log `{log}`") } else { format!("{} logs, `{log}` the first,", idle.len()) };
        watcher.remark(&format!("no window of {which} passed the selection: table `funnel` says what each rule cost"));
    }
}

/// Logs that are named one by one before the rest is counted.
const NAMED: usize = 5;

/// What is odd about the run sheet, in words: rows that name no log and names that look like slips of the pen, which cost a
/// run, or make two cars out of one, without a trace.
pub(super) fn of_run_sheet(plan: &Plan, named: &[NamedLog]) -> Vec<String> {
    let all = &plan.definitions.runs.rows;
    let sheet = Runs::new(all);
    let runs = named.iter().flat_map(|log| one_log::runs_of(&sheet, log));
    let used: BTreeSet<u64> = runs.map(|row| row.spot.line).collect();
    let idle: Vec<String> = all
        .iter()
        .filter(|row| !used.contains(&row.spot.line))
        .map(|row| format!("line {}, `{}`", row.spot.line, row.log.as_str()))
        .collect();
    let rows = match idle.len() {
        0 => None,
        1 => Some("a row of the run sheet names".to_owned()),
        n => Some(format!("{n} rows of the run sheet name")),
    };
    let unnamed = rows.map(|rows| format!("{rows} no log that was found: {}", first_of(&idle)));
    unnamed.into_iter().chain(slips(all)).collect()
}

/// Says what the tables of the last run rested on and these do not: logs that are gone (a share that is not there, another
/// season's folder), or another pipeline's work.
pub(super) fn of_former_tables(plan: &Plan, results: &[LogResult], watcher: &dyn Watcher) {
    let (tables, season) = (tables_folder(plan), plan.pipeline().season.value.as_str());
    let rows_of_batch: Vec<BatchRow> = parquet_file::read(&place(&tables, "batch", season)).unwrap_or_default();
    let file = plan.definitions.pipeline_path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default();
    if let Some(last) = rows_of_batch.last().filter(|row| row.pipeline != file) {
        watcher.remark(&format!(
            "the tables of season `{season}` in {} are those of `{}` and are replaced: give each pipeline its own `tables`",
            tables.display(),
            last.pipeline
        ));
    }
    let former: Vec<LogRow> = parquet_file::read(&place(&tables, "logs", season)).unwrap_or_default();
    let here: BTreeSet<&str> = results.iter().flat_map(|r| [r.content_hash.as_str(), r.named.log.as_str()]).collect();
    let used: Vec<&LogRow> = former.iter().filter(|row| row.status == "used").collect();
    let gone = used.iter().filter(|row| !here.contains(row.content_hash.as_str()) && !here.contains(row.log.as_str()));
    let gone: Vec<String> = gone.map(|row| format!("`{}`", row.log)).collect();
    if !gone.is_empty() {
        let (n, of) = (gone.len(), used.len());
        let doubt = if n == of { "; is `season` that of these logs?" } else { "" };
        let which = first_of(&gone);
        watcher.remark(&format!(
            "{n} of the {of} logs behind the last run's tables are not found any more: {which}{doubt}"
        ));
    }
}

fn first_of(all: &[String]) -> String {
    let named = all.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join("; ");
    if all.len() > NAMED { format!("{named}; {} more", all.len() - NAMED) } else { named }
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
