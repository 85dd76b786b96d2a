//! The state of the car at each sample, as `loads` and `resistance` both need it: fuel, mass, specific
//! force, coasting.

use std::ops::Range;

use crate::config::car::Car;
use crate::error::LogFault;
use crate::stages::LogCx;
use crate::table::frame::{LogFrame, Segment};
use crate::units::G;

/// A column that an earlier stage should have made.
///
/// # Errors
/// `MissingChannel` where this log does not have it.
pub fn column<'a>(log: &'a LogFrame, name: &str) -> Result<&'a [f64], LogFault> {
    log.get(name).ok_or_else(|| LogFault::MissingChannel {
        channel: name.to_owned(),
        column: String::new(),
        near: None,
    })
}

/// The part of a column that a segment covers; empty where it reaches past the end.
pub fn part<'a, T>(values: &'a [T], segment: &Segment) -> &'a [T] {
    values.get(range(segment)).unwrap_or_default()
}

/// The samples of a segment.
pub fn range(segment: &Segment) -> Range<usize> {
    segment.start..segment.end.max(segment.start)
}

/// A slow quantity with its gaps filled by the value before, and at the start by the first value; `None`
/// without any value.
pub fn held(values: &[f64]) -> Option<Vec<f64>> {
    let first = values.iter().copied().find(|v| v.is_finite())?;
    let mut last = first;
    Some(
        values
            .iter()
            .map(|v| {
                if v.is_finite() {
                    last = *v;
                }
                last
            })
            .collect(),
    )
}

/// Fuel aboard at each sample, kg: in the runs, and before an outing what it starts with (the car stands there, and
/// its loads give the zero); missing elsewhere.
///
/// At the start of an outing it is what the run sheet says, else what was aboard when the corner weights
/// were taken (flag `fuel_assumed`). What was burnt since is the channel `fuel_used`, else the run
/// sheet's fuel per hour, else nothing (flag `fuel_burn_unknown`). Where more was burnt than was aboard
/// the number goes below zero (flag `fuel_below_zero`): only its change is known then.
pub fn fuel(log: &mut LogFrame, cx: &LogCx) -> Vec<f64> {
    let mut aboard = vec![f64::NAN; log.len()];
    let mut flags: Vec<&str> = Vec::new();
    for segment in &log.segments {
        let run = cx.runs.get(segment.run);
        let start = run.and_then(|r| r.fuel.as_ref()).map(|f| f.get()).unwrap_or_else(|| {
            flags.push("fuel_assumed");
            cx.car.fuel.at_corner_weights.get()
        });
        let per_hour = run.and_then(|r| r.fuel_per_hour.as_ref()).map(|f| f.get());
        let burnt = log.get("fuel_used").and_then(|f| held(part(f, segment)));
        let out_at = first_of_outing(log, segment.outing);
        let Some(target) = aboard.get_mut(range(segment)) else { continue };
        for (i, (to, t)) in target.iter_mut().zip(part(&log.time, segment)).enumerate() {
            let burnt = match (&burnt, per_hour) {
                (Some(b), _) => b.get(i).copied().unwrap_or(f64::NAN),
                (None, Some(rate)) => rate * (t - out_at) / 3600.0,
                (None, None) => 0.0,
            };
            *to = start - burnt;
        }
        if burnt.is_none() && per_hour.is_none() {
            flags.push("fuel_burn_unknown");
        }
        if target.iter().any(|f| *f < 0.0) {
            flags.push("fuel_below_zero");
        }
    }
    hold_before_outings(log, &mut aboard);
    flags.into_iter().for_each(|f| log.flag(f));
    aboard
}

/// Gives the samples before an outing, back to the outing before, its first value.
fn hold_before_outings(log: &LogFrame, aboard: &mut [f64]) {
    let mut from = 0;
    let mut outing = None;
    for segment in &log.segments {
        if outing != Some(segment.outing)
            && let Some(start) = aboard.get(segment.start).copied()
            && let Some(before) = aboard.get_mut(from..segment.start)
        {
            before.fill(start);
        }
        (from, outing) = (segment.end, Some(segment.outing));
    }
}

/// Time of the first sample of an outing, s.
fn first_of_outing(log: &LogFrame, outing: u32) -> f64 {
    let first = log.segments.iter().filter(|s| s.outing == outing).map(|s| s.start).min();
    first.and_then(|i| log.time.get(i)).copied().unwrap_or(0.0)
}

