//! Runs a plan over the logs: in parallel, one bad log costs one log, tables written at the end.

pub mod cache;
mod funnels;
mod guards;
pub mod lock;
pub mod one_log;
pub mod outcome;
mod remarks;
pub mod standing;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use crate::config::log_names::Runs;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::stages::log::load;
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::kept::Kept;
use crate::stages::{LogStep, SeasonCx};
use crate::table::parquet_file;
use crate::table::row::Timestamp;
use crate::table::rows::BatchRow;
use crate::table::switch;
use cache::Cache;
use one_log::{LogResult, NamedLog, Work};
use outcome::Outcome;
use standing::Standing;

/// How a batch runs.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Worker threads; 0 for one per core.
    pub threads: usize,
    /// Where results are kept between runs.
    pub cache: CacheAt,
    /// Bytes that the cache is kept under; [`cache::USUAL_LIMIT`] where left out.
    pub cache_limit: Option<u64>,
}

/// Where results are kept between runs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum CacheAt {
    /// Beside the tables: see [`cache::usual_place`].
    #[default]
    Usual,
    /// In this folder.
    Folder(PathBuf),
    /// Nowhere: every log is worked on anew.
    Nowhere,
}

impl CacheAt {
    /// The folder; `None` for nowhere.
    pub fn folder(&self, plan: &Plan) -> Option<PathBuf> {
        match self {
            Self::Usual => Some(cache::usual_place(&tables_folder(plan))),
            Self::Folder(folder) => Some(folder.clone()),
            Self::Nowhere => None,
        }
    }
}

/// What the batch tells while it runs.
pub trait Watcher: Sync {
    /// The logs are known.
    fn found(&self, logs: usize);
    /// One log is done.
    fn done(&self, result: &LogResult);
    /// The season stages begin.
    fn season(&self, windows: usize);
    /// There is nothing to do, and why.
    fn stands(&self, _text: &str) {}
    /// Something that changes no result and should be known.
    fn remark(&self, _text: &str) {}
}

/// How a batch ended.
#[derive(Debug)]
pub struct Ran {
    /// The row of `batch`.
    pub batch: BatchRow,
    /// What the run says at its end.
    pub said: String,
    /// What was found and written; `None` where nothing has changed since the last run, whose tables stand.
    pub outcome: Option<Box<Outcome>>,
}

/// Runs the batch and writes the tables. On a night on which nothing has changed the last run's tables stand, and only
/// `batch` gets a row. `say`: what the run says at its end.
///
/// # Errors
/// Only what leaves nothing to write; faults of single logs are rows of the outcome.
pub fn run(
    plan: &Plan,
    options: &Options,
    stop: &AtomicBool,
    watcher: &dyn Watcher,
    say: &dyn Fn(&Outcome) -> String,
) -> Result<Ran, Fatal> {
    keep_memory();
    let started = outcome::now();
    let tables = tables_folder(plan);
    let _lock = take(&tables, watcher)?;
    let (named, cache) = (discover(plan, watcher)?, opened(plan, options)?);
    if let Some(cache) = &cache
        && let Some(standing) = standing::look(cache, plan, &tables, &named)
    {
        return unchanged(plan, watcher, started, &named, standing);
    }
    let batch = Batch { plan, options, stop, watcher, cache: cache.as_ref(), pool: pool(options)? };
    let (outcome, results) = batch.anew(started, &named)?;
    let said = say(&outcome);
    if let Some(cache) = &cache
        && let Some(standing) = Standing::of(cache, plan, &results, &outcome, said.clone())
        && let Err(e) = standing.keep(cache, plan, &tables)
    {
        watcher.remark(&cache.unwritten(&e));
    }
    Ok(Ran { batch: outcome.batch.clone(), said, outcome: Some(Box::new(outcome)) })
}

/// A log's samples come and go by the megabyte. The system's allocator gives such pieces back at once and asks for them
/// anew, page by page, a fifth of the time of a night with a changed selection, until it has seen one of their size go
/// (glibc's dynamic threshold, mallopt(3)): this is one. Another allocator takes no notice.
fn keep_memory() {
    drop(std::hint::black_box(Vec::<u8>::with_capacity(PIECE_TO_KEEP)));
}

