//! One batch at a time writes a folder of tables: an advisory lock of the operating system, which a killed
//! batch gives up by itself, beside a note of who holds it.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::error::Fatal;

/// The lock, held until it is dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

/// Where the lock of a folder of tables lies.
pub fn place(tables: &Path) -> PathBuf {
    tables.join(".squarelaw.lock")
}

/// How long is waited for a lock, and for how long between two looks: whoever trims a cache holds it for a moment, and no
/// night is to be lost for that.
const PATIENCE: Duration = Duration::from_secs(2);
const LOOK: Duration = Duration::from_millis(50);

/// Takes the lock.
///
/// # Errors
/// Another batch holds it and goes on doing so, or the folder can't be written.
pub fn take(tables: &Path) -> Result<Lock, Fatal> {
    let path = place(tables);
    let io = |what, source| Fatal::Io { what, path: path.clone(), source };
    fs::create_dir_all(tables).map_err(|e| Fatal::Io {
        what: "can't make folder",
        path: tables.to_owned(),
        source: match fs::symlink_metadata(tables) {
            Ok(_) => std::io::Error::other("a file, or a link to nowhere, has its name"),
            Err(_) => e,
        },
    })?;
    // Whoever the lock points to would lose what it holds.
    if fs::symlink_metadata(&path).is_ok_and(|found| !found.is_file()) {
        let other = std::io::Error::other("it is a link or no file; take it away");
        return Err(io("can't use lock", other));
    }
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .map_err(|e| io("can't open lock", e))?;
    let began = Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => break,
            Err(TryLockError::WouldBlock) if began.elapsed() < PATIENCE => std::thread::sleep(LOOK),
            Err(TryLockError::WouldBlock) => {
                let owner = owner(&mut file).unwrap_or_else(|| "unknown owner".to_owned());
                return Err(Fatal::Locked { path: tables.to_owned(), owner });
            }
            Err(TryLockError::Error(e)) => return Err(io("can't lock", e)),
        }
    }
    let note = format!("process {} since {}", std::process::id(), chrono::Local::now().format("%Y-%m-%d %H:%M:%S"));
    file.set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| file.write_all(note.as_bytes()))
        .map_err(|e| io("can't write lock", e))?;
    Ok(Lock { _file: file })
}

/// Who holds a lock. One that was only just taken says so a moment later.
fn owner(file: &mut File) -> Option<String> {
    for _ in 0..20 {
        let mut owner = String::new();
        if file.read_to_string(&mut owner).is_ok_and(|n| n > 0) {
            return Some(owner.trim().to_owned());
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn what_a_link_points_to_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let other = folder.path().join("other");
        fs::write(&other, "precious").unwrap();
        let tables = folder.path().join("tables");
        fs::create_dir(&tables).unwrap();
        std::os::unix::fs::symlink(&other, place(&tables)).unwrap();
        let refused = take(&tables).unwrap_err().to_string();
        assert!(refused.contains("it is a link or no file"), "{refused}");
        assert_eq!(fs::read_to_string(&other).unwrap(), "precious");
        let refused = take(&other).unwrap_err().to_string();
        assert!(refused.contains("a file, or a link to nowhere, has its name"), "{refused}");
    }

    #[test]
    fn the_second_is_told_who_holds_it() {
        let folder = tempfile::tempdir().unwrap();
        let first = take(folder.path()).unwrap();
        match take(folder.path()) {
            Err(Fatal::Locked { owner, .. }) => assert!(owner.contains(&std::process::id().to_string()), "{owner}"),
            other => panic!("{other:?}"),
        }
        // One that is let go of in time is waited for.
        std::thread::scope(|scope| {
            scope.spawn(move || {
                std::thread::sleep(2 * LOOK);
                drop(first);
            });
            take(folder.path()).unwrap();
        });
    }
}
