//! What a configuration is made of, as columns: base, wing position, parts, interactions.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use nalgebra::DVector;

use crate::stages::season::fit::evidence::Configuration;

/// What the wing's slope is called in tables and interactions; no part may have this name.
pub const WING: &str = "wing_position";

/// One column of the model of a configuration's coefficient.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Term {
    /// The car without any part, wing at its reference position.
    Base,
    /// Slope per step of the wing.
    Wing,
    /// A part.
    Part(String),
    /// What two parts, or a part and the wing, make together beyond their sum.
    Interaction(String, String),
}

impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Base => f.write_str("base"),
            Self::Wing => f.write_str(WING),
            Self::Part(name) => f.write_str(name),
            Self::Interaction(a, b) => write!(f, "{a}×{b}"),
        }
    }
}

/// A set of parts with a wing position: one that ran, or one that is asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Combination {
    /// Parts fitted.
    pub parts: BTreeSet<String>,
    /// Wing position; `None` where the season names none.
    pub wing: Option<f64>,
}

impl Combination {
    /// Of a configuration of the run sheet.
    pub fn of(configuration: &Configuration) -> Self {
        Self { parts: configuration.parts.iter().cloned().collect(), wing: configuration.wing_position }
    }
    /// The parts joined with `+`; `no parts` where there are none.
    pub fn parts_text(&self) -> String {
        if self.parts.is_empty() {
            "no parts".to_owned()
        } else {
            self.parts.iter().map(String::as_str).collect::<Vec<_>>().join("+")
        }
    }
}

/// All columns of a season.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Terms {
    /// The columns, `Base` first.
    pub terms: Vec<Term>,
    /// Every part of the run sheet, in its order.
    pub parts: Vec<String>,
    /// Wing position that `Base` stands at: that of the first configuration that has one.
    pub wing_reference: Option<f64>,
}

impl Terms {
    /// The columns for these configurations.
    pub fn new(configurations: &[Configuration], interactions: &[(String, String)]) -> Self {
        let mut parts: Vec<String> = Vec::new();
        for part in configurations.iter().flat_map(|c| &c.parts) {
            if !parts.contains(part) {
                parts.push(part.clone());
            }
        }
        let wing_reference = configurations.iter().find_map(|c| c.wing_position);
        let terms = std::iter::once(Term::Base)
            .chain(wing_reference.map(|_| Term::Wing))
            .chain(parts.iter().cloned().map(Term::Part))
            .chain(interactions.iter().map(|(a, b)| Term::Interaction(a.clone(), b.clone())))
            .collect();
        Self { terms, parts, wing_reference }
    }

    /// Values of the columns; `None` where the season has wing positions and the combination names none.
    pub fn row(&self, combination: &Combination) -> Option<DVector<f64>> {
        let wing = match (self.wing_reference, combination.wing) {
            (Some(reference), Some(at)) => at - reference,
            (Some(_), None) => return None,
            (None, _) => 0.0,
        };
        let value = |name: &str| {
            if name == WING { wing } else { f64::from(u8::from(combination.parts.contains(name))) }
        };
        let of = |term: &Term| match term {
            Term::Base => 1.0,
            Term::Wing => wing,
            Term::Part(name) => value(name),
            Term::Interaction(a, b) => value(a) * value(b),
        };
        Some(DVector::from_iterator(self.terms.len(), self.terms.iter().map(of)))
    }

    /// The contrast of one term alone.
    pub fn alone(&self, index: usize) -> DVector<f64> {
        DVector::from_fn(self.terms.len(), |i, _| f64::from(u8::from(i == index)))
    }

    /// Which combinations the configurations are, by name.
    pub fn ran(configurations: &[Configuration]) -> BTreeMap<String, Combination> {
        configurations.iter().map(|c| (c.name.clone(), Combination::of(c))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn configuration(name: &str, parts: &[&str], wing: Option<f64>) -> Configuration {
        let parts = parts.iter().map(|p| (*p).to_owned()).collect();
        Configuration { name: name.to_owned(), parts, wing_position: wing }
    }

    #[test]
    fn columns_of_a_season() {
        let all = [
            configuration("base", &[], Some(3.0)),
            configuration("lip", &["lip"], Some(3.0)),
            configuration("both", &["lip", "strip"], Some(5.0)),
        ];
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        let terms = Terms::new(&all, &[pair("lip", "strip"), pair("lip", WING)]);
        let names: Vec<String> = terms.terms.iter().map(Term::to_string).collect();
        assert_eq!(names, ["base", "wing_position", "lip", "strip", "lip×strip", "lip×wing_position"]);
        let row = terms.row(&Combination::of(&all[2])).unwrap();
        assert_eq!(row.as_slice(), [1.0, 2.0, 1.0, 1.0, 1.0, 2.0]);
        assert_eq!(terms.row(&Combination::of(&configuration("x", &[], None))), None);
        let still = Terms::new(&[configuration("x", &["lip"], None)], &[]);
        assert_eq!(still.row(&Combination::default()).unwrap().as_slice(), [1.0, 0.0]);
    }
}
