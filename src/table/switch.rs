//! All tables of a run change together. Every file is written beside its place and synced; a note of what
//! belongs where is written and synced; then the files are renamed in a row, `batch` last; then the note goes.
//!
//! A run that dies before the note is there leaves the last good tables untouched. One that dies after it
//! has written every new table whole: the next run, whatever it is going to do itself, first puts the rest in
//! place. A reader in between two renames may see the new file of one table beside the old one of another,
//! for as long as some renames take.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError, mpsc};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use tempfile::NamedTempFile;

use super::rows;
use crate::error::Fatal;

/// Begins the name of a file that is not in its place yet.
const BESIDE: &str = ".beside-";
/// The note, in the folder of the tables.
const NOTE: &str = ".squarelaw.switch";

/// What a note that can't be read means, and what helps.
const DAMAGED: &str = "the note of tables that a run had not put in place when it died is damaged: take this file away, then run every pipeline that writes to this folder, which makes its tables anew";

/// Files that are written at once.
const WRITERS: usize = 3;

/// One file that waits beside its place; both paths are relative to the folder of the tables.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Waiting {
    beside: PathBuf,
    place: PathBuf,
}

/// New files of tables, not yet in place. Dropped before [`Switch::commit`], it takes them away.
#[derive(Debug)]
pub struct Switch {
    tables: PathBuf,
    waiting: Vec<Waiting>,
}

/// A file that is written beside its place, which is relative to the folder of the tables. Dropped, it goes.
#[derive(Debug)]
pub struct Beside {
    file: NamedTempFile,
    place: PathBuf,
    failed: Failed,
}

/// What went wrong with a file first, whatever whoever writes to it makes of that.
#[derive(Clone, Debug, Default)]
pub struct Failed(Arc<Mutex<Option<io::Error>>>);

impl Failed {
    fn note(&self, e: &io::Error) {
        let copy = e.raw_os_error().map_or_else(|| e.kind().into(), io::Error::from_raw_os_error);
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(copy);
    }

    /// As an error of a table, whose place is relative to the folder of the tables.
    pub fn of_table(&self, tables: &Path, place: &Path) -> Option<Fatal> {
        let source = self.0.lock().unwrap_or_else(PoisonError::into_inner).take()?;
        Some(failed("can't write table", &tables.join(place))(source))
    }
}

impl Beside {
    /// Begins one.
    ///
    /// # Errors
    /// Any failure of the file system.
    pub fn begin(tables: &Path, place: &Path) -> Result<Self, Fatal> {
        let whole = tables.join(place);
        let folder = whole.parent().unwrap_or(tables);
        let begun =
            fs::create_dir_all(folder).and_then(|()| tempfile::Builder::new().prefix(BESIDE).tempfile_in(folder));
        let file = begun.map_err(failed("can't write table", &whole))?;
        Ok(Self { file, place: place.to_owned(), failed: Failed::default() })
    }

    /// What will have gone wrong with it.
    pub fn failed(&self) -> Failed {
        self.failed.clone()
    }

    /// Puts it on the disk, with the folders below that of the tables that it lies in: new ones must outlive a crash as
    /// well as it. `None` where its very bytes stand in its place: they stay, so that nobody takes them for new ones.
    fn finish(self, tables: &Path) -> Result<Option<Waiting>, Fatal> {
        let Self { mut file, place, .. } = self;
        let former = tables.join(&place);
        let stands = fs::symlink_metadata(&former).is_ok_and(|data| data.is_file() && as_written(&data));
        if stands && File::open(&former).and_then(|former| same_bytes(file.as_file_mut(), former)).unwrap_or(false) {
            return Ok(None);
        }
        let file = synced(file).map_err(failed("can't write table", &tables.join(&place)))?;
        for folder in place.ancestors().skip(1).filter(|f| *f != Path::new("")).map(|f| tables.join(f)) {
            sync_folder(&folder).map_err(failed("can't sync", &folder))?;
        }
        let name = file.file_name().map(PathBuf::from).unwrap_or_default();
        Ok(Some(Waiting { beside: place.parent().map_or(name.clone(), |p| p.join(&name)), place }))
    }
}

