//! Shared by the window stages: rules as masks, stretches that pass all of them, pieces, and the
//! measures of a piece.

use std::ops::Range;

use memchr::memchr;
use multiversion::multiversion;

use super::{Funnel, Measure, Stretch, Window};
use crate::located::{Located, Spot};
use crate::numerics::mean::{SeriesParams, mean_and_se, mean_of_finite as mean_of, slope, slope_and_se};
use crate::stages::log::air::air_speed_measured;
use crate::stages::{CheckCx, LogCx, Schema};
use crate::table::frame::{LogFrame, Segment};
use crate::units::{self, Acceleration, Pressure, of as unit_of};

/// Channels of the export that [`window`] looks at in every log that has them, whatever the stage reads.
pub const ALWAYS: &[&str] = &["speed", "air_speed", "course", "accel_z"];

/// A threshold must be over zero.
pub fn check_positive(value: f64, spot: Spot, option: &str, cx: &mut CheckCx) {
    if value.is_nan() || value <= 0.0 {
        cx.fault(spot, format!("`{option}` of stage `{}` lets nothing pass", cx.stage), "must be over zero");
    }
}

/// A window must last long enough for a mean and its standard error.
pub fn check_lasting(lasting: &Located<units::Range<unit_of::Time>>, cx: &mut CheckCx) {
    if lasting.low < 0.2 {
        let message = format!("windows of stage `{}` may be too short for a mean with its standard error", cx.stage);
        cx.fault(lasting.spot, message, "at least 0.2 s");
    }
}

/// One rule: its name for the funnel, and which samples pass.
pub struct Rule<'a> {
    /// Name.
    pub name: &'static str,
    test: Test<'a>,
}

/// What the funnel calls a rule, and what where the log lacks its channel.
pub type Names = (&'static str, &'static str);

/// The rules that several stages have.
pub const SPEED: Names = ("speed", "speed_unknown");
pub const LATERAL: Names = ("lateral", "lateral_unknown");
pub const STEERING: Names = ("steering", "steering_unknown");
pub const LONGITUDINAL: Names = ("longitudinal", "longitudinal_unknown");
const BRAKE: Names = ("brake", "brake_unknown");
pub const THROTTLE: Names = ("throttle", "throttle_unknown");

/// What a sample must be to pass.
enum Test<'a> {
    /// Within these ends; a missing value is not.
    Within(&'a [f64], (f64, f64)),
    /// One of those that were found before.
    Among(Vec<bool>),
}

impl<'a> Rule<'a> {
    /// Passes where the channel lies within these ends; a missing value fails, and so does a log without the channel: what is
    /// not known to be straight is none. The rule is then called `unknown`.
    pub fn within(names: Names, log: &'a LogFrame, channel: &str, ends: (f64, f64)) -> Self {
        match log.get(channel) {
            Some(values) => Self { name: names.0, test: Test::Within(values, ends) },
            None => Self::among(names.1, vec![false; log.len()]),
        }
    }

    /// The same where it is no larger than a limit, either way.
    pub fn at_most(names: Names, log: &'a LogFrame, channel: &str, limit: f64) -> Self {
        Self::within(names, log, channel, (-limit, limit))
    }

    /// The same where it is a number at all.
    pub fn known(name: &'static str, log: &'a LogFrame, channel: &str) -> Self {
        Self::within((name, name), log, channel, (f64::MIN, f64::MAX))
    }

    /// Passes where it is said so, sample by sample.
    pub fn among(name: &'static str, pass: Vec<bool>) -> Self {
        Self { name, test: Test::Among(pass) }
    }

    /// Puts the number of this rule to those samples of a range that have none and fail it.
    #[inline(always)]
    fn judge(&self, range: Range<usize>, number: u8, first: &mut [u8]) {
        // Nothing depends on what a sample was before but what is written, so that several go at once.
        let put = |first: &mut u8, pass: bool| *first = if pass | (*first != PASSED) { *first } else { number };
        match &self.test {
            Test::Within(values, (low, high)) => {
                let values = values.get(range).unwrap_or_default();
                first.iter_mut().zip(values).for_each(|(first, v)| put(first, (*v >= *low) & (*v <= *high)));
            }
            Test::Among(pass) => {
                let pass = pass.get(range).unwrap_or_default();
                first.iter_mut().zip(pass).for_each(|(first, pass)| put(first, *pass));
            }
        }
    }
}

