//! The two kinds of failure, kept apart by type: a [`LogFault`] sets one log aside, a [`Fatal`] ends the
//! run. Nothing turns one into the other by accident: a full disk is no log's fault.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::config::issue::Issues;

/// Why one log can't be used. The rest of the season goes on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, thiserror::Error)]
pub enum LogFault {
    /// No byte, or no sample.
    #[error("the file holds no samples; export the log again")]
    Empty,
    /// Bytes that are no text, where text was expected.
    #[error(
        "line {line} holds binary data, not text; is it the logger's raw file, or a workbook, instead of a text export?"
    )]
    Binary { line: u64 },
    /// The file ends in the middle of a line or of a structure.
    #[error("{}the file ends early ({detail}); export or copy it again", at_line(.line))]
    Truncated { line: Option<u64>, detail: String },
    /// Header or columns are not what the layout says.
    #[error("{}{detail}; the layout `{layout}` does not fit this file", at_line(.line))]
    WrongLayout { line: Option<u64>, layout: String, detail: String },
    /// A channel that is needed has no column in the file; `column` is empty where the layout names none.
    #[error("{}{}", no_column(.column, .channel), .near.as_ref().map(|n| format!("; the file has `{n}`")).unwrap_or_default())]
    MissingChannel { channel: String, column: String, near: Option<String> },
    /// A unit that is unknown or measures something else.
    #[error("{}channel `{channel}` (column `{column}`): {detail}", at_line(.line))]
    WrongUnit { line: Option<u64>, channel: String, column: String, detail: String },
    /// A cell that is no number.
    #[error(
        "line {line}: `{text}` in column `{column}` (channel `{channel}`) is not a number; {}", what_else(.text)
    )]
    BadCell { line: u64, column: String, channel: String, text: String },
    /// Time runs back or stands still.
    #[error("{}time {}; two exports joined, or a wrong time column?", at_line(.line), backwards(*.from, *.to))]
    TimeGoesBack { line: Option<u64>, from: f64, to: f64 },
    /// A needed channel without any value.
    #[error("channel `{channel}` has no value in the whole log; was the sensor plugged in?")]
    AllMissing { channel: String },
    /// A needed channel that never moves while the car does.
    #[error("channel `{channel}` stays at {value} {unit} while the car moves{}; a stuck sensor?", .line.map(|l| format!(" (from line {l})")).unwrap_or_default())]
    Stuck { channel: String, value: f64, unit: String, line: Option<u64> },
    /// A channel whose values no car can have.
    #[error("channel `{channel}` reads {value} {unit}, outside {low} to {high} {unit}; is the unit right?")]
    Implausible { channel: String, value: f64, unit: String, low: f64, high: f64 },
    /// No run-sheet row names this log.
    #[error("the run sheet names no run for this log; add a row with its configuration")]
    NotInRunSheet,
    /// Two patterns of the run sheet claim the same time of this log.
    #[error(
        "lines {lines:?} of the run sheet both claim this log, as `{}` and `{}`; name it once, or give each row its own time range", .configurations[0], .configurations[1]
    )]
    ClaimedTwice { lines: [u64; 2], configurations: [String; 2] },
    /// Byte by byte another log, which is used.
    #[error("it holds byte by byte what `{log}` holds, which is used; take one of the two away")]
    SameAs { log: String },
    /// The run that another log holds, or a part of it, in another form; that one is used.
    #[error(
        "it holds a run that `{log}` holds, the whole or a part of it, and that one is used: what is exported twice counts once; take one of the two away, or export it without what both hold"
    )]
    SameRun { log: String },
    /// What another log holds too, under another configuration.
    #[error(
        "it holds what `{log}` holds, and the run sheet names another configuration for that one: neither is used; correct the run sheet, or take one of the two away"
    )]
    TwoMinds { log: String },
    /// Another log has the same file name, by which alone the run sheet names them.
    #[error(
        "`{other}` has the same file name, and the run sheet names both by it: rename one of them and give each its row, or leave one out of the pattern"
    )]
    SameName { other: String },
    /// The car never moved, or no sample lies in a run's time range.
    #[error("no sample lies in the time ranges of the run sheet ({detail})")]
    NoRun { detail: String },
    /// The file can't be opened or read.
    #[error("the file can't be read: {detail}")]
    Unreadable { detail: String },
}

