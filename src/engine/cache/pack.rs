//! Many small entries in one file: what the window stages made of a run's logs. With a file for each, making files would
//! be most of what keeping them costs.
//!
//! A pack begins with a mark, the length of its list and the list of its entries, sealed as they are; then they follow.
//! Each is checked when it is read. A run writes what it made when that has grown to some megabytes, and at its end;
//! a killed run loses the rest, which the frames give again. Every night's new log leaves a small pack, so that these are
//! put together now and then.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, OnceLock, PoisonError};

use serde::de::DeserializeOwned;

use super::entry::{self, Found};
use super::{room, touch};

/// Begins every pack.
const MARK: &[u8; 8] = b"sqlpack1";
/// Key that its list is sealed with.
const LIST: &str = "list";
/// Bytes of entries that a run gathers before it writes them.
const GATHERED: usize = 1 << 20;
/// Packs below this size are put together, and as soon as there are so many of them.
const SMALL: u64 = 1 << 20;
/// No list is longer: that of a million entries is not half of it.
const LONGEST_LIST: u64 = 256 << 20;
const MANY: usize = 8;

/// An entry as it is written: key and sealed content.
type Sealed = (String, Vec<u8>);

/// The packs of a folder, in use by one run.
#[derive(Debug)]
pub struct Packs {
    folder: PathBuf,
    /// Read when an entry is first asked for.
    known: OnceLock<Known>,
    /// Entries that are in no pack yet.
    fresh: Mutex<Vec<Sealed>>,
    /// Packs that gave an entry, and those of which something was damaged.
    used: Mutex<BTreeSet<PathBuf>>,
    damaged: Mutex<BTreeSet<PathBuf>>,
}

/// Where every entry lies.
#[derive(Debug, Default)]
struct Known {
    places: HashMap<String, (PathBuf, Part)>,
    /// Packs of which not even the list can be read.
    damaged: Vec<PathBuf>,
    /// Entries of other versions, which kept them one by one.
    former: Vec<PathBuf>,
}

/// A part of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Part {
    start: u64,
    bytes: u64,
}

impl Packs {
    /// Of a folder, which need not exist yet.
    pub fn of(folder: PathBuf) -> Self {
        let (used, damaged) = (Mutex::default(), Mutex::default());
        Self { folder, known: OnceLock::new(), fresh: Mutex::default(), used, damaged }
    }

    /// An entry.
    pub fn get<T: DeserializeOwned>(&self, key: &str) -> Found<T> {
        let Some((path, part)) = self.known().places.get(key) else { return Found::Nothing };
        let found = match read_part(path, *part) {
            Ok(bytes) => entry::open(&bytes, key),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Found::Nothing,
            Err(e) => Found::Damaged(e.to_string()),
        };
        let note =
            |set: &Mutex<BTreeSet<PathBuf>>| set.lock().unwrap_or_else(PoisonError::into_inner).insert(path.clone());
        match &found {
            Found::Whole(_) => _ = note(&self.used),
            Found::Damaged(_) => _ = note(&self.damaged),
            Found::Nothing => {}
        }
        found
    }

    /// The file that an entry lies in, for remarks.
    pub fn place(&self, key: &str) -> &Path {
        self.known().places.get(key).map_or(&self.folder, |(path, _)| path)
    }

    /// Packs of which not even the list can be read.
    pub fn unreadable(&self) -> &[PathBuf] {
        self.known.get().map_or(&[], |known| &known.damaged)
    }

    /// Takes an entry, to be written sooner or later.
    ///
    /// # Errors
    /// Any failure of the file system; the entries are given up then.
    pub fn put(&self, key: &str, sealed: Vec<u8>) -> io::Result<()> {
        let mut fresh = self.fresh.lock().unwrap_or_else(PoisonError::into_inner);
        fresh.push((key.to_owned(), sealed));
        if fresh.iter().map(|(_, bytes)| bytes.len()).sum::<usize>() < GATHERED {
            return Ok(());
        }
        let full = std::mem::take(&mut *fresh);
        drop(fresh);
        write(&self.folder, full).map(drop)
    }

