//! The cache of what the stages made of each log, in two levels, so that a night costs what is new:
//!
//! * `frames/`: the finished log after the log stages, or the fault that set it aside. A changed selection
//!   reads these instead of the exports.
//! * `windows/`: what each of the window stages made of it, that of many logs in one file. A changed fit needs nothing
//!   else, a changed selection nothing of the stages that it does not change.
//! * `fits/`: what the season's fit found. Another speed to report at, or other stages behind the fit, solve nothing
//!   anew.
//! * `standing-…`: what the last whole run wrote and said, for a night on which nothing has changed.
//! * `index`: hashes of files that have not changed since they were read, so that they are not read again.
//!
//! Nothing here is needed to be right: a missing, old or damaged entry costs time, never a number. A failure
//! to write one is a remark, not a fault.

pub mod entry;
pub mod index;
pub mod key;
pub mod pack;
pub mod room;

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use serde::Serialize;
use serde::de::DeserializeOwned;

use self::entry::Found;
use self::index::{Index, Stamp};
use self::key::{Keyer, Keys};
use self::pack::Packs;
use super::one_log::NamedLog;
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};
use crate::plan::Plan;
use crate::stages::season::fit::kept::{Kept, Solved};

/// Begins the name of a file that is not in its place yet.
pub const BESIDE: &str = ".beside-";
/// Folder of the first level.
pub const FRAMES: &str = "frames";
/// Folder of the second level.
pub const WINDOWS: &str = "windows";
/// Folder of the season's fits.
pub const FITS: &str = "fits";
/// Size that a cache is kept under unless told otherwise: 5 GB.
pub const USUAL_LIMIT: u64 = 5_000_000_000;
/// The time of the last use of an entry is kept to this accuracy.
const TOUCH_AFTER: Duration = Duration::from_secs(3600);

/// A cache in use by one run.
#[derive(Debug)]
pub struct Cache {
    folder: PathBuf,
    keyer: Keyer,
    windows: Packs,
    index: Mutex<Index>,
    remarks: Mutex<BTreeSet<String>>,
    /// Files with entries that were damaged.
    damaged: Mutex<BTreeSet<PathBuf>>,
    /// Whether anything was written.
    grown: AtomicBool,
}

/// A log's bytes, as far as they were looked at.
#[derive(Debug)]
pub struct Content {
    /// BLAKE3 of the bytes, hexadecimal.
    pub hash: String,
    /// The bytes, where they had to be read.
    pub bytes: Option<Vec<u8>>,
    /// What the file looked like before.
    pub stamp: Stamp,
}

/// Where the cache of a folder of tables lies unless told otherwise.
pub fn usual_place(tables: &Path) -> PathBuf {
    tables.join(".cache")
}

impl Cache {
    /// Opens a cache, which need not exist yet.
    ///
    /// # Errors
    /// The program can't be hashed.
    pub fn open(folder: &Path, plan: &Plan) -> Result<Self, Fatal> {
        let (mut index, damaged) = Index::read(&folder.join("index"));
        let keyer = Keyer::new(plan, &mut index)?;
        let cache = Self {
            folder: folder.to_owned(),
            keyer,
            windows: Packs::of(folder.join(WINDOWS)),
            index: Mutex::new(index),
            remarks: Mutex::new(BTreeSet::new()),
            damaged: Mutex::new(BTreeSet::new()),
            grown: AtomicBool::new(false),
        };
        if let Some(why) = damaged {
            cache.remark(format!("the cache's index was damaged ({why}); the logs are looked at anew"));
        }
        Ok(cache)
    }

    /// Where it lies.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Of the program and of all that is the same for every log.
    pub fn chain(&self) -> [u8; 64] {
        self.keyer.chain()
    }

