//! Which files a season has, and a look at a file's header alone.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::{Load, columns, head, ipc, parquet};
use crate::config::layout::{Format, Layout};
use crate::config::log_names::is_pattern;
use crate::error::{Fatal, LogFault};

/// Bytes that hold the header of any sensible text file.
const HEAD: u64 = 1 << 20;

/// The files that match the patterns, sorted, each once, by whatever way a link leads to it. Patterns are relative to
/// `base`. Hidden files are matched by no `*`, as in a shell. Beside them, in words, what lies there and can't be looked at:
/// folders that can't be listed, names that are no text.
///
/// # Errors
/// The folder that a pattern begins with can't be listed; no file at all.
pub fn discover(load: &Load, base: &Path, spare: &dyn Fn(&Path) -> bool) -> Result<(Vec<PathBuf>, Vec<String>), Fatal> {
    let (mut files, mut unseen) = (Vec::new(), Vec::new());
    for pattern in &load.logs {
        files.extend(matching(base, pattern, &mut unseen)?);
    }
    let mut real: Vec<(bool, PathBuf, PathBuf)> = files
        .into_iter()
        .map(|f| {
            let whole = f.canonicalize().unwrap_or_else(|_| f.clone());
            (whole.file_name() != f.file_name(), f, whole)
        })
        .collect();
    // A file goes by its own name before that of a link, which the run sheet need not know.
    real.sort();
    let mut seen = BTreeSet::new();
    real.retain(|(_, _, whole)| !spare(whole) && seen.insert(whole.clone()));
    let mut files: Vec<PathBuf> = real.into_iter().map(|(_, f, _)| f).collect();
    files.sort();
    unseen.sort();
    unseen.dedup();
    if files.is_empty() {
        let patterns: Vec<&str> = load.logs.iter().map(|p| p.as_str()).collect();
        return Err(Fatal::NoLogs { patterns: patterns.join(", ") });
    }
    Ok((files, unseen))
}

/// Whether the folder that a pattern looks through is not there, nor the file where it names one.
pub fn leads_nowhere(base: &Path, pattern: &str) -> bool {
    let (start, rest) = fixed(base, pattern);
    if rest.is_empty() { !start.is_file() } else { !start.is_dir() }
}

/// The part of a pattern that names one place, and the rest.
fn fixed<'a>(base: &Path, pattern: &'a str) -> (PathBuf, Vec<&'a str>) {
    let parts: Vec<&str> = pattern.split('/').collect();
    let fixed = parts.iter().take_while(|part| !is_pattern(part)).count();
    let (start, rest) = (parts.get(..fixed).unwrap_or_default(), parts.get(fixed..).unwrap_or_default());
    let start = match start {
        [] => base.to_owned(),
        [""] => PathBuf::from("/"),
        named => base.join(named.join("/")),
    };
    (start, rest.to_vec())
}

/// The files that one pattern names.
fn matching(base: &Path, pattern: &str, unseen: &mut Vec<String>) -> Result<Vec<PathBuf>, Fatal> {
    let (start, rest) = fixed(base, pattern);
    if rest.is_empty() {
        return Ok(if start.is_file() { vec![start] } else { Vec::new() });
    }
    let invalid = |e: glob::PatternError| Fatal::Io {
        what: "the pattern",
        path: PathBuf::from(pattern),
        source: std::io::Error::new(std::io::ErrorKind::InvalidInput, e),
    };
    let search = Search {
        pattern: glob::Pattern::new(&rest.join("/")).map_err(invalid)?,
        depth: if rest.contains(&"**") { usize::MAX } else { rest.len() },
    };
    let mut found = Found { files: Vec::new(), unseen };
    if start.is_dir() {
        search.walk(&start, "", &mut Vec::new(), &mut found).map_err(|source| Fatal::Io {
            what: "can't list",
            path: start.clone(),
            source,
        })?;
    }
    Ok(found.files)
}

/// What a search has come upon.
struct Found<'a> {
    files: Vec<PathBuf>,
    /// What can't be looked at, in words.
    unseen: &'a mut Vec<String>,
}

/// A pattern below a folder.
struct Search {
    pattern: glob::Pattern,
    /// Names of a path that it can match.
    depth: usize,
}

impl Search {
    const OPTIONS: glob::MatchOptions =
        glob::MatchOptions { case_sensitive: true, require_literal_separator: true, require_literal_leading_dot: true };

    /// Looks through a folder; `below` is its path from the start, `above` the folders that lead to it, in whose circles
    /// a link may lead.
    fn walk(&self, folder: &Path, below: &str, above: &mut Vec<PathBuf>, found: &mut Found) -> std::io::Result<()> {
        let this = folder.canonicalize()?;
        if above.contains(&this) {
            return Ok(());
        }
        above.push(this);
        for entry in std::fs::read_dir(folder)? {
            let path = entry?.path();
            let Some(name) = path.file_name().and_then(|n| n.to_str()) else {
                let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                let relative = if below.is_empty() { name } else { format!("{below}/{name}") };
                let leads_on = path.is_dir() && above.len() < self.depth;
                if leads_on || self.pattern.matches_with(&relative, Self::OPTIONS) {
                    let path = path.display();
                    found
                        .unseen
                        .push(format!("the name of {path} is no text in UTF-8: it is not looked at; rename it"));
                }
                continue;
            };
            let relative = if below.is_empty() { name.to_owned() } else { format!("{below}/{name}") };
            if path.is_dir() {
                let deep = above.len();
                if deep < self.depth
                    && !name.starts_with('.')
                    && let Err(e) = self.walk(&path, &relative, above, found)
                {
                    above.truncate(deep);
                    let path = path.display();
                    found.unseen.push(format!("can't list {path}: {e}; what lies there is not looked at"));
                }
            } else if self.pattern.matches_with(&relative, Self::OPTIONS) && path.is_file() {
                found.files.push(path);
            }
        }
        above.pop();
        Ok(())
    }
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