    /// Writes what no pack holds yet. Whether there was anything to write.
    ///
    /// # Errors
    /// Any failure of the file system.
    pub fn save(&self) -> io::Result<bool> {
        let mut fresh = std::mem::take(&mut *self.fresh.lock().unwrap_or_else(PoisonError::into_inner));
        let used = std::mem::take(&mut *self.used.lock().unwrap_or_else(PoisonError::into_inner));
        let mut former = std::mem::take(&mut *self.damaged.lock().unwrap_or_else(PoisonError::into_inner));
        let small: Vec<&PathBuf> = used.iter().filter(|p| fs::metadata(p).is_ok_and(|m| m.len() < SMALL)).collect();
        if small.len() >= MANY {
            former.extend(small.into_iter().cloned());
        }
        former.iter().for_each(|path| self.take_over(path, &mut fresh));
        former.extend(self.unreadable().iter().cloned());
        former.extend(self.known.get().into_iter().flat_map(|known| known.former.iter().cloned()));
        used.difference(&former).for_each(|path| touch(path));
        if fresh.is_empty() && former.is_empty() {
            return Ok(false);
        }
        let written = if fresh.is_empty() { None } else { Some(write(&self.folder, fresh)?) };
        // What they held stands in the new one.
        let mut done = Ok(true);
        for path in former.iter().filter(|path| Some(*path) != written.as_ref()) {
            // One that can't be removed keeps none of the others.
            if let Err(e) = remove(path) {
                done = Err(e);
            }
        }
        done
    }

    /// The entries of a pack, but those that are there already or can't be read.
    fn take_over(&self, path: &Path, to: &mut Vec<Sealed>) {
        let there: HashSet<String> = to.iter().map(|(key, _)| key.clone()).collect();
        for (key, part) in list(path).unwrap_or_default() {
            if !there.contains(&key)
                && let Ok(bytes) = read_part(path, part)
                && entry::is_sealed(&bytes, &key)
            {
                to.push((key, bytes));
            }
        }
    }

    fn known(&self) -> &Known {
        self.known.get_or_init(|| {
            let mut known = Known::default();
            // What is no file is not the cache's, whatever its name.
            let files = fs::read_dir(&self.folder).into_iter().flatten().flatten();
            let files = files.filter(|item| item.file_type().is_ok_and(|t| t.is_file()));
            let mut paths: Vec<PathBuf> = files.map(|item| item.path()).collect();
            paths.sort();
            for path in paths.into_iter().filter(|p| room::is_key(p)) {
                match list(&path) {
                    Ok(entries) => {
                        known.places.extend(entries.into_iter().map(|(key, part)| (key, (path.clone(), part))))
                    }
                    Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                    Err(e) if e.kind() == io::ErrorKind::Unsupported || is_former(&path) => known.former.push(path),
                    Err(_) => known.damaged.push(path),
                }
            }
            known
        })
    }
}

/// How many entries a pack has; `None` where that can't be read.
pub fn entries(path: &Path) -> Option<u64> {
    list(path).ok().map(|entries| entries.len() as u64)
}

fn is_former(path: &Path) -> bool {
    let mut first = [0; 8];
    File::open(path).and_then(|mut file| file.read_exact(&mut first)).is_ok() && entry::is_former(&first)
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}

/// Writes a pack, named by what it holds.
fn write(folder: &Path, mut entries: Vec<Sealed>) -> io::Result<PathBuf> {
    // The threads hand them in as they come.
    entries.sort();
    let mut name = blake3::Hasher::new();
    entries.iter().for_each(|(key, _)| _ = name.update(key.as_bytes()));
    let lengths: Vec<(&str, u64)> = entries.iter().map(|(key, bytes)| (key.as_str(), bytes.len() as u64)).collect();
    let list = entry::seal(LIST, &lengths)?;
    let head = [MARK.as_slice(), &(list.len() as u64).to_le_bytes(), &list].concat();
    let path = folder.join(name.finalize().to_hex().as_str());
    entry::put(&path, std::iter::once(head.as_slice()).chain(entries.iter().map(|(_, bytes)| bytes.as_slice())))?;
    Ok(path)
}