    /// Remarks since the last look, each once.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = self.remarks.lock().unwrap_or_else(PoisonError::into_inner);
        let damaged = std::mem::take(&mut *self.damaged.lock().unwrap_or_else(PoisonError::into_inner));
        let mut by_kind: BTreeMap<Option<&Path>, Vec<&Path>> = BTreeMap::new();
        for path in &damaged {
            by_kind.entry(path.parent()).or_default().push(path);
        }
        remarks.extend(by_kind.values().filter_map(|of| {
            let (first, more) = of.split_first()?;
            Some(match more.len() {
                0 => format!("cache entry {} was damaged; it is made anew", first.display()),
                n => format!("cache entry {} and {n} more were damaged; they are made anew", first.display()),
            })
        }));
        std::mem::take(&mut *remarks).into_iter().collect()
    }

    fn remark(&self, text: String) {
        self.remarks.lock().unwrap_or_else(PoisonError::into_inner).insert(text);
    }

    /// The hash of a log that has not changed since it was last read, without reading it.
    pub fn unchanged(&self, path: &Path) -> Option<Content> {
        let stamp = Stamp::of(&fs::metadata(path).ok()?);
        let hash = self.index.lock().unwrap_or_else(PoisonError::into_inner).hash(path, &stamp)?;
        Some(Content { hash, bytes: None, stamp })
    }

    /// Remembers the hash of a log that was read.
    pub fn remember(&self, path: &Path, content: &Content, read_at: i128) {
        let mut index = self.index.lock().unwrap_or_else(PoisonError::into_inner);
        index.remember(path, content.stamp, &content.hash, read_at);
    }

    /// The keys of a log.
    ///
    /// # Errors
    /// An option can't be written down, a defect.
    pub fn keys(&self, plan: &Plan, named: &NamedLog, runs: &[RunRow], content: &str) -> Result<Keys, Fatal> {
        self.keyer.keys(plan, named, runs, content)
    }

    /// The finished log of a key, or why it was set aside.
    pub fn frame<T: DeserializeOwned>(&self, key: &str) -> Option<Result<T, LogFault>> {
        self.found(&self.folder.join(FRAMES).join(key), key)
    }

    /// Keeps it. A file that could not be read may be readable tomorrow: that is not kept.
    pub fn keep_frame<T: Serialize>(&self, key: &str, value: &Result<T, &LogFault>) {
        if !passing(value) {
            self.keep_at(&self.folder.join(FRAMES).join(key), key, value);
        }
    }

    /// What a window stage made of a log.
    pub fn windows<T: DeserializeOwned>(&self, key: &str) -> Option<Result<T, LogFault>> {
        match self.windows.get(key) {
            Found::Whole(value) => Some(value),
            Found::Nothing => None,
            Found::Damaged(_) => {
                self.damaged(self.windows.place(key));
                None
            }
        }
    }

    /// Keeps it, as [`Cache::keep_frame`].
    pub fn keep_windows<T: Serialize>(&self, key: &str, value: &Result<T, &LogFault>) {
        if passing(value) {
            return;
        }
        if let Err(e) = entry::seal(key, value).and_then(|sealed| self.windows.put(key, sealed)) {
            self.remark(self.unwritten(&e));
        }
    }

    /// Counted once for every file, however much in it is damaged.
    fn damaged(&self, path: &Path) {
        self.damaged.lock().unwrap_or_else(PoisonError::into_inner).insert(path.to_owned());
    }

    fn found<T: DeserializeOwned>(&self, path: &Path, key: &str) -> Option<T> {
        match entry::read(path, key) {
            Found::Whole(value) => {
                touch(path);
                Some(value)
            }
            Found::Nothing => None,
            Found::Damaged(_) => {
                self.damaged(path);
                None
            }
        }
    }

    fn keep_at<T: Serialize>(&self, path: &Path, key: &str, value: &T) {
        self.grown.store(true, Ordering::Relaxed);
        if let Err(e) = entry::write(path, key, value) {
            self.remark(self.unwritten(&e));
        }
    }

    /// Place and key of a fit; the program and the chain are part of it.
    fn fit(&self, key: &str) -> (PathBuf, String) {
        let mut hasher = blake3::Hasher::new();
        key::add(&mut hasher, "chain", &self.chain());
        key::add(&mut hasher, "fit", key.as_bytes());
        let key = hasher.finalize().to_hex().to_string();
        (self.folder.join(FITS).join(&key), key)
    }

    /// In words that something could not be kept.
    pub fn unwritten(&self, e: &std::io::Error) -> String {
        format!("the cache {} can't be written: {e}; the next run will work longer", self.folder.display())
    }

    /// Empties the cache where the disk has no room for tables; in words.
    pub fn made_way(&self) -> String {
        match room::trim(&self.folder, 0) {
            Ok(_) => format!(
                "the disk is full: the cache {} was emptied to make room for the tables; keep it smaller with --cache-limit",
                self.folder.display()
            ),
            Err(e) => format!("the disk is full, and the cache {} can't be emptied: {e}", self.folder.display()),
        }
    }

    /// Writes the index and what is not written yet, and keeps the cache under its limit: under the usual one it was before, if it has not grown.
    pub fn close(&self, limit: u64) {
        self.save_index();
        self.windows.unreadable().iter().for_each(|path| self.damaged(path));
        match self.windows.save() {
            Ok(false) => {}
            Ok(true) => self.grown.store(true, Ordering::Relaxed),
            Err(e) => self.remark(self.unwritten(&e)),
        }
        if limit == USUAL_LIMIT && !self.grown.load(Ordering::Relaxed) {
            return;
        }
        if let Err(e) = room::trim(&self.folder, limit) {
            self.remark(format!("the cache {} can't be trimmed: {e}", self.folder.display()));
        }
    }

    /// Writes the index, so that a killed run's reading is not lost.
    pub fn save_index(&self) {
        let mut index = self.index.lock().unwrap_or_else(PoisonError::into_inner);
        if let Err(e) = index.write(&self.folder.join("index")) {
            drop(index);
            self.remark(format!("the cache's index can't be written: {e}; the next run will work longer"));
        }
    }
}