/// Demands what tells braking from slowing down: the brake's channel, or a limit of the deceleration. `passes_as`
/// says what braking looks like without them.
pub fn check_braking(input: &Schema, deceleration: Option<&Located<Acceleration>>, passes_as: &str, cx: &mut CheckCx) {
    match deceleration {
        Some(limit) => check_positive(limit.get(), limit.spot, "deceleration", cx),
        None if input.find("brake_pressure").is_none() => cx.fault(
            Spot::default(),
            format!("without channel `brake_pressure` braking looks like {passes_as}"),
            "log it, or give `deceleration`: the most that the car slows down by itself, for example `0.25 g`",
        ),
        None => {}
    }
}

/// The rules that leave braking out: brake pressure where it is logged, deceleration where a limit is given. A log
/// with neither says nothing, and nothing of it passes (`brake_unknown`).
pub fn braking_rules<'a>(
    log: &'a LogFrame,
    brake: &Located<Pressure>,
    deceleration: Option<&Located<Acceleration>>,
) -> Vec<Rule<'a>> {
    let logged = |name: Names, channel: &str, ends| log.get(channel).map(|_| Rule::within(name, log, channel, ends));
    let by_brake = logged(BRAKE, "brake_pressure", (f64::NEG_INFINITY, brake.get()));
    let by_slowing =
        deceleration.and_then(|d| logged(("deceleration", "deceleration"), "acceleration", (-d.get(), f64::INFINITY)));
    let rules: Vec<Rule> = by_brake.into_iter().chain(by_slowing).collect();
    match rules.is_empty() {
        true => vec![Rule::among(BRAKE.1, vec![false; log.len()])],
        false => rules,
    }
}

/// How stretches are cut into windows.
#[derive(Clone, Copy, Debug)]
pub struct Cut {
    /// Seconds dropped at the start of a stretch.
    pub settle: f64,
    /// Shortest stretch, s.
    pub shortest: f64,
    /// Shortest window, s.
    pub least: f64,
    /// Longest window, s.
    pub longest: f64,
}

/// A piece of a log: samples `start..end` of one segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece {
    /// First sample.
    pub start: usize,
    /// One past the last.
    pub end: usize,
    /// Index of the segment.
    pub segment: usize,
}

/// Stands for a sample that passes all rules.
const PASSED: u8 = u8::MAX;

/// Samples that are judged together.
const TOGETHER: usize = 64;

/// Per sample the first rule that it fails, or [`PASSED`]; no stage has nearly as many rules as a byte counts. Where
/// samples next to each other have all failed no further rule is looked at: on most of a lap the first few say no.
#[multiversion(targets("x86_64+avx2"))]
fn first_failed(samples: usize, rules: &[Rule]) -> Vec<u8> {
    let mut out = vec![PASSED; samples];
    for (k, first) in out.chunks_mut(TOGETHER).enumerate() {
        let start = k * TOGETHER;
        for (number, rule) in rules.iter().enumerate().take(usize::from(PASSED)) {
            rule.judge(start..start + first.len(), number as u8, first);
            if memchr(PASSED, first).is_none() {
                break;
            }
        }
    }
    out
}

/// How often a byte stands among others. As many at a time as a byte can count, so that the sums are bytes themselves.
fn count(among: &[u8], byte: u8) -> usize {
    let of_some = |some: &[u8]| usize::from(some.iter().map(|b| u8::from(*b == byte)).sum::<u8>());
    among.chunks(usize::from(u8::MAX)).map(of_some).sum()
}

