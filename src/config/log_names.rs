//! How definitions name logs: by file name, or by a pattern as in a shell.

use std::collections::BTreeMap;

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

/// Which of many patterns name a log, without a look at each of them: a season of a thousand logs has a thousand rows,
/// and a million comparisons took half of a night on which nothing had changed.
#[derive(Clone, Debug, Default)]
pub struct Index {
    /// Places of every pattern, by its text.
    texts: BTreeMap<String, Vec<usize>>,
    /// Those that may name more than themselves.
    patterns: Vec<(usize, glob::Pattern)>,
}

impl Index {
    /// Of patterns in their order.
    pub fn new<'a>(all: impl IntoIterator<Item = &'a str>) -> Self {
        let mut out = Self::default();
        for (i, text) in all.into_iter().enumerate() {
            let text = text.trim();
            out.texts.entry(text.to_owned()).or_default().push(i);
            if let (true, Ok(pattern)) = (is_pattern(text), glob::Pattern::new(text)) {
                out.patterns.push((i, pattern));
            }
        }
        out
    }

    /// Places of the patterns that name a log, in their order: those for which [`names`] holds.
    pub fn of(&self, log: &str) -> Vec<usize> {
        let mut out = self.texts.get(log).cloned().unwrap_or_default();
        out.extend(self.patterns.iter().filter(|(_, p)| p.matches(log)).map(|(i, _)| *i));
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// The rows of a run sheet, at hand by what they name.
#[derive(Clone, Debug)]
pub struct Runs<'a> {
    rows: &'a [RunRow],
    index: Index,
}

impl<'a> Runs<'a> {
    /// Of rows in file order.
    pub fn new(rows: &'a [RunRow]) -> Self {
        Self { rows, index: Index::new(rows.iter().map(|r| r.log.as_str())) }
    }

    /// The rows that name a log, in file order.
    pub fn of(&self, log: &str) -> Vec<&'a RunRow> {
        self.index.of(log).into_iter().filter_map(|i| self.rows.get(i)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_index_finds_what_every_pattern_by_itself_names() {
        let patterns = ["a.csv", " b.csv", "*.csv", "a.*", "b.csv", "[ab].csv", "[", "a.csv"];
        let index = Index::new(patterns);
        for log in ["a.csv", "b.csv", "c.csv", "a.parquet", "[", "*.csv", "none"] {
            let each: Vec<usize> = (0..patterns.len()).filter(|i| names(patterns[*i], log)).collect();
            assert_eq!(index.of(log), each, "{log}");
        }
    }
}