/// The entries of a pack and where they lie.
fn list(path: &Path) -> io::Result<Vec<(String, Part)>> {
    let mut file = File::open(path)?;
    let whole = file.metadata()?.len();
    let torn = |why: &str| io::Error::new(io::ErrorKind::InvalidData, why.to_owned());
    let mut head = [0; 16];
    file.read_exact(&mut head).map_err(|_| torn("it is too short"))?;
    let length = head.strip_prefix(MARK.as_slice()).and_then(|rest| rest.first_chunk()).map(|b| u64::from_le_bytes(*b));
    let length =
        length.filter(|n| *n <= whole.min(LONGEST_LIST)).ok_or_else(|| torn("it does not begin as a pack does"))?;
    let mut sealed = vec![0; length as usize];
    file.read_exact(&mut sealed).map_err(|_| torn("it is too short"))?;
    let lengths = match entry::open::<Vec<(String, u64)>>(&sealed, LIST) {
        Found::Whole(lengths) => lengths,
        Found::Damaged(why) => return Err(torn(&why)),
        // Whole, but with entries in the form of another version.
        Found::Nothing => return Err(io::Error::new(io::ErrorKind::Unsupported, "another version's form")),
    };
    let mut start = head.len() as u64 + length;
    let place = |(key, bytes): (String, u64)| {
        let part = Part { start, bytes };
        start = start.saturating_add(bytes);
        (key, part)
    };
    Ok(lengths.into_iter().map(place).collect())
}