/// Applies the rules in order inside every segment and cuts what passes. Each second of a segment is
/// charged to the first rule that it fails, or to `too short`/`settling`, or is kept.
pub fn pieces(log: &LogFrame, rules: &[Rule], cut: Cut) -> (Vec<Piece>, Funnel) {
    let dt = if log.rate > 0.0 { 1.0 / log.rate } else { 0.0 };
    let mut lost = vec![0usize; rules.len()];
    let failed = first_failed(log.len(), rules);
    let (mut short, mut settling, mut kept) = (0usize, 0usize, 0usize);
    let mut out = Vec::new();
    let samples = |seconds: f64| (seconds * log.rate).round() as usize;
    let (settle, shortest, longest) = (samples(cut.settle), samples(cut.shortest).max(2), samples(cut.longest).max(2));
    let least = samples(cut.least);
    for (s, segment) in log.segments.iter().enumerate() {
        let Some(failed) = failed.get(segment.start..segment.end) else { continue };
        for (number, lost) in lost.iter_mut().enumerate() {
            *lost += count(failed, number as u8);
        }
        let mut next = 0;
        while let Some(start) = failed.get(next..).and_then(|rest| memchr(PASSED, rest)).map(|at| next + at) {
            let run = failed[start..].iter().take_while(|first| **first == PASSED).count();
            next = start + run;
            let usable = run.saturating_sub(settle);
            if usable < shortest {
                short += run;
                continue;
            }
            settling += settle;
            // As few windows as hold it; where these would be shorter than the shortest, one less, and the rest goes.
            let n = usable.div_ceil(longest);
            let n = if usable / n < least { (n - 1).max(1) } else { n };
            let rest = usable.saturating_sub(n * longest);
            let usable = usable - rest;
            short += rest;
            kept += usable;
            let from = segment.start + start + settle;
            out.extend((0..n).map(|k| Piece {
                start: from + usable * k / n,
                end: from + usable * (k + 1) / n,
                segment: s,
            }));
        }
    }
    let mut funnel: Vec<(String, f64)> =
        rules.iter().zip(&lost).map(|(r, n)| (r.name.to_owned(), *n as f64 * dt)).collect();
    funnel.push(("too_short".to_owned(), short as f64 * dt));
    funnel.push(("settling".to_owned(), settling as f64 * dt));
    funnel.push(("kept".to_owned(), kept as f64 * dt));
    (out, Funnel { rules: funnel })
}

/// Turns a piece into a window with a measure for every quantity; `None` when the air is not known
/// there or no quantity was measured.
pub fn window(log: &LogFrame, piece: Piece, kind: &'static str, cx: &LogCx) -> Option<Window> {
    let segment: &Segment = log.segments.get(piece.segment)?;
    let run = cx.runs.get(segment.run)?;
    let range = piece.start..piece.end;
    let of = |name: &str| log.get(name).and_then(|v| v.get(range.clone()));
    let (v, ratio) = (of("v_air")?, of("density_ratio")?);
    let plain = AirMeans::plain(v, ratio)?;
    let params = SeriesParams::default();
    let acceleration = slope(1.0 / log.rate, of("speed")?).ok()?;
    let stand = standing(log, segment);
    let measures: Vec<Option<Measure>> = cx
        .quantities
        .iter()
        .map(|q| {
            if q == "resistance" {
                let (net, m_e) = (of("net_drive")?, mean_of(of("effective_mass")?)?);
                // Slope of speed and drive are weighted alike in time (parabolically, as a least-squares slope weighs
                // dv/dt), and so is the air: what the driver's foot does cancels, and the regression stays exact while
                // the car slows down.
                let air = AirMeans::parabolic(v, ratio)?;
                let (mean, se) = resistance(of("speed")?, net, m_e, 1.0 / log.rate)?;
                Some(air.measure(mean, se))
            } else {
                let values = of(q)?;
                let mean = mean_and_se(values, params).ok()?;
                // Where the quantity is missing the air has no say either: while the car slows down the rest is another one.
                let air = if values.iter().any(|x| x.is_nan()) { AirMeans::beside(v, ratio, values)? } else { plain };
                let zero = stand.clone().and_then(|s| mean_of(log.get(q)?.get(s)?));
                Some(Measure { zero, ..air.measure(mean.value, mean.standard_error) })
            }
        })
        .collect();
    if measures.iter().all(Option::is_none) {
        return None;
    }
    let first = log.time.get(piece.start)?;
    let stretch = Stretch {
        log: cx.log.to_owned(),
        event: run.event.clone(),
        session: run.session.clone(),
        outing: format!("{}#{}", cx.log, segment.outing),
        configuration: run.configuration.value.clone(),
        sheet_wind: run.wind_speed.as_ref().zip(run.wind_from.as_ref()).map(|(s, d)| (s.get(), d.get())),
        flags: log.flags_of(segment),
    };
    Some(Window {
        stretch: stretch.into(),
        kind,
        start: *first,
        duration: (piece.end - piece.start) as f64 / log.rate,
        samples: piece.end - piece.start,
        speed: mean_of(of("speed")?)?,
        air_density: mean_of(of("air_density")?)?,
        course: of("course").and_then(mean_direction),
        air_speed_measured: air_speed_measured(log, range.clone()),
        accel_x: acceleration,
        accel_z: of("accel_z").and_then(mean_of).map(|z| z - crate::units::G),
        coast: None,
        measures,
    })
}

