//! The speed and the air that a season stage is asked to give its numbers at: what makes sense of them.

use std::ops::RangeInclusive;

use crate::located::Located;
use crate::stages::CheckCx;
use crate::units::{Density, Speed};

/// Speeds that numbers are asked for at, m/s (plausibility only; common practice, no source).
pub const SPEEDS: RangeInclusive<f64> = 1.0..=150.0;
/// Densities of air that cars and tunnels meet, kg/m³ (plausibility only; common practice, no source).
pub const DENSITIES: RangeInclusive<f64> = 0.5..=2.0;

/// What is wrong with a speed: message and hint.
pub fn speed_fault(speed: f64) -> Option<(&'static str, &'static str)> {
    (!SPEEDS.contains(&speed)).then_some(("a speed that no car drives", "for example `160 km/h`"))
}

/// What is wrong with a density of air: message and hint.
pub fn density_fault(density: f64) -> Option<(&'static str, &'static str)> {
    let wrong = ("no air that a car meets is that dense", "expected 0.5 kg/m3 to 2 kg/m3");
    (!DENSITIES.contains(&density)).then_some(wrong)
}

/// Faults of a speed and a density where they are stated.
pub fn check<'a>(
    speed: impl Into<Option<&'a Located<Speed>>>,
    density: impl Into<Option<&'a Located<Density>>>,
    cx: &mut CheckCx,
) {
    let speed = speed.into().and_then(|v| Some((v.spot, speed_fault(v.get())?)));
    let density = density.into().and_then(|d| Some((d.spot, density_fault(d.get())?)));
    for (spot, (message, hint)) in speed.into_iter().chain(density) {
        cx.fault(spot, message, hint);
    }
}
