//! One log through the log stages and the window stages. Whatever goes wrong here sets this log aside.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use crate::config::run_sheet::RunRow;
use crate::error::LogFault;
use crate::plan::Plan;
use crate::stages::LogCx;
use crate::stages::log::load;
use crate::stages::window::peaks::Peaks;
use crate::stages::window::{Found, Funnel, Window};
use crate::table::frame::LogFrame;

/// A log that was found.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedLog {
    /// Where it lies.
    pub path: PathBuf,
    /// What it is called in the tables: the file name, or the path where two share a name.
    pub log: String,
    /// File name.
    pub name: String,
    /// Path as shown, relative to the pipeline's folder where it lies below it.
    pub shown: String,
    /// Size of the file.
    pub bytes: u64,
}

/// What the stages made of a log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Processed {
    /// Its windows, by stage and start.
    pub windows: Vec<Window>,
    /// What each window stage's rules cost, by stage name.
    pub funnels: Vec<(String, Funnel)>,
    /// Highest loads of every stretch.
    pub peaks: Vec<Peaks>,
    /// Logged seconds.
    pub duration: f64,
    /// Rate of the common time base, Hz.
    pub rate: f64,
    /// Outings found.
    pub outings: usize,
    /// Remarks.
    pub flags: Vec<String>,
}

/// One log's result.
#[derive(Clone, Debug, PartialEq)]
pub struct LogResult {
    /// The log.
    pub named: NamedLog,
    /// BLAKE3 of its bytes.
    pub content_hash: String,
    /// Its run-sheet rows.
    pub runs: Vec<RunRow>,
    /// The result, or why it was set aside.
    pub outcome: Result<Processed, LogFault>,
    /// Windows, empty when set aside.
    pub windows: Vec<Window>,
    /// The result came from the cache.
    pub cached: bool,
}

/// Runs every stage on one log.
pub fn process(plan: &Plan, named: &NamedLog) -> LogResult {
    let runs = runs_of(plan, named);
    let content_hash = hash_file(&named.path).unwrap_or_default();
    // A defect that shows on one log must not cost the others their night.
    let outcome = catch_unwind(AssertUnwindSafe(|| stages(plan, named, &runs))).unwrap_or_else(|cause| {
        let said = cause.downcast_ref::<String>().map(String::as_str).or(cause.downcast_ref::<&str>().copied());
        Err(LogFault::Unreadable { detail: format!("a defect of squarelaw: {}", said.unwrap_or("no message")) })
    });
    let windows = outcome.as_ref().map(|p| p.windows.clone()).unwrap_or_default();
    LogResult { named: named.clone(), content_hash, runs, outcome, windows, cached: false }
}

/// The run-sheet rows that name this log, by file name or by path.
pub fn runs_of(plan: &Plan, named: &NamedLog) -> Vec<RunRow> {
    let rows = &plan.definitions.runs.rows;
    let by_path = load::runs_for(&named.shown, rows);
    if by_path.is_empty() { load::runs_for(&named.name, rows) } else { by_path }
}

fn hash_file(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    std::io::copy(&mut std::fs::File::open(path)?, &mut hasher)?;
    Ok(hasher.finalize().to_hex().to_string())
}

fn stages(plan: &Plan, named: &NamedLog, runs: &[RunRow]) -> Result<Processed, LogFault> {
    if runs.is_empty() {
        return Err(LogFault::NotInRunSheet);
    }
    let cx = LogCx {
        path: &named.path,
        log: &named.log,
        car: &plan.definitions.car,
        runs,
        needed: &plan.needed,
        quantities: &plan.quantities,
    };
    after(plan, &cx, 0, LogFrame::default())
}

/// The log stages from the given one on, then the window stages.
///
/// # Errors
/// The fault that sets the log aside.
pub fn after(plan: &Plan, cx: &LogCx, first: usize, mut log: LogFrame) -> Result<Processed, LogFault> {
    for step in plan.pipeline().per_log.iter().skip(first) {
        log = step.stage().run(log, cx)?;
    }
    let mut out = Processed {
        duration: log.time.last().copied().unwrap_or(0.0),
        rate: log.rate,
        outings: log.segments.iter().map(|s| s.outing).max().unwrap_or(0) as usize,
        flags: log.flags.clone(),
        ..Default::default()
    };
    for step in &plan.pipeline().windows {
        let Found { windows, funnel, peaks } = step.stage().run(&log, cx)?;
        out.windows.extend(windows);
        out.funnels.push((step.name().to_owned(), funnel));
        out.peaks.extend(peaks);
    }
    Ok(out)
}
