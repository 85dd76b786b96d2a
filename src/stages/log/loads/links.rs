//! What the suspension links carry past the springs: the forces along the car that load them.

use crate::config::car::{Car, Driven};
use crate::stages::log::state::{coasting, range};
use crate::table::frame::LogFrame;

/// Brake line pressure above which the brakes are on, Pa (common practice, no source).
const BRAKES_ON: f64 = 1e5;
/// Clutch pedal travel that opens the clutch, where only the links ask (common practice, no source).
const CLUTCH_OPEN: f64 = 0.9;

/// Forces along the car at each sample, N.
pub struct Links {
    rear_drive: Vec<f64>,
    braking: Vec<f64>,
    /// Whether the drive force is known throughout, where the links carry a part of it.
    pub drive_known: bool,
    /// Whether braking is seen, where the links carry a part of it.
    pub braking_seen: bool,
}

impl Links {
    /// Tractive force of the rear wheels, and brake force.
    ///
    /// The drive force is `drive_force` of an earlier `resistance`, or the torque of the rear wheels; while
    /// coasting, minus the coasting loss; else m·f_x, which misses the part of the drive that the drag
    /// takes: then the log is flagged `link_force_of_drive_unknown`. Without a share for the links nothing
    /// is needed and nothing flagged.
    pub fn of(log: &mut LogFrame, car: &Car, masses: &[f64], felt: &[f64]) -> Self {
        let nothing = || (vec![0.0; log.len()], true);
        let idle = car.anti_squat.get() == 0.0 || car.driven == Driven::Front;
        let (rear_drive, drive_known) = if idle { nothing() } else { rear_drive(log, car, masses, felt) };
        let still = car.anti_dive.get() == 0.0;
        let (braking, braking_seen) = if still { nothing() } else { braking(log, masses, felt) };
        for (known, flag) in [(drive_known, "link_force_of_drive_unknown"), (braking_seen, "braking_unseen")] {
            if !known {
                log.flag(flag);
            }
        }
        if car.driven != Driven::Rear {
            log.flag("front_link_force_unknown");
        }
        Self { rear_drive, braking, drive_known, braking_seen }
    }

    /// Drive and brake force at a sample.
    pub fn at(&self, i: usize) -> (f64, f64) {
        let get = |v: &[f64]| v.get(i).copied().unwrap_or(f64::NAN);
        (get(&self.rear_drive), get(&self.braking))
    }
}

/// Tractive force of the rear wheels, and whether it is known throughout.
fn rear_drive(log: &LogFrame, car: &Car, masses: &[f64], felt: &[f64]) -> (Vec<f64>, bool) {
    // With both axles driven only the rear wheels' own torque says what the rear does.
    let (whole, share) = if car.driven == Driven::Both { (None, 0.5) } else { (log.get("drive_force"), 1.0) };
    let torque = log.get("wheel_torque_rl").zip(log.get("wheel_torque_rr"));
    let coasts = coasting(log, CLUTCH_OPEN);
    let radius = car.tyre_radius.rear.get();
    let known = |i: usize| -> Option<f64> {
        let finite = |v: f64| v.is_finite().then_some(v);
        let by_stage = whole.and_then(|w| w.get(i)).copied().and_then(finite);
        let by_torque = || torque.and_then(|(l, r)| finite((l.get(i)? + r.get(i)?) / radius));
        let by_coasting = || coasts.as_ref()?.get(i)?.then(|| -share * car.coasting_loss.get());
        by_stage.or_else(by_torque).or_else(by_coasting)
    };
    let all: Vec<Option<f64>> = (0..log.len()).map(known).collect();
    let unknown = log.segments.iter().flat_map(range).any(|i| {
        // A gap of the log lacks everything.
        felt.get(i).is_some_and(|f| f.is_finite()) && all.get(i).is_some_and(Option::is_none)
    });
    let guess = masses.iter().zip(felt).map(|(m, f)| share * m * f);
    (all.into_iter().zip(guess).map(|(known, guess)| known.unwrap_or(guess)).collect(), !unknown)
}

/// Brake force of all wheels, N: −m·f_x where the brakes are on, zero elsewhere. The drag's part of the
/// slowing is counted as braking, so a braked sample is good to see what the tyres carry, not to measure with;
/// the selection of windows leaves braking out. And whether it is seen.
fn braking(log: &LogFrame, masses: &[f64], felt: &[f64]) -> (Vec<f64>, bool) {
    let Some(pressure) = log.get("brake_pressure") else { return (vec![0.0; log.len()], false) };
    let slowed = masses.iter().zip(felt).map(|(m, f)| -m * f);
    (pressure.iter().zip(slowed).map(|(p, s)| if *p > BRAKES_ON && s > 0.0 { s } else { 0.0 }).collect(), true)
}
