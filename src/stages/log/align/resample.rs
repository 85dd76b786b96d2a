//! One channel onto a uniform grid. What lies in a gap stays `NaN`: nothing is invented.
//!
//! Let `x(t)` be the polyline through the channel's own samples (blanks are none), defined only between
//! neighbours that are no more than the bridge apart.
//!
//! * Grid as fine as the channel or finer: the polyline's value at the grid point.
//! * Grid coarser than the channel: the polyline's mean over the grid cell of one period around the point,
//!   against aliasing. Near a gap or an end the cell shrinks alike on both sides, so that a straight line
//!   stays the same straight line.
//! * Stepped channels (gear, clutch) hold their previous sample.

use std::f64::consts::{PI, TAU};

/// Times closer than this are the same, s: rounding of decimal stamps.
const SAME: f64 = 1e-6;

/// A channel's own samples.
#[derive(Clone, Debug, Default)]
pub struct Own {
    /// Seconds.
    pub t: Vec<f64>,
    /// Values, none `NaN`.
    pub x: Vec<f64>,
}

impl Own {
    /// The samples that are not blank.
    pub fn new(time: &[f64], values: &[f64]) -> Self {
        let (t, x) = time.iter().zip(values).filter(|(_, x)| !x.is_nan()).map(|(t, x)| (*t, *x)).unzip();
        Self { t, x }
    }

    /// Median time from one sample to the next, s; 0 with less than two samples.
    pub fn interval(&self) -> f64 {
        let mut steps: Vec<f64> = self.t.windows(2).map(|w| w[1] - w[0]).collect();
        if steps.is_empty() {
            return 0.0;
        }
        let middle = steps.len() / 2;
        *steps.select_nth_unstable_by(middle, f64::total_cmp).1
    }

    /// Angles made continuous: no step is more than half a turn.
    pub fn unwrapped(mut self) -> Self {
        let mut turns = 0.0;
        let mut before = self.x.first().copied().unwrap_or_default();
        for x in &mut self.x {
            let step = *x - before;
            turns -= TAU * ((step + PI) / TAU).floor();
            before = *x;
            *x += turns;
        }
        self
    }
}

/// A uniform grid from 0 s.
#[derive(Clone, Copy, Debug)]
pub struct Grid {
    /// Seconds from point to point.
    pub period: f64,
    /// Points.
    pub points: usize,
}

impl Grid {
    /// From 0 to the last whole period before `end`.
    pub fn new(rate: f64, end: f64) -> Self {
        let points = ((end + SAME) * rate).floor().max(0.0) as usize + 1;
        Self { period: 1.0 / rate, points }
    }
    /// Time of a point.
    #[inline]
    pub fn time(self, point: usize) -> f64 {
        point as f64 * self.period
    }
    /// Whether the first stamps are the points, one by one, and the steps between them surely no repetition.
    pub fn lies_on(self, stamps: &[f64]) -> bool {
        self.period > 4.0 * SAME
            && stamps.len() >= self.points
            && stamps.iter().take(self.points).enumerate().all(|(i, t)| (t - self.time(i)).abs() <= SAME)
            && stamps.get(self.points).is_none_or(|t| *t > self.time(self.points.saturating_sub(1)) + SAME)
    }
}

/// The previous sample's value, while the next one is no more than `bridge` away from it.
pub fn hold(own: &Own, grid: Grid, bridge: f64) -> Vec<f64> {
    walk(own, grid, bridge, |span| span.x0)
}

/// The polyline at the points.
pub fn interpolate(own: &Own, grid: Grid, bridge: f64) -> Vec<f64> {
    walk(own, grid, bridge, |span| span.at(span.now))
}

/// The stretch of the polyline around a point.
struct Span {
    t0: f64,
    x0: f64,
    t1: f64,
    x1: f64,
    now: f64,
}

impl Span {
    fn at(&self, t: f64) -> f64 {
        // Written so that a constant stays exactly the same.
        let share = ((t - self.t0) / (self.t1 - self.t0)).clamp(0.0, 1.0);
        self.x0 + (self.x1 - self.x0) * share
    }
}

fn walk(own: &Own, grid: Grid, bridge: f64, value: impl Fn(&Span) -> f64) -> Vec<f64> {
    let mut after = 0;
    (0..grid.points)
        .map(|point| {
            let now = grid.time(point);
            // First sample surely after now.
            while own.t.get(after).is_some_and(|t| *t <= now + SAME) {
                after += 1;
            }
            let before = after.checked_sub(1).and_then(|i| Some((*own.t.get(i)?, *own.x.get(i)?)));
            match (before, own.t.get(after).zip(own.x.get(after))) {
                (Some((t0, x0)), _) if now - t0 <= SAME => x0,
                (Some((t0, x0)), Some((&t1, &x1))) if t1 - t0 <= bridge + SAME => value(&Span { t0, x0, t1, x1, now }),
                _ => f64::NAN,
            }
        })
        .collect()
}

