//! Flags beside the printed tables that carry them, each with its meaning once below.

use std::collections::BTreeSet;

use crate::table::flags::meaning;

/// The flags of a row as they stand in its table.
pub fn split(flags: &str) -> impl Iterator<Item = &str> {
    flags.split(',').filter(|f| !f.is_empty())
}

/// The flags that stand in printed tables, for their meanings below.
#[derive(Debug, Default)]
pub struct Seen(BTreeSet<String>);

impl Seen {
    /// The cell of a row's flags.
    pub fn cell(&mut self, flags: &str) -> String {
        self.0.extend(split(flags).map(str::to_owned));
        split(flags).collect::<Vec<_>>().join(" ")
    }

    /// One line per flag.
    pub fn notes(&self) -> String {
        self.0.iter().map(|f| format!("{f}: {}", meaning(f)).trim_end().to_owned()).collect::<Vec<_>>().join("\n")
    }
}

/// Takes a table's last column away where no row has anything in it.
pub fn without_empty_last(table: &mut [Vec<String>]) {
    if table.iter().skip(1).all(|r| r.last().is_none_or(String::is_empty)) {
        for row in table {
            row.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_are_shown_once_with_their_meaning() {
        let mut seen = Seen::default();
        assert_eq!(seen.cell("above_speed_symbol,no_drag"), "above_speed_symbol no_drag");
        assert_eq!((seen.cell(""), seen.cell("no_drag").as_str()), (String::new(), "no_drag"));
        let notes = seen.notes();
        assert_eq!(notes.lines().count(), 2);
        assert!(notes.starts_with("above_speed_symbol: faster than"), "{notes}");
    }

    #[test]
    fn an_empty_column_is_not_shown() {
        let row = |cells: [&str; 2]| cells.map(str::to_owned).to_vec();
        let mut table = vec![row(["a", "remarks"]), row(["1", ""])];
        without_empty_last(&mut table);
        assert_eq!(table, [vec!["a"], vec!["1"]]);
        let mut table = vec![row(["a", "remarks"]), row(["1", ""]), row(["2", "x"])];
        without_empty_last(&mut table);
        assert_eq!(table[1], ["1", ""]);
    }
}
