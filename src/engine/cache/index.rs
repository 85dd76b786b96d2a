//! What is known of the logs' files, so that one that did not change is not read again: size, times and
//! inode against the hash of its bytes.
//!
//! A file that was written in the same tick of the clock as it was hashed could change without any of these
//! changing. So its hash is believed only if the file was then already older than two seconds.

use std::collections::BTreeMap;
use std::fs::{self, File, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

use super::entry::{self, Found};

/// A file must have been this old when it was hashed, in nanoseconds: the coarsest clock of a common file
/// system (FAT) ticks every two seconds.
const SETTLED: i128 = 2_000_000_000;
/// Key that the index is checked with.
const KEY: &str = "index";

/// What tells a file's content from a former one without reading it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Stamp {
    bytes: u64,
    /// Last change of the content, ns since 1970.
    modified: i128,
    /// Last change of the content or of the inode: unlike `modified` no program can set it back.
    changed: i128,
    device: u64,
    inode: u64,
}

impl Stamp {
    /// Of a file.
    pub fn of(data: &Metadata) -> Self {
        let since = |t: SystemTime| t.duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos() as i128);
        let modified = data.modified().map_or(0, since);
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            let changed = i128::from(data.ctime()) * 1_000_000_000 + i128::from(data.ctime_nsec());
            Self { bytes: data.len(), modified, changed, device: data.dev(), inode: data.ino() }
        }
        #[cfg(not(unix))]
        Self { bytes: data.len(), modified, changed: modified, device: 0, inode: 0 }
    }

    fn settled(&self, hashed: i128) -> bool {
        self.modified.max(self.changed) + SETTLED < hashed
    }
}

/// A file's hash as it was when it was last read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Known {
    stamp: Stamp,
    hash: String,
    /// When the reading began, ns since 1970.
    hashed: i128,
}

/// The index.
#[derive(Debug, Default, PartialEq)]
pub struct Index {
    files: BTreeMap<PathBuf, Known>,
    changed: bool,
}

/// Nanoseconds since 1970.
pub fn now() -> i128 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos() as i128)
}

impl Index {
    /// Reads the index of a cache; an empty one where there is none, and a remark where it is damaged.
    pub fn read(path: &Path) -> (Self, Option<String>) {
        match entry::read(path, KEY) {
            Found::Whole(files) => (Self { files, changed: false }, None),
            Found::Nothing => (Self::default(), None),
            Found::Damaged(why) => (Self::default(), Some(why)),
        }
    }

    /// Writes it if anything is new; files that are gone are forgotten.
    ///
    /// # Errors
    /// Any failure of the file system.
    pub fn write(&mut self, path: &Path) -> io::Result<()> {
        if !self.changed {
            return Ok(());
        }
        self.files.retain(|path, _| fs::symlink_metadata(path).is_ok());
        entry::write(path, KEY, &self.files)?;
        self.changed = false;
        Ok(())
    }

    /// The hash of a file that surely has not changed since it was read.
    pub fn hash(&self, path: &Path, stamp: &Stamp) -> Option<String> {
        let known = self.files.get(&place(path))?;
        (known.stamp == *stamp && stamp.settled(known.hashed)).then(|| known.hash.clone())
    }

    /// Remembers a hash; `hashed` is from before the reading.
    pub fn remember(&mut self, path: &Path, stamp: Stamp, hash: &str, hashed: i128) {
        let known = Known { stamp, hash: hash.to_owned(), hashed };
        self.changed |= self.files.get(&place(path)) != Some(&known);
        self.files.insert(place(path), known);
    }
}

fn place(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

/// The stamp of a file that is open.
///
/// # Errors
/// When the system can't tell.
pub fn stamp_of(file: &File) -> io::Result<Stamp> {
    Ok(Stamp::of(&file.metadata()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(path: &Path) -> Stamp {
        Stamp::of(&fs::metadata(path).unwrap())
    }

    #[test]
    fn a_settled_file_is_known_and_a_changed_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let (log, place) = (folder.path().join("a.csv"), folder.path().join("index"));
        fs::write(&log, "1").unwrap();
        let (mut index, remark) = Index::read(&place);
        assert_eq!(remark, None);
        let later = now() + 2 * SETTLED;
        index.remember(&log, stamp(&log), "h", later);
        index.write(&place).unwrap();
        let (back, _) = Index::read(&place);
        assert_eq!(back.hash(&log, &stamp(&log)).as_deref(), Some("h"));
        // Same size and same time of modification, put back as copying programs do: the inode's time tells.
        let before = fs::metadata(&log).unwrap().modified().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(20));
        fs::write(&log, "2").unwrap();
        File::options().write(true).open(&log).unwrap().set_modified(before).unwrap();
        assert_eq!(back.hash(&log, &stamp(&log)), None);
    }

    #[test]
    fn a_file_hashed_right_after_it_was_written_is_not_believed() {
        let folder = tempfile::tempdir().unwrap();
        let log = folder.path().join("a.csv");
        fs::write(&log, "1").unwrap();
        let mut index = Index::default();
        index.remember(&log, stamp(&log), "h", now());
        assert_eq!(index.hash(&log, &stamp(&log)), None);
        index.remember(&log, stamp(&log), "h", now() + 2 * SETTLED);
        assert_eq!(index.hash(&log, &stamp(&log)).as_deref(), Some("h"));
    }

    #[test]
    fn a_damaged_index_is_an_empty_one() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("index");
        fs::write(&place, "nonsense").unwrap();
        let (index, remark) = Index::read(&place);
        assert_eq!(index, Index::default());
        assert!(remark.is_some());
    }
}