/// Whether others may read a file, as they may what is written.
fn as_written(data: &fs::Metadata) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        data.permissions().mode() & 0o777 == FOR_ALL_TO_READ
    }
    #[cfg(not(unix))]
    true
}

/// A temporary file is private to its owner; a table is read by others.
#[cfg(unix)]
const FOR_ALL_TO_READ: u32 = 0o644;

/// Bytes that are compared at a time.
const AT_ONCE: u64 = 1 << 16;

/// Whether two files hold the same. From their ends, where two tables that differ anywhere mostly do: the fingerprint of what
/// made them stands there.
fn same_bytes(a: &mut File, mut b: File) -> io::Result<bool> {
    let size = a.metadata()?.len();
    if b.metadata()?.len() != size {
        return Ok(false);
    }
    let (mut of_a, mut of_b) = (Vec::new(), Vec::new());
    let mut end = size;
    while end > 0 {
        let start = end.saturating_sub(AT_ONCE);
        for (file, to) in [(&mut *a, &mut of_a), (&mut b, &mut of_b)] {
            to.resize((end - start) as usize, 0);
            file.seek(SeekFrom::Start(start))?;
            file.read_exact(to)?;
        }
        if of_a != of_b {
            return Ok(false);
        }
        end = start;
    }
    Ok(true)
}

impl Write for Beside {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes).inspect_err(|e| self.failed.note(e))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

fn failed(what: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Fatal {
    move |source| Fatal::Io { what, path: path.to_owned(), source }
}

fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Syncs folders below that of the tables, each once; in any order, and side by side, for the disk waits in each.
fn sync_folders<'a>(tables: &Path, folders: impl Iterator<Item = &'a Path>) -> Result<(), Fatal> {
    let folders: BTreeSet<PathBuf> = folders.map(|f| tables.join(f)).collect();
    folders.par_iter().try_for_each(|folder| sync_folder(folder).map_err(failed("can't sync", folder)))
}

/// What was found of a run that died.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Tables that were put in place.
    pub finished: usize,
    /// Files that belonged nowhere and were taken away.
    pub cleared: usize,
}

/// Finishes what a run that died between its renames had begun, and clears away what an earlier death left
/// beside. To be called under the lock of the folder.
///
/// # Errors
/// Any failure of the file system.
pub fn recover(tables: &Path) -> Result<Recovered, Fatal> {
    let note = tables.join(NOTE);
    let mut out = Recovered::default();
    match fs::read(&note) {
        Ok(bytes) => {
            let mut waiting: Vec<Waiting> = serde_json::from_slice(&bytes)
                .map_err(|e| Fatal::Table { path: note.clone(), detail: format!("{DAMAGED} ({e})") })?;
            // Whoever has taken a table away since does not wait for it.
            waiting.retain(|w| tables.join(&w.place).parent().is_some_and(Path::exists));
            out.finished = put(tables, &waiting)?;
            remove_note(tables)?;
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(failed("can't read", &note)(e)),
    }
    for table in rows::all() {
        let folder = tables.join(table.table);
        for season in listed(&folder)?.into_iter().filter(|p| p.is_dir()) {
            out.cleared += clear(&season)?;
        }
    }
    clear(tables)?;
    Ok(out)
}

/// The items of a folder; none where it does not exist.
fn listed(folder: &Path) -> Result<Vec<PathBuf>, Fatal> {
    let read = || -> io::Result<Vec<PathBuf>> { fs::read_dir(folder)?.map(|e| Ok(e?.path())).collect() };
    match read() {
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        other => other.map_err(failed("can't list", folder)),
    }
}

fn clear(folder: &Path) -> Result<usize, Fatal> {
    let mut count = 0;
    for path in listed(folder)? {
        if path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(BESIDE)) {
            fs::remove_file(&path).map_err(failed("can't remove", &path))?;
            count += 1;
        }
    }
    Ok(count)
}

