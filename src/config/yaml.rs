//! YAML text to typed definitions. The parser stops at its first fault; here the faulty entry is set
//! aside and the rest read again, so that one reading reports as many faults as it can be sure of.

use std::path::Path;

use serde::de::DeserializeOwned;
use serde_yaml::Error;

use super::issue::Issues;
use super::text;
use super::wording;
use crate::located::Spot;
use crate::units::nearest;

/// A definition file with more faults than this is reported up to here.
const MOST: usize = 20;

/// Reads a text. `None` when it has faults; all that are sure are added to `issues`.
pub fn read<T: DeserializeOwned>(file: &Path, source: &str, issues: &mut Issues) -> Option<T> {
    let first = match parse::<T>(source) {
        Ok(value) => return Some(value),
        Err(e) => e,
    };
    issues.push(wording::issue(file, source, &first));
    let mut rest = Rest { text: source.to_owned(), taken: Vec::new() };
    let mut error = first;
    let mut found = 1;
    while found < MOST && rest.take_out(&error) {
        match parse::<T>(&rest.text) {
            Ok(_) => break,
            Err(e) => error = e,
        }
        if rest.is_new(&error) {
            issues.push(wording::issue(file, source, &error));
            found += 1;
        }
    }
    None
}

fn parse<T: DeserializeOwned>(text: &str) -> Result<T, Error> {
    let options = serde_yaml::options! { with_snippet: false };
    serde_yaml::from_str_with_options(text, options)
}

/// What is left of a text after faulty entries were taken out.
struct Rest {
    text: String,
    taken: Vec<String>,
}

impl Rest {
    /// Takes the entry out that holds the fault; `false` where that can't be done safely.
    fn take_out(&mut self, error: &Error) -> bool {
        let Some(spot) = wording::spot(error) else { return false };
        if let Error::SerdeUnknownField { field, expected, .. } = error.without_snippet() {
            // A misspelt key is one fault, not a missing one besides.
            self.taken.extend(nearest(field, expected.iter().copied()).map(str::to_owned));
        }
        let line = match error.without_snippet() {
            Error::SerdeMissingField { .. } => match text::owner(&self.text, spot) {
                Some(owner) if owner.direct => owner.spot.line,
                Some(_) => spot.line,
                None => return false,
            },
            _ => spot.line,
        };
        let Some((text, key)) = text::without_entry(&self.text, line) else { return false };
        self.text = text;
        self.taken.extend(key);
        true
    }

    /// Whether a fault was there before anything was taken out.
    fn is_new(&self, error: &Error) -> bool {
        match error.without_snippet() {
            Error::SerdeMissingField { field, .. } => !self.taken.iter().any(|t| t == field),
            Error::SerdeUnknownField { .. } | Error::SerdeUnknownVariant { .. } => true,
            Error::Message { .. } | Error::InvalidScalar { .. } | Error::Unexpected { .. } => {
                wording::spot(error).is_some_and(|spot| self.is_value(spot))
            }
            _ => false,
        }
    }

    /// Whether a value stands there, behind its key. Where none does, it may be the one taken out.
    fn is_value(&self, spot: Spot) -> bool {
        let column = usize::try_from(spot.column).unwrap_or(0).saturating_sub(1);
        let first = text::line(&self.text, spot.line).and_then(|l| l.chars().nth(column));
        first.is_some_and(|c| c != ':') && text::owner(&self.text, spot).is_some_and(|o| o.value)
    }
}
