//! One entry of the cache on disk: a mark, a checksum over key and content, the content. It is written
//! beside its place and renamed, so that a reader sees a whole entry or none; whatever else happens to it
//! (a torn write, a bad disk, a file put under another name) shows in the checksum.
//!
//! Entries are not synced: one that the machine lost is made anew.

use std::fs;
use std::io::{self, BufWriter, Cursor, Read, Seek, SeekFrom, Write};
use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;
use xxhash_rust::xxh3::Xxh3;

/// Begins every entry; the last figure is raised with every change of its form.
const MARK: &[u8; 8] = b"sqlcach4";
/// Bytes that are written at once.
const AT_ONCE: usize = 1 << 16;
const SUM: usize = 16;
const HEAD: usize = MARK.len() + SUM;

/// What was found under a key.
#[derive(Debug)]
pub enum Found<T> {
    /// The content.
    Whole(T),
    /// No entry.
    Nothing,
    /// Not what was written; in words.
    Damaged(String),
}

/// Tells damage, not forgery: whoever may write to the cache may write to the tables too.
fn checksum(key: &str, content: &[u8]) -> [u8; SUM] {
    let mut hasher = hasher(key);
    hasher.update(content);
    hasher.digest128().to_le_bytes()
}

/// The checksum before any content.
fn hasher(key: &str) -> Xxh3 {
    let mut hasher = Xxh3::new();
    hasher.update(&(key.len() as u64).to_le_bytes());
    hasher.update(key.as_bytes());
    hasher
}

/// An entry's bytes: mark, checksum, content. Numbers come back bit by bit.
///
/// # Errors
/// A content that can't be written down, a defect.
pub fn seal<T: Serialize>(key: &str, content: &T) -> io::Result<Vec<u8>> {
    sealed(Cursor::new(Vec::new()), key, content).map(Cursor::into_inner)
}

/// Writes an entry to a file, piece by piece: whole, that of a log or of a season's fit is as large as what it is made of.
///
/// # Errors
/// Any failure of the file system; nothing is left behind then.
pub fn write<T: Serialize>(path: &Path, key: &str, content: &T) -> io::Result<()> {
    sealed(beside(path)?, key, content)?.persist(path).map(drop).map_err(|e| e.error)
}

fn sealed<W: Write + Seek, T: Serialize>(mut to: W, key: &str, content: &T) -> io::Result<W> {
    to.write_all(MARK)?;
    to.write_all(&[0; SUM])?;
    let mut summed = Summed { to, sum: hasher(key), failed: None };
    let written = postcard::to_io(content, BufWriter::with_capacity(AT_ONCE, &mut summed));
    let written = written.map_err(io::Error::other).and_then(|mut rest| rest.flush());
    let Summed { mut to, sum, failed } = summed;
    // The serialiser knows that it could not write, and not why.
    failed.map_or(written, Err)?;
    to.seek(SeekFrom::Start(MARK.len() as u64))?;
    to.write_all(&sum.digest128().to_le_bytes())?;
    Ok(to)
}

/// Sums up what is written.
struct Summed<W> {
    to: W,
    sum: Xxh3,
    failed: Option<io::Error>,
}

impl<W: Write> Write for Summed<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.to.write_all(bytes) {
            Ok(()) => self.sum.update(bytes),
            Err(e) => {
                let kind = e.kind();
                self.failed.get_or_insert(e);
                return Err(kind.into());
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Writes these bytes to a file, which is there whole or not at all.
///
/// # Errors
/// As [`write()`].
pub fn put<'a>(path: &Path, parts: impl Iterator<Item = &'a [u8]>) -> io::Result<()> {
    let mut beside = beside(path)?;
    parts.into_iter().try_for_each(|bytes| beside.write_all(bytes))?;
    beside.persist(path).map(drop).map_err(|e| e.error)
}

/// A file beside the place of another, in a folder that is there.
fn beside(path: &Path) -> io::Result<tempfile::NamedTempFile> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    // The error would name a file that nobody knows, another one every time.
    tempfile::Builder::new().prefix(super::BESIDE).tempfile_in(folder).map_err(|e| io::Error::from(e.kind()))
}

