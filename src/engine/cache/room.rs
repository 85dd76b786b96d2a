//! How much room a cache takes, and making some: frames go first (they are large), then fits, and windows, which every
//! night needs, last; oldest use first. Of fits no more than a few are kept: every new log makes a new one.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use rayon::prelude::*;

use super::{BESIDE, FITS, FRAMES, WINDOWS, entry, pack};

/// A file left beside its place by a killed run is surely nobody's any more after this time.
const LEFT_BEHIND: Duration = Duration::from_secs(600);

/// Fits that are kept: some evening's options, and those of the nights before and after.
const FEW: usize = 12;

/// One kind of entry.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Used {
    /// Entries.
    pub entries: u64,
    /// Their size.
    pub bytes: u64,
}

/// What a cache holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Room {
    /// Results of the log stages.
    pub frames: Used,
    /// Results of the window stages.
    pub windows: Used,
    /// Fits of the season.
    pub fits: Used,
}

impl Room {
    /// Bytes in all.
    pub fn bytes(&self) -> u64 {
        self.frames.bytes + self.windows.bytes + self.fits.bytes
    }
}

/// A file of the cache.
struct Entry {
    used: SystemTime,
    bytes: u64,
    /// Entries in it: those of window stages lie together.
    holds: u64,
    path: PathBuf,
}

impl Entry {
    fn remove(&self) -> io::Result<()> {
        match fs::remove_file(&self.path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
            _ => Ok(()),
        }
    }
}