/// Renames what still waits; how many that were.
fn put(tables: &Path, waiting: &[Waiting]) -> Result<usize, Fatal> {
    let mut count = 0;
    for w in waiting {
        let (beside, place) = (tables.join(&w.beside), tables.join(&w.place));
        match fs::rename(&beside, &place) {
            Ok(()) => count += 1,
            // Renamed before the run died.
            Err(e) if e.kind() == io::ErrorKind::NotFound && place.exists() => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound && !beside.exists() => {
                return Err(Fatal::Table {
                    path: tables.join(NOTE),
                    detail: format!("{DAMAGED} ({} is gone)", w.beside.display()),
                });
            }
            Err(e) => return Err(failed("can't put in place", &place)(e)),
        }
    }
    sync_folders(tables, waiting.iter().filter_map(|w| w.place.parent()))?;
    Ok(count)
}

fn remove_note(tables: &Path) -> Result<(), Fatal> {
    let note = tables.join(NOTE);
    fs::remove_file(&note).and_then(|()| sync_folder(tables)).map_err(failed("can't remove", &note))
}

/// A temporary file made to last.
fn synced(file: NamedTempFile) -> io::Result<PathBuf> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.as_file().set_permissions(fs::Permissions::from_mode(FOR_ALL_TO_READ))?;
    }
    file.as_file().sync_all()?;
    file.into_temp_path().keep().map_err(|e| e.error)
}

/// The note of what belongs where, beside its place.
fn noted(tables: &Path, text: &[u8]) -> io::Result<PathBuf> {
    let mut file = tempfile::Builder::new().prefix(BESIDE).tempfile_in(tables)?;
    file.write_all(text)?;
    synced(file)
}

impl Switch {
    /// For a folder of tables.
    pub fn new(tables: &Path) -> Self {
        Self { tables: tables.to_owned(), waiting: Vec::new() }
    }

    /// The folder of the tables.
    pub fn tables(&self) -> &Path {
        &self.tables
    }

    /// Adds a file that was written beside its place, once it is on the disk.
    ///
    /// # Errors
    /// Any failure of the file system.
    pub fn add(&mut self, file: Beside) -> Result<(), Fatal> {
        self.waiting.extend(file.finish(&self.tables)?);
        Ok(())
    }

    /// The same for many files: they are made side by side, and put on the disk while others are still made, for it waits in
    /// each. They stand in the order given.
    ///
    /// # Errors
    /// The first that can't be made or written; what was written then goes with the switch.
    pub fn add_all(&mut self, count: usize, make: impl Fn(usize) -> Result<Beside, Fatal> + Sync) -> Result<(), Fatal> {
        let (made, to_write) = mpsc::channel::<(usize, Beside)>();
        let to_write = Mutex::new(to_write);
        let next = || to_write.lock().unwrap_or_else(PoisonError::into_inner).recv().ok();
        let write = || {
            let mut out = Vec::new();
            while let Some((i, file)) = next() {
                out.push((i, file.finish(&self.tables)));
            }
            out
        };
        let (made, mut done) = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..WRITERS).map(|_| scope.spawn(write)).collect();
            let one = |(made, i): (&mut mpsc::Sender<_>, usize)| {
                let file = make(i)?;
                // Nobody takes it any more only where a writer died, which shows below.
                let _ = made.send((i, file));
                Ok::<_, Fatal>(())
            };
            let all = (0..count).into_par_iter().map_with(made, |made, i| one((made, i))).collect::<Result<(), _>>();
            let died = |_| vec![(0, Err(Fatal::Internal("a table was not written".to_owned())))];
            let done: Vec<_> = writers.into_iter().flat_map(|w| w.join().unwrap_or_else(died)).collect();
            (all, done)
        });
        done.sort_by_key(|(i, _)| *i);
        let mut failure = made;
        for (_, one) in done {
            match one {
                Ok(waiting) => self.waiting.extend(waiting),
                Err(e) => failure = failure.and(Err(e)),
            }
        }
        failure
    }

    /// Puts every file in its place.
    ///
    /// # Errors
    /// Any failure of the file system. Before the note stands, the former tables are untouched; after it,
    /// [`recover`] finishes the work.
    pub fn commit(mut self) -> Result<(), Fatal> {
        let note = self.tables.join(NOTE);
        let text = serde_json::to_vec(&self.waiting).map_err(|e| Fatal::Internal(e.to_string()))?;
        // What the note speaks of stands before it.
        sync_folder(&self.tables).map_err(failed("can't sync", &self.tables))?;
        let written = noted(&self.tables, &text).map_err(failed("can't write", &note))?;
        fs::rename(&written, &note).and_then(|()| sync_folder(&self.tables)).map_err(failed("can't write", &note))?;
        let waiting = std::mem::take(&mut self.waiting);
        let former: Vec<Former> = waiting.iter().map(|w| Former::of(&self.tables.join(&w.place))).collect();
        let done = put(&self.tables, &waiting);
        if done.is_err() && !taken_back(&self.tables, &waiting, &former) {
            // The note stands: the next run finishes what this one could not.
            return done.map(drop);
        }
        // What can't be removed now is cleared away by the next run.
        former.par_iter().filter_map(Former::second).for_each(|f| _ = fs::remove_file(f));
        remove_note(&self.tables).and(done.map(drop))
    }
}