/// Resistance over a window and its standard error, N: drive less inertia. With u = v − ∫F dt/m the equation of motion
/// m dv/dt = F − R reads du/dt = −R/m, so the least-squares slope of u gives R with drive and inertia in one, and the
/// scatter of u its error. Where the drive has gaps its plain mean stands in, its error taken for independent.
fn resistance(speed: &[f64], net: &[f64], mass: f64, dt: f64) -> Option<(f64, f64)> {
    let params = SeriesParams::default();
    if net.iter().any(|f| f.is_nan()) {
        let (drive, slope) = (mean_and_se(net, params).ok()?, slope_and_se(dt, speed, params).ok()?);
        let se = drive.standard_error.hypot(mass * slope.standard_error);
        return Some((drive.value - mass * slope.value, se));
    }
    let mut gained = 0.0;
    let mut before = *net.first()?;
    let rest = speed.iter().zip(net).map(|(v, f)| {
        gained += 0.5 * (before + f) * dt / mass;
        before = *f;
        v - gained
    });
    // The first step adds nothing: an offset, which the slope does not see.
    let slope = slope_and_se(dt, &rest.collect::<Vec<_>>(), params).ok()?;
    Some((-mass * slope.value, mass * slope.standard_error))
}

/// Longest and shortest stand before an outing that a zero is taken from, s (common practice, no source).
const STAND: (f64, f64) = (10.0, 1.0);
/// Speed below which the car stands, m/s (common practice, no source).
const STANDS: f64 = 0.5;
/// Longest time from the stand to the outing's first sample, s: an outing begins a little above [`STANDS`].
const ROLL_OFF: f64 = 5.0;
/// The end of a stand that is left out, s: the car squats before it rolls, and what `align` has smoothed looks ahead.
const GUARD: f64 = 0.25;

/// The samples before a segment's outing in which the car stood: the last still stretch that lasts, if it ends not
/// longer than a few seconds before the outing, and no earlier outing lies between.
fn standing(log: &LogFrame, segment: &Segment) -> Option<std::ops::Range<usize>> {
    let first = log.segments.iter().filter(|s| s.outing == segment.outing).map(|s| s.start).min()?;
    let after = log.segments.iter().filter(|s| s.end <= first).map(|s| s.end).max().unwrap_or(0);
    let before = log.get("speed")?.get(after..first)?;
    let samples = |seconds: f64| (seconds * log.rate).round() as usize;
    let earliest = before.len().saturating_sub(samples(ROLL_OFF));
    let mut end = before.len();
    loop {
        let part = before.get(..end)?;
        end = part.iter().rposition(|v| *v < STANDS)? + 1;
        if end < earliest {
            return None;
        }
        let still = part.get(..end)?.iter().rev().take(samples(STAND.0)).take_while(|v| **v < STANDS).count();
        if still >= samples(STAND.1).max(2) {
            return Some(after + end - still..after + end - samples(GUARD).min(still / 2));
        }
        end -= still;
    }
}

/// Time means of the air's part of the regressor.
#[derive(Clone, Copy, Debug)]
struct AirMeans {
    v2: f64,
    v: f64,
    ratio: f64,
}

impl AirMeans {
    fn plain(v: &[f64], ratio: &[f64]) -> Option<Self> {
        Self::weighted(v, ratio, |_| 1.0)
    }

    /// Over the samples that another channel has.
    fn beside(v: &[f64], ratio: &[f64], other: &[f64]) -> Option<Self> {
        Self::weighted(v, ratio, |i| f64::from(u8::from(other.get(i).is_some_and(|x| !x.is_nan()))))
    }

    fn parabolic(v: &[f64], ratio: &[f64]) -> Option<Self> {
        let n = v.len() as f64;
        // Weight of the derivative between samples in the least-squares slope, at the sample's middle.
        Self::weighted(v, ratio, move |i| {
            let t = (2.0 * i as f64 + 1.0 - n) / n;
            1.0 - t * t
        })
    }

