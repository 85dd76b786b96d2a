//! After reading: channels that hold nothing, nothing that can be, or nothing that moves.

use super::{range, stuck};
use crate::config::car::Car;
use crate::error::LogFault;
use crate::table::frame::LogFrame;

/// Four significant digits, for messages.
pub fn rounded(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}

/// Checks the needed channels of a log that was just read. A channel that may be missing and holds nothing
/// is taken for missing.
///
/// # Errors
/// `AllMissing`, `Implausible`, `Stuck`.
pub fn check(frame: &mut LogFrame, required: impl Fn(&str) -> bool, car: &Car) -> Result<(), LogFault> {
    let holds_nothing = |values: &[f64]| values.iter().all(|v| v.is_nan());
    if let Some(c) = frame.columns.iter().find(|c| required(&c.name) && holds_nothing(&c.values)) {
        return Err(LogFault::AllMissing { channel: c.name.clone() });
    }
    frame.columns.retain(|c| !holds_nothing(&c.values));
    range::check(frame)?;
    stuck::check(frame, car)
}
