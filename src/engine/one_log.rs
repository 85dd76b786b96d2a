//! One log through the log stages and the window stages. Whatever goes wrong here sets this log aside.

use std::any::Any;
use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::{Deserialize, Serialize};

use super::cache::key::Keys;
use super::cache::{self, Cache, Content};
use crate::config::check::run_sheet::claimed_twice;
use crate::config::layout::Format;
use crate::config::log_names::Runs;
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::stages::log::{ON_REQUEST, load};
use crate::stages::window::peaks::Peaks;
use crate::stages::window::{Found, Funnel, Window, written};
use crate::stages::{LogCx, LogStep};
use crate::table::frame::{Column, LogFrame, OfItsCar};

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
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Processed {
    /// Its windows, by stage and start.
    #[serde(with = "written")]
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
    /// What it says of its car.
    pub car: OfItsCar,
    /// Columns of which the layout names another unit than the file does, with both.
    pub other_units: Vec<String>,
}

/// How many windows a log has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// All of them.
    pub all: usize,
    /// Those of the kinds that `fit` takes.
    pub fitted: usize,
}

/// One log's result.
#[derive(Clone, Debug, PartialEq)]
pub struct LogResult {
    /// The log.
    pub named: NamedLog,
    /// BLAKE3 of its bytes; empty where they can't be read.
    pub content_hash: String,
    /// Its run-sheet rows.
    pub runs: Vec<RunRow>,
    /// The result, or why it was set aside.
    pub outcome: Result<Processed, LogFault>,
    /// Windows, empty when set aside; moved out of the outcome, and on into the season's tables.
    pub windows: Vec<Window>,
    /// How many windows that were.
    pub found: Counts,
    /// What it was made from.
    pub from: Source,
}

/// What a result was made from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// The export: the log stages ran.
    Export,
    /// The channels that the cache held: the window stages ran.
    KeptChannels,
    /// Nothing ran: the cache, or the last run, knew the windows or why there are none.
    KeptWindows,
}

impl Source {
    /// In the words of a log line.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Export => "export",
            Self::KeptChannels => "kept channels",
            Self::KeptWindows => "kept windows",
        }
    }
}

impl LogResult {
    /// Of a log of which it was known before how many windows it has, or why it is set aside.
    pub fn known(named: &NamedLog, found: Result<Counts, LogFault>) -> Self {
        Self {
            named: named.clone(),
            content_hash: String::new(),
            runs: Vec::new(),
            windows: Vec::new(),
            found: found.as_ref().copied().unwrap_or_default(),
            outcome: found.map(|_| Processed::default()),
            from: Source::KeptWindows,
        }
    }
}

/// What a log is worked on with.
#[derive(Clone, Copy)]
pub struct Work<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// The rows of its run sheet.
    pub runs: &'a Runs<'a>,
    /// The cache, if there is one.
    pub cache: Option<&'a Cache>,
    /// Set by a signal; looked at between stages.
    pub stop: &'a AtomicBool,
}

/// The result of some stages: whatever is wrong with the log inside, what ends the run outside.
type Staged<T> = Result<Result<T, LogFault>, Fatal>;

/// Brings one log through every stage, or takes its result from the cache.
///
/// # Errors
/// A stop was asked for, or a defect; whatever is wrong with the log is in the result.
pub fn process(work: Work, named: &NamedLog) -> Result<LogResult, Fatal> {
    let runs = runs_of(work.runs, named).into_iter().cloned().collect();
    let mut log =
        LogResult { runs, from: Source::KeptChannels, ..LogResult::known(named, Err(LogFault::NotInRunSheet)) };
    log.outcome = work.look(&mut log)?;
    log.windows = log.outcome.as_mut().map(|p| std::mem::take(&mut p.windows)).unwrap_or_default();
    // They wait for those of all other logs.
    log.windows.shrink_to_fit();
    let fitted = work.plan.evidence_of(&log.windows);
    log.found = Counts { all: log.windows.len(), fitted };
    Ok(log)
}

/// The run-sheet rows that name this log, by file name or by path.
pub fn runs_of<'a>(rows: &Runs<'a>, named: &NamedLog) -> Vec<&'a RunRow> {
    let by_path = rows.of(&named.shown);
    if by_path.is_empty() { rows.of(&named.name) } else { by_path }
}