    fn weighted(v: &[f64], ratio: &[f64], weight: impl Fn(usize) -> f64) -> Option<Self> {
        let mut sums = [0.0; 4];
        for (i, (v, r)) in v.iter().zip(ratio).enumerate().filter(|(_, (v, r))| v.is_finite() && r.is_finite()) {
            let w = weight(i);
            for (s, x) in sums.iter_mut().zip([1.0, r * v * v, r * v, *r]) {
                *s += w * x;
            }
        }
        let [w, v2, v1, r] = sums;
        (w > 0.0).then(|| Self { v2: v2 / w, v: v1 / w, ratio: r / w })
    }

    fn measure(self, mean: f64, standard_error: f64) -> Measure {
        Measure { mean, standard_error, v2: self.v2, v: self.v, ratio: self.ratio, zero: None }
    }
}

/// Circular mean of directions, rad in 0..2π.
fn mean_direction(values: &[f64]) -> Option<f64> {
    let first = *values.iter().find(|v| v.is_finite())?;
    let (mut s, mut c) = (0.0, 0.0);
    for v in values.iter().filter(|v| v.is_finite()) {
        let (sin, cos) = turn(v - first);
        s += sin;
        c += cos;
    }
    Some((first + s.atan2(c)).rem_euclid(std::f64::consts::TAU))
}

/// Sine and cosine, to 1e-12. On a straight nearly all are those of a small angle, of which a few terms of the series are
/// enough.
fn turn(angle: f64) -> (f64, f64) {
    if angle.abs() > SMALL {
        return angle.sin_cos();
    }
    let q = angle * angle;
    let sin = angle * (1.0 - q / 6.0 * (1.0 - q / 20.0 * (1.0 - q / 42.0 * (1.0 - q / 72.0))));
    let cos = 1.0 - q / 2.0 * (1.0 - q / 12.0 * (1.0 - q / 30.0 * (1.0 - q / 56.0 * (1.0 - q / 90.0))));
    (sin, cos)
}