/// The polyline's mean over the cell of each point.
pub fn average(own: &Own, grid: Grid, bridge: f64) -> Vec<f64> {
    let mut values = interpolate(own, grid, bridge);
    for (first, last) in runs(own, bridge) {
        let (Some(&from), Some(&to)) = (own.t.get(first), own.t.get(last)) else { continue };
        let mut left = first;
        let start = (from / grid.period).ceil().max(0.0) as usize;
        for (point, slot) in values.iter_mut().enumerate().skip(start) {
            let now = grid.time(point);
            if now > to {
                break;
            }
            let half = (grid.period / 2.0).min(now - from).min(to - now);
            if half > SAME {
                while left < last && own.t.get(left + 1).is_some_and(|t| *t <= now - half) {
                    left += 1;
                }
                *slot = mean(own, left, now - half, now + half);
            }
        }
    }
    values
}

/// First and last sample of each stretch without a gap.
fn runs(own: &Own, bridge: f64) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut first = 0;
    for (i, w) in own.t.windows(2).enumerate() {
        if w[1] - w[0] > bridge + SAME {
            out.push((first, i));
            first = i + 1;
        }
    }
    if first < own.t.len() {
        out.push((first, own.t.len() - 1));
    }
    out
}

/// Mean of the polyline from `a` to `b`, both within one run; `left` is the last sample not after `a`.
fn mean(own: &Own, left: usize, a: f64, b: f64) -> f64 {
    let base = own.x.get(left).copied().unwrap_or(f64::NAN);
    let mut area = 0.0;
    let (ts, xs) = (own.t.get(left..).unwrap_or_default(), own.x.get(left..).unwrap_or_default());
    for (t, x) in ts.windows(2).zip(xs.windows(2)) {
        let (from, to) = (a.max(t[0]), b.min(t[1]));
        if t[0] >= b {
            break;
        }
        if to > from {
            // Relative to the first value: a constant stays exactly the same.
            let middle = ((from + to) / 2.0 - t[0]) / (t[1] - t[0]);
            area += (x[0] - base + (x[1] - x[0]) * middle) * (to - from);
        }
    }
    base + area / (b - a)
}

