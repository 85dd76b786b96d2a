//! Values that a car can have. A channel outside of them was read with a wrong unit or a broken sensor.
//!
//! The ranges are common practice, no source: wide enough for any car on a road circuit, narrow enough to
//! tell km/h from m/s at speed, degrees from radians, hPa from Pa.

use super::sanity::rounded;
use crate::error::LogFault;
use crate::table::frame::{Column, LogFrame};
use crate::units::G;

/// Possible values of a canonical channel, SI.
fn possible(channel: &str) -> Option<(f64, f64)> {
    Some(match channel {
        "speed" => (-5.0, 130.0),
        "air_speed" => (-30.0, 160.0),
        "accel_x" | "accel_y" => (-6.0 * G, 6.0 * G),
        "accel_z" => (-10.0 * G, 10.0 * G),
        "steering" => (-15.0, 15.0),
        "course" => (-6.5, 6.5),
        "grade" => (-0.5, 0.5),
        "altitude" => (-500.0, 6000.0),
        "throttle" | "clutch" => (-0.5, 1.5),
        "brake_pressure" => (-1e6, 3e7),
        "gear" => (-2.0, 12.0),
        "engine_speed" => (-10.0, 2500.0),
        "damper_fl" | "damper_fr" | "damper_rl" | "damper_rr" => (-0.5, 0.5),
        "load_fl" | "load_fr" | "load_rl" | "load_rr" => (-20e3, 60e3),
        "wheel_torque_fl" | "wheel_torque_fr" | "wheel_torque_rl" | "wheel_torque_rr" | "shaft_torque" => (-10e3, 10e3),
        "air_temperature" => (230.0, 330.0),
        "air_pressure" => (50e3, 110e3),
        "humidity" => (-0.05, 1.15),
        "fuel_used" => (-5.0, 500.0),
        "ride_height_front" | "ride_height_rear" => (-0.1, 0.5),
        _ => return None,
    })
}

/// Refuses channels of which more than a thousandth lies outside the possible. The few samples outside of a
/// channel that passes are spikes: they become blank, and the log is flagged `spikes_removed`.
///
/// # Errors
/// `Implausible`, with the value that a thousandth of the samples goes beyond.
pub fn check(frame: &mut LogFrame) -> Result<(), LogFault> {
    let mut spikes = false;
    for column in &mut frame.columns {
        let Some((low, high)) = possible(&column.name) else { continue };
        let (mut finite, mut below, mut above) = (0_usize, 0_usize, 0_usize);
        for v in &column.values {
            finite += usize::from(!v.is_nan());
            below += usize::from(*v < low);
            above += usize::from(*v > high);
        }
        let allowed = (finite / 1000).max(1);
        if below > allowed || above > allowed {
            let value = beyond(column, allowed, below > allowed);
            return Err(fault(column, value, low, high));
        }
        if below + above > 0 {
            column.values.iter_mut().filter(|v| **v < low || **v > high).for_each(|v| *v = f64::NAN);
            spikes = true;
        }
    }
    if spikes {
        frame.flag("spikes_removed");
    }
    upright(frame)
}

/// The accelerometer reads +g at rest; about zero means gravity was taken out, 1 means it is in g, −g that it
/// points down.
fn upright(frame: &LogFrame) -> Result<(), LogFault> {
    let Some(column) = frame.columns.iter().find(|c| c.name == "accel_z") else { return Ok(()) };
    let mut values: Vec<f64> = column.values.iter().copied().filter(|v| !v.is_nan()).collect();
    if values.is_empty() {
        return Ok(());
    }
    let middle = values.len() / 2;
    let median = *values.select_nth_unstable_by(middle, f64::total_cmp).1;
    let (low, high) = (0.5 * G, 1.5 * G);
    if (low..=high).contains(&median) { Ok(()) } else { Err(fault(column, median, rounded(low), rounded(high))) }
}

fn fault(column: &Column, value: f64, low: f64, high: f64) -> LogFault {
    LogFault::Implausible {
        channel: column.name.clone(),
        value: rounded(value),
        unit: column.dimension.si().to_owned(),
        low: rounded(low),
        high: rounded(high),
    }
}

/// The value that `allowed` samples go beyond, at the lower or the upper end.
fn beyond(column: &Column, allowed: usize, lower: bool) -> f64 {
    let mut values: Vec<f64> = column.values.iter().copied().filter(|v| !v.is_nan()).collect();
    let rank = if lower { allowed } else { values.len().saturating_sub(1 + allowed) };
    if rank >= values.len() {
        return f64::NAN;
    }
    *values.select_nth_unstable_by(rank, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Dimension;

    fn frame(name: &str, values: Vec<f64>) -> LogFrame {
        let time = (0..values.len()).map(|i| i as f64 * 0.1).collect();
        let mut frame = LogFrame { time, ..LogFrame::default() };
        let dimension = crate::channels::find(name).map_or(Dimension::Ratio, |c| c.dimension);
        frame.set(name, dimension, values);
        frame
    }

    #[test]
    fn a_wrong_unit_is_refused_and_a_spike_is_blanked() {
        let wrong = check(&mut frame("speed", (0..2000).map(|i| f64::from(i) * 0.1).collect())).unwrap_err();
        let text = "channel `speed` reads 199.7 m/s, outside -5 to 130 m/s; is the unit right?";
        assert_eq!(wrong.to_string(), text);

        let mut spiky: Vec<f64> = vec![40.0; 2000];
        spiky[7] = 9e9;
        let mut spiky = frame("speed", spiky);
        check(&mut spiky).unwrap();
        assert!(spiky.columns[0].values[7].is_nan() && spiky.columns[0].values[8] == 40.0);
        assert_eq!(spiky.flags, ["spikes_removed"]);
    }

    #[test]
    fn gravity_stands_upright() {
        check(&mut frame("accel_z", vec![9.7, 9.9, 12.0])).unwrap();
        for bad in [0.02, 1.0, -9.8] {
            assert_eq!(check(&mut frame("accel_z", vec![bad; 3])).unwrap_err().reason(), "implausible");
        }
    }

    #[test]
    fn every_range_names_a_channel() {
        for channel in crate::channels::CHANNELS {
            let (low, high) = possible(channel.name).unwrap();
            assert!(low < high, "{}", channel.name);
        }
    }
}
