//! How definitions name logs: by file name, or by a pattern as in a shell.

use super::run_sheet::RunRow;

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
