//! A pressure channel as an air-speed sensor: a duct, a radiator's front, any tap that follows the dynamic pressure.
//! Calibrated run by run against ground speed in at least two directions: p = p0 + k·½·rho·(v + w)², with zero, gain
//! and the two components of the wind unknown. What it then reads is the air that the car really met, gusts and the
//! wake of another car included.

use nalgebra::{DMatrix, DVector};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::numerics::robust::{self, Loss, RobustParams};
use crate::stages::log::state::range;
use crate::table::frame::{LogFrame, Segment};

/// Air speed from a pressure channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AirSpeedFrom {
    /// The channel: a pressure that follows the dynamic pressure.
    pub channel: Located<String>,
}

/// Ground speed from which on a sample is used to calibrate, m/s.
const FAST: f64 = 15.0;
/// Samples per second used to calibrate.
const THINNED: f64 = 5.0;
/// Fewest samples for a calibration.
const FEWEST: usize = 60;
/// Largest standard error of the gain that still makes a sensor.
const GAIN_KNOWN: f64 = 0.02;
/// Length of the mean of all headings, as unit vectors, over which they are one direction: along it a gain looks like a
/// headwind. Headings that scatter by a quarter of a right angle have this (by trial: gains of runs of one straight).
const ONE_DIRECTION: f64 = 0.9;
/// Largest correlation of neighbouring residuals that is believed.
const MOST_ALIKE: f64 = 0.98;
/// Rounds for the square of the wind.
const ROUNDS: usize = 4;

/// A calibrated sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Pressure at no air speed, Pa.
    pub zero: f64,
    /// Share of the dynamic pressure that the channel shows.
    pub gain: f64,
    /// Relative standard error of the gain; gusts last, so that samples that follow each other say less than as many others.
    pub gain_error: f64,
}

/// Air speed of the log and which of its runs could be calibrated.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensed {
    /// Air speed at each sample, m/s; NaN outside of calibrated runs, and inside them where the pressure is missing.
    pub speed: Vec<f64>,
    /// One entry per segment.
    pub calibrated: Vec<bool>,
}

/// Air speed by the pressure channel, run by run. A log without the channel has no calibrated run.
pub fn air_speed(log: &LogFrame, channel: &str, density: &[f64]) -> Sensed {
    let mut out = Sensed { speed: vec![f64::NAN; log.len()], calibrated: vec![false; log.segments.len()] };
    let Some(pressure) = log.get(channel) else { return out };
    for (segment, calibrated) in log.segments.iter().zip(&mut out.calibrated) {
        let Some(c) = calibrate(log, pressure, density, segment) else { continue };
        *calibrated = true;
        for i in range(segment) {
            if let (Some(to), Some(p), Some(rho)) = (out.speed.get_mut(i), pressure.get(i), density.get(i)) {
                *to = c.air_speed(*p, *rho);
            }
        }
    }
    out
}

impl Calibration {
    /// Air speed, m/s, at a pressure (Pa) and density (kg/m³); NaN where either is missing.
    fn air_speed(&self, pressure: f64, density: f64) -> f64 {
        let squared = 2.0 * (pressure - self.zero) / (self.gain * density);
        // Below the zero there is noise, and no air from behind. `max` would turn a missing value into zero.
        if squared < 0.0 { 0.0 } else { squared.sqrt() }
    }
}

/// One run's calibration; `None` where headings, speeds or samples do not suffice.
pub fn calibrate(log: &LogFrame, pressure: &[f64], density: &[f64], segment: &Segment) -> Option<Calibration> {
    let (speed, course) = (log.get("speed")?, log.get("course")?);
    let step = ((log.rate / THINNED).round() as usize).max(1);
    let sample = |i: usize| -> Option<[f64; 4]> {
        let all = [*pressure.get(i)?, *density.get(i)?, *speed.get(i)?, *course.get(i)?];
        (all.iter().all(|v| v.is_finite()) && all[2] > FAST).then_some(all)
    };
    let samples: Vec<[f64; 4]> = range(segment).step_by(step).filter_map(sample).collect();
    if samples.len() < FEWEST {
        return None;
    }
    let (north, east) = samples.iter().fold((0.0, 0.0), |(n, e), s| (n + s[3].cos(), e + s[3].sin()));
    if f64::hypot(north, east) > ONE_DIRECTION * samples.len() as f64 {
        return None;
    }
    let y = DVector::from_iterator(samples.len(), samples.iter().map(|s| s[0]));
    // A wake pulls one way only: the outlying part is given no say at all.
    let params = RobustParams { loss: Loss::BISQUARE, ..Default::default() };
    let (mut wind, mut found) = ((0.0, 0.0), None);
    for _ in 0..ROUNDS {
        let design = DMatrix::from_fn(samples.len(), 4, |r, c| {
            let [_, rho, v, psi] = samples[r];
            let head: f64 = wind.0 * psi.cos() + wind.1 * psi.sin();
            match c {
                0 => 1.0,
                1 => 0.5 * rho * (v * v + head * head),
                2 => rho * v * psi.cos(),
                _ => rho * v * psi.sin(),
            }
        });
        let fit = robust::fit(&design, &y, None, params).ok()?;
        let b = &fit.fit.coefficients;
        let gain = b[1];
        if gain.is_nan() || gain <= 0.0 {
            return None;
        }
        wind = (b[2] / gain, b[3] / gain);
        let left = &y - &design * b;
        let alike = fading(left.as_slice(), fit.robustness.as_slice());
        let gain_error = (fit.covariance?[(1, 1)].max(0.0) * (1.0 + alike) / (1.0 - alike)).sqrt() / gain;
        found = Some(Calibration { zero: b[0], gain, gain_error });
    }
    found.filter(|c| c.gain_error < GAIN_KNOWN)
}

