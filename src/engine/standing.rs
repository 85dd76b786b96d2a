//! A night on which nothing has changed: no log, no definition, not the program, no table. What the last run wrote
//! still stands, so that its tables need not be made again.
//!
//! A note of the last whole run lies in the cache: a key over everything that the tables depend on, what every table
//! file looked like once it was in place, and what the run said. Whatever does not agree, a damaged note included,
//! makes an ordinary run. A log whose hash is not surely known without reading it makes one too.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use blake3::Hasher;
use serde::{Deserialize, Serialize};

use super::cache::entry::{self, Found};
use super::cache::index::Stamp;
use super::cache::{Cache, key};
use super::one_log::{Counts, LogResult, NamedLog};
use super::outcome::Outcome;
use crate::error::LogFault;
use crate::plan::Plan;
use crate::table::row::Row;
use crate::table::rows::{self, BatchRow};

/// Name of the note in the cache.
const NOTE: &str = "standing";

/// What is known of the last whole run.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Standing {
    key: String,
    tables: Vec<(PathBuf, Stamp)>,
    /// Logs used.
    pub used: i64,
    /// Windows found.
    pub windows: i64,
    /// Per log its windows, or why it was set aside: said again every night.
    pub logs: Vec<Result<Counts, LogFault>>,
    /// What the run said at its end.
    pub said: String,
    /// What was odd about logs and sessions, in words: said again every night.
    pub odd: Vec<String>,
    /// When it ended.
    pub ended: i64,
}

/// The key of a plan and logs of these hashes.
fn key_of<'a>(
    cache: &Cache,
    plan: &Plan,
    tables: &Path,
    logs: impl Iterator<Item = (&'a NamedLog, &'a str)>,
) -> String {
    let mut hasher = Hasher::new();
    key::add(&mut hasher, "program and chain", &cache.chain());
    key::add(&mut hasher, "definitions", plan.fingerprint().as_bytes());
    key::add(&mut hasher, "season", plan.pipeline().season.value.as_bytes());
    key::add(&mut hasher, "pipeline", plan.definitions.pipeline_path.as_os_str().as_encoded_bytes());
    key::add(&mut hasher, "tables", tables.as_os_str().as_encoded_bytes());
    for (log, hash) in logs {
        for part in [log.log.as_str(), log.shown.as_str(), hash] {
            key::add(&mut hasher, "log", part.as_bytes());
        }
    }
    hasher.finalize().to_hex().to_string()
}

/// What every table file looks like, but that of the runs themselves; in the order of their paths.
fn stamps(tables: &Path) -> io::Result<Vec<(PathBuf, Stamp)>> {
    let listed = |folder: &Path| -> io::Result<Vec<PathBuf>> {
        match fs::read_dir(folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
            listing => listing?.map(|e| Ok(e?.path())).collect(),
        }
    };
    let mut out = Vec::new();
    for table in rows::all().iter().filter(|t| t.table != BatchRow::TABLE) {
        for season in listed(&tables.join(table.table))? {
            for file in listed(&season)? {
                let stamp = Stamp::of(&fs::metadata(&file)?);
                out.push((file.strip_prefix(tables).unwrap_or(&file).to_owned(), stamp));
            }
        }
    }
    out.sort();
    Ok(out)
}

fn note(cache: &Path, tables: &Path, plan: &Plan) -> PathBuf {
    // Several pipelines may share a cache.
    let mut hasher = Hasher::new();
    key::add(&mut hasher, "tables", tables.as_os_str().as_encoded_bytes());
    key::add(&mut hasher, "season", plan.pipeline().season.value.as_bytes());
    cache.join(format!("{NOTE}-{}", &hasher.finalize().to_hex()[..16]))
}

/// What stands, if nothing has changed since the last whole run.
pub fn look(cache: &Cache, plan: &Plan, tables: &Path, named: &[NamedLog]) -> Option<Standing> {
    let place = note(cache.folder(), tables, plan);
    let Found::Whole(standing) = entry::read::<Standing>(&place, NOTE) else { return None };
    let hashes: Vec<String> = named.iter().map(|n| Some(cache.unchanged(&n.path)?.hash)).collect::<Option<_>>()?;
    let key = key_of(cache, plan, tables, named.iter().zip(hashes.iter().map(String::as_str)));
    (standing.key == key && stamps(tables).ok()? == standing.tables).then_some(standing)
}

impl Standing {
    /// Of a run whose tables are in place; `None` where a log could not be read, which tomorrow may be otherwise.
    pub fn of(cache: &Cache, plan: &Plan, logs: &[LogResult], outcome: &Outcome, said: String) -> Option<Self> {
        let passing = |r: &LogResult| matches!(r.outcome, Err(LogFault::Unreadable { .. }));
        if logs.iter().any(passing) {
            return None;
        }
        let of = |r: &LogResult| r.outcome.as_ref().map(|_| r.found).map_err(Clone::clone);
        Some(Self {
            key: key_of(cache, plan, &outcome.folder, logs.iter().map(|r| (&r.named, r.content_hash.as_str()))),
            tables: stamps(&outcome.folder).ok()?,
            used: outcome.batch.used,
            windows: outcome.batch.windows,
            logs: logs.iter().map(of).collect(),
            said,
            odd: outcome.odd.clone(),
            ended: outcome.batch.ended.0,
        })
    }

    /// Keeps the note; a failure costs the next night time, nothing else.
    ///
    /// # Errors
    /// Any failure of the file system.
    pub fn keep(&self, cache: &Cache, plan: &Plan, tables: &Path) -> io::Result<()> {
        entry::write(&note(cache.folder(), tables, plan), NOTE, self)
    }
}