/// Angles back into 0 to 2π.
pub fn wrap(values: &mut [f64]) {
    for v in values {
        *v = v.rem_euclid(TAU);
        if *v >= TAU {
            *v = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    type Way = fn(&Own, Grid, f64) -> Vec<f64>;
    const WAYS: [Way; 3] = [hold, interpolate, average];

    /// Rising stamps with steps of 1 ms to 0.6 s, so that some are gaps.
    fn stamps() -> impl Strategy<Value = Vec<f64>> {
        prop::collection::vec(prop_oneof![8 => 0.001..0.03, 2 => 0.05..0.6], 2..200).prop_map(|steps| {
            let mut t = 0.0;
            let mut all = vec![0.0];
            all.extend(steps.into_iter().map(|s| {
                t += s;
                t
            }));
            all
        })
    }

    fn grid(t: &[f64], rate: f64) -> Grid {
        Grid::new(rate, *t.last().unwrap())
    }

    proptest! {
        #[test]
        fn a_constant_stays_the_same(t in stamps(), rate in 1.0..400.0_f64, value in -1e6..1e6_f64) {
            let own = Own { x: vec![value; t.len()], t };
            for way in WAYS {
                for v in way(&own, grid(&own.t, rate), 0.25) {
                    prop_assert!(v.is_nan() || v == value, "{v} is not {value}");
                }
            }
        }

        #[test]
        fn a_straight_line_stays_the_same(t in stamps(), rate in 1.0..400.0_f64, a in -100.0..100.0_f64, b in -50.0..50.0_f64) {
            let own = Own { x: t.iter().map(|t| a + b * t).collect(), t };
            let grid = grid(&own.t, rate);
            for way in [interpolate, average] {
                for (i, v) in way(&own, grid, 0.25).iter().enumerate() {
                    let line = a + b * grid.time(i);
                    prop_assert!(v.is_nan() || (*v - line).abs() < 1e-4, "{v} is not {line}");
                }
            }
        }

        #[test]
        fn nothing_is_invented(t in stamps(), rate in 1.0..400.0_f64, seed in 0_u64..1000) {
            // Values within -1..1: every result lies within those of the samples that may bear on it.
            let x: Vec<f64> = (0..t.len()).map(|i| ((i as u64 * 7919 + seed) as f64).sin()).collect();
            let own = Own { t, x };
            let (grid, bridge) = (grid(&own.t, rate), 0.1);
            for way in WAYS {
                for (i, v) in way(&own, grid, bridge).into_iter().enumerate() {
                    let now = grid.time(i);
                    let after = own.t.partition_point(|t| *t <= now + SAME);
                    let on_sample = after > 0 && now - own.t[after - 1] <= SAME;
                    let bridged = after > 0 && after < own.t.len() && own.t[after] - own.t[after - 1] <= bridge + SAME;
                    prop_assert_eq!(v.is_finite(), on_sample || bridged, "at {} s: {}", now, v);
                    if v.is_finite() {
                        let reach = grid.period / 2.0 + bridge;
                        let near = own.t.iter().zip(&own.x).filter(|(t, _)| (**t - now).abs() <= reach);
                        let (low, high) = near.fold((f64::MAX, f64::MIN), |(l, h), (_, x)| (l.min(*x), h.max(*x)));
                        prop_assert!(v >= low - 1e-12 && v <= high + 1e-12);
                    }
                }
            }
        }
    }

    #[test]
    fn averaging_down_is_the_mean_of_the_polyline() {
        // 200 Hz to 50 Hz: the cell of 20 ms holds half a sample at each end and three in between.
        let t: Vec<f64> = (0..41).map(|i| f64::from(i) * 0.005).collect();
        let x: Vec<f64> = (0..41).map(|i| f64::from(i * i % 13)).collect();
        let own = Own { t, x: x.clone() };
        let out = average(&own, Grid::new(50.0, 0.2), 0.25);
        assert_eq!(out.len(), 11);
        for (k, v) in out.iter().enumerate().take(10).skip(1) {
            let i = 4 * k;
            let expected = (x[i - 2] / 2.0 + x[i - 1] + x[i] + x[i + 1] + x[i + 2] / 2.0) / 4.0;
            assert!((v - expected).abs() < 1e-12, "{k}: {v} {expected}");
        }
        assert_eq!(out[0], x[0]);
    }

    #[test]
    fn aliases_are_damped() {
        // 50 Hz at 1000 samples per second onto 50 Hz: picking would give a false constant of 1.
        let t: Vec<f64> = (0..2000).map(|i| f64::from(i) * 0.001).collect();
        let x = t.iter().map(|t| (TAU * 50.0 * t).cos()).collect();
        let out = average(&Own { t, x }, Grid::new(50.0, 1.999), 0.25);
        assert!(out[1..out.len() - 1].iter().all(|v| v.abs() < 0.01));
    }

    #[test]
    fn angles_cross_north() {
        let degrees = |v: &[f64]| v.iter().map(|d: &f64| d.to_radians()).collect::<Vec<_>>();
        let own = Own { t: vec![0.0, 0.1, 0.2], x: degrees(&[350.0, 10.0, 355.0]) }.unwrapped();
        let mut out = interpolate(&own, Grid::new(20.0, 0.2), 0.25);
        wrap(&mut out);
        for (v, expected) in out.iter().zip(degrees(&[350.0, 0.0, 10.0, 2.5, 355.0])) {
            let off = (v - expected + PI).rem_euclid(TAU) - PI;
            assert!(off.abs() < 1e-12, "{v} {expected}");
            assert!((0.0..TAU).contains(v));
        }
    }

    #[test]
    fn gears_hold() {
        let own = Own { t: vec![0.0, 0.1, 0.2, 1.0], x: vec![2.0, 3.0, 4.0, 5.0] };
        let out = hold(&own, Grid::new(20.0, 1.0), 0.25);
        assert_eq!(&out[..5], [2.0, 2.0, 3.0, 3.0, 4.0]);
        assert!(out[5..20].iter().all(|v| v.is_nan()) && out[20] == 5.0);
    }

    proptest! {
        /// What `align` takes as it is, where stamps lie on the grid, is what the resampling would have given.
        #[test]
        fn samples_on_the_grid_stay(x in prop::collection::vec(-1e3..1e3f64, 2..100), rate in 1.0..500.0f64, shift in -9e-7..9e-7f64) {
            let t: Vec<f64> = (0..x.len()).map(|i| i as f64 / rate + if i % 3 == 1 { shift } else { 0.0 }).collect();
            let grid = grid(&t, rate);
            prop_assume!(grid.lies_on(&t));
            let own = Own { t, x: x.clone() };
            for way in [hold as Way, interpolate] {
                prop_assert_eq!(&way(&own, grid, 0.25)[..], &x[..grid.points]);
            }
        }
    }
}