/// Bytes of a piece that the allocator is to keep at hand: the largest it learns from is 32 MiB.
const PIECE_TO_KEEP: usize = 24 << 20;

/// The lock of the tables; what a run that died has left is put in order.
fn take(tables: &Path, watcher: &dyn Watcher) -> Result<lock::Lock, Fatal> {
    let lock = lock::take(tables)?;
    let recovered = switch::recover(tables)?;
    if recovered.finished > 0 {
        let n = recovered.finished;
        watcher.remark(&format!("the last run ended while it put its tables in place; {n} of them were put there now"));
    }
    Ok(lock)
}

fn opened(plan: &Plan, options: &Options) -> Result<Option<Cache>, Fatal> {
    options.cache.folder(plan).map(|folder| Cache::open(&folder, plan)).transpose()
}

fn unchanged(
    plan: &Plan,
    watcher: &dyn Watcher,
    started: Timestamp,
    named: &[NamedLog],
    standing: Standing,
) -> Result<Ran, Fatal> {
    watcher.found(named.len());
    let idle: Vec<bool> = standing.logs.iter().map(|of| of.as_ref().is_ok_and(|n| n.fitted == 0)).collect();
    for (named, found) in named.iter().zip(standing.logs) {
        watcher.done(&LogResult::known(named, found));
    }
    remarks::without_windows(named.iter().map(|n| n.log.as_str()).zip(idle), watcher);
    remarks::of_definitions(plan, named).iter().chain(&standing.odd).for_each(|text| watcher.remark(text));
    watcher.stands(&format!("nothing has changed since the run of {}: its tables stand", shown_time(standing.ended)));
    let batch = outcome::batch_row(plan, started, (named.len() as i64, standing.used, standing.windows));
    if let Some(remark) = outcome::add_batch(plan, &tables_folder(plan), &batch)? {
        watcher.remark(&remark);
    }
    Ok(Ran { batch, said: standing.said, outcome: None })
}

fn shown_time(micros: i64) -> String {
    let time = chrono::DateTime::from_timestamp_micros(micros);
    time.map_or_else(|| "the last night".to_owned(), |t| t.format("%Y-%m-%d %H:%M UTC").to_string())
}

/// The folder of the tables.
pub fn tables_folder(plan: &Plan) -> PathBuf {
    plan.definitions.base.join(&plan.pipeline().tables.value)
}

/// What a run would find, without a table written.
///
/// # Errors
/// As [`run`].
pub fn tables(plan: &Plan, options: &Options, stop: &AtomicBool, watcher: &dyn Watcher) -> Result<SeasonTables, Fatal> {
    let (named, cache) = (discover(plan, watcher)?, opened(plan, options)?);
    let batch = Batch { plan, options, stop, watcher, cache: cache.as_ref(), pool: pool(options)? };
    let mut results = batch.kept(&named)?;
    guards::nothing_lost(&results)?;
    batch.fitted(&mut results)
}

/// The worker threads of a run. There is one pool of them: another one's threads would get memory of their own from the
/// allocator, beside what those of the first have let go of and it still holds.
fn pool(options: &Options) -> Result<rayon::ThreadPool, Fatal> {
    let builder = rayon::ThreadPoolBuilder::new().num_threads(options.threads);
    builder.build().map_err(|e| Fatal::Internal(format!("no worker threads: {e}")))
}

/// A run at work.
struct Batch<'a> {
    plan: &'a Plan,
    options: &'a Options,
    stop: &'a AtomicBool,
    watcher: &'a dyn Watcher,
    cache: Option<&'a Cache>,
    pool: rayon::ThreadPool,
}