/// Angle up to which these series are good for that, rad.
const SMALL: f64 = 0.25;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Dimension;

    fn log(n: usize) -> LogFrame {
        let mut log = LogFrame { time: (0..n).map(|i| i as f64 / 10.0).collect(), rate: 10.0, ..Default::default() };
        log.set("speed", Dimension::Speed, vec![40.0; n]);
        log.segments = vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }];
        log
    }

    #[test]
    fn every_second_is_charged_once() {
        let log = log(300);
        let mut a = vec![true; 300];
        a[100..130].fill(false);
        let mut b = vec![true; 300];
        b[120..150].fill(false);
        b[160] = false;
        let rules = [Rule::among("a", a), Rule::among("b", b)];
        let (pieces, funnel) = pieces(&log, &rules, Cut { settle: 0.3, shortest: 1.5, least: 1.5, longest: 5.0 });
        let total: f64 = funnel.rules.iter().map(|r| r.1).sum();
        assert!((total - 30.0).abs() < 1e-9, "{funnel:?}");
        let of = |n: &str| funnel.rules.iter().find(|r| r.0 == n).unwrap().1;
        assert!((of("a") - 3.0).abs() < 1e-9 && (of("b") - 2.1).abs() < 1e-9, "{funnel:?}");
        assert!((of("too_short") - 1.0).abs() < 1e-9 && (of("settling") - 0.6).abs() < 1e-9, "{funnel:?}");
        // 9.7 s become two windows, 13.6 s become three; none longer than asked for.
        assert_eq!(pieces.len(), 5);
        assert!(pieces.iter().all(|p| p.end - p.start <= 50 && p.end - p.start >= 15));
    }

    #[test]
    fn no_window_is_shorter_than_the_shortest() {
        for n in 10..400 {
            let log = log(n);
            let (pieces, funnel) = pieces(&log, &[], Cut { settle: 0.0, shortest: 2.5, least: 2.5, longest: 3.0 });
            assert!(pieces.iter().all(|p| (25..=30).contains(&(p.end - p.start))), "{n}: {pieces:?}");
            let total: f64 = funnel.rules.iter().map(|r| r.1).sum();
            let kept: usize = pieces.iter().map(|p| p.end - p.start).sum();
            assert!((total - n as f64 / 10.0).abs() < 1e-9 && (n < 25 || kept * 2 > n), "{n}: {funnel:?}");
        }
    }

    #[test]
    fn where_a_quantity_is_missing_the_air_has_no_say() {
        // 20 m/s in the first half, of which nothing was measured, and 40 m/s after.
        let v: Vec<f64> = (0..20).map(|i| if i < 10 { 20.0 } else { 40.0 }).collect();
        let force: Vec<f64> = (0..20).map(|i| if i < 10 { f64::NAN } else { 800.0 }).collect();
        let ones = vec![1.0; 20];
        assert_eq!(AirMeans::plain(&v, &ones).unwrap().v2, 1000.0);
        assert_eq!(AirMeans::beside(&v, &ones, &force).unwrap().v2, 1600.0);
        assert!(AirMeans::beside(&v, &ones, &[f64::NAN; 20]).is_none());
    }

    #[test]
    fn a_log_without_a_channel_passes_no_rule_on_it() {
        let log = log(100);
        let rule = Rule::at_most(LATERAL, &log, "accel_y", 1.0);
        let (pieces, funnel) = pieces(&log, &[rule], Cut { settle: 0.0, shortest: 1.5, least: 1.5, longest: 5.0 });
        assert!(pieces.is_empty() && funnel.rules[0] == ("lateral_unknown".to_owned(), 10.0), "{funnel:?}");
    }

    #[test]
    fn a_restless_foot_cancels_in_the_resistance() {
        // m dv/dt = F − R with a drive that swings by 300 N at 1 Hz over 3.3 s: F and v are exact, R is 400 N. The plain
        // mean of F less m times the slope of v is off, as its two parts are weighted otherwise in time.
        let (dt, mass, r) = (0.01, 1000.0, 400.0);
        let t: Vec<f64> = (0..331).map(|i| i as f64 * dt).collect();
        let net: Vec<f64> = t.iter().map(|t| 420.0 + 300.0 * (6.0 * t).sin()).collect();
        let speed: Vec<f64> =
            t.iter().map(|t| 50.0 + ((420.0 - r) * t + 300.0 * (1.0 - (6.0 * t).cos()) / 6.0) / mass).collect();
        let (value, se) = resistance(&speed, &net, mass, dt).unwrap();
        assert!((value - r).abs() < 0.05 && se < 1.0, "{value} {se}");
        let slope = slope_and_se(dt, &speed, SeriesParams::default()).unwrap().value;
        let plain = mean_of(&net).unwrap() - mass * slope;
        assert!((plain - r).abs() > 2.0, "{plain}");
        // A gap in the drive: the plain mean stands in.
        let mut torn = net.clone();
        torn[100] = f64::NAN;
        let (value, se) = resistance(&speed, &torn, mass, dt).unwrap();
        assert!((value - plain).abs() < 1.0 && se > 5.0, "{value} {se}");
    }

    #[test]
    fn small_angles_are_as_good_as_large_ones() {
        for i in -300..=300 {
            let angle = f64::from(i) / 1000.0;
            let (sin, cos) = turn(angle);
            assert!((sin - angle.sin()).abs() < 1e-12 && (cos - angle.cos()).abs() < 1e-12, "{angle}");
        }
    }

    #[test]
    fn directions_average_across_north() {
        let d = mean_direction(&[0.1, std::f64::consts::TAU - 0.1]).unwrap();
        assert!(d < 1e-9 || (std::f64::consts::TAU - d) < 1e-9);
    }

    #[test]
    fn parabolic_means_match_the_slope_of_a_cubic() {
        // dv/dt of v = t³ is 3t²; its parabolic mean is the least-squares slope, in the limit of many samples.
        let n = 4001;
        let t: Vec<f64> = (0..n).map(|i| i as f64 / (n - 1) as f64 * 2.0 - 1.0).collect();
        let slope = t.iter().map(|t| t * t.powi(3)).sum::<f64>() / t.iter().map(|t| t * t).sum::<f64>();
        let ones = vec![1.0; n];
        let derivative: Vec<f64> = t.iter().map(|t| 3.0 * t * t).collect();
        let mean = AirMeans::parabolic(&derivative, &ones).unwrap().v;
        assert!((mean - slope).abs() < 1e-3 * slope, "{mean} {slope}");
    }
}