/// What stood at a place before.
enum Former {
    /// Nothing.
    Nothing,
    /// A file, which has this second name for as long as it may be needed.
    Second(PathBuf),
    /// Something that has no second name: the file system knows none, or it is no file.
    Nameless,
}

impl Former {
    fn of(place: &Path) -> Self {
        if fs::symlink_metadata(place).is_err() {
            return Self::Nothing;
        }
        let name = place.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        // Without the ending: readers that look for every `*.parquet` below a folder must not count it.
        let second = place.with_file_name(format!("{BESIDE}former-{}", name.trim_end_matches(".parquet")));
        let _ = fs::remove_file(&second);
        fs::hard_link(place, &second).map_or(Self::Nameless, |()| Self::Second(second))
    }

    fn second(&self) -> Option<&Path> {
        if let Self::Second(second) = self { Some(second) } else { None }
    }
}

/// Puts the former files back where one of the new ones can't be put in place (a file that may not be changed, a folder in
/// its place): better the last run's tables than those of two. Whether all stand as they stood.
fn taken_back(tables: &Path, waiting: &[Waiting], former: &[Former]) -> bool {
    let mut all = true;
    for (w, former) in waiting.iter().zip(former) {
        let (beside, place) = (tables.join(&w.beside), tables.join(&w.place));
        if fs::remove_file(&beside).is_ok() {
            // Not yet renamed, nor will it be.
            continue;
        }
        all &= match former {
            Former::Second(second) => fs::rename(second, &place).is_ok(),
            Former::Nothing => fs::remove_file(&place).is_ok(),
            Former::Nameless => false,
        };
    }
    all && sync_folders(tables, waiting.iter().filter_map(|w| w.place.parent())).is_ok()
}