/// The files of one kind, oldest use first. Clears away what killed runs left beside.
fn entries(folder: &Path) -> io::Result<Vec<Entry>> {
    let listing = match fs::read_dir(folder) {
        Ok(listing) => listing,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let items: Vec<fs::DirEntry> = listing.collect::<Result<_, _>>()?;
    // A season has thousands of them, and the system answers several at once.
    let entry = |item: &fs::DirEntry| {
        // Another run may have taken it away since.
        let data = item.metadata().ok()?;
        let used = data.modified().unwrap_or(SystemTime::UNIX_EPOCH);
        if item.file_name().to_string_lossy().starts_with(BESIDE) {
            if used.elapsed().is_ok_and(|age| age > LEFT_BEHIND) {
                let _ = fs::remove_file(item.path());
            }
            return None;
        }
        // What else lies there is not the cache's.
        let path = item.path();
        let entry = data.is_file() && is_key(&path);
        let holds = || if folder.ends_with(WINDOWS) { pack::entries(&path).unwrap_or(1) } else { 1 };
        entry.then(|| Entry { used, bytes: data.len(), holds: holds(), path: path.clone() })
    };
    let mut out: Vec<Entry> = items.par_iter().filter_map(entry).collect();
    out.sort_by(|a, b| (a.used, &a.path).cmp(&(b.used, &b.path)));
    Ok(out)
}

/// Whether a file has the name of an entry: a key.
pub fn is_key(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    name.len() == 2 * blake3::OUT_LEN && name.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

/// Removes what a cache consists of, and nothing else that may lie in its folder.
///
/// # Errors
/// A folder that can't be listed, a file that can't be removed.
pub fn clear(cache: &Path) -> io::Result<()> {
    trim(cache, 0)?;
    for kind in [FRAMES, FITS, WINDOWS] {
        // Only an empty folder goes.
        let _ = fs::remove_dir(cache.join(kind));
    }
    for item in fs::read_dir(cache).into_iter().flatten() {
        let path = item?.path();
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if (name == "index" || name.starts_with("standing-")) && entry::is_one(&path) {
            fs::remove_file(&path)?;
        }
    }
    Ok(())
}

fn sum(entries: &[Entry]) -> Used {
    Used { entries: entries.iter().map(|e| e.holds).sum(), bytes: entries.iter().map(|e| e.bytes).sum() }
}

/// What the cache holds.
///
/// # Errors
/// A folder that can't be listed.
pub fn look(cache: &Path) -> io::Result<Room> {
    let of = |kind: &str| Ok::<_, io::Error>(sum(&entries(&cache.join(kind))?));
    Ok(Room { frames: of(FRAMES)?, windows: of(WINDOWS)?, fits: of(FITS)? })
}

/// Takes entries away until no more than `limit` bytes are left; what is left then.
///
/// # Errors
/// A folder that can't be listed, a file that can't be removed.
pub fn trim(cache: &Path, limit: u64) -> io::Result<Room> {
    let of = |kind: &str| entries(&cache.join(kind));
    let (frames, windows, fits) = (of(FRAMES)?, of(WINDOWS)?, of(FITS)?);
    let mut room = Room { frames: sum(&frames), windows: sum(&windows), fits: sum(&fits) };
    let many = fits.len().saturating_sub(FEW);
    for (kind, list) in [(FRAMES, frames), (FITS, fits), (WINDOWS, windows)] {
        for (i, entry) in list.into_iter().enumerate() {
            if room.bytes() <= limit && !(kind == FITS && i < many) {
                break;
            }
            entry.remove()?;
            let used = match kind {
                FRAMES => &mut room.frames,
                FITS => &mut room.fits,
                _ => &mut room.windows,
            };
            used.entries -= entry.holds;
            used.bytes -= entry.bytes;
        }
    }
    Ok(room)
}

/// Takes fits away until there are a few.
///
/// # Errors
/// As [`trim`].
pub fn few_fits(cache: &Path) -> io::Result<()> {
    let fits = entries(&cache.join(FITS))?;
    let many = fits.len().saturating_sub(FEW);
    fits.iter().take(many).try_for_each(Entry::remove)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_the_caches_stays() {
        let folder = tempfile::tempdir().unwrap();
        let cache = folder.path();
        fs::create_dir_all(cache.join(WINDOWS).join("deep")).unwrap();
        fs::create_dir_all(cache.join(FRAMES)).unwrap();
        let mine = ["frames/mine.txt", "windows/deep/x", "index", "standing-orders", "other"];
        mine.iter().for_each(|name| fs::write(cache.join(name), "mine").unwrap());
        entry::write(&cache.join(FITS).join("0".repeat(64)), "k", &1).unwrap();
        entry::write(&cache.join("standing-1"), "k", &1).unwrap();
        clear(cache).unwrap();
        assert!(mine.iter().all(|name| cache.join(name).exists()));
        assert!(!cache.join(FITS).exists() && !cache.join("standing-1").exists());
    }

    #[test]
    fn frames_go_first_and_the_oldest_of_them() {
        let folder = tempfile::tempdir().unwrap();
        let cache = folder.path();
        let key = |name: &str| {
            if name.starts_with(BESIDE) { name.to_owned() } else { blake3::hash(name.as_bytes()).to_hex().to_string() }
        };
        let put = |kind: &str, name: &str, bytes: usize, age: u64| {
            fs::create_dir_all(cache.join(kind)).unwrap();
            let path = cache.join(kind).join(key(name));
            fs::write(&path, vec![0; bytes]).unwrap();
            let then = SystemTime::now() - Duration::from_secs(age);
            fs::File::options().write(true).open(path).unwrap().set_modified(then).unwrap();
        };
        put(FRAMES, "old", 1000, 3000);
        put(FRAMES, "new", 1000, 10);
        put(WINDOWS, "older", 100, 9000);
        put(FRAMES, ".beside-x", 5000, 3000);
        put(FRAMES, ".beside-y", 5000, 5);
        assert_eq!(look(cache).unwrap().bytes(), 2100);
        assert!(!cache.join(FRAMES).join(".beside-x").exists() && cache.join(FRAMES).join(".beside-y").exists());
        let room = trim(cache, 1500).unwrap();
        assert_eq!((room.frames, room.windows), (Used { entries: 1, bytes: 1000 }, Used { entries: 1, bytes: 100 }));
        assert!(cache.join(FRAMES).join(key("new")).exists());
        (0..FEW + 3).for_each(|i| put(FITS, &i.to_string(), 10, 100 * i as u64));
        let room = trim(cache, 2000).unwrap();
        assert_eq!((room.frames.entries, room.fits.entries, room.windows.entries), (1, FEW as u64, 1));
        assert!(cache.join(FITS).join(key("0")).exists() && !cache.join(FITS).join(key(&FEW.to_string())).exists());
        let room = trim(cache, 150).unwrap();
        assert_eq!((room.frames.entries, room.fits.entries, room.windows.entries), (0, 5, 1));
        assert_eq!(trim(cache, 0).unwrap(), Room::default());
        assert_eq!(look(cache).unwrap(), Room::default());
    }
}
