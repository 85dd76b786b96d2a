//! Sensors that stand still while the car moves.
//!
//! Rules, common practice, no source:
//! * Only sensors that must move when a car drives are looked at: dampers, wheel loads, ride heights,
//!   accelerometers, steering, torques, air speed, speed. Ambient channels, gear, pedals and fuel may rest.
//! * Whole log: one value throughout, in at least 10 samples, while speed varies by more than 5 m/s and is
//!   above 10 m/s for more than 5 s. A roll through the paddock proves nothing.
//! * From a line on: one value for more than 60 s above 10 m/s, while speed varies by more than 5 m/s.
//!   Steering, which coarse sensors hold on a long straight, gets 180 s.
//! * Torque may be zero as long as the car coasts: only a rise of speed by more than 5 m/s proves it stuck.
//!   The torque of an axle that is not driven may be zero for ever.
//! * Speed itself: one value above 10 m/s for more than 60 s while the longitudinal accelerometer varies by
//!   more than 3 m/s²; without that channel, for more than 180 s.

use super::sanity::rounded;
use crate::config::car::{Car, Driven};
use crate::error::LogFault;
use crate::table::frame::LogFrame;

/// Speed above which a car drives, m/s.
const DRIVING: f64 = 10.0;
/// Change of speed that moves every sensor, m/s.
const CHANGE: f64 = 5.0;
/// Longest time between samples that counts as driving, s.
const STEP: f64 = 1.0;

/// Samples that make a value a standstill.
const FEWEST: usize = 10;

/// How one channel is judged.
#[derive(Clone, Copy, PartialEq)]
enum Rule {
    Moves { after: f64 },
    Drives,
    IsSpeed,
}

fn rule(channel: &str, driven: Driven) -> Option<Rule> {
    Some(match channel {
        "speed" => Rule::IsSpeed,
        "steering" => Rule::Moves { after: 180.0 },
        "wheel_torque_fl" | "wheel_torque_fr" if driven == Driven::Rear => return None,
        "wheel_torque_rl" | "wheel_torque_rr" if driven == Driven::Front => return None,
        "shaft_torque" => Rule::Drives,
        c if c.starts_with("wheel_torque_") => Rule::Drives,
        "air_speed" | "accel_x" | "accel_y" | "accel_z" => Rule::Moves { after: 60.0 },
        c if ["damper_", "load_", "ride_height_"].iter().any(|p| c.starts_with(p)) => Rule::Moves { after: 60.0 },
        _ => return None,
    })
}

/// Finds the first channel that is stuck.
///
/// # Errors
/// `Stuck`, with the line from which on, unless it is the whole log.
pub fn check(frame: &LogFrame, car: &Car) -> Result<(), LogFault> {
    let Some(speed) = frame.get("speed") else { return Ok(()) };
    for column in &frame.columns {
        let Some(rule) = rule(&column.name, car.driven) else { continue };
        let witness = if rule == Rule::IsSpeed { frame.get("accel_x") } else { Some(speed) };
        let Some((row, value)) = first_stuck(&column.values, &frame.time, speed, witness, rule) else { continue };
        let unit = column.dimension.si().to_owned();
        let line = (row > 0 && frame.first_line > 0).then(|| frame.first_line + row as u64);
        return Err(LogFault::Stuck { channel: column.name.clone(), value: rounded(value), unit, line });
    }
    Ok(())
}

/// What happened since the channel last changed.
struct Still {
    value: f64,
    from: usize,
    samples: usize,
    driven: f64,
    /// Time since the value was last seen: a gap that nothing follows is no standstill.
    blank: f64,
    low: f64,
    high: f64,
    rise: f64,
}

impl Still {
    fn new(value: f64, from: usize) -> Self {
        Self {
            value,
            from,
            samples: 1,
            driven: 0.0,
            blank: 0.0,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
            rise: 0.0,
        }
    }

    fn saw(&mut self, witness: f64) {
        self.low = self.low.min(witness);
        self.high = self.high.max(witness);
        self.rise = self.rise.max(witness - self.low);
    }

    /// `whole` says that the value never changed in the whole log.
    fn stuck(&self, rule: Rule, witnessed: bool, whole: bool) -> bool {
        let varied = self.high - self.low;
        let whole = whole && self.samples >= FEWEST && self.driven > 5.0;
        match rule {
            Rule::Moves { after } => varied > CHANGE && (whole || self.driven > after),
            Rule::Drives => self.rise > CHANGE && (whole || self.driven > 60.0),
            Rule::IsSpeed if witnessed => self.driven > 60.0 && varied > 3.0,
            Rule::IsSpeed => self.driven > 180.0,
        }
    }
}

