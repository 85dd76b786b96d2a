//! `peaks`: the top speed and the highest sustained loads of every wheel, stretch by stretch of a log, as
//! evidence for the tyres. It selects no windows.
//!
//! What a tyre may carry falls with speed, so the highest load alone does not tell: of every wheel those moments
//! are kept that no other one outdoes in load and speed together. Whatever the rating, the moment that uses most
//! of it is among them.
//!
//! The load of a wheel is known only as a change since the sensors' zero, and zeros drift. So quiet
//! running (straight, no hard acceleration) is averaged too: there the load is the static one plus the
//! downforce that the fit knows, which gives the zero.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Found;
use super::select::check_positive;
use crate::config::car::CORNERS;
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::log::air::air_speed_measured;
use crate::stages::log::loads::WHEEL_LOADS;
use crate::stages::{CheckCx, LogCx, Schema, WindowStage};
use crate::table::frame::{LogFrame, Segment};
use crate::units::{Acceleration, G, Time};

/// The top speed and the highest sustained load of every wheel, stretch by stretch.
///
/// Evidence for `tyres`. It selects no windows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Find {
    /// How long a load or speed must be held to count: the mean over this time.
    #[serde(default = "sustained")]
    pub sustained: Located<Time>,
    /// Largest acceleration, lateral and along the car, of the quiet running that gives the sensors' zero.
    #[serde(default = "quiet")]
    pub quiet: Located<Acceleration>,
}

// Defaults and the two limits below: common practice, no source.
fn sustained() -> Located<Time> {
    Located::nowhere(Time::si(0.2))
}
fn quiet() -> Located<Acceleration> {
    Located::nowhere(Acceleration::si(0.1 * G))
}

/// Speed above which quiet running counts, m/s: below it the car may stand on jacks or be pushed.
pub const MOVING: f64 = 15.0;
/// Seconds of quiet running that are needed for a zero.
const ENOUGH_QUIET: f64 = 3.0;

/// What a stretch of a log shows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Peaks {
    /// Log.
    pub log: String,
    /// Event.
    pub event: String,
    /// Session.
    pub session: String,
    /// Outing, unique in the season.
    pub outing: String,
    /// Configuration.
    pub configuration: String,
    /// The fastest moment.
    pub top: Moment,
    /// Of each corner, fl, fr, rl, rr, the moments that no other one outdoes in load and speed, fastest first.
    pub corners: [Vec<Moment>; CORNERS.len()],
    /// Quiet running; `None` where there was too little of it.
    pub quiet: Option<Quiet>,
    /// Seconds under way in which the load of at least one wheel is missing.
    pub unseen: f64,
    /// The log's flags.
    pub flags: Vec<String>,
}

/// Means over a short time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// Seconds from the start of the log.
    pub start: f64,
    /// Ground speed, m/s.
    pub speed: f64,
    /// Density ratio × air speed², m²/s².
    pub v2: f64,
    /// Density ratio × air speed, m/s.
    pub v: f64,
    /// Density ratio.
    pub ratio: f64,
    /// Direction of travel, rad clockwise from north; `None` where unknown or where the air speed was measured then.
    pub course: Option<f64>,
    /// Specific force along x, m/s².
    pub felt_x: f64,
    /// Specific force along y, m/s², left positive.
    pub felt_y: f64,
    /// Fuel aboard, kg.
    pub fuel: f64,
    /// Change of the wheel loads since the sensors' zero, N, fl, fr, rl, rr.
    pub loads: [f64; CORNERS.len()],
}

/// Means over quiet running.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quiet {
    /// Seconds.
    pub seconds: f64,
    /// Density ratio × air speed², m²/s².
    pub v2: f64,
    /// Downforce of the axles since the sensors' zero, N, transfer and fuel taken out: front, rear.
    pub axles: [f64; 2],
    /// Half of left minus right wheel load, N: front, rear.
    pub sides: [f64; 2],
}

impl WindowStage for Find {
    fn check(&self, input: &Schema, cx: &mut CheckCx) {
        for channel in WHEEL_LOADS.into_iter().chain(["front_downforce", "fuel_aboard", "v_air", "accel_y"]) {
            cx.need(input, channel);
        }
        check_positive(self.sustained.get(), self.sustained.spot, "sustained", cx);
        check_positive(self.quiet.get(), self.quiet.spot, "quiet", cx);
    }

    fn reads(&self) -> Vec<&str> {
        let made = WHEEL_LOADS.into_iter().chain(["fuel_aboard"]);
        ["speed", "accel_x", "accel_y", "course", "air_speed"].into_iter().chain(made).collect()
    }

    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault> {
        let Some(channels) = Channels::of(log) else { return Ok(Found::default()) };
        let peaks = log.segments.iter().filter_map(|s| self.stretch(log, &channels, s, cx)).collect();
        Ok(Found { peaks, ..Found::default() })
    }
}