/// Whether the run sheet says of every moment of a log, once, what the car was.
///
/// # Errors
/// `NotInRunSheet`, `ClaimedTwice`.
pub fn claim(runs: &[RunRow]) -> Result<(), LogFault> {
    if runs.is_empty() {
        return Err(LogFault::NotInRunSheet);
    }
    claimed_twice(runs).map_or(Ok(()), |(a, b)| {
        let rows = [a, b];
        let configurations = rows.map(|r| r.configuration.value.clone());
        Err(LogFault::ClaimedTwice { lines: rows.map(|r| r.spot.line), configurations })
    })
}

/// What a panic said.
pub fn said(cause: &(dyn Any + Send)) -> String {
    let said = cause.downcast_ref::<String>().map(String::as_str).or(cause.downcast_ref::<&str>().copied());
    said.unwrap_or("no message").to_owned()
}

fn unreadable(detail: impl ToString) -> LogFault {
    LogFault::Unreadable { detail: detail.to_string() }
}

impl Work<'_> {
    /// The cheapest way to the result: nothing read, the frame read, the export read.
    fn look(self, log: &mut LogResult) -> Staged<Processed> {
        let content = match self.cache.and_then(|c| c.unchanged(&log.named.path)) {
            Some(known) => known,
            None => match self.read(log) {
                Ok(content) => content,
                Err(fault) => return Ok(Err(fault)),
            },
        };
        log.content_hash.clone_from(&content.hash);
        if let Err(fault) = claim(&log.runs) {
            return Ok(Err(fault));
        }
        let Some(cache) = self.cache else { return self.export(log, content, None) };
        let keys = cache.keys(self.plan, &log.named, &log.runs, &content.hash)?;
        let known: Vec<Option<Result<Processed, LogFault>>> =
            keys.windows.iter().map(|key| cache.windows(key)).collect();
        if known.iter().all(Option::is_some) {
            log.from = Source::KeptWindows;
            return Ok(together(known.into_iter().flatten()));
        }
        match cache.frame(&keys.frame) {
            Some(frame) => self.windows(log, frame, Some(&keys), known),
            None => self.export(log, content, Some(keys)),
        }
    }

    /// The way from the export itself.
    fn export(self, log: &mut LogResult, mut content: Content, mut keys: Option<Keys>) -> Staged<Processed> {
        if content.bytes.is_none() && self.is_text(log) {
            // Its hash was known, its result is not: now the bytes are needed, and what they hash to counts.
            content = match self.read(log) {
                Ok(content) => content,
                Err(fault) => return Ok(Err(fault)),
            };
            if content.hash != log.content_hash {
                log.content_hash.clone_from(&content.hash);
                let anew = |c: &Cache| c.keys(self.plan, &log.named, &log.runs, &content.hash);
                keys = self.cache.map(anew).transpose()?;
            }
        }
        log.from = Source::Export;
        let frame = self.frame(log, content.bytes.take())?;
        if !cache::still(&log.named.path, &content.stamp) {
            // Half a copy may look like a whole short log.
            return Ok(Err(unreadable("it changed while it was read; the next run takes it again")));
        }
        if let (Some(cache), Some(keys)) = (self.cache, &keys) {
            cache.keep_frame(&keys.frame, &frame.as_ref());
        }
        self.windows(log, frame, keys.as_ref(), Vec::new())
    }

    fn is_text(self, log: &LogResult) -> bool {
        let Some(LogStep::Load(load)) = self.plan.pipeline().per_log.first().map(|s| &s.value) else { return false };
        let layout = load.layout_of(&log.named.name);
        layout.is_ok_and(|l| matches!(load::format_of(&log.named.path, l), Format::Csv | Format::ByEnding))
    }

    /// Reads the file once, for its hash and, where it is text, for its samples.
    fn read(self, log: &LogResult) -> Result<Content, LogFault> {
        let (path, began) = (&log.named.path, cache::index::now());
        let whole = !log.runs.is_empty() && self.is_text(log);
        let content = if whole { cache::read_whole(path) } else { cache::read_through(path) }.map_err(unreadable)?;
        if let Some(cache) = self.cache {
            cache.remember(path, &content, began);
        }
        Ok(content)
    }

    /// Runs stages; a defect that shows on one log must not cost the others their night.
    fn guarded<T>(self, stages: impl FnOnce() -> Staged<T>) -> Staged<T> {
        catch_unwind(AssertUnwindSafe(stages))
            .unwrap_or_else(|cause| Ok(Err(unreadable(format!("a defect of squarelaw: {}", said(cause.as_ref()))))))
    }

    fn cx<'a>(&'a self, log: &'a LogResult, bytes: Option<&'a Cell<Vec<u8>>>) -> LogCx<'a> {
        LogCx {
            path: &log.named.path,
            log: &log.named.log,
            car: &self.plan.definitions.car,
            runs: &log.runs,
            needed: &self.plan.needed,
            quantities: &self.plan.quantities,
            road_load: self.plan.wants_road_load(),
            bytes,
        }
    }

    fn stopped(self) -> Result<(), Fatal> {
        if self.stop.load(Ordering::Relaxed) { Err(Fatal::Stopped) } else { Ok(()) }
    }

    /// The log stages; of what `load` read, only what later parts of the chain look at is kept.
    fn frame(self, log: &LogResult, bytes: Option<Vec<u8>>) -> Staged<LogFrame> {
        let bytes = bytes.map(Cell::new);
        let cx = self.cx(log, bytes.as_ref());
        self.guarded(|| {
            let mut frame = LogFrame::default();
            for step in &self.plan.pipeline().per_log {
                self.stopped()?;
                frame = match step.stage().run(frame, &cx) {
                    Ok(frame) => frame,
                    Err(fault) => return Ok(Err(fault)),
                };
            }
            prune(self.plan, &mut frame);
            Ok(Ok(frame))
        })
    }

    /// The window stages, but those of which it is known what they make of this log.
    fn windows(
        self,
        log: &LogResult,
        frame: Result<LogFrame, LogFault>,
        keys: Option<&Keys>,
        known: Vec<Option<Result<Processed, LogFault>>>,
    ) -> Staged<Processed> {
        let (stages, mut known) = (self.plan.pipeline().windows.len().max(1), known.into_iter());
        let mut parts = Vec::with_capacity(stages);
        for stage in 0..stages {
            self.stopped()?;
            if let Some(part) = known.next().flatten() {
                parts.push(part);
                continue;
            }
            let part = match &frame {
                Ok(frame) => self.guarded(|| Ok(selected(self.plan, &self.cx(log, None), frame, stage)))?,
                Err(fault) => Err(fault.clone()),
            };
            if let (Some(cache), Some(key)) = (self.cache, keys.and_then(|keys| keys.windows.get(stage))) {
                cache.keep_windows(key, &part.as_ref());
            }
            parts.push(part);
        }
        Ok(together(parts))
    }
}

