//! Changes over a short time, in which what is slow (the air, a road's slope, fuel) drops out and the car's own mechanics
//! stay: braking and accelerating move load between the axles and take force at the wheels, at once and by a known measure.
//! So every log tells by itself whether two of its channels speak of one moment, and whether springs, torque and masses
//! belong to one car.

/// Speed from which the car surely drives, m/s.
pub(super) const DRIVES: f64 = 10.0;
/// Fewest seconds with both, while the car moves, from which anything is known.
pub(super) const LONG_ENOUGH: f64 = 20.0;
/// Least standard deviation of the change of speed, m/s²: what is steadier says nothing.
pub(super) const LIVELY: f64 = 0.5;
/// Time that means are taken over before the two are held against each other, s: a tenth of a second is no delay.
pub(super) const BLOCK: f64 = 0.1;

/// Deceleration from which the brakes, which no torque sensor sees, may be on, m/s² (common practice, no source).
pub(super) const BRAKED: f64 = 2.0;

/// Blocks between two moments that are held against each other for their timing, and for their size.
const SOON: usize = 5;
const LATER: usize = 20;
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

/// Seconds that a moving mean of the signal must reach over before the acceleration is called smoothed: one of half a second
/// moves no force (by trial: a second, of speed and accelerometer alike, takes 6 % off a drag).
const SMOOTHED: f64 = 0.7;
/// Widest moving mean that is tried, blocks either side.
const WIDEST: usize = 12;
/// Correlation from which the two need no smoothing, the least of the best, and the part of what is not explained that may be
/// left of it then (by trial).
const SHARP: f64 = 0.98;
const CLEAR: f64 = 0.85;
const LEFT: f64 = 0.5;

/// A signal and the acceleration along x, m/s², as means of a tenth of a second; blanks where either is missing or the car
/// does not drive.
pub(super) struct Pair {
    signal: Vec<f64>,
    felt: Vec<f64>,
    /// Square of the speed, m²/s².
    v2: Vec<f64>,
    period: f64,
}

impl Pair {
    /// Of samples, so many per second; `speed` in m/s. `None` where they are too few to tell a tenth of a second.
    pub(super) fn new(speed: &[f64], signal: &[f64], felt: &[f64], rate: f64) -> Option<Self> {
        let length = (BLOCK * rate).round().max(1.0) as usize;
        let period = length as f64 / rate;
        let drives: Vec<bool> = speed.chunks(length).map(|v| v.iter().all(|v| *v > DRIVES)).collect();
        let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
        let means = |of: &[f64]| -> Vec<f64> {
            let each = of.chunks(length).zip(&drives);
            each.map(|(v, drives)| if *drives { mean(v) } else { f64::NAN }).collect()
        };
        let v2 = speed.chunks(length).map(|v| mean(v) * mean(v)).collect();
        (period <= 2.0 * BLOCK).then(|| Self { signal: means(signal), felt: means(felt), v2, period })
    }

    fn least(&self) -> usize {
        (LONG_ENOUGH / self.period) as usize
    }

    /// Whether the signal, which goes with the acceleration, does so some tenths of a second or more before or after it. By the
    /// delay under which changes over half a second are correlated best. Where too little is known all is in step.
    pub(super) fn out_of_step(&self) -> bool {
        let (signal, felt) = (changes(&self.signal), changes(&self.felt));
        let at = |delay: isize| correlation(&felt, &signal, delay, self.least());
        let Some(plain) = at(0).filter(|plain| *plain < IN_STEP) else { return false };
        let tried = (-DELAYS..=DELAYS).filter_map(|delay| Some((at(delay)?, delay)));
        let best = tried.max_by(|a, b| a.0.total_cmp(&b.0));
        best.is_some_and(|(most, delay)| delay.abs() >= LATE && most > ALIKE && most > plain + CLEARER)
    }

    /// Whether the acceleration follows the signal as if it had been smoothed, between moments at which the car is not braked
    /// harder than `least`, m/s²: it goes clearly better with a moving mean of the signal than with the signal itself.
    pub(super) fn felt_is_smoothed(&self, least: f64) -> bool {
        let felt: Vec<f64> = self.felt.iter().map(|f| if *f > least { *f } else { f64::NAN }).collect();
        let felt = changes(&felt);
        let over = |side: usize| correlation(&felt, &changes(&smoothed(&self.signal, side)), 0, self.least());
        let Some(plain) = over(0).filter(|plain| *plain < SHARP) else { return false };
        let tried = (1..=WIDEST).filter_map(|side| Some((over(side)?, side)));
        let best = tried.max_by(|a, b| a.0.total_cmp(&b.0));
        best.is_some_and(|(most, side)| {
            let width = 2.0 * side as f64 * self.period;
            width > SMOOTHED && most > CLEAR && 1.0 - most < LEFT * (1.0 - plain)
        })
    }

