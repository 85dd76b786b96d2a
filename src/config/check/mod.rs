//! Does what was read make sense? One file per definition; every fault is collected with its place.

pub mod car;
pub mod layout;
pub mod pipeline;
pub mod run_sheet;

use std::path::Path;

use super::issue::{Issue, Issues};
use crate::located::{Located, Spot};
use crate::units::{self, Dim, Quantity};

/// Where the findings of one file go.
pub struct Findings<'a> {
    file: &'a Path,
    issues: &'a mut Issues,
}

impl<'a> Findings<'a> {
    /// Findings about `file`.
    pub fn new(file: &'a Path, issues: &'a mut Issues) -> Self {
        Self { file, issues }
    }

    /// A fault at a place.
    fn fault(&mut self, spot: Spot, message: impl Into<String>, label: impl Into<String>) {
        self.issues.push(Issue::at(self.file, spot, message, label));
    }

    /// A fault at a place, with what to do.
    fn fault_with_hint(&mut self, spot: Spot, message: impl Into<String>, label: impl Into<String>, hint: &str) {
        self.issues.push(Issue::at(self.file, spot, message, label).hint(hint));
    }

    /// Demands `low..=high`, both in `unit`; zero and negative values are named as such where `low` is
    /// above zero.
    fn within<D: Dim>(&mut self, what: &str, value: &Located<Quantity<D>>, range: (f64, f64), unit: &str) -> bool {
        let (low, high) = range;
        let scale = units::unit_of(unit, D::DIMENSION).ok();
        let number = scale.map_or(value.get(), |u| u.from_si(value.get()));
        // Rounding of the unit's conversion must not refuse the end of the range itself.
        let slack = 1e-9 * (high - low).abs();
        if number >= low - slack && number <= high + slack {
            return true;
        }
        let unit = if unit == "1" { String::new() } else { format!(" {unit}") };
        let expected = format!("expected {}{unit} to {}{unit}", short(low), short(high));
        let of_hundred = number / 100.0;
        if number > high && scale.is_some_and(|u| u.symbol == "1") && (low..=high).contains(&of_hundred) {
            let percent = format!("a percentage carries its sign: `{} %`", short(number));
            self.fault_with_hint(
                value.spot,
                format!("{what} of {} is out of range", short(number)),
                expected,
                &percent,
            );
        } else if number <= 0.0 && low > 0.0 {
            self.fault(value.spot, format!("{what} must be more than zero"), expected);
        } else {
            self.fault(value.spot, format!("{what} of {}{unit} is out of range", short(number)), expected);
        }
        false
    }

    /// Demands a text with something in it.
    fn not_empty(&mut self, what: &str, text: &Located<String>) -> bool {
        let good = !text.trim().is_empty();
        if !good {
            self.fault(text.spot, format!("{what} is empty"), "expected a name");
        }
        good
    }
}

/// A number for a message: at most four decimals, none that say nothing.
fn short(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short() {
        assert_eq!(short(0.05), "0.05");
        assert_eq!(short(1040.0), "1040");
        assert_eq!(short(-0.00001), "0");
        assert_eq!(short(2.620000001), "2.62");
    }
}
