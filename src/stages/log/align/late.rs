//! Does the speed change when the accelerometer says so? A speed that a logger or a receiver smooths over a second, or gives
//! half a second late, belongs to another moment than the forces that stand beside it.

use std::ops::RangeInclusive;

use crate::stages::log::changes::{BLOCK, DRIVES, LONG_ENOUGH, correlation, smoothed};

/// Delays that are tried, and smoothing beyond that of the slope, in blocks either side; every second of them.
const DELAYS: RangeInclusive<isize> = -10..=30;
const SMOOTHINGS: RangeInclusive<usize> = 0..=20;
/// Delay, and smoothing, from which the speed is called late, s: in a generated season a delay of 0.6 s moved forces by up to
/// 2 %, one of 1.1 s by 5 %, a centred mean over 2 s by 2 %; a mean over 1 s, centred, moved nothing.
const LATE: f64 = 0.35;
const SMOOTHED: f64 = 1.0;
/// Correlation from which the two go together well enough as they are.
const TOGETHER: f64 = 0.997;
/// Least correlation of the best delay and smoothing: below it they have no story in common.
const ALIKE: f64 = 0.8;
/// So much must be left of what the one does not explain of the other (by trial; noise alone leaves it all).
const EXPLAINS: f64 = 0.5;

/// Whether the change of speed, m/s², the slope over `over` seconds, answers later than an accelerometer along x or is
/// smoothed against it, both at so many samples per second; `speed` in m/s. By the delay and the width of a moving mean
/// under which the two are correlated best. Where too little is known nothing is late, nor where one filter smooths both.
pub(super) fn late(speed: &[f64], change: &[f64], felt: &[f64], rate: f64, over: f64) -> bool {
    let length = (BLOCK * rate).round().max(1.0) as usize;
    let period = length as f64 / rate;
    if period > 2.0 * BLOCK {
        return false;
    }
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    let blocks = || speed.chunks(length).zip(change.chunks(length));
    // A blank in either, or a car that stands, leaves a blank.
    let change: Vec<f64> =
        blocks().map(|(v, c)| if v.iter().all(|v| *v > DRIVES) { mean(c) } else { f64::NAN }).collect();
    let felt: Vec<f64> = felt.chunks(length).map(mean).collect();
    let own = (over / period / 2.0) as usize;
    let least = (LONG_ENOUGH / period) as usize;
    let Some(plain) = correlation(&change, &smoothed(&felt, own), 0, least) else { return false };
    if plain > TOGETHER {
        return false;
    }
    let best = SMOOTHINGS.step_by(2).filter_map(|wider| {
        let felt = smoothed(&felt, own + wider);
        let tried =
            DELAYS.step_by(2).filter_map(|delay| Some((correlation(&change, &felt, delay, least)?, delay, wider)));
        tried.max_by(|a, b| a.0.total_cmp(&b.0))
    });
    let Some((most, delay, wider)) = best.max_by(|a, b| a.0.total_cmp(&b.0)) else { return false };
    // An accelerometer that comes late itself moves no force.
    let (delay, wider) = (delay as f64 * period, 2.0 * wider as f64 * period);
    most > ALIKE && 1.0 - most < EXPLAINS * (1.0 - plain) && (delay > LATE || wider > SMOOTHED)
}

#[cfg(test)]
mod tests {
    use super::super::slope::slope;
    use super::*;

    const RATE: f64 = 50.0;

    /// Two minutes that speed up by 2 and brake by 8 m/s², with the body's own movement in what is felt; the speed as a mean
    /// over so many seconds, given so many seconds late.
    fn minutes(over: f64, behind: f64) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let n = (120.0 * RATE) as usize;
        let does = |i: usize| if i % 500 < 400 { 2.0 } else { -8.0 };
        let mut speed = vec![30.0];
        (1..n).for_each(|i| speed.push(speed[i - 1] + does(i) / RATE));
        let felt = (0..n).map(|i| 1.03 * does(i) + 0.3 + 0.5 * (i as f64 * 0.23).sin()).collect();
        let (half, behind) = ((over * RATE / 2.0) as usize, (behind * RATE) as usize);
        let logged: Vec<f64> = (0..n)
            .map(|i| {
                let middle = i.saturating_sub(behind);
                let of = &speed[middle.saturating_sub(half)..(middle + half + 1).min(n)];
                of.iter().sum::<f64>() / of.len() as f64
            })
            .collect();
        let change = slope(&logged, 1.0 / RATE, 10);
        (logged, change, felt)
    }

    fn is_late(over: f64, behind: f64) -> bool {
        let (speed, change, felt) = minutes(over, behind);
        late(&speed, &change, &felt, RATE, 0.4)
    }

    #[test]
    fn a_speed_that_is_late_or_smoothed_is_seen() {
        for (over, behind) in [(0.0, 0.4), (0.0, 2.0), (1.0, 0.5), (2.4, 0.0), (4.0, 2.0), (0.3, 0.5)] {
            assert!(is_late(over, behind), "over {over} s, {behind} s late");
        }
    }

    #[test]
    fn what_is_on_time_is_not() {
        for (over, behind) in [(0.0, 0.0), (0.2, 0.1), (0.0, 0.2), (0.3, 0.0)] {
            assert!(!is_late(over, behind), "over {over} s, {behind} s late");
        }
        // The accelerometer may be late itself.
        let (speed, change, felt) = minutes(0.0, 0.0);
        let after = 30;
        assert!(!late(&speed[after..], &change[after..], &felt[..felt.len() - after], RATE, 0.4));
    }

    #[test]
    fn what_has_no_story_in_common_or_is_short_says_nothing() {
        let (speed, change, felt) = minutes(1.0, 0.5);
        let other: Vec<f64> = (0..felt.len()).map(|i| 3.0 * (i as f64 * 0.37).sin()).collect();
        assert!(!late(&speed, &change, &other, RATE, 0.4));
        assert!(!late(&speed, &change, &vec![f64::NAN; felt.len()], RATE, 0.4));
        assert!(!late(&speed[..900], &change[..900], &felt[..900], RATE, 0.4));
        assert!(!late(&[], &[], &[], RATE, 0.4));
        // Two samples per second can't tell.
        assert!(!late(&speed, &change, &felt, 2.0, 0.4));
    }
}