impl Kept for Cache {
    fn find(&self, key: &str) -> Option<Solved> {
        let (path, key) = self.fit(key);
        self.found(&path, &key)
    }

    fn keep(&self, key: &str, solved: &Solved) {
        let (path, key) = self.fit(key);
        self.keep_at(&path, &key, solved);
        if let Err(e) = room::few_fits(&self.folder) {
            self.remark(format!("the cache {} can't be trimmed: {e}", self.folder.display()));
        }
    }
}

/// Whether a result may be another one tomorrow.
fn passing<T>(value: &Result<T, &LogFault>) -> bool {
    matches!(value, Err(LogFault::Unreadable { .. }))
}

/// Notes the use of an entry.
fn touch(path: &Path) {
    let old =
        |p: &Path| fs::metadata(p).and_then(|m| m.modified()).is_ok_and(|t| t.elapsed().is_ok_and(|a| a > TOUCH_AFTER));
    if old(path) {
        // Only the order of trimming depends on it.
        let _ = File::options().write(true).open(path).and_then(|f| f.set_modified(SystemTime::now()));
    }
}

/// Reads a file whole, with the hash of its bytes and what it looked like before.
///
/// # Errors
/// Any failure of the file system.
pub fn read_whole(path: &Path) -> std::io::Result<Content> {
    let mut file = File::open(path)?;
    let stamp = index::stamp_of(&file)?;
    let mut bytes = Vec::with_capacity(file.metadata().map_or(0, |m| m.len() as usize));
    file.read_to_end(&mut bytes)?;
    Ok(Content { hash: blake3::hash(&bytes).to_hex().to_string(), bytes: Some(bytes), stamp })
}

/// The hash of a file, read in small pieces.
///
/// # Errors
/// Any failure of the file system.
pub fn read_through(path: &Path) -> std::io::Result<Content> {
    let file = File::open(path)?;
    let stamp = index::stamp_of(&file)?;
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(file)?;
    Ok(Content { hash: hasher.finalize().to_hex().to_string(), bytes: None, stamp })
}

/// Whether a file still looks as it did.
pub fn still(path: &Path, stamp: &Stamp) -> bool {
    fs::metadata(path).is_ok_and(|m| Stamp::of(&m) == *stamp)
}
