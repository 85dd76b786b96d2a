//! Further channels that such a logger has and downforce does not need: they make an export as wide as a
//! real one.

use super::sensors::Channel;
use crate::units::Dimension;

/// Name, unit, dimension, usual value, swing, decimals.
type Extra = (&'static str, &'static str, Dimension, f64, f64, usize);

const EXTRAS: &[Extra] = {
    use Dimension::*;
    &[
        ("Oil Temperature", "degC", Temperature, 98.0, 9.0, 1),
        ("Oil Pressure", "bar", Pressure, 4.6, 0.9, 2),
        ("Coolant Temperature", "degC", Temperature, 88.0, 6.0, 1),
        ("Gearbox Temperature", "degC", Temperature, 104.0, 8.0, 1),
        ("Differential Temperature", "degC", Temperature, 96.0, 11.0, 1),
        ("Fuel Pressure", "bar", Pressure, 3.9, 0.2, 2),
        ("Fuel Temperature", "degC", Temperature, 34.0, 5.0, 1),
        ("Battery Voltage", "V", Voltage, 13.7, 0.3, 2),
        ("Mixture Ratio", "-", Ratio, 0.92, 0.06, 3),
        ("Ignition Advance", "deg", Angle, 24.0, 7.0, 1),
        ("Intake Temperature", "degC", Temperature, 38.0, 6.0, 1),
        ("Intake Pressure", "hPa", Pressure, 930.0, 60.0, 1),
        ("Exhaust Temperature", "degC", Temperature, 720.0, 90.0, 0),
        ("Brake Disc FL", "degC", Temperature, 410.0, 120.0, 0),
        ("Brake Disc FR", "degC", Temperature, 405.0, 120.0, 0),
        ("Brake Disc RL", "degC", Temperature, 330.0, 90.0, 0),
        ("Brake Disc RR", "degC", Temperature, 335.0, 90.0, 0),
        ("Tyre Pressure FL", "bar", Pressure, 1.92, 0.04, 3),
        ("Tyre Pressure FR", "bar", Pressure, 1.91, 0.04, 3),
        ("Tyre Pressure RL", "bar", Pressure, 1.86, 0.04, 3),
        ("Tyre Pressure RR", "bar", Pressure, 1.87, 0.04, 3),
        ("Tyre Temperature FL", "degC", Temperature, 82.0, 9.0, 1),
        ("Tyre Temperature FR", "degC", Temperature, 81.0, 9.0, 1),
        ("Tyre Temperature RL", "degC", Temperature, 86.0, 9.0, 1),
        ("Tyre Temperature RR", "degC", Temperature, 87.0, 9.0, 1),
        ("Brake Pressure Rear", "bar", Pressure, 6.0, 5.0, 2),
        ("Yaw Rate", "deg/s", AngularSpeed, 0.0, 14.0, 2),
        ("Roll Rate", "deg/s", AngularSpeed, 0.0, 3.0, 2),
        ("Pitch Rate", "deg/s", AngularSpeed, 0.0, 3.0, 2),
        ("Logger Temperature", "degC", Temperature, 41.0, 3.0, 1),
    ]
};

/// Adds invented channels until there are `wanted`.
pub fn fill(channels: &mut Vec<Channel>, wanted: usize, time: &[f64], seed: u64) {
    let mut index = 0;
    while channels.len() < wanted {
        let spare = (format!("Spare {:02}", index + 1), "V", Dimension::Voltage, 2.5, 1.1, 3);
        let (name, unit, dimension, usual, swing, decimals) = match EXTRAS.get(index) {
            Some(&(name, unit, d, usual, swing, decimals)) => (name.to_owned(), unit, d, usual, swing, decimals),
            None => spare,
        };
        let values = values(time, usual, swing, seed.wrapping_add(index as u64 * 7919));
        channels.push(Channel { name, canonical: None, dimension, unit, decimals, values });
        index += 1;
    }
}

/// A slow swing and noise of a cheap generator: these numbers only have to look like a sensor's.
fn values(time: &[f64], usual: f64, swing: f64, seed: u64) -> Vec<f64> {
    let mut state = seed | 1;
    let period = 20.0 + (seed % 97) as f64;
    time.iter()
        .map(|t| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let jitter = (state >> 33) as f64 / f64::from(1u32 << 31) - 0.5;
            usual + swing * (0.8 * (t / period).sin() + 0.2 * jitter)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_units_known() {
        let mut channels = Vec::new();
        fill(&mut channels, 60, &[0.0, 0.1], 4);
        assert_eq!(channels.len(), 60);
        let mut names: Vec<_> = channels.iter().map(|c| c.name.clone()).collect();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), 60);
        assert!(channels.iter().all(|c| crate::units::unit_of(c.unit, c.dimension).is_ok()));
    }
}