fn read_part(path: &Path, part: Part) -> io::Result<Vec<u8>> {
    let mut file = File::open(path)?;
    file.seek(SeekFrom::Start(part.start))?;
    let mut bytes = Vec::new();
    file.take(part.bytes).read_to_end(&mut bytes)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keyed(i: usize) -> (String, Vec<f64>) {
        let key = blake3::hash(&i.to_le_bytes()).to_hex().to_string();
        (key, vec![i as f64, 0.1, -0.0])
    }

    fn put(packs: &Packs, i: usize) {
        let (key, value) = keyed(i);
        packs.put(&key, entry::seal(&key, &value).unwrap()).unwrap();
    }

    /// What is found under the keys of these numbers: `None` for nothing or damaged.
    fn found(folder: &Path, numbers: std::ops::Range<usize>) -> Vec<Option<Vec<f64>>> {
        let packs = Packs::of(folder.to_owned());
        let one = |i| match packs.get::<Vec<f64>>(&keyed(i).0) {
            Found::Whole(value) => Some(value),
            _ => None,
        };
        numbers.map(one).collect()
    }

    fn files(folder: &Path) -> Vec<PathBuf> {
        let mut all: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        all.sort();
        all
    }

    #[test]
    fn entries_come_back_from_one_file() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("deep");
        assert_eq!(found(&place, 0..2), [None, None]);
        let packs = Packs::of(place.clone());
        (0..5).for_each(|i| put(&packs, i));
        assert!(packs.save().unwrap() && !packs.save().unwrap());
        assert_eq!((files(&place).len(), entries(&files(&place)[0])), (1, Some(5)));
        let back = found(&place, 0..6);
        assert!((0..5).all(|i| back[i] == Some(keyed(i).1)) && back[5].is_none());
        // The same again, in another order: the same file.
        let before = (files(&place), fs::read(&files(&place)[0]).unwrap());
        let packs = Packs::of(place.clone());
        (0..5).rev().for_each(|i| put(&packs, i));
        packs.save().unwrap();
        assert_eq!((files(&place), fs::read(&files(&place)[0]).unwrap()), before);
    }

    #[test]
    fn every_flipped_byte_and_every_cut_costs_entries_and_never_a_number() {
        let folder = tempfile::tempdir().unwrap();
        let packs = Packs::of(folder.path().to_owned());
        (0..3).for_each(|i| put(&packs, i));
        packs.save().unwrap();
        let path = files(folder.path()).remove(0);
        let whole = fs::read(&path).unwrap();
        for i in 0..whole.len() {
            for cut in [false, true] {
                let mut bytes = whole.clone();
                if cut {
                    bytes.truncate(i);
                } else {
                    bytes[i] ^= 0x10;
                }
                fs::write(&path, &bytes).unwrap();
                let back = found(folder.path(), 0..3);
                assert!(back.iter().any(Option::is_none), "byte {i}");
                assert!((0..3).all(|k| back[k].as_ref().is_none_or(|v| *v == keyed(k).1)), "byte {i}");
            }
        }
    }

    #[test]
    fn what_is_damaged_is_written_anew_beside_what_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let packs = Packs::of(folder.path().to_owned());
        (0..3).for_each(|i| put(&packs, i));
        packs.save().unwrap();
        let path = files(folder.path()).remove(0);
        let mut bytes = fs::read(&path).unwrap();
        *bytes.last_mut().unwrap() ^= 1;
        fs::write(&path, &bytes).unwrap();
        let packs = Packs::of(folder.path().to_owned());
        let lost: Vec<usize> =
            (0..3).filter(|i| matches!(packs.get::<Vec<f64>>(&keyed(*i).0), Found::Damaged(_))).collect();
        assert_eq!(lost.len(), 1);
        assert_eq!(packs.place(&keyed(lost[0]).0), path);
        put(&packs, lost[0]);
        assert!(packs.save().unwrap());
        assert_eq!(files(folder.path()).len(), 1);
        assert!(found(folder.path(), 0..3).iter().all(Option::is_some));
        // A pack whose list is torn goes, and another file of the folder stays.
        fs::write(files(folder.path()).remove(0), "torn").unwrap();
        fs::write(folder.path().join("mine.txt"), "mine").unwrap();
        fs::create_dir(folder.path().join("0".repeat(64))).unwrap();
        // What another version left is no damage and goes as well.
        fs::write(folder.path().join("f".repeat(64)), "sqlcach3 and so on").unwrap();
        // A pack of this form whose entries are of a former one.
        let list = b"sqlcach3 and so on, longer than what stands before an entry";
        let pack = [MARK.as_slice(), &(list.len() as u64).to_le_bytes(), list].concat();
        fs::write(folder.path().join("e".repeat(64)), pack).unwrap();
        let packs = Packs::of(folder.path().to_owned());
        assert!(matches!(packs.get::<Vec<f64>>(&keyed(0).0), Found::Nothing));
        assert_eq!(packs.unreadable().len(), 1);
        put(&packs, 0);
        packs.save().unwrap();
        assert_eq!((files(folder.path()).len(), found(folder.path(), 0..1)), (3, vec![Some(keyed(0).1)]));
    }

    #[test]
    fn many_small_packs_become_one() {
        let folder = tempfile::tempdir().unwrap();
        let mut most = 0;
        for night in 0..40 {
            let packs = Packs::of(folder.path().to_owned());
            assert!((0..night).all(|i| matches!(packs.get::<Vec<f64>>(&keyed(i).0), Found::Whole(_))), "{night}");
            put(&packs, night);
            packs.save().unwrap();
            most = most.max(files(folder.path()).len());
        }
        assert_eq!(most, MANY);
        // One that nobody asks for ages by itself.
        let packs = Packs::of(folder.path().to_owned());
        put(&packs, 100);
        packs.save().unwrap();
        let packs = Packs::of(folder.path().to_owned());
        assert!((0..40).all(|i| matches!(packs.get::<Vec<f64>>(&keyed(i).0), Found::Whole(_))));
        let alone = packs.place(&keyed(100).0).to_owned();
        packs.save().unwrap();
        assert_eq!((files(folder.path()).len(), entries(&alone)), (2, Some(1)));
        assert!(found(folder.path(), 0..40).iter().all(Option::is_some));
    }

    #[test]
    fn much_is_written_before_the_end() {
        let folder = tempfile::tempdir().unwrap();
        let packs = Packs::of(folder.path().to_owned());
        let large = vec![0.5; GATHERED / 16];
        for i in 0..2 {
            let (key, _) = keyed(i);
            packs.put(&key, entry::seal(&key, &large).unwrap()).unwrap();
        }
        assert_eq!(files(folder.path()).len(), 1);
        assert!(!packs.save().unwrap());
    }
}
