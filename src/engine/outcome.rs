//! What a batch found, and its way into the tables.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::one_log::LogResult;
use crate::error::Fatal;
use crate::plan::Plan;
use crate::stages::season::SeasonTables;
use crate::table::parquet_file::{self, Origin};
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
}

/// The present time.
pub fn now() -> Timestamp {
    Timestamp(chrono::Utc::now().timestamp_micros())
}

impl Outcome {
    /// Puts the results together.
    pub fn new(
        plan: &Plan,
        results: Vec<LogResult>,
        season: SeasonTables,
        started: Timestamp,
        folder: PathBuf,
    ) -> Self {
        let origin = Origin { season: plan.pipeline().season.value.clone(), fingerprint: plan.fingerprint() };
        let logs: Vec<LogRow> = results.iter().map(log_row).collect();
        let funnel = results.iter().flat_map(funnel_rows).collect();
        let used = logs.iter().filter(|l| l.status == "used").count();
        let set_aside = logs.len() - used;
        let batch = BatchRow {
            started,
            ended: now(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            pipeline: plan
                .definitions
                .pipeline_path
                .file_name()
                .map(|n| n.to_string_lossy().into_owned())
                .unwrap_or_default(),
            fingerprint: origin.fingerprint.clone(),
            logs: logs.len() as i64,
            used: used as i64,
            set_aside: set_aside as i64,
            from_cache: results.iter().filter(|r| r.cached).count() as i64,
            windows: season.windows.len() as i64,
            exit: if set_aside == 0 { 0 } else { 3 },
        };
        Self { folder, origin, logs, funnel, season, batch }
    }

    /// Writes every table, then puts all of them in place; `batch` last, so that its row says that the others
    /// are whole. Returns a remark where the rows of former runs could not be read.
    ///
    /// # Errors
    /// The first table that can't be written.
    pub fn write(&self) -> Result<Option<String>, Fatal> {
        let mut switch = Switch::new(&self.folder);
        let (to, origin) = (&mut switch, &self.origin);
        parquet_file::write(to, origin, &self.logs)?;
        parquet_file::write(to, origin, &self.funnel)?;
        parquet_file::write(to, origin, &self.season.window_rows)?;
        parquet_file::write(to, origin, &self.season.winds)?;
        parquet_file::write(to, origin, &self.season.agreement)?;
        parquet_file::write(to, origin, &self.season.fits)?;
        parquet_file::write(to, origin, &self.season.configurations)?;
        parquet_file::write(to, origin, &self.season.comparisons)?;
        parquet_file::write(to, origin, &self.season.cross_checks)?;
        parquet_file::write(to, origin, &self.season.regressors)?;
        parquet_file::write(to, origin, &self.season.parts)?;
        parquet_file::write(to, origin, &self.season.predictions)?;
        parquet_file::write(to, origin, &self.season.combinations)?;
        parquet_file::write(to, origin, &self.season.expected)?;
        parquet_file::write(to, origin, &self.season.expected_scale)?;
        parquet_file::write(to, origin, &self.season.limits)?;
        parquet_file::write(to, origin, &self.season.tyres)?;
        parquet_file::write(to, origin, &self.season.energy)?;
        parquet_file::write(to, origin, &self.season.history)?;
        let remark = parquet_file::append(to, origin, std::slice::from_ref(&self.batch))?;
        switch.commit()?;
        Ok(remark)
    }
}

fn joined(names: BTreeSet<&str>) -> Option<String> {
    (!names.is_empty()).then(|| names.into_iter().collect::<Vec<_>>().join(","))
}

fn log_row(r: &LogResult) -> LogRow {
    let mut row = LogRow {
        log: r.named.log.clone(),
        path: r.named.shown.clone(),
        bytes: r.named.bytes as i64,
        content_hash: r.content_hash.clone(),
        event: joined(r.runs.iter().map(|x| x.event.as_str()).collect()),
        session: joined(r.runs.iter().map(|x| x.session.as_str()).collect()),
        windows: r.windows.len() as i64,
        ..Default::default()
    };
    match &r.outcome {
        Ok(p) => {
            row.status = "used".to_owned();
            row.outings = p.outings as i64;
            row.duration = p.duration;
            row.rate = p.rate;
            row.flags = p.flags.join(",");
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
