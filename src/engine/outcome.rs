//! What a batch found, and its way into the tables.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use super::one_log::{LogResult, Source};
use super::tables_folder;
use crate::error::Fatal;
use crate::plan::Plan;
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::window_table::WindowTable;
use crate::table::flags::UNLIKE_ITS_CONFIGURATION;
use crate::table::parquet_file::{self, Encode, Origin};
use crate::table::row::Timestamp;
use crate::table::rows::{BatchRow, FunnelRow, LogRow};
use crate::table::switch::Switch;

/// A finished batch.
#[derive(Debug)]
pub struct Outcome {
    /// Folder of the tables.
    pub folder: PathBuf,
    /// Origin written into every file.
    pub origin: Origin,
    /// Rows of `logs`.
    pub logs: Vec<LogRow>,
    /// Rows of `funnel`.
    pub funnel: Vec<FunnelRow>,
    /// The season's tables.
    pub season: SeasonTables,
    /// The row of `batch`.
    pub batch: BatchRow,
    /// What was odd about logs and sessions, in words.
    pub odd: Vec<String>,
    /// Windows of the kinds that `fit` takes.
    pub fitted: usize,
}

/// The present time.
pub fn now() -> Timestamp {
    Timestamp(chrono::Utc::now().timestamp_micros())
}

impl Outcome {
    /// Puts the results together.
    pub fn new(plan: &Plan, results: &[LogResult], season: SeasonTables, started: Timestamp, folder: PathBuf) -> Self {
        let origin = origin(plan);
        let logs: Vec<LogRow> = results.iter().map(|r| log_row(r, season.odd_logs.get(&r.named.log))).collect();
        let funnel = results.iter().flat_map(funnel_rows).collect();
        let used = logs.iter().filter(|l| l.status == "used").count();
        let counts = (logs.len() as i64, used as i64, season.windows.len() as i64);
        let mut batch = batch_row(plan, started, counts);
        batch.from_cache = results.iter().filter(|r| r.from == Source::KeptWindows).count() as i64;
        let fitted = results.iter().map(|r| r.found.fitted).sum();
        Self { folder, origin, logs, funnel, season, batch, odd: Vec::new(), fitted }
    }

    /// Writes every table, then puts all of them in place; `batch` last, so that its row says that the others
    /// are whole. Returns a remark where the rows of former runs could not be read.
    ///
    /// # Errors
    /// The first table that can't be written.
    pub fn write(&self) -> Result<Option<String>, Fatal> {
        let mut switch = Switch::new(&self.folder);
        let (s, origin) = (&self.season, &self.origin);
        let tables: [&dyn Encode; 19] = [
            &self.logs,
            &self.funnel,
            &WindowTable::of(s),
            &s.winds,
            &s.agreement,
            &s.fits,
            &s.configurations,
            &s.comparisons,
            &s.cross_checks,
            &s.regressors,
            &s.parts,
            &s.predictions,
            &s.combinations,
            &s.expected,
            &s.expected_scale,
            &s.limits,
            &s.tyres,
            &s.energy,
            &s.history,
        ];
        let damage = Mutex::new(None);
        let make = |i: usize| match tables.get(i) {
            Some(table) => table.encoded(&self.folder, origin),
            None => {
                let (file, of_former) =
                    parquet_file::appended(&self.folder, origin, std::slice::from_ref(&self.batch))?;
                *damage.lock().unwrap_or_else(PoisonError::into_inner) = of_former;
                Ok(file)
            }
        };
        switch.add_all(tables.len() + 1, make)?;
        let damage = damage.into_inner().unwrap_or_else(PoisonError::into_inner);
        let remark =
            damage.map(|damage| parquet_file::put_aside::<BatchRow>(&self.folder, origin, &damage)).transpose()?;
        switch.commit()?;
        Ok(remark)
    }
}

fn origin(plan: &Plan) -> Origin {
    Origin { season: plan.pipeline().season.value.clone(), fingerprint: plan.fingerprint() }
}