impl Find {
    fn stretch(&self, log: &LogFrame, channels: &Channels, segment: &Segment, cx: &LogCx) -> Option<Peaks> {
        let run = cx.runs.get(segment.run)?;
        let width = ((self.sustained.get() * log.rate).round() as usize).max(1);
        let moment = |at: usize| channels.moment(log, segment.start + at, width);
        let means = |values: &[f64]| values.get(segment.start..segment.end).map_or_else(Vec::new, |p| means(p, width));
        let fastest = ranked(&means(channels.speed));
        Some(Peaks {
            log: cx.log.to_owned(),
            event: run.event.clone(),
            session: run.session.clone(),
            outing: format!("{}#{}", cx.log, segment.outing),
            configuration: run.configuration.value.clone(),
            top: fastest.iter().copied().find_map(moment)?,
            corners: channels.loads.map(|loads| not_outdone(&means(loads), &fastest, moment)),
            quiet: channels.quiet(log, segment, self.quiet.get()),
            unseen: channels.unseen(log, segment),
            flags: log.flags.clone(),
        })
    }
}

/// Means over `width` values from every value on; NaN where one is missing.
fn means(values: &[f64], width: usize) -> Vec<f64> {
    values.windows(width).map(|w| w.iter().sum::<f64>() / width as f64).collect()
}

/// Positions of the values that are there, highest first; the first of equal ones.
fn ranked(values: &[f64]) -> Vec<usize> {
    let at = |i: &usize| values.get(*i).copied().unwrap_or(f64::NAN);
    let mut out: Vec<usize> = (0..values.len()).filter(|i| at(i).is_finite()).collect();
    out.sort_by(|a, b| at(b).total_cmp(&at(a)));
    out
}

/// Of moments from the fastest on, every one of more load than all faster ones.
fn not_outdone(loads: &[f64], fastest: &[usize], moment: impl Fn(usize) -> Option<Moment>) -> Vec<Moment> {
    let mut out = Vec::new();
    let mut most = f64::NEG_INFINITY;
    for i in fastest {
        // A missing load is above nothing.
        let Some(load) = loads.get(*i).copied().filter(|l| *l > most) else { continue };
        if let Some(m) = moment(*i) {
            most = load;
            out.push(m);
        }
    }
    out
}

