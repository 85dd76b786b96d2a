//! What must not happen in the night without a word: a log that counts twice, a row of the run sheet without a log, tables
//! emptied by a layout that was edited badly.

use std::collections::{BTreeMap, BTreeSet};

use super::Watcher;
use super::one_log::{self, LogResult, NamedLog};
use crate::config::log_names::{Runs, is_pattern};
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;

/// Sets aside a log that holds what another one holds: counted twice, it would make every number look surer than it is.
pub(super) fn once(results: &mut [LogResult], watcher: &dyn Watcher) {
    let mut first: BTreeMap<String, String> = BTreeMap::new();
    for result in results.iter_mut().filter(|r| r.outcome.is_ok() && !r.content_hash.is_empty()) {
        let log = first.entry(result.content_hash.clone()).or_insert_with(|| result.named.log.clone());
        if *log != result.named.log {
            let fault = LogFault::SameAs { log: log.clone() };
            watcher.remark(&format!("log `{}` is set aside after all: {fault}", result.named.log));
            set_aside(result, fault);
        }
    }
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

/// Says which rows of the run sheet name no log: a slip of the pen costs a run without a trace.
pub(super) fn unnamed_rows(plan: &Plan, named: &[NamedLog], watcher: &dyn Watcher) {
    let sheet = Runs::new(&plan.definitions.runs.rows);
    let runs = named.iter().flat_map(|log| one_log::runs_of(&sheet, log));
    let used: BTreeSet<u64> = runs.map(|row| row.spot.line).collect();
    let idle: Vec<_> = plan.definitions.runs.rows.iter().filter(|row| !used.contains(&row.spot.line)).collect();
    if let Some(row) = idle.first() {
        let n = idle.len();
        let (line, log) = (row.spot.line, row.log.as_str());
        let rows =
            if n == 1 { "a row of the run sheet names".to_owned() } else { format!("{n} rows of the run sheet name") };
        watcher.remark(&format!("{rows} no log that was found: line {line}, `{log}`"));
    }
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
