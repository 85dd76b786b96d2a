//! Do two channels of one log speak of the same moment? A sensor that another clock stamps, or a filter holds back, tells
//! braking and accelerating later than the rest of the log.

/// Speed from which the car surely drives, m/s.
pub(super) const DRIVES: f64 = 10.0;
/// Fewest seconds with both, while the car moves, from which anything is known.
pub(super) const LONG_ENOUGH: f64 = 20.0;
/// Least standard deviation of the change of speed, m/s²: what is steadier says nothing.
pub(super) const LIVELY: f64 = 0.5;
/// Time that means are taken over before the two are held against each other, s: a tenth of a second is no delay.
pub(super) const BLOCK: f64 = 0.1;

/// Blocks over which changes are taken, so that what is slow (the air, a road's slope) drops out.
const CHANGE: usize = 5;
/// Delays that are tried either way, in blocks.
const DELAYS: isize = 15;
/// Delay, in blocks, from which two are out of step: nothing of a car's own (springs, tyres, a driveline that winds up)
/// takes a third of a second (common practice, no source).
const LATE: isize = 3;
/// Correlation of the changes from which the two are in step: those of a generated season are at 0.90 to 0.94, two tenths
/// of a second late at 0.75, four at 0.3.
const IN_STEP: f64 = 0.85;
/// Least correlation at the best delay, and how much more than without one: what is less has no story in common.
const ALIKE: f64 = 0.6;
const CLEARER: f64 = 0.15;

/// Whether a signal that goes with the acceleration along x does so a third of a second or more before or after `felt`,
/// m/s², both at so many samples per second; `speed` in m/s. By the delay under which changes over half a second are
/// correlated best. Where too little is known all is in step.
pub(super) fn out_of_step(speed: &[f64], signal: &[f64], felt: &[f64], rate: f64) -> bool {
    let length = (BLOCK * rate).round().max(1.0) as usize;
    let period = length as f64 / rate;
    if period > 2.0 * BLOCK {
        return false;
    }
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    let drives: Vec<bool> = speed.chunks(length).map(|v| v.iter().all(|v| *v > DRIVES)).collect();
    // A blank in either, or a car that stands, leaves a blank.
    let changes = |of: &[f64]| -> Vec<f64> {
        let means: Vec<f64> =
            of.chunks(length).zip(&drives).map(|(v, drives)| if *drives { mean(v) } else { f64::NAN }).collect();
        means.iter().zip(means.iter().skip(CHANGE)).map(|(before, after)| after - before).collect()
    };
    let (signal, felt) = (changes(signal), changes(felt));
    let least = (LONG_ENOUGH / period) as usize;
    let at = |delay: isize| correlation(&felt, &signal, delay, least);
    let Some(plain) = at(0).filter(|plain| *plain < IN_STEP) else { return false };
    let tried = (-DELAYS..=DELAYS).filter_map(|delay| Some((at(delay)?, delay)));
    let best = tried.max_by(|a, b| a.0.total_cmp(&b.0));
    best.is_some_and(|(most, delay)| delay.abs() >= LATE && most > ALIKE && most > plain + CLEARER)
}

/// Correlation of `change`, so many values later, with `felt`, where both are there: of at least so many, and of a car that
/// is not driven steadily throughout.
pub(super) fn correlation(change: &[f64], felt: &[f64], delay: isize, least: usize) -> Option<f64> {
    let (later, earlier) = (delay.max(0).unsigned_abs(), delay.min(0).unsigned_abs());
    let (mut n, mut c_sum, mut f_sum, mut cc, mut ff, mut cf) = (0usize, 0.0, 0.0, 0.0, 0.0, 0.0);
    let pairs = change.iter().skip(later).zip(felt.iter().skip(earlier));
    for (c, f) in pairs.filter(|(c, f)| c.is_finite() && f.is_finite()) {
        n += 1;
        c_sum += c;
        f_sum += f;
        cc += c * c;
        ff += f * f;
        cf += c * f;
    }
    let count = n as f64;
    let (own, of_felt, both) = (cc - c_sum * c_sum / count, ff - f_sum * f_sum / count, cf - c_sum * f_sum / count);
    (n > least && own > count * LIVELY * LIVELY && of_felt > 0.0).then(|| both / (own * of_felt).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 50.0;

    /// Two minutes that speed up by 2 and brake by 8 m/s², and a load that answers so many samples later, with the air and
    /// the road in it.
    fn minutes(behind: isize) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let n = (120.0 * RATE) as isize;
        let does = |i: isize| if i.rem_euclid(500) < 400 { 2.0 } else { -8.0 };
        let mut speed = vec![30.0];
        (1..n).for_each(|i| speed.push(speed[i as usize - 1] + does(i) / RATE));
        let air = |i: isize| 0.8 * speed[i.clamp(0, n - 1) as usize].powi(2);
        let load = |i: isize| 400.0 * does(i) + air(i) + 300.0 * (i as f64 * 0.23).sin();
        let loads = (0..n).map(|i| load(i - behind)).collect();
        let felt = (0..n).map(|i| 1.03 * does(i) + 0.3 + 0.5 * (i as f64 * 0.31).sin()).collect();
        (speed, loads, felt)
    }

    #[test]
    fn another_moment_is_seen() {
        for behind in [-60, -20, 20, 40, 70] {
            let (speed, loads, felt) = minutes(behind);
            assert!(out_of_step(&speed, &loads, &felt, RATE), "{behind} samples");
        }
    }

    #[test]
    fn the_same_moment_is_not() {
        for behind in [-8, 0, 5, 10] {
            let (speed, loads, felt) = minutes(behind);
            assert!(!out_of_step(&speed, &loads, &felt, RATE), "{behind} samples");
        }
    }

    #[test]
    fn what_has_no_story_in_common_or_is_short_says_nothing() {
        let (speed, loads, felt) = minutes(40);
        let other: Vec<f64> = (0..felt.len()).map(|i| 3.0 * (i as f64 * 0.37).sin()).collect();
        assert!(!out_of_step(&speed, &loads, &other, RATE));
        assert!(!out_of_step(&speed, &vec![f64::NAN; loads.len()], &felt, RATE));
        assert!(!out_of_step(&speed[..900], &loads[..900], &felt[..900], RATE));
        assert!(!out_of_step(&[], &[], &[], RATE));
        // Two samples per second can't tell.
        assert!(!out_of_step(&speed, &loads, &felt, 2.0));
    }
}