/// Whether a file begins as an entry does.
pub fn is_one(path: &Path) -> bool {
    let mut mark = [0; MARK.len()];
    fs::File::open(path).and_then(|mut file| file.read_exact(&mut mark)).is_ok() && mark == *MARK
}

/// Reads an entry.
pub fn read<T: DeserializeOwned>(path: &Path, key: &str) -> Found<T> {
    match fs::read(path) {
        Ok(bytes) => open(&bytes, key),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Found::Nothing,
        Err(e) => Found::Damaged(e.to_string()),
    }
}

/// The content of an entry's bytes.
pub fn open<T: DeserializeOwned>(bytes: &[u8], key: &str) -> Found<T> {
    let Some(content) = bytes.get(HEAD..) else {
        return Found::Damaged(format!("{} bytes are too few", bytes.len()));
    };
    if is_former(bytes) {
        return Found::Nothing;
    }
    if !is_sealed(bytes, key) {
        return Found::Damaged("its checksum is wrong".to_owned());
    }
    match postcard::from_bytes(content) {
        Ok(value) => Found::Whole(value),
        Err(e) => Found::Damaged(e.to_string()),
    }
}

/// Whether these are the first bytes of an entry in another version's form: no damage, and of no use.
pub fn is_former(bytes: &[u8]) -> bool {
    let form = bytes.strip_prefix(&MARK[..MARK.len() - 1]).and_then(|rest| rest.first());
    form.is_some_and(|form| form.is_ascii_digit() && Some(form) != MARK.last())
}

/// Whether these bytes are those of an entry of this key, as they were written.
pub fn is_sealed(bytes: &[u8], key: &str) -> bool {
    let (Some(head), Some(content)) = (bytes.get(..HEAD), bytes.get(HEAD..)) else { return false };
    head.starts_with(MARK) && head.get(MARK.len()..) == Some(checksum(key, content).as_slice())
}

#[cfg(test)]
mod tests {
    use super::*;

    const ODD: [f64; 6] = [0.1, -0.0, f64::MIN_POSITIVE / 8.0, f64::INFINITY, f64::NAN, 1.0 / 3.0];

    fn read_bits(path: &Path, key: &str) -> Option<Vec<u64>> {
        match read::<Vec<f64>>(path, key) {
            Found::Whole(v) => Some(v.iter().map(|x| x.to_bits()).collect()),
            _ => None,
        }
    }

    #[test]
    fn numbers_come_back_bit_by_bit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a").join("entry");
        assert!(matches!(read::<Vec<f64>>(&path, "k"), Found::Nothing));
        write(&path, "k", &ODD.to_vec()).unwrap();
        assert_eq!(read_bits(&path, "k").unwrap(), ODD.map(f64::to_bits));
        assert_eq!(fs::read_dir(folder.path().join("a")).unwrap().count(), 1);
    }

    #[test]
    fn an_entry_of_another_version_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("entry");
        write(&path, "k", &ODD.to_vec()).unwrap();
        let mut bytes = fs::read(&path).unwrap();
        bytes[7] = b'3';
        fs::write(&path, bytes).unwrap();
        assert!(matches!(read::<Vec<f64>>(&path, "k"), Found::Nothing));
    }

    #[test]
    fn every_flipped_byte_and_every_cut_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("entry");
        write(&path, "k", &ODD.to_vec()).unwrap();
        let whole = fs::read(&path).unwrap();
        for i in 0..whole.len() {
            let mut bytes = whole.clone();
            bytes[i] ^= 0x10;
            fs::write(&path, &bytes).unwrap();
            assert!(matches!(read::<Vec<f64>>(&path, "k"), Found::Damaged(_)), "byte {i}");
            fs::write(&path, &whole[..i]).unwrap();
            assert!(matches!(read::<Vec<f64>>(&path, "k"), Found::Damaged(_)), "cut at {i}");
        }
        fs::write(&path, &whole).unwrap();
        assert!(matches!(read::<Vec<f64>>(&path, "another"), Found::Damaged(_)));
        assert!(matches!(read::<Vec<f64>>(&path, "k"), Found::Whole(_)));
    }
}
