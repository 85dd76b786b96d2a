//! Which files a season has, which run-sheet rows name a file, and a look at a file's header alone.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::{Load, columns, head, ipc, parquet};
use crate::config::layout::{Format, Layout};
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};

/// Bytes that hold the header of any sensible text file.
const HEAD: u64 = 1 << 20;

/// The files that match the patterns, sorted, each once. Patterns are relative to `base`. Hidden files are
/// matched by no `*`, as in a shell.
///
/// # Errors
/// A folder that can't be listed; no file at all.
pub fn discover(load: &Load, base: &Path) -> Result<Vec<PathBuf>, Fatal> {
    let options = glob::MatchOptions { require_literal_leading_dot: true, ..glob::MatchOptions::new() };
    let mut files = Vec::new();
    for pattern in &load.logs {
        // The folder's own name is no pattern.
        let folder = glob::Pattern::escape(&base.to_string_lossy());
        let whole = if Path::new(pattern.as_str()).is_absolute() || folder.is_empty() {
            pattern.value.clone()
        } else {
            format!("{folder}/{}", pattern.value)
        };
        let invalid = |e: glob::PatternError| std::io::Error::new(std::io::ErrorKind::InvalidInput, e);
        let found = glob::glob_with(&whole, options).map_err(|e| Fatal::Io {
            what: "the pattern",
            path: PathBuf::from(&pattern.value),
            source: invalid(e),
        })?;
        for entry in found {
            match entry {
                Ok(path) if path.is_file() => files.push(path),
                Ok(_) => {}
                Err(e) => {
                    let path = e.path().to_owned();
                    return Err(Fatal::Io { what: "can't list", path, source: e.into() });
                }
            }
        }
    }
    files.sort();
    files.dedup();
    if files.is_empty() {
        let patterns: Vec<&str> = load.logs.iter().map(|p| p.as_str()).collect();
        return Err(Fatal::NoLogs { patterns: patterns.join(", ") });
    }
    Ok(files)
}

/// Whether a pattern (or the very name) names a log.
pub fn names(pattern: &str, log: &str) -> bool {
    let pattern = pattern.trim();
    pattern == log || (is_pattern(pattern) && glob::Pattern::new(pattern).is_ok_and(|p| p.matches(log)))
}

/// Whether a text may name more than itself. Most rows of a run sheet are plain names; compiling each of them as a
/// pattern for every log would cost a season of a thousand logs a second.
pub fn is_pattern(text: &str) -> bool {
    text.contains(['*', '?', '['])
}

/// The run-sheet rows that name a log, in file order.
pub fn runs_for(log: &str, rows: &[RunRow]) -> Vec<RunRow> {
    rows.iter().filter(|row| names(&row.log, log)).cloned().collect()
}

/// The format of a file: the layout's, or by the file's ending.
pub fn format_of(path: &Path, layout: &Layout) -> Format {
    if layout.format != Format::ByEnding {
        return layout.format;
    }
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    match ending.as_str() {
        "parquet" => Format::Parquet,
        "arrow" | "arrows" | "ipc" | "feather" => Format::Ipc,
        _ => Format::Csv,
    }
}

/// Looks whether a file's header fits the layout, without reading its data. `needed` names the channels that
/// count, as when the log is read.
///
/// # Errors
/// The faults of a header: `Empty`, `Binary`, `Truncated`, `WrongLayout`, `MissingChannel`, `WrongUnit`,
/// `Unreadable`.
pub fn header_check(path: &Path, layout: &Layout, needed: &[String]) -> Result<(), LogFault> {
    match format_of(path, layout) {
        Format::Parquet => parquet::header_check(path, layout, needed),
        Format::Ipc => ipc::header_check(path, layout, needed),
        Format::Csv | Format::ByEnding => {
            let unreadable = |e: std::io::Error| LogFault::Unreadable { detail: e.to_string() };
            let mut bytes = Vec::new();
            let file = File::open(path).map_err(unreadable)?;
            file.take(HEAD).read_to_end(&mut bytes).map_err(unreadable)?;
            let head = head::read(&bytes, layout, (bytes.len() as u64) < HEAD)?;
            columns::locate(&head.header, layout, needed).map(drop)
        }
    }
}