impl Batch<'_> {
    /// Works, fits and writes; the logs' results beside the outcome.
    fn anew(&self, started: Timestamp, named: &[NamedLog]) -> Result<(Outcome, Vec<LogResult>), Fatal> {
        let (plan, watcher) = (self.plan, self.watcher);
        let mut results = self.kept(named)?;
        guards::nothing_lost(&results)?;
        remarks::of_former_tables(plan, &results, watcher);
        let windows = results.iter().map(|r| r.windows.len()).sum();
        watcher.season(windows);
        let tables = self.fitted(&mut results)?;
        // What single logs show by themselves first: it may explain what the season finds odd.
        let mut odd = remarks::of_logs(&results, plan);
        odd.extend(remarks::of_season(&tables));
        odd.iter().for_each(|text| watcher.remark(text));
        let outcome = Outcome { odd, ..Outcome::new(plan, &results, tables, started, tables_folder(plan)) };
        self.stopped()?;
        let write = || self.pool.install(|| outcome.write());
        let written = match (write(), self.cache) {
            (Err(e), Some(cache)) if e.is_full() => {
                // Tables first: what is kept can be made again.
                watcher.remark(&cache.made_way());
                write()
            }
            (written, _) => written,
        };
        if let Some(remark) = written? {
            watcher.remark(&remark);
        }
        Ok((outcome, results))
    }

    fn stopped(&self) -> Result<(), Fatal> {
        if self.stop.load(Ordering::Relaxed) { Err(Fatal::Stopped) } else { Ok(()) }
    }

    fn kept(&self, named: &[NamedLog]) -> Result<Vec<LogResult>, Fatal> {
        let (plan, watcher) = (self.plan, self.watcher);
        let (mut results, mut lost) = (self.worked(named), Ok(()));
        if let Ok(results) = &mut results {
            guards::apart(results, watcher);
            guards::once(results, watcher);
            guards::same_runs(results, watcher);
            self.pool.install(|| guards::same_steps(results, watcher));
            lost = guards::windows_not_lost(plan, results);
            if lost.is_ok() {
                let idle = |r: &LogResult| r.outcome.is_ok() && r.found.fitted == 0;
                remarks::without_windows(results.iter().map(|r| (r.named.log.as_str(), idle(r))), watcher);
            }
            remarks::of_definitions(plan, named).iter().for_each(|text| watcher.remark(text));
        }
        if let Some(cache) = self.cache {
            // A stopped run keeps what it did, for the next one.
            self.pool.install(|| cache.close(self.options.cache_limit.unwrap_or(cache::USUAL_LIMIT)));
            cache.remarks().iter().for_each(|r| watcher.remark(r));
        }
        lost.and(results)
    }

    fn worked(&self, named: &[NamedLog]) -> Result<Vec<LogResult>, Fatal> {
        self.watcher.found(named.len());
        let runs = Runs::new(&self.plan.definitions.runs.rows);
        let work = Work { plan: self.plan, runs: &runs, cache: self.cache, stop: self.stop };
        // Largest first keeps the last worker from starting a long log alone; results stand in name order.
        let mut order: Vec<usize> = (0..named.len()).collect();
        order.sort_by_key(|i| (std::cmp::Reverse(named[*i].bytes), *i));
        let one = |i: &usize| {
            self.stopped()?;
            let result = one_log::process(work, &named[*i])?;
            self.watcher.done(&result);
            Ok((*i, result))
        };
        let all = || order.par_iter().with_max_len(1).map(one).collect::<Result<Vec<(usize, LogResult)>, Fatal>>();
        let mut results = self.pool.install(all)?;
        results.sort_by_key(|(i, _)| *i);
        Ok(results.into_iter().map(|(_, r)| r).collect())
    }

    /// The season stages, side by side where they can be.
    fn fitted(&self, results: &mut [LogResult]) -> Result<SeasonTables, Fatal> {
        let tables = self.pool.install(|| self.season(results))?;
        // Said before of the logs; what the season adds is new.
        self.cache.into_iter().flat_map(Cache::remarks).for_each(|r| self.watcher.remark(&r));
        Ok(tables)
    }

    /// The season stages over the windows of all logs, which are taken out of the results.
    fn season(&self, results: &mut [LogResult]) -> Result<SeasonTables, Fatal> {
        let plan = self.plan;
        let mut tables =
            SeasonTables { quantities: plan.quantities.clone(), units: plan.units.clone(), ..Default::default() };
        let used = results.iter().filter(|r| r.outcome.is_ok());
        let logs: Vec<String> = used.map(|r| r.content_hash.clone()).collect();
        // The windows move into the season's tables: there is one copy of them, and no room to spare.
        tables.windows.reserve_exact(results.iter().map(|r| r.windows.len()).sum());
        for result in results {
            tables.windows.extend(std::mem::take(&mut result.windows));
            tables.peaks.extend(result.outcome.as_mut().map(|p| std::mem::take(&mut p.peaks)).unwrap_or_default());
        }
        let folder = tables_folder(plan);
        let cx = SeasonCx {
            season: &plan.pipeline().season.value,
            car: &plan.definitions.car,
            runs: &plan.definitions.runs.rows,
            reference_density: plan.reference_density(),
            tables: &folder,
            at_wheels: plan.measures_at_wheels(),
            logs: &logs,
            kept: self.cache.map(|c| c as &dyn Kept),
        };
        for step in &plan.pipeline().season_wide {
            // A defect ends the run with its message and without a table, not with a trace.
            let ran = catch_unwind(AssertUnwindSafe(|| step.stage().run(&mut tables, &cx)));
            ran.unwrap_or_else(|cause| Err(Fatal::Internal(one_log::said(cause.as_ref()))))?;
            self.stopped()?;
        }
        Ok(tables)
    }
}

