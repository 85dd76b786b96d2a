//! Does the speed change as the accelerometer says? The two know nothing of each other's unit, sign or clock: where they
//! disagree by a factor one of them is read wrongly, and no other log is needed to see it.

use crate::stages::log::changes::{DRIVES, LIVELY, LONG_ENOUGH};

/// Share by which the accelerometer may read more or less than the speed changes: its own scale, that of the speed and slip
/// move it by less (common practice, no source). Miles for kilometres, knots, a turned sign or a clock
/// that runs a tenth fast move it by more.
const SCALE: f64 = 0.06;
/// What the accelerometer reads more than the speed changes where it pitches with the body (common practice, no source).
const PITCH: f64 = 1.02;
/// What slopes of the road may put on top where the car is driven the more steadily, m/s²: one of 1 %, had it all of the
/// lap's rhythm (common practice, no source).
const SLOPES: f64 = 0.1;

/// Time that means are taken over, s: what the accelerometer's own filter holds back falls into the same mean.
const OVER: f64 = 2.0;

/// Whether an accelerometer along x disagrees with the change of speed, both m/s², at so many samples per second; `speed` in
/// m/s. Slope of the one on the other by least squares of their means over two seconds; gradients and offsets fall to the
/// intercept. Where too little is known nothing disagrees.
pub(super) fn disagree(speed: &[f64], change: &[f64], felt: &[f64], rate: f64) -> bool {
    let length = (OVER * rate).round().max(1.0) as usize;
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    let pieces = speed.chunks_exact(length).zip(change.chunks_exact(length)).zip(felt.chunks_exact(length));
    let driven = pieces.filter(|((v, _), _)| v.iter().all(|v| *v > DRIVES));
    let both: Vec<(f64, f64)> =
        driven.map(|((_, c), f)| (mean(c), mean(f))).filter(|(c, f)| c.is_finite() && f.is_finite()).collect();
    let n = both.len() as f64;
    if n * OVER < LONG_ENOUGH {
        return false;
    }
    let (c_mean, f_mean) = both.iter().fold((0.0, 0.0), |s, (c, f)| (s.0 + c / n, s.1 + f / n));
    let (own, cross) = both
        .iter()
        .fold((0.0, 0.0), |s, (c, f)| (s.0 + (c - c_mean) * (c - c_mean), s.1 + (c - c_mean) * (f - f_mean)));
    let lively = (own / n).sqrt();
    let most = 1.0 + SCALE + SLOPES / lively;
    lively > LIVELY && !(PITCH / most..=PITCH * most).contains(&(cross / own))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A minute that speeds up and slows down by up to 3 m/s², at 20 samples per second, with a slope of 0.3 m/s² in it.
    fn minute(n: usize) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let at = |i: usize| i as f64 / 20.0;
        let speed = (0..n).map(|i| 50.0 - 12.0 * (at(i) / 4.0).cos()).collect();
        let change: Vec<f64> = (0..n).map(|i| 3.0 * (at(i) / 4.0).sin()).collect();
        let felt = change.iter().enumerate().map(|(i, c)| c + 0.3 + 0.2 * (at(i) * 7.0).sin()).collect();
        (speed, change, felt)
    }

    #[test]
    fn units_signs_and_clocks_are_seen() {
        let (speed, change, felt) = minute(1200);
        assert!(!disagree(&speed, &change, &felt, 20.0));
        for factor in [1.609, 1.0 / 1.609, 1.852, 1.0 / 1.852, -1.0, 2.0, 0.5, 1.2, 1.0 / 1.2] {
            let wrong: Vec<f64> = change.iter().map(|c| c * factor).collect();
            assert!(disagree(&speed, &wrong, &felt, 20.0), "{factor}");
        }
        // A few per cent are no matter of units or clocks.
        for factor in [1.05, 1.0 / 1.08] {
            let near: Vec<f64> = change.iter().map(|c| c * factor).collect();
            assert!(!disagree(&speed, &near, &felt, 20.0), "{factor}");
        }
    }

    #[test]
    fn what_is_short_or_steady_says_nothing() {
        let (speed, change, felt) = minute(300);
        let turned: Vec<f64> = felt.iter().map(|f| -f).collect();
        assert!(!disagree(&speed, &change, &turned, 20.0));
        let (speed, change, felt) = minute(1200);
        let steady: Vec<f64> = change.iter().map(|c| 0.1 * c).collect();
        assert!(!disagree(&speed, &steady, &felt, 20.0));
        let blank = vec![f64::NAN; 1200];
        assert!(!disagree(&speed, &change, &blank, 20.0));
    }
}