/// Mass of the car with its fuel, kg. Fuel below zero counts as none.
pub fn mass(car: &Car, fuel: f64) -> f64 {
    // `max` would turn a missing value into zero.
    car.mass_with(if fuel < 0.0 { 0.0 } else { fuel })
}

/// sin θ of a road of the given rise over run.
pub fn sine_of_grade(grade: f64) -> f64 {
    grade / (1.0 + grade * grade).sqrt()
}

/// Specific force along x at each sample, m/s²: the accelerometer, levelled; else acceleration over ground
/// plus the gradient; else acceleration alone (flag `gradient_unseen`).
///
/// # Errors
/// `MissingChannel` where the log has neither.
pub fn specific_force(log: &mut LogFrame, car: &Car) -> Result<Vec<f64>, LogFault> {
    if log.get("accel_x").is_some() {
        return levelled(log, car);
    }
    let acceleration = column(log, "acceleration")?;
    if let Some(grade) = log.get("grade") {
        return Ok(acceleration.iter().zip(grade).map(|(a, s)| a + G * sine_of_grade(*s)).collect());
    }
    let alone = acceleration.to_vec();
    log.flag("gradient_unseen");
    Ok(alone)
}

/// The accelerometer along x, freed of the pitch of the body it sits on, m/s².
///
/// Nosing up by α, the accelerometer's axis leans back and reads f_x + g·α. Downforce and drag pitch the
/// body in step with v², so this would end up in every coefficient: a tenth of a degree is 0.017 m/s².
/// The pitch of the body against the wheels comes from the dampers; its zero is not known, and falls to
/// the intercept with that of the accelerometer. Pitch on the tyres' own deflection stays in. Without
/// dampers the log is flagged `body_pitch_unseen`.
///
/// # Errors
/// `MissingChannel` where the log has no accelerometer along x.
pub fn levelled(log: &mut LogFrame, car: &Car) -> Result<Vec<f64>, LogFault> {
    let felt = column(log, "accel_x")?;
    let Some(pitch) = pitch(log, car) else {
        let felt = felt.to_vec();
        log.flag("body_pitch_unseen");
        return Ok(felt);
    };
    Ok(felt.iter().zip(pitch).map(|(f, p)| f - G * p).collect())
}

/// Channels of damper travel, in the order of the corners.
pub const DAMPERS: [&str; 4] = ["damper_fl", "damper_fr", "damper_rl", "damper_rr"];

/// Pitch of the body against the line of its wheel centres, rad, nose up positive, from an unknown zero:
/// compression of the rear less that of the front wheels, over the wheelbase. `None` without dampers.
fn pitch(log: &LogFrame, car: &Car) -> Option<Vec<f64>> {
    let ratios = car.motion_ratio.corners();
    let mut pitch = vec![0.0; log.len()];
    for ((channel, ratio), side) in DAMPERS.into_iter().zip(ratios).zip([-0.5, -0.5, 0.5, 0.5]) {
        let per_travel = side / (ratio?.get() * car.wheelbase.get());
        pitch.iter_mut().zip(log.get(channel)?).for_each(|(p, d)| *p += per_travel * d);
    }
    Some(pitch)
}