impl Drop for Switch {
    fn drop(&mut self) {
        for w in &self.waiting {
            // What can't be removed now is cleared away by the next run.
            let _ = fs::remove_file(self.tables.join(&w.beside));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(tables: &Path, place: &str) -> String {
        fs::read_to_string(tables.join(place)).unwrap()
    }

    const LOGS: &str = "logs/season=1/logs.parquet";
    const FITS: &str = "fits/season=1/fits.parquet";

    fn both(tables: &Path, content: &str) {
        let mut switch = Switch::new(tables);
        add(&mut switch, LOGS, content.as_bytes());
        add(&mut switch, FITS, content.as_bytes());
        switch.commit().unwrap();
    }

    fn add(switch: &mut Switch, place: &str, content: &[u8]) {
        let mut file = Beside::begin(switch.tables(), Path::new(place)).unwrap();
        file.write_all(content).unwrap();
        switch.add(file).unwrap();
    }

    #[test]
    fn a_file_that_is_the_same_stays() {
        let folder = tempfile::tempdir().unwrap();
        let tables = folder.path();
        // Longer than what is compared at a time.
        let (old, other) = ("a".repeat(200_000), format!("b{}", "a".repeat(199_999)));
        both(tables, &old);
        #[cfg(unix)]
        let inode = || std::os::unix::fs::MetadataExt::ino(&fs::metadata(tables.join(LOGS)).unwrap());
        #[cfg(unix)]
        let before = inode();
        both(tables, &old);
        #[cfg(unix)]
        assert_eq!(inode(), before);
        assert_eq!(listed(&tables.join("logs/season=1")).unwrap().len(), 1);
        both(tables, &other);
        assert_eq!(text(tables, LOGS), other);
        both(tables, "");
        both(tables, "");
        assert_eq!(text(tables, FITS), "");
    }

    #[test]
    fn tables_that_were_taken_away_are_not_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let waiting = [Waiting {
            beside: PathBuf::from("logs/season=1/.beside-1"),
            place: PathBuf::from("logs/season=1/logs.parquet"),
        }];
        fs::write(folder.path().join(NOTE), serde_json::to_vec(&waiting).unwrap()).unwrap();
        assert_eq!(recover(folder.path()).unwrap().finished, 0);
        assert!(!folder.path().join(NOTE).exists());
    }

    #[test]
    fn a_note_that_is_damaged_says_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join(NOTE), "[{\"beside").unwrap();
        let said = recover(folder.path()).unwrap_err().to_string();
        assert!(said.contains(NOTE) && said.contains("take this file away, then run"), "{said}");
    }

    #[test]
    fn what_can_not_be_put_in_place_leaves_all_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let tables = folder.path();
        both(tables, "old");
        // A folder that holds something gives way to no file.
        fs::remove_file(tables.join(FITS)).unwrap();
        fs::create_dir_all(tables.join(FITS).join("in the way")).unwrap();
        let mut switch = Switch::new(tables);
        for place in [LOGS, "winds/season=1/winds.parquet", FITS] {
            add(&mut switch, place, b"new");
        }
        assert!(switch.commit().is_err());
        assert_eq!(text(tables, LOGS), "old");
        assert!(!tables.join("winds/season=1/winds.parquet").exists() && !tables.join(NOTE).exists());
        assert_eq!(recover(tables).unwrap(), Recovered::default());
        assert_eq!(listed(&tables.join("logs/season=1")).unwrap().len(), 1);
        fs::remove_dir_all(tables.join(FITS)).unwrap();
        both(tables, "new");
        assert_eq!((text(tables, LOGS), text(tables, FITS)), ("new".to_owned(), "new".to_owned()));
    }

    #[test]
    fn nothing_changes_before_the_commit() {
        let folder = tempfile::tempdir().unwrap();
        let tables = folder.path();
        both(tables, "old");
        let mut switch = Switch::new(tables);
        add(&mut switch, LOGS, b"new");
        assert_eq!(text(tables, LOGS), "old");
        drop(switch);
        assert_eq!(recover(tables).unwrap(), Recovered::default());
        assert_eq!((text(tables, LOGS), text(tables, FITS)), ("old".to_owned(), "old".to_owned()));
    }

    #[test]
    fn a_death_before_the_note_leaves_the_old_and_one_after_it_the_new() {
        for (noted, renamed) in [(false, 0), (true, 0), (true, 1), (true, 2)] {
            let folder = tempfile::tempdir().unwrap();
            let tables = folder.path();
            both(tables, "old");
            let mut switch = Switch::new(tables);
            add(&mut switch, LOGS, b"new");
            add(&mut switch, FITS, b"new");
            let waiting = std::mem::take(&mut switch.waiting);
            if noted {
                fs::write(tables.join(NOTE), serde_json::to_vec(&waiting).unwrap()).unwrap();
            }
            put(tables, &waiting[..renamed]).unwrap();
            let found = recover(tables).unwrap();
            let (expected, content) = if noted { ((2 - renamed, 0), "new") } else { ((0, 2), "old") };
            assert_eq!((found.finished, found.cleared), expected, "{noted} {renamed}");
            assert_eq!((text(tables, LOGS).as_str(), text(tables, FITS).as_str()), (content, content));
            assert_eq!(recover(tables).unwrap(), Recovered::default());
            assert!(!tables.join(NOTE).exists());
        }
    }

    #[cfg(unix)]
    #[test]
    fn others_may_read_a_table() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        both(folder.path(), "x");
        assert_eq!(fs::metadata(folder.path().join(LOGS)).unwrap().permissions().mode() & 0o777, 0o644);
    }
}