/// What a cell that is no number may be.
fn what_else(text: &str) -> &'static str {
    let turned = text.replace(',', ".");
    if text.contains(',') && turned.trim().parse::<f64>().is_ok() {
        "with `decimal: comma` in the layout it would be one"
    } else {
        "name it under `missing` in the layout if it means no value"
    }
}

fn no_column(column: &str, channel: &str) -> String {
    if column.is_empty() {
        format!("no column for channel `{channel}`: the layout names none, or one that this file lacks")
    } else {
        format!("no column `{column}` for channel `{channel}`")
    }
}

fn at_line(line: &Option<u64>) -> String {
    line.map(|l| format!("line {l}: ")).unwrap_or_default()
}

fn backwards(from: f64, to: f64) -> String {
    if to < from { format!("goes back from {from} s to {to} s") } else { format!("stands still at {to} s") }
}

impl LogFault {
    /// The stable code in the `logs` table.
    pub fn reason(&self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::Binary { .. } => "binary",
            Self::Truncated { .. } => "truncated",
            Self::WrongLayout { .. } => "wrong_layout",
            Self::MissingChannel { .. } => "missing_channel",
            Self::WrongUnit { .. } => "wrong_unit",
            Self::BadCell { .. } => "bad_cell",
            Self::TimeGoesBack { .. } => "time_goes_back",
            Self::AllMissing { .. } => "all_missing",
            Self::Stuck { .. } => "stuck",
            Self::Implausible { .. } => "implausible",
            Self::NotInRunSheet => "not_in_run_sheet",
            Self::ClaimedTwice { .. } => "claimed_twice",
            Self::SameAs { .. } => "same_as_another",
            Self::SameRun { .. } => "same_run",
            Self::TwoMinds { .. } => "configuration_in_doubt",
            Self::SameName { .. } => "same_name",
            Self::NoRun { .. } => "no_run",
            Self::Unreadable { .. } => "unreadable",
        }
    }

    /// The line of the file where it shows.
    pub fn line(&self) -> Option<u64> {
        match self {
            Self::Binary { line } | Self::BadCell { line, .. } => Some(*line),
            Self::Truncated { line, .. }
            | Self::WrongLayout { line, .. }
            | Self::WrongUnit { line, .. }
            | Self::TimeGoesBack { line, .. }
            | Self::Stuck { line, .. } => *line,
            _ => None,
        }
    }
}

/// What ends the run.
#[derive(Debug, thiserror::Error)]
pub enum Fatal {
    /// Definition files are wrong.
    #[error("{0}")]
    Definitions(#[from] Issues),
    /// A file of ours can't be read or written.
    #[error("{what} {}: {source}", .path.display())]
    Io { what: &'static str, path: PathBuf, source: std::io::Error },
    /// A table can't be written or read back.
    #[error("table {}: {detail}", .path.display())]
    Table { path: PathBuf, detail: String },
    /// No log matched.
    #[error("no log matches {patterns}; nothing was written")]
    NoLogs { patterns: String },
    /// Every log is set aside, and tables of a former run would be emptied.
    #[error("none of {logs} logs can be used (the first, `{log}`: {fault}); no table was written or changed")]
    NoneUsed { logs: usize, log: String, fault: LogFault },
    /// No window passes the selection, and tables of a former run would be emptied.
    #[error(
        "no window that `fit` takes passes the selection in {logs} logs, where the last run had {former}: {lost}; no table was written or changed. Is a limit in another unit than it was meant in?"
    )]
    NoneLeft { logs: usize, former: i64, lost: String },
    /// Another batch writes the same tables.
    #[error("another batch holds {}: {owner}; wait for it to end", .path.display())]
    Locked { path: PathBuf, owner: String },
    /// The command line asks for something that the definitions do not have.
    #[error("{0}")]
    Usage(String),
    /// A signal asked to stop.
    #[error("stopped on request; the tables of the last whole run are untouched")]
    Stopped,
    /// A state that can't be: a defect of this program.
    #[error("internal error, a defect of squarelaw itself: {0}")]
    Internal(String),
}

impl Fatal {
    /// Whether a disk without room is the cause.
    pub fn is_full(&self) -> bool {
        use std::io::ErrorKind::{QuotaExceeded, StorageFull};
        matches!(self, Self::Io { source, .. } if matches!(source.kind(), StorageFull | QuotaExceeded))
    }
}
