//! Runs a plan over the logs: in parallel, one bad log costs one log, tables written at the end.

pub mod cache;
pub mod lock;
pub mod one_log;
pub mod outcome;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::stages::log::load;
use crate::stages::season::SeasonTables;
use crate::stages::{LogStep, SeasonCx};
use crate::table::switch;
use cache::Cache;
use one_log::{LogResult, NamedLog, Work};
use outcome::Outcome;

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
    /// Something that changes no result and should be known.
    fn remark(&self, _text: &str) {}
}

/// Runs the batch and writes the tables.
///
/// # Errors
/// Only what leaves nothing to write; faults of single logs are rows of the outcome.
pub fn run(plan: &Plan, options: &Options, stop: &AtomicBool, watcher: &dyn Watcher) -> Result<Outcome, Fatal> {
    let started = outcome::now();
    let tables_folder = tables_folder(plan);
    let _lock = lock::take(&tables_folder)?;
    let recovered = switch::recover(&tables_folder)?;
    if recovered.finished > 0 {
        let n = recovered.finished;
        watcher.remark(&format!("the last run ended while it put its tables in place; {n} of them were put there now"));
    }
    let results = logs(plan, options, stop, watcher)?;
    let windows = results.iter().map(|r| r.windows.len()).sum();
    watcher.season(windows);
    let tables = pool(options)?.install(|| season(plan, &results, stop))?;
    let outcome = Outcome::new(plan, results, tables, started, tables_folder);
    if stop.load(Ordering::Relaxed) {
        return Err(Fatal::Stopped);
    }
    if let Some(remark) = outcome.write()? {
        watcher.remark(&remark);
    }
    Ok(outcome)
}

/// The folder of the tables.
pub fn tables_folder(plan: &Plan) -> PathBuf {
    plan.definitions.base.join(&plan.pipeline().tables.value)
}

/// Every log through the log and window stages, in the order of their names.
///
/// # Errors
/// No log matched, or a stop was asked for.
pub fn logs(plan: &Plan, options: &Options, stop: &AtomicBool, watcher: &dyn Watcher) -> Result<Vec<LogResult>, Fatal> {
    let named = discover(plan)?;
    let cache = options.cache.folder(plan).map(|folder| Cache::open(&folder, plan)).transpose()?;
    let results = worked(plan, options, stop, watcher, &named, cache.as_ref());
    if let Some(cache) = &cache {
        // A stopped run keeps what it did, for the next one.
        cache.close(options.cache_limit.unwrap_or(cache::USUAL_LIMIT));
        cache.remarks().iter().for_each(|r| watcher.remark(r));
    }
    results
}

fn pool(options: &Options) -> Result<rayon::ThreadPool, Fatal> {
    let builder = rayon::ThreadPoolBuilder::new().num_threads(options.threads);
    builder.build().map_err(|e| Fatal::Internal(format!("no worker threads: {e}")))
}

fn worked(
    plan: &Plan,
    options: &Options,
    stop: &AtomicBool,
    watcher: &dyn Watcher,
    named: &[NamedLog],
    cache: Option<&Cache>,
) -> Result<Vec<LogResult>, Fatal> {
    watcher.found(named.len());
    let pool = pool(options)?;
    // Largest first keeps the last worker from starting a long log alone; results stand in name order.
    let mut order: Vec<usize> = (0..named.len()).collect();
    order.sort_by_key(|i| (std::cmp::Reverse(named[*i].bytes), *i));
    let mut results: Vec<(usize, LogResult)> = pool.install(|| {
        order
            .par_iter()
            .with_max_len(1)
            .map(|i| {
                if stop.load(Ordering::Relaxed) {
                    return Err(Fatal::Stopped);
                }
                let result = one_log::process(Work { plan, cache, stop }, &named[*i])?;
                watcher.done(&result);
                Ok((*i, result))
            })
            .collect::<Result<_, _>>()
    })?;
    results.sort_by_key(|(i, _)| *i);
    Ok(results.into_iter().map(|(_, r)| r).collect())
}

fn discover(plan: &Plan) -> Result<Vec<NamedLog>, Fatal> {
    let base = &plan.definitions.base;
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) else {
        return Err(Fatal::Internal("a plan without `load` passed the checks".to_owned()));
    };
    let paths = load::discover(load, base)?;
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
    Ok(out)
}

/// The season stages over the windows of all logs.
///
/// # Errors
/// As the stages.
pub fn season(plan: &Plan, results: &[LogResult], stop: &AtomicBool) -> Result<SeasonTables, Fatal> {
    let mut tables = SeasonTables {
        quantities: plan.quantities.clone(),
        units: plan.units.clone(),
        windows: results.iter().flat_map(|r| r.windows.iter().cloned()).collect(),
        peaks: results.iter().filter_map(|r| r.outcome.as_ref().ok()).flat_map(|p| p.peaks.iter().cloned()).collect(),
        ..Default::default()
    };
    let folder = tables_folder(plan);
    let cx = SeasonCx {
        season: &plan.pipeline().season.value,
        car: &plan.definitions.car,
        runs: &plan.definitions.runs.rows,
        reference_density: plan.reference_density(),
        tables: &folder,
    };
    for step in &plan.pipeline().season_wide {
        // A defect ends the run with its message and without a table, not with a trace.
        let ran = catch_unwind(AssertUnwindSafe(|| step.stage().run(&mut tables, &cx)));
        ran.unwrap_or_else(|cause| Err(Fatal::Internal(one_log::said(cause.as_ref()))))?;
        if stop.load(Ordering::Relaxed) {
            return Err(Fatal::Stopped);
        }
    }
    Ok(tables)
}

/// A log and what its header says.
pub type Header = (NamedLog, Result<(), LogFault>);

/// Looks at the header of every log and at the run sheet, at nothing else.
///
/// # Errors
/// No log matched.
pub fn headers(plan: &Plan) -> Result<Vec<Header>, Fatal> {
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) else {
        return Err(Fatal::Internal("a plan without `load` passed the checks".to_owned()));
    };
    let one = |named: NamedLog| {
        let result = one_log::claim(&one_log::runs_of(plan, &named))
            .and_then(|()| load.layout_of(&named.name))
            .and_then(|layout| load::header_check(&named.path, layout, &plan.needed));
        (named, result)
    };
    Ok(discover(plan)?.into_iter().map(one).collect())
}