/// The log stages from the given one on, then the window stages.
///
/// # Errors
/// The fault that sets the log aside.
pub fn after(plan: &Plan, cx: &LogCx, first: usize, mut frame: LogFrame) -> Result<Processed, LogFault> {
    for step in plan.pipeline().per_log.iter().skip(first) {
        frame = step.stage().run(frame, cx)?;
    }
    prune(plan, &mut frame);
    together((0..plan.pipeline().windows.len().max(1)).map(|stage| selected(plan, cx, &frame, stage)))
}

/// Drops what no later part of the chain looks at: what `load` read, and what log stages make for those that ask. The
/// rest is brought to the precision that it is kept in.
fn prune(plan: &Plan, frame: &mut LogFrame) {
    if let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) {
        let kept = plan.kept();
        let read = |name: &str| load.resolved.layouts.iter().any(|(_, l)| l.channels.contains_key(name));
        let spare = |name: &str| read(name) || ON_REQUEST.contains(&name);
        frame.columns.retain(|c| kept.binary_search(&c.name.as_str()).is_ok() || !spare(&c.name));
    }
    frame.columns.iter_mut().for_each(Column::round);
}

/// What all window stages made, in their order; the first fault is the log's.
fn together(parts: impl IntoIterator<Item = Result<Processed, LogFault>>) -> Result<Processed, LogFault> {
    let mut parts = parts.into_iter();
    let mut out = parts.next().unwrap_or_else(|| Ok(Processed::default()))?;
    for part in parts {
        let Processed { windows, funnels, peaks, .. } = part?;
        out.windows.extend(windows);
        out.funnels.extend(funnels);
        out.peaks.extend(peaks);
    }
    Ok(out)
}

/// One of the window stages; without any, what is known of the log.
fn selected(plan: &Plan, cx: &LogCx, frame: &LogFrame, stage: usize) -> Result<Processed, LogFault> {
    let mut out = Processed {
        duration: frame.time.last().copied().unwrap_or(0.0),
        rate: frame.rate,
        outings: frame.outings,
        flags: frame.all_flags(),
        car: frame.car,
        other_units: frame.other_units.clone(),
        ..Default::default()
    };
    if let Some(step) = plan.pipeline().windows.get(stage) {
        let Found { windows, funnel, peaks } = step.stage().run(frame, cx)?;
        out.windows.extend(windows);
        out.funnels.push((step.name().to_owned(), funnel));
        out.peaks.extend(peaks);
    }
    Ok(out)
}