/// The pipeline file as it is found from the folder of the tables: two of one name in two folders are told apart, and a
/// project that is moved as a whole says the same.
pub fn pipeline_from(pipeline: &Path, tables: &Path) -> String {
    let whole = |path: &Path| path.canonicalize().ok();
    let name = || pipeline.file_name().map(PathBuf::from).unwrap_or_default();
    let found = whole(pipeline).zip(whole(tables)).map(|(pipeline, tables)| {
        let common = pipeline.components().zip(tables.components()).take_while(|(a, b)| a == b).count();
        let up = tables.components().skip(common).map(|_| "..");
        up.map(PathBuf::from).chain(pipeline.components().skip(common).map(|c| c.as_os_str().into())).collect()
    });
    found.unwrap_or_else(name).to_string_lossy().into_owned()
}

/// The row of a run that ends now, all of its (logs, used logs, windows) from the cache.
pub fn batch_row(plan: &Plan, started: Timestamp, (logs, used, windows): (i64, i64, i64)) -> BatchRow {
    BatchRow {
        started,
        ended: now(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        pipeline: pipeline_from(&plan.definitions.pipeline_path, &tables_folder(plan)),
        fingerprint: plan.fingerprint(),
        logs,
        used,
        set_aside: logs - used,
        from_cache: logs,
        windows,
        exit: if logs == used { 0 } else { 3 },
    }
}

/// Adds a row to `batch` and touches no other table. Returns a remark where the former rows could not be read.
///
/// # Errors
/// When the table can't be written.
pub fn add_batch(plan: &Plan, folder: &Path, row: &BatchRow) -> Result<Option<String>, Fatal> {
    let mut switch = Switch::new(folder);
    let remark = parquet_file::append(&mut switch, &origin(plan), std::slice::from_ref(row))?;
    switch.commit()?;
    Ok(remark)
}

fn joined(names: BTreeSet<&str>) -> Option<String> {
    (!names.is_empty()).then(|| names.into_iter().collect::<Vec<_>>().join(","))
}

/// `odd`: what is odd about a log that is used.
fn log_row(r: &LogResult, odd: Option<&String>) -> LogRow {
    let mut row = LogRow {
        log: r.named.log.clone(),
        path: r.named.shown.clone(),
        bytes: r.named.bytes as i64,
        content_hash: r.content_hash.clone(),
        event: joined(r.runs.iter().map(|x| x.event.as_str()).collect()),
        session: joined(r.runs.iter().map(|x| x.session.as_str()).collect()),
        windows: r.found.all as i64,
        ..Default::default()
    };
    match &r.outcome {
        Ok(p) => {
            row.status = "used".to_owned();
            row.outings = Some(p.outings as i64);
            (row.duration, row.rate) = (Some(p.duration), Some(p.rate));
            let idle = (r.found.fitted == 0).then(|| "no_window_found".to_owned());
            let odd_flag = odd.map(|_| UNLIKE_ITS_CONFIGURATION.to_owned());
            let flags: BTreeSet<String> = p.flags.iter().cloned().chain(idle).chain(odd_flag).collect();
            row.message = odd.cloned();
            row.flags = flags.into_iter().collect::<Vec<_>>().join(",");
        }
        Err(fault) => {
            row.status = "set_aside".to_owned();
            row.reason = Some(fault.reason().to_owned());
            row.message = Some(fault.to_string());
            row.line = fault.line().map(|l| l as i64);
        }
    }
    row
}

fn funnel_rows(r: &LogResult) -> Vec<FunnelRow> {
    let funnels = r.outcome.as_ref().map(|p| p.funnels.as_slice()).unwrap_or_default();
    let rows = funnels.iter().flat_map(|(stage, funnel)| {
        funnel.rules.iter().enumerate().map(|(i, (rule, seconds))| FunnelRow {
            log: r.named.log.clone(),
            stage: stage.clone(),
            position: i as i64,
            rule: rule.clone(),
            seconds: *seconds,
        })
    });
    rows.collect()
}
