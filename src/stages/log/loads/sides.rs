//! Do the two wheels of an axle agree? On a straight the air loads both alike; a sensor that is read in a wrong unit, or
//! does not move, answers the speed otherwise than its neighbour, in every log by itself.

use crate::table::frame::LogFrame;

/// Lateral acceleration, either way, up to which a car runs straight, and speed from which the air is felt (common practice,
/// no source).
const STRAIGHT: f64 = 1.5;
const FAST: f64 = 15.0;
/// Seconds that are averaged, so that the road's own noise is small beside the air's load.
const BLOCK: f64 = 0.5;
/// Blocks from which a log tells anything.
const FEWEST: usize = 40;
/// Part of its neighbour's answer under which a wheel's is wrong: no wing, camber or crosswind leaves so little (common
/// practice, no source).
const LEAST: f64 = 0.4;
/// Standard errors by which both the larger answer and the difference must be clear of zero.
const SURELY: f64 = 8.0;

/// Whether the loads of the two wheels of an axle answer the square of speed quite unlike; `false` where the log has no
/// lateral acceleration or too little straight running.
pub fn disagree(log: &LogFrame, left: &[f64], right: &[f64]) -> bool {
    let (Some(speed), Some(lateral)) = (log.get("speed"), log.get("accel_y")) else { return false };
    let block = (BLOCK * log.rate).round() as usize;
    if block == 0 {
        return false;
    }
    let mut blocks: Vec<[f64; 3]> = Vec::new();
    for ((v, a), (l, r)) in speed
        .chunks_exact(block)
        .zip(lateral.chunks_exact(block))
        .zip(left.chunks_exact(block).zip(right.chunks_exact(block)))
    {
        let straight = v.iter().all(|v| *v > FAST) && a.iter().all(|a| a.abs() < STRAIGHT);
        let mean = |of: &dyn Fn(usize) -> f64| (0..block).map(of).sum::<f64>() / block as f64;
        let these = [mean(&|i| v[i] * v[i]), mean(&|i| l[i]), mean(&|i| r[i])];
        if straight && these.iter().all(|v| v.is_finite()) {
            blocks.push(these);
        }
    }
    let answers = |of: &dyn Fn(&[f64; 3]) -> f64| answer(blocks.iter().map(|b| (b[0], of(b))));
    let (Some(left), Some(right), Some(apart)) = (answers(&|b| b[1]), answers(&|b| b[2]), answers(&|b| b[1] - b[2]))
    else {
        return false;
    };
    let (less, more) = if left.0 < right.0 { (left, right) } else { (right, left) };
    more.0 > SURELY * more.1 && apart.0.abs() > SURELY * apart.1 && less.0 < LEAST * more.0
}

/// Least-squares slope and its standard error; `None` of few points.
fn answer(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<(f64, f64)> {
    let n = points.clone().count();
    if n < FEWEST {
        return None;
    }
    let (sx, sy) = points.clone().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    let (mx, my) = (sx / n as f64, sy / n as f64);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in points {
        xx += (x - mx) * (x - mx);
        xy += (x - mx) * (y - my);
        yy += (y - my) * (y - my);
    }
    let slope = xy / xx;
    let error = ((yy - slope * xy).max(0.0) / (n - 2) as f64 / xx).sqrt();
    (slope.is_finite() && error.is_finite()).then_some((slope, error))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Dimension;

    /// A log that runs up and down between 20 and 60 m/s, with corners between; wheel loads with these answers, N/(m/s)².
    fn disagrees(left: f64, right: f64, noise: f64) -> bool {
        let n = 12_000;
        let mut log = LogFrame { time: (0..n).map(|i| i as f64 / 50.0).collect(), rate: 50.0, ..Default::default() };
        let speed: Vec<f64> = (0..n).map(|i| 40.0 + 20.0 * (i as f64 / 400.0).sin()).collect();
        let lateral: Vec<f64> = (0..n).map(|i| if i / 500 % 3 == 0 { 12.0 } else { 0.2 }).collect();
        let load = |answer: f64, side: f64| -> Vec<f64> {
            let of = |i: usize| {
                let bump = noise * ((i * 7919 % 1000) as f64 / 500.0 - 1.0);
                1000.0 + answer * speed[i] * speed[i] + side * 150.0 * lateral[i] + bump
            };
            (0..n).map(of).collect()
        };
        let (left, right) = (load(left, 1.0), load(right, -1.0));
        log.set("speed", Dimension::Speed, speed.clone());
        log.set("accel_y", Dimension::Acceleration, lateral.clone());
        disagree(&log, &left, &right)
    }

    #[test]
    fn a_wheel_in_another_unit_or_without_movement_shows() {
        assert!(disagrees(0.15 / 25.4, 0.15, 300.0));
        assert!(disagrees(0.15, 0.0, 300.0));
        assert!(disagrees(-0.15, 0.15, 300.0));
    }

    #[test]
    fn wheels_that_differ_as_wheels_do_and_noise_do_not() {
        assert!(!disagrees(0.15, 0.12, 300.0));
        assert!(!disagrees(0.15, 0.08, 300.0));
        // An axle that the air leaves alone.
        assert!(!disagrees(0.001, -0.001, 300.0));
        assert!(!disagrees(0.0, 0.0, 0.0));
    }
}