/// How alike residuals are that follow each other, 0 to 1; those without weight have no say. Of a series that fades from
/// sample to sample by this, a mean has (1 + r)/(1 − r) times the variance (common practice, no source).
fn fading(residuals: &[f64], weights: &[f64]) -> f64 {
    let counted: Vec<f64> = residuals.iter().zip(weights).map(|(r, w)| r * w).collect();
    let both: f64 = counted.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let all: f64 = counted.iter().map(|r| r * r).sum();
    if all > 0.0 { (both / all).clamp(0.0, MOST_ALIKE) } else { 0.0 }
}

#[cfg(test)]
pub mod tests {
    use super::*;
    use crate::units::Dimension;

    /// Laps of four headings at changing speed in a wind of 3 m/s from the north-east; p = 12 + 0.8·q, ± 4 Pa.
    pub fn log(headings: usize, wake: bool) -> (LogFrame, Vec<f64>) {
        let n = 6000;
        let time: Vec<f64> = (0..n).map(|i| i as f64 / 20.0).collect();
        let mut log = LogFrame { time, rate: 20.0, ..Default::default() };
        let course = |i: usize| (i / 200 % headings) as f64 * std::f64::consts::TAU / headings as f64;
        let speed = |i: usize| 38.0 + 18.0 * (i as f64 / 37.0).sin();
        let head = |i: usize| 3.0 * (course(i) - std::f64::consts::FRAC_PI_4).cos();
        let behind = |i: usize| if wake && i / 200 % 6 == 5 { 0.75 } else { 1.0 };
        let air: Vec<f64> = (0..n).map(|i| (speed(i) + head(i)) * f64::sqrt(behind(i))).collect();
        log.set("speed", Dimension::Speed, (0..n).map(speed).collect());
        log.set("course", Dimension::Angle, (0..n).map(course).collect());
        let noise = |i: usize| 4.0 * (i as f64 * 2.399_963).sin();
        let duct = air.iter().enumerate().map(|(i, v)| 12.0 + 0.8 * 0.5 * 1.2 * v * v + noise(i));
        log.set("duct", Dimension::Pressure, duct.collect());
        log.segments = vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }];
        (log, air)
    }

    #[test]
    fn the_air_that_the_car_met_comes_back() {
        for wake in [false, true] {
            let (log, air) = log(4, wake);
            let found = air_speed(&log, "duct", &vec![1.2; log.len()]).speed;
            let apart: f64 = found.iter().zip(&air).map(|(f, a)| f / a - 1.0).sum::<f64>() / air.len() as f64;
            let c = calibrate(&log, log.get("duct").unwrap(), &vec![1.2; log.len()], &log.segments[0]).unwrap();
            assert!(apart.abs() < 0.002, "wake {wake}: {apart}");
            assert!((c.gain / 0.8 - 1.0).abs() < 0.005 && (c.zero - 12.0).abs() < 5.0, "wake {wake}: {c:?}");
        }
    }

    #[test]
    fn one_direction_calibrates_nothing() {
        let (log, _) = log(1, false);
        let sensed = air_speed(&log, "duct", &vec![1.2; log.len()]);
        assert!(sensed.calibrated == [false] && sensed.speed.iter().all(|v| v.is_nan()));
    }

    #[test]
    fn a_bend_of_a_few_degrees_is_no_second_direction() {
        // Two headings 0.25 rad apart: the curvature of the law alone would tell gain from headwind.
        let (mut log, _) = log(2, false);
        let bent: Vec<f64> = log.get("course").unwrap().iter().map(|c| if *c > 1.0 { 0.25 } else { 0.0 }).collect();
        log.set("course", Dimension::Angle, bent);
        assert_eq!(air_speed(&log, "duct", &vec![1.2; log.len()]).calibrated, [false]);
    }

    #[test]
    fn gusts_that_last_leave_the_gain_less_sure() {
        let (weights, n) = ([1.0; 400], 400);
        let slow: Vec<f64> = (0..n).map(|i| (i as f64 / 20.0).sin()).collect();
        let quick: Vec<f64> = (0..n).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert!(fading(&slow, &weights) > 0.95 && fading(&quick, &weights) == 0.0);
    }

    #[test]
    fn a_missing_pressure_is_no_still_air() {
        let (mut log, _) = log(4, false);
        let mut duct = log.get("duct").unwrap().to_vec();
        duct[1000..1010].fill(f64::NAN);
        log.set("duct", Dimension::Pressure, duct);
        let sensed = air_speed(&log, "duct", &vec![1.2; log.len()]);
        assert_eq!(sensed.calibrated, [true]);
        let missing: Vec<usize> = (0..log.len()).filter(|i| sensed.speed[*i].is_nan()).collect();
        assert_eq!(missing, (1000..1010).collect::<Vec<_>>());
        // And pressure below the zero is still air, not a missing value.
        let c = Calibration { zero: 12.0, gain: 0.8, gain_error: 0.0 };
        assert_eq!(c.air_speed(11.0, 1.2), 0.0);
    }
}
