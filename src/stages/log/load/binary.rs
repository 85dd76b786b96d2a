//! What Parquet and Arrow IPC have in common: marks at both ends of a file, and readers that may panic on
//! damaged bytes.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use crate::config::layout::Layout;
use crate::error::LogFault;

fn unreadable(e: &std::io::Error) -> LogFault {
    LogFault::Unreadable { detail: e.to_string() }
}

/// The first bytes of a file, fewer where it is shorter.
///
/// # Errors
/// `Unreadable`.
pub fn first_bytes(path: &Path, count: usize) -> Result<Vec<u8>, LogFault> {
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(|e| unreadable(&e))?;
    file.take(count as u64).read_to_end(&mut bytes).map_err(|e| unreadable(&e))?;
    Ok(bytes)
}

/// Refuses a file that does not begin with `magic` or whose last bytes are not the format's end.
///
/// # Errors
/// `Empty`, `WrongLayout` where it is another format, `Truncated` where its end is missing.
pub fn check_ends(
    path: &Path,
    layout: &Layout,
    magic: &[u8],
    format: &str,
    whole: impl Fn(&[u8]) -> bool,
) -> Result<(), LogFault> {
    let start = first_bytes(path, magic.len())?;
    if start.is_empty() {
        return Err(LogFault::Empty);
    }
    if start != magic {
        let detail = format!("expected {format}, found a file that begins with other bytes");
        return Err(LogFault::WrongLayout { line: None, layout: layout.name.clone(), detail });
    }
    let mut file = File::open(path).map_err(|e| unreadable(&e))?;
    let length = file.seek(SeekFrom::End(0)).map_err(|e| unreadable(&e))?;
    file.seek(SeekFrom::Start(length.saturating_sub(8))).map_err(|e| unreadable(&e))?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).map_err(|e| unreadable(&e))?;
    if length > magic.len() as u64 && whole(&tail) {
        return Ok(());
    }
    Err(LogFault::Truncated { line: None, detail: format!("the end mark of {format} is missing") })
}

/// A fault of a reader: an early end, or other damage.
pub fn fault(message: &str) -> LogFault {
    let lower = message.to_lowercase();
    if ["eof", "end of file", "unexpected end", "fill whole buffer"].iter().any(|e| lower.contains(e)) {
        return LogFault::Truncated { line: None, detail: message.to_owned() };
    }
    LogFault::Unreadable { detail: message.to_owned() }
}

/// Runs a reader of damaged bytes: its panic is a fault of this log.
///
/// # Errors
/// Those of `read`; `Unreadable` where it panicked.
pub fn guarded<T>(read: impl FnOnce() -> Result<T, LogFault>) -> Result<T, LogFault> {
    catch_unwind(AssertUnwindSafe(read))
        .unwrap_or_else(|_| Err(LogFault::Unreadable { detail: "its bytes are damaged".to_owned() }))
}