    /// By how much the signal changes per m/s² of acceleration, the speed being the same: least squares of changes over two
    /// seconds on those of the acceleration and of v², between moments at which the car is not braked harder than `least`,
    /// m/s². `None` where too little is known.
    pub(super) fn per_acceleration(&self, least: f64) -> Option<f64> {
        let moments = || self.signal.iter().zip(&self.felt).zip(&self.v2).map(|((s, f), v)| [*s, *f, *v]);
        let pairs = moments().zip(moments().skip(LATER)).filter(|(a, b)| a[1].min(b[1]) > least);
        let changes = pairs.map(|(a, b)| [b[0] - a[0], b[1] - a[1], b[2] - a[2]]);
        let all: Vec<[f64; 3]> = changes.filter(|c| c.iter().all(|v| v.is_finite())).collect();
        let n = all.len() as f64;
        if all.len() < self.least().max(1) {
            return None;
        }
        let mean: [f64; 3] = std::array::from_fn(|k| all.iter().map(|c| c[k]).sum::<f64>() / n);
        let product = |k: usize, l: usize| all.iter().map(|c| (c[k] - mean[k]) * (c[l] - mean[l])).sum::<f64>();
        let (ff, fv, vv, sf, sv) = (product(1, 1), product(1, 2), product(2, 2), product(0, 1), product(0, 2));
        let apart = ff - if vv > 0.0 { fv * fv / vv } else { 0.0 };
        let cross = sf - if vv > 0.0 { sv * fv / vv } else { 0.0 };
        (apart > n * (2.0 * LIVELY).powi(2)).then(|| cross / apart)
    }
}

/// Moving mean over so many values either side; a blank where one is missing.
pub(super) fn smoothed(of: &[f64], side: usize) -> Vec<f64> {
    let width = 2 * side + 1;
    let mut out = vec![f64::NAN; of.len()];
    for (values, mean) in of.windows(width).zip(out.iter_mut().skip(side)) {
        *mean = values.iter().sum::<f64>() / width as f64;
    }
    out
}

/// Changes from each block to a later one.
fn changes(of: &[f64]) -> Vec<f64> {
    of.iter().zip(of.iter().skip(SOON)).map(|(before, after)| after - before).collect()
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

    fn pair(behind: isize) -> Pair {
        let (speed, loads, felt) = minutes(behind);
        Pair::new(&speed, &loads, &felt, RATE).unwrap()
    }

    #[test]
    fn another_moment_is_seen() {
        for behind in [-60, -20, 20, 40, 70] {
            assert!(pair(behind).out_of_step(), "{behind} samples");
        }
    }

    #[test]
    fn the_same_moment_is_not() {
        for behind in [-8, 0, 5, 10] {
            assert!(!pair(behind).out_of_step(), "{behind} samples");
        }
    }

    #[test]
    fn what_has_no_story_in_common_or_is_short_says_nothing() {
        let (speed, loads, felt) = minutes(40);
        let late = |speed: &[f64], loads: &[f64], felt: &[f64], rate| {
            Pair::new(speed, loads, felt, rate).is_some_and(|pair| pair.out_of_step())
        };
        let other: Vec<f64> = (0..felt.len()).map(|i| 3.0 * (i as f64 * 0.37).sin()).collect();
        assert!(!late(&speed, &loads, &other, RATE));
        assert!(!late(&speed, &vec![f64::NAN; loads.len()], &felt, RATE));
        assert!(!late(&speed[..900], &loads[..900], &felt[..900], RATE));
        assert!(!late(&[], &[], &[], RATE));
        // Two samples per second can't tell.
        assert!(Pair::new(&speed, &loads, &felt, 2.0).is_none());
        assert_eq!(pair(0).per_acceleration(20.0), None);
    }

    #[test]
    fn an_acceleration_that_was_smoothed_is_seen() {
        let over = |seconds: f64| {
            let (speed, loads, felt) = minutes(0);
            let felt = smoothed(&felt, (seconds * RATE / 2.0) as usize);
            Pair::new(&speed, &loads, &felt, RATE).unwrap().felt_is_smoothed(f64::NEG_INFINITY)
        };
        assert!([1.0, 1.5, 2.0].into_iter().all(over));
        assert!(![0.0, 0.2, 0.4].into_iter().any(over));
    }

    #[test]
    fn the_measure_of_what_goes_with_the_acceleration() {
        // 400 N per m/s² of which 1.03 are felt, whatever the air does.
        let all = pair(0).per_acceleration(f64::NEG_INFINITY).unwrap();
        assert!((all / (400.0 / 1.03) - 1.0).abs() < 0.02, "{all}");
    }
}
