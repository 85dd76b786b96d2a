//! What is said about a night and changes no number: logs without a window, odd definitions, what the tables of
//! the last run rested on and these do not.

mod car;
mod definitions;
mod season;

use std::collections::BTreeSet;
use std::path::Path;

use self::car::{of_the_car, unheld};
pub(super) use self::definitions::of_definitions;
pub(super) use self::season::of_season;
use super::funnels::{self, Dearest};
use super::one_log::LogResult;
use super::outcome::pipeline_from;
use super::{Watcher, tables_folder};
use crate::plan::Plan;
use crate::table::flags::{
    FRONT_LOAD_UNLIKE_TRANSFER, LOADS_OUT_OF_STEP, REAR_LOAD_UNLIKE_TRANSFER, TORQUE_OUT_OF_STEP,
    TORQUE_UNLIKE_ACCELERATION, UNIT_UNLIKE_FILE, meaning,
};
use crate::table::parquet_file::{self, place};
use crate::table::rows::{BatchRow, LogRow};

/// Says which logs have no window to show for themselves: a steering sensor that is off costs a log as surely as a broken
/// file.
pub(super) fn without_windows<'a>(logs: impl Iterator<Item = (&'a str, bool)>, watcher: &dyn Watcher) {
    let idle: Vec<&str> = logs.filter(|(_, none)| *none).map(|(log, _)| log).collect();
    if let Some(log) = idle.first() {
        let which =
            if idle.len() == 1 { format!("log `{log}`") } else { format!("{} logs, `{log}` the first", idle.len()) };
        watcher.remark(&format!(
            "no window that `fit` takes passed the selection in {which}: table `funnel` says what each rule cost"
        ));
    }
}

/// Window stages that kept nothing of any log: a limit in another unit, or two rules that nothing passes together. That nobody
/// coasts is no fault.
fn idle_stages(results: &[LogResult]) -> Vec<String> {
    let idle = funnels::dearest(results).into_iter().filter(|of| of.kept == Some(0.0) && of.stage != "coastdown");
    let said = |of: Dearest| {
        format!(
            "window stage `{}` kept nothing of any log: `{}` takes {:.0} % of the time, see table `funnel`",
            of.stage, of.rule, of.percent
        )
    };
    idle.map(said).collect()
}

/// Logs that are named one by one before the rest is counted.
const NAMED: usize = 5;

/// Says what the tables of the last run rested on and these do not: logs that are gone (a share that is not there, another
/// season's folder), or another pipeline's work.
pub(super) fn of_former_tables(plan: &Plan, results: &[LogResult], watcher: &dyn Watcher) {
    let (tables, season) = (tables_folder(plan), plan.pipeline().season.value.as_str());
    let rows_of_batch: Vec<BatchRow> = parquet_file::read(&place(&tables, "batch", season)).unwrap_or_default();
    let this = pipeline_from(&plan.definitions.pipeline_path, &tables);
    // A row of a former version names the file alone.
    let same = |row: &BatchRow| row.pipeline == this || Path::new(&this).file_name() == Some(row.pipeline.as_ref());
    if let Some(last) = rows_of_batch.last().filter(|row| !same(row)) {
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
        let are = if n == 1 { "is" } else { "are" };
        watcher.remark(&format!(
            "{n} of the {of} logs behind the last run's tables {are} not found any more: {which}{doubt}"
        ));
    }
}

/// Flags of a log that put all its forces off, or cost an outing, should what they say be a fault: nobody finds them in a
/// table by chance.
const LOOK_AT: [&str; 16] = [
    "outing_not_in_log",
    "outing_without_row",
    "course_stands_still",
    "changed_while_driving",
    "speed_unlike_acceleration",
    "speed_late_or_smoothed",
    LOADS_OUT_OF_STEP,
    TORQUE_OUT_OF_STEP,
    "link_force_of_drive_unknown",
    FRONT_LOAD_UNLIKE_TRANSFER,
    REAR_LOAD_UNLIKE_TRANSFER,
    TORQUE_UNLIKE_ACCELERATION,
    UNIT_UNLIKE_FILE,
    "temperature_unlike_run_sheet",
    "pressure_unlike_run_sheet",
    "pressure_unlike_altitude",
];

/// Which logs have one of these.
pub(super) fn of_logs(results: &[LogResult], plan: &Plan) -> Vec<String> {
    let with = |flag: &str| -> Vec<String> {
        let has = |r: &&LogResult| r.outcome.as_ref().is_ok_and(|of| of.flags.iter().any(|f| f == flag));
        results.iter().filter(has).map(|r| format!("`{}`", r.named.log)).collect()
    };
    let said = |flag: &str| {
        let logs = with(flag);
        (!logs.is_empty()).then(|| {
            let which = if logs.len() == 1 { "log" } else { "logs" };
            let columns = if flag == UNIT_UNLIKE_FILE { columns_of_other_units(results) } else { String::new() };
            format!("{which} {}: {columns}{}", first_of(&logs), meaning(flag))
        })
    };
    LOOK_AT
        .into_iter()
        .filter_map(said)
        .chain(idle_stages(results))
        .chain(unheld(results, plan))
        .chain(of_the_car(results))
        .collect()
}

/// The columns of all logs whose unit the layout says otherwise than the file.
fn columns_of_other_units(results: &[LogResult]) -> String {
    let all: BTreeSet<&String> =
        results.iter().filter_map(|r| r.outcome.as_ref().ok()).flat_map(|of| &of.other_units).collect();
    let which = if all.len() == 1 { "column" } else { "columns" };
    format!("{which} {}: ", first_of(&all.into_iter().cloned().collect::<Vec<_>>()))
}

fn first_of(all: &[String]) -> String {
    let named = all.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join("; ");
    if all.len() > NAMED { format!("{named}; {} more", all.len() - NAMED) } else { named }
}