/// The logs of a plan; what can't be looked at is said.
fn discover(plan: &Plan, watcher: &dyn Watcher) -> Result<Vec<NamedLog>, Fatal> {
    let (named, unseen) = found(plan)?;
    unseen.iter().for_each(|text| watcher.remark(text));
    Ok(named)
}

fn found(plan: &Plan) -> Result<(Vec<NamedLog>, Vec<String>), Fatal> {
    let base = &plan.definitions.base;
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) else {
        return Err(Fatal::Internal("a plan without `load` passed the checks".to_owned()));
    };
    let tables = tables_folder(plan);
    let tables = tables.canonicalize().unwrap_or(tables);
    let (paths, unseen) = load::discover(load, base, &|file| parquet_file::is_table(&tables, file))?;
    let file_name = |p: &Path| p.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut names: Vec<String> = paths.iter().map(|p| file_name(p)).collect();
    names.sort();
    // A file name that stands in two folders is told apart by the folder.
    let twice =
        |name: &str| names.partition_point(|n| n.as_str() <= name) - names.partition_point(|n| n.as_str() < name) > 1;
    let mut out: Vec<NamedLog> = paths
        .iter()
        .map(|path| {
            let name = file_name(path);
            let shown = path.strip_prefix(base).unwrap_or(path).to_string_lossy().into_owned();
            let bytes = std::fs::metadata(path).map_or(0, |m| m.len());
            NamedLog {
                path: path.clone(),
                log: if twice(&name) { shown.clone() } else { name.clone() },
                name,
                shown,
                bytes,
            }
        })
        .collect();
    out.sort_by(|a, b| a.log.cmp(&b.log));
    Ok((out, unseen))
}

/// A log and what its header says.
pub type Header = (NamedLog, Result<(), LogFault>);

/// Looks at the header of every log and at the run sheet, at nothing else; beside that, what is odd about run sheet and
/// layouts.
///
/// # Errors
/// No log matched.
pub fn headers(plan: &Plan) -> Result<(Vec<Header>, Vec<String>), Fatal> {
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) else {
        return Err(Fatal::Internal("a plan without `load` passed the checks".to_owned()));
    };
    let runs = Runs::new(&plan.definitions.runs.rows);
    let (found, unseen) = found(plan)?;
    let one = |named: NamedLog| {
        let rows: Vec<_> = one_log::runs_of(&runs, &named).into_iter().cloned().collect();
        let result = guards::namesake(&found, &named, &rows)
            .and_then(|()| one_log::claim(&rows))
            .and_then(|()| load.layout_of(&named.name))
            .and_then(|layout| load::header_check(&named.path, layout, &plan.needed));
        (named, result)
    };
    let odd = unseen.into_iter().chain(remarks::of_definitions(plan, &found)).collect();
    Ok((found.iter().cloned().map(one).collect(), odd))
}