/// Whether the engine is parted from the wheels at each sample: clutch pedal at least at `open`, or gear
/// 0. `None` where the log has neither channel.
pub fn coasting(log: &LogFrame, open: f64) -> Option<Vec<bool>> {
    let (clutch, gear) = (log.get("clutch"), log.get("gear"));
    if clutch.is_none() && gear.is_none() {
        return None;
    }
    let at = |values: Option<&[f64]>, i: usize| values.and_then(|v| v.get(i)).copied().unwrap_or(f64::NAN);
    Some((0..log.len()).map(|i| at(clutch, i) >= open || at(gear, i).abs() < 0.5).collect())
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Bench};
    use super::*;

    #[test]
    fn gaps_are_held() {
        let nan = f64::NAN;
        assert_eq!(held(&[nan, 2.0, nan, 3.0, nan]), Some(vec![2.0, 2.0, 2.0, 3.0, 3.0]));
        assert_eq!(held(&[nan, nan]), None);
        assert_eq!(held(&[]), None);
    }

    #[test]
    fn fuel_by_channel() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let mut log = testing::log(4, &[("fuel_used", &[0.0, 1.0, f64::NAN, 2.0])]);
        assert_eq!(fuel(&mut log, &bench.cx()), [20.0, 19.0, 19.0, 18.0]);
        assert!(log.flags.is_empty());
    }

    #[test]
    fn fuel_by_the_hour_counts_from_the_start_of_the_outing() {
        let bench = Bench::new("", &["fuel: 20 kg\nfuel_per_hour: 36 kg"]);
        let mut log = testing::log(6, &[]);
        let part = |start, end, outing| Segment { start, end, outing, ..Default::default() };
        log.segments = vec![part(1, 3, 1), part(3, 4, 1), part(4, 6, 2)];
        let got = fuel(&mut log, &bench.cx());
        // 0.01 kg/s at one sample per second.
        // Before the outing the car stands with what it starts with.
        assert_eq!(got[0], 20.0);
        for (i, burnt) in [(1, 0.0), (2, 0.01), (3, 0.02), (4, 0.0), (5, 0.01)] {
            assert!((got[i] - (20.0 - burnt)).abs() < 1e-12, "{i}: {}", got[i]);
        }
    }

    #[test]
    fn what_is_assumed_is_flagged() {
        let bench = Bench::new("fuel: { at_corner_weights: 5 kg, front_share: 40 % }", &[""]);
        let mut log = testing::log(2, &[]);
        assert_eq!(fuel(&mut log, &bench.cx()), [5.0, 5.0]);
        assert_eq!(log.flags, ["fuel_assumed", "fuel_burn_unknown"]);
        let mut log = testing::log(2, &[("fuel_used", &[4.0, 6.0])]);
        assert_eq!(fuel(&mut log, &bench.cx()), [1.0, -1.0]);
        assert_eq!(log.flags, ["fuel_assumed", "fuel_below_zero"]);
        assert_eq!(mass(&bench.car, -1.0), mass(&bench.car, 0.0));
        assert!(mass(&bench.car, f64::NAN).is_nan());
    }

    #[test]
    fn specific_force_by_what_there_is() {
        let car = Bench::new("", &[]).car;
        let run = |columns: &[(&str, &[f64])]| {
            let mut log = testing::log(1, columns);
            specific_force(&mut log, &car).map(|f| (f, log.flags))
        };
        // Rise 3 on a run of 4: sin θ = 0.6.
        let (force, flags) = run(&[("acceleration", &[0.5]), ("grade", &[0.75])]).unwrap();
        assert!((force[0] - (0.5 + 0.6 * G)).abs() < 1e-12 && flags.is_empty());
        assert_eq!(run(&[("acceleration", &[0.5])]).unwrap(), (vec![0.5], vec!["gradient_unseen".to_owned()]));
        let alone = run(&[("acceleration", &[0.5]), ("accel_x", &[0.7])]).unwrap();
        assert_eq!(alone, (vec![0.7], vec!["body_pitch_unseen".to_owned()]));
        assert_eq!(run(&[]).unwrap_err().reason(), "missing_channel");
    }

    #[test]
    fn the_accelerometer_is_levelled() {
        // Dampers 8 mm in at motion ratio 0.8 in front, 18 mm at 0.9 behind: wheels 10 and 20 mm, thus
        // 10 mm over 2.5 m: 4 mrad nose up, 0.0392266 m/s² too much.
        let car = Bench::new("", &[]).car;
        let (front, rear): (&[f64], &[f64]) = (&[0.008], &[0.018]);
        let columns = [front, front, rear, rear];
        let mut all: Vec<(&str, &[f64])> = DAMPERS.into_iter().zip(columns).collect();
        all.push(("accel_x", &[0.5392266]));
        let mut log = testing::log(1, &all);
        assert!((specific_force(&mut log, &car).unwrap()[0] - 0.5).abs() < 1e-12);
        assert!(log.flags.is_empty());
    }

    #[test]
    fn coasting_needs_clutch_or_neutral() {
        let nan = f64::NAN;
        let log = testing::log(4, &[("clutch", &[0.95, 0.1, 0.1, nan]), ("gear", &[4.0, 4.0, 0.0, nan])]);
        assert_eq!(coasting(&log, 0.9), Some(vec![true, false, true, false]));
        assert_eq!(coasting(&testing::log(1, &[]), 0.9), None);
    }
}