/// The channels that a moment is made of.
struct Channels<'a> {
    speed: &'a [f64],
    v_air: &'a [f64],
    ratio: &'a [f64],
    felt_x: &'a [f64],
    felt_y: &'a [f64],
    fuel: &'a [f64],
    course: Option<&'a [f64]>,
    loads: [&'a [f64]; CORNERS.len()],
    axles: [&'a [f64]; 2],
}

impl<'a> Channels<'a> {
    /// `None` where the log lacks one of them.
    fn of(log: &'a LogFrame) -> Option<Self> {
        let [fl, fr, rl, rr] = WHEEL_LOADS.map(|name| log.get(name));
        Some(Self {
            speed: log.get("speed")?,
            v_air: log.get("v_air")?,
            ratio: log.get("density_ratio")?,
            felt_x: log.get("accel_x").or_else(|| log.get("acceleration"))?,
            felt_y: log.get("accel_y")?,
            fuel: log.get("fuel_aboard")?,
            course: log.get("course"),
            loads: [fl?, fr?, rl?, rr?],
            axles: [log.get("front_downforce")?, log.get("rear_downforce")?],
        })
    }

    fn moment(&self, log: &LogFrame, start: usize, width: usize) -> Option<Moment> {
        let range = start..start + width;
        let mean = |values: &[f64]| Some(values.get(range.clone())?.iter().sum::<f64>() / width as f64);
        // Without a measured air speed at every sample, ground speed and the wind that the fit finds stand in for it:
        // the highest loads must not go unseen for a gap in one channel.
        let measured = air_speed_measured(log, range.clone());
        let through = if measured { self.v_air } else { self.speed };
        let of_air = |power: i32| {
            let (v, r) = (through.get(range.clone())?, self.ratio.get(range.clone())?);
            Some(v.iter().zip(r).map(|(v, r)| r * v.powi(power)).sum::<f64>() / width as f64)
        };
        let [fl, fr, rl, rr] = self.loads.map(mean);
        let out = Moment {
            start: *log.time.get(start)?,
            speed: mean(self.speed)?,
            v2: of_air(2)?,
            v: of_air(1)?,
            ratio: of_air(0)?,
            course: self
                .course
                .filter(|_| !measured)
                .and_then(|c| c.get(start + width / 2))
                .copied()
                .filter(|c| c.is_finite()),
            felt_x: mean(self.felt_x)?,
            felt_y: mean(self.felt_y)?,
            fuel: mean(self.fuel)?,
            loads: [fl?, fr?, rl?, rr?],
        };
        (out.speed.is_finite() && out.v2.is_finite()).then_some(out)
    }

    /// Seconds under way in which a wheel's load is missing.
    fn unseen(&self, log: &LogFrame, segment: &Segment) -> f64 {
        let at = |values: &[f64], i: usize| values.get(i).copied().unwrap_or(f64::NAN);
        let blind = |i: &usize| at(self.speed, *i) > MOVING && self.loads.iter().any(|l| !at(l, *i).is_finite());
        let n = (segment.start..segment.end).filter(blind).count();
        if log.rate > 0.0 { n as f64 / log.rate } else { 0.0 }
    }

    fn quiet(&self, log: &LogFrame, segment: &Segment, limit: f64) -> Option<Quiet> {
        let mut sums = [0.0; 6];
        for i in segment.start..segment.end {
            let at = |values: &[f64]| values.get(i).copied().unwrap_or(f64::NAN);
            let calm = at(self.speed) > MOVING && at(self.felt_x).abs() < limit && at(self.felt_y).abs() < limit;
            let [fl, fr, rl, rr] = self.loads.map(at);
            let [front, rear] = self.axles.map(at);
            let row = [1.0, at(self.ratio) * at(self.v_air).powi(2), front, rear, 0.5 * (fl - fr), 0.5 * (rl - rr)];
            if calm && row.iter().all(|v| v.is_finite()) {
                sums.iter_mut().zip(row).for_each(|(s, v)| *s += v);
            }
        }
        let [n, v2, front, rear, side_front, side_rear] = sums;
        let seconds = if log.rate > 0.0 { n / log.rate } else { 0.0 };
        let mean = |sum: f64| sum / n;
        (seconds >= ENOUGH_QUIET).then(|| Quiet {
            seconds,
            v2: mean(v2),
            axles: [mean(front), mean(rear)],
            sides: [mean(side_front), mean(side_rear)],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::log::testing::Bench;
    use crate::units::Dimension;

    #[test]
    fn the_highest_sustained_is_no_spike() {
        let nan = f64::NAN;
        let highest = |values: &[f64], width: usize| ranked(&means(values, width)).first().copied();
        // One sample of 9 lasts too short; a missing one breaks its stretch; of equals the first.
        assert_eq!(highest(&[0.0, 9.0, 0.0, 5.0, 5.0, nan, 7.0, 5.0, 5.0], 2), Some(6));
        assert_eq!(highest(&[5.0, 5.0, 5.0], 2), Some(0));
        assert_eq!(highest(&[nan, nan], 1), None);
        assert_eq!(highest(&[1.0], 2), None);
    }

    /// 10 Hz: quiet at 40 m/s for 10 s, then braking with the front up by 500 N a wheel for a second.
    fn log() -> LogFrame {
        let n = 110;
        let braking = |i: usize| i >= 100;
        let mut log = LogFrame { time: (0..n).map(|i| i as f64 / 10.0).collect(), rate: 10.0, ..LogFrame::default() };
        let mut set = |name: &str, f: &dyn Fn(usize) -> f64| {
            log.set(name, Dimension::Ratio, (0..n).map(f).collect());
        };
        set("speed", &|i| if i == 50 { 60.0 } else { 40.0 });
        set("v_air", &|_| 40.0);
        set("density_ratio", &|_| 0.95);
        set("accel_x", &|i| if braking(i) { -9.0 } else { 0.0 });
        set("accel_y", &|_| 0.0);
        set("fuel_aboard", &|_| 20.0);
        set("front_downforce", &|_| 700.0);
        set("rear_downforce", &|_| 900.0);
        for (name, quiet) in WHEEL_LOADS.iter().zip([360.0, 340.0, 455.0, 445.0]) {
            let up = if name.contains("_f") { 500.0 } else { -500.0 };
            set(name, &|i| if braking(i) { quiet + up } else { quiet });
        }
        log.segments = vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }];
        log
    }

    #[test]
    fn moments_and_quiet_running_by_hand() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let stage: Find = crate::config::from_text("{}");
        let found = stage.run(&log(), &bench.cx()).unwrap();
        assert!(found.windows.is_empty() && found.peaks.len() == 1);
        let p = &found.peaks[0];
        assert_eq!((p.configuration.as_str(), p.outing.as_str()), ("base", "a.csv#1"));
        let front = *p.corners[0].last().unwrap();
        assert_eq!((front.start, front.loads[0], front.felt_x), (10.0, 860.0, -9.0));
        assert_eq!(p.corners[2].last().unwrap().loads[2], 455.0);
        assert_eq!((p.unseen, p.flags.len()), (0.0, 0));
        // Two samples of a tenth: the one of 60 m/s counts half.
        assert_eq!((p.top.speed, p.top.fuel), (50.0, 20.0));
        let quiet = p.quiet.unwrap();
        assert!((quiet.seconds - 10.0).abs() < 1e-9 && (quiet.v2 - 0.95 * 1600.0).abs() < 1e-9);
        assert!((quiet.axles[0] - 700.0).abs() < 1e-9 && (quiet.axles[1] - 900.0).abs() < 1e-9);
        assert!((quiet.sides[0] - 10.0).abs() < 1e-9 && (quiet.sides[1] - 5.0).abs() < 1e-9);
    }

    #[test]
    fn the_wind_enters_where_the_air_speed_was_not_measured() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let stage: Find = crate::config::from_text("{}");
        let nan = f64::NAN;
        let mut log = log();
        log.set("course", Dimension::Angle, vec![1.0; 110]);
        log.set("accel_x", Dimension::Acceleration, vec![0.0; 110]);
        // Measured from 4.8 s on, with one sample missing right at the top speed.
        let air = |i: usize| if i < 48 || i == 50 { nan } else { 44.0 };
        log.set("air_speed", Dimension::Speed, (0..110).map(air).collect());
        log.set("v_air", Dimension::Speed, (0..110).map(|i| if i < 48 { 40.0 } else { air(i) }).collect());
        let p = &stage.run(&log, &bench.cx()).unwrap().peaks[0];
        // The gap hides no top speed: ground speed, and the wind to come, stand in.
        assert_eq!((p.top.speed, p.top.course), (50.0, Some(1.0)));
        assert!((p.top.v - 0.95 * 50.0).abs() < 1e-9);
        let braked = *p.corners[0].last().unwrap();
        assert_eq!((braked.start, braked.course), (10.0, None));
        assert!((braked.v - 0.95 * 44.0).abs() < 1e-9);
        // The loads behind are alike all the way: the fastest moment stands for them.
        assert_eq!(p.corners[2].last().unwrap().course, Some(1.0));
    }

    #[test]
    fn too_little_quiet_running_gives_no_zero() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let mut log = log();
        log.set("accel_y", Dimension::Acceleration, (0..110).map(|i| if i < 20 { 0.0 } else { 3.0 }).collect());
        let stage: Find = crate::config::from_text("{}");
        assert_eq!(stage.run(&log, &bench.cx()).unwrap().peaks[0].quiet, None);
    }

    #[test]
    fn a_lower_load_at_more_speed_is_kept_where_nothing_outdoes_it() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let mut log = log();
        // 700 N at 60 m/s, 500 N at 50 m/s (outdone), 860 N when braking at 40 m/s.
        let of = |fast: f64, middle: f64, rest: &dyn Fn(usize) -> f64| {
            (0..110)
                .map(|i| {
                    [fast, middle, rest(i)][if i < 5 {
                        0
                    } else if i < 10 {
                        1
                    } else {
                        2
                    }]
                })
                .collect()
        };
        log.set("speed", Dimension::Speed, of(60.0, 50.0, &|_| 40.0));
        log.set("wheel_load_fl", Dimension::Force, of(700.0, 500.0, &|i| if i >= 100 { 860.0 } else { 360.0 }));
        let stage: Find = crate::config::from_text("{}");
        let p = &stage.run(&log, &bench.cx()).unwrap().peaks[0];
        let kept: Vec<(f64, f64)> = p.corners[0].iter().map(|m| (m.speed, m.loads[0])).collect();
        assert_eq!(kept, [(60.0, 700.0), (40.0, 860.0)]);
    }

    #[test]
    fn missing_loads_are_counted_and_the_flags_of_the_log_kept() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let mut log = log();
        // The front left spring goes beyond its table while braking; standing does not count.
        log.set("wheel_load_fl", Dimension::Force, (0..110).map(|i| if i < 100 { 360.0 } else { f64::NAN }).collect());
        log.set("speed", Dimension::Speed, (0..110).map(|i| if i < 105 { 40.0 } else { 0.0 }).collect());
        log.flag("spring_table_left");
        let stage: Find = crate::config::from_text("{}");
        let p = &stage.run(&log, &bench.cx()).unwrap().peaks[0];
        assert!((p.unseen - 0.5).abs() < 1e-9 && p.flags == ["spring_table_left"]);
        assert_eq!(p.corners[0].last().unwrap().loads[0], 360.0);
    }

    #[test]
    fn a_top_speed_without_air_data_does_not_hide_the_stretch() {
        let bench = Bench::new("", &["fuel: 20 kg"]);
        let mut log = log();
        log.set("density_ratio", Dimension::Ratio, (0..110).map(|i| if i == 50 { f64::NAN } else { 0.95 }).collect());
        let stage: Find = crate::config::from_text("{}");
        assert_eq!(stage.run(&log, &bench.cx()).unwrap().peaks[0].top.speed, 40.0);
    }
}