/// Row from which on the channel is stuck (0: the whole log or from its start), and its value.
fn first_stuck(
    values: &[f64],
    time: &[f64],
    speed: &[f64],
    witness: Option<&[f64]>,
    rule: Rule,
) -> Option<(usize, f64)> {
    let mut still: Option<Still> = None;
    let (mut now, mut before) = (f64::NAN, f64::NAN);
    for (row, (((&value, &t), &v), w)) in
        values.iter().zip(time).zip(speed).zip(witness.unwrap_or(speed).iter()).enumerate()
    {
        // A slower speed channel holds its last value here.
        now = if v.is_nan() { now } else { v };
        if let Some(s) = still.as_mut().filter(|s| value.is_nan() || value == s.value) {
            s.saw(*w);
            if now > DRIVING {
                s.blank += (t - before).clamp(0.0, STEP);
            }
            if !value.is_nan() {
                s.samples += 1;
                s.driven += std::mem::take(&mut s.blank);
            }
        } else if !value.is_nan() {
            if let Some(s) = still.filter(|s| s.stuck(rule, witness.is_some(), false)) {
                return Some((s.from, s.value));
            }
            let mut new = Still::new(value, row);
            new.saw(*w);
            still = Some(new);
        }
        before = t;
    }
    let first = values.iter().position(|v| !v.is_nan());
    still
        .filter(|s| s.stuck(rule, witness.is_some(), Some(s.from) == first))
        .map(|s| (if Some(s.from) == first { 0 } else { s.from }, s.value))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10 Hz, speed from a function of time; the channel likewise.
    fn judge(rule: Rule, seconds: f64, speed: impl Fn(f64) -> f64, channel: impl Fn(f64) -> f64) -> Option<usize> {
        let time: Vec<f64> = (0..(seconds * 10.0) as usize).map(|i| i as f64 * 0.1).collect();
        let of = |f: &dyn Fn(f64) -> f64| time.iter().map(|t| f(*t)).collect::<Vec<_>>();
        let (speed, values) = (of(&speed), of(&channel));
        first_stuck(&values, &time, &speed, Some(&speed), rule).map(|(row, _)| row)
    }

    const MOVES: Rule = Rule::Moves { after: 60.0 };

    fn laps(t: f64) -> f64 {
        40.0 + 20.0 * (t / 10.0).sin()
    }

    #[test]
    fn a_whole_log_of_one_value_is_stuck_and_a_standing_car_is_not() {
        assert_eq!(judge(MOVES, 30.0, laps, |_| 0.012), Some(0));
        assert_eq!(judge(MOVES, 30.0, |_| 0.0, |_| 0.012), None);
        assert_eq!(judge(MOVES, 30.0, laps, |t| t.sin()), None);
        // A pitot tube reads nothing at paddock speed.
        assert_eq!(judge(MOVES, 90.0, |t| 4.0 + 4.0 * (t / 5.0).sin(), |_| 0.0), None);
    }

    #[test]
    fn frozen_from_a_row_on() {
        assert_eq!(judge(MOVES, 200.0, laps, |t| t.min(100.0)), Some(1000));
        assert_eq!(judge(MOVES, 150.0, laps, |t| t.min(100.0)), None);
        // Frozen and alive again.
        assert_eq!(judge(MOVES, 300.0, laps, |t| if t > 200.0 { t } else { t.min(100.0) }), Some(1000));
        // Blanks between the samples do not end the standstill.
        assert_eq!(
            judge(MOVES, 200.0, laps, |t| if ((t * 10.0) as u32).is_multiple_of(4) { t.min(100.0) } else { f64::NAN }),
            Some(1000)
        );
    }

    #[test]
    fn a_gap_is_no_standstill() {
        let torn = |t: f64| if (50.0..200.0).contains(&t) { f64::NAN } else { t };
        assert_eq!(judge(MOVES, 300.0, laps, torn), None);
        assert_eq!(judge(MOVES, 200.0, laps, |t| if t > 50.0 { f64::NAN } else { t }), None);
    }

    #[test]
    fn coasting_has_no_torque() {
        let coast = |t: f64| 70.0 - 0.5 * t;
        assert_eq!(judge(Rule::Drives, 100.0, coast, |_| 0.0), None);
        assert_eq!(judge(Rule::Drives, 100.0, laps, |_| 0.0), Some(0));
    }

    #[test]
    fn undriven_wheels_have_no_torque_and_weather_rests() {
        assert!(rule("wheel_torque_fl", Driven::Rear).is_none());
        assert!(rule("wheel_torque_fl", Driven::Both).is_some());
        for resting in ["air_temperature", "air_pressure", "humidity", "gear", "clutch", "throttle", "fuel_used"] {
            assert!(rule(resting, Driven::Both).is_none());
        }
    }
}
