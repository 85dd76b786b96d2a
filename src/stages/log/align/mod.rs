//! `align`: one time base for all channels, outings, runs. Never invents data across gaps.

mod agree;
mod course;
mod late;
mod outings;
mod resample;
mod slope;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::config::log_names::is_pattern;
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::{CheckCx, LogCx, LogStage, Schema};
use crate::table::frame::{Column, LogFrame};
use crate::units::{Dimension, Frequency, Speed, Time};
use outings::Rules;
use resample::{Grid, Own};

/// Most points of one log: at 1000 Hz more than a day.
const MOST_POINTS: f64 = 1e8;
/// A channel's own interval, times this, is bridged too (this and the next two: common practice, no source).
const OWN_INTERVALS: f64 = 1.5;
/// Longest own interval that is believed to tell how the channel moves in between, s …
const SLOWEST: f64 = 2.0;
/// … and for what changes slowly (weather, fuel, height), s.
const SLOWEST_AMBIENT: f64 = 120.0;
/// Channels of what changes slowly.
const AMBIENT: [&str; 5] = ["air_temperature", "air_pressure", "humidity", "altitude", "fuel_used"];

/// Brings a log to one time base, finds its outings and assigns them to the rows of the run sheet.
///
/// Makes `acceleration` (the slope of `speed`). Nothing is invented across gaps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Align {
    /// Rate of the time base.
    pub rate: Located<Frequency>,
    /// Longest gap between a channel's own samples that is bridged by a straight line. A channel that is
    /// logged more slowly is bridged over one and a half of its own intervals, up to 2 s.
    #[serde(default = "gap")]
    pub bridge: Located<Time>,
    /// Length of the stretch over which speed is differentiated.
    #[serde(default = "smoothing")]
    pub slope_over: Located<Time>,
    /// A new outing starts after the car stood, below this speed, …
    #[serde(default = "standing")]
    pub standing: Speed,
    /// … for this long. Where its speed is missing it may have stood too, but for a gap of a minute at most, well under way,
    /// in which other channels go on.
    #[serde(default = "stop")]
    pub stop: Time,
}

// Defaults: common practice, no source.
fn gap() -> Located<Time> {
    Located::nowhere(Time::si(0.25))
}
fn smoothing() -> Located<Time> {
    Located::nowhere(Time::si(0.4))
}
fn standing() -> Speed {
    Speed::si(1.0)
}
fn stop() -> Time {
    Time::si(20.0)
}

/// The time base of a log as it comes, and the grid that it is brought to.
struct Base<'a> {
    time: &'a [f64],
    grid: Grid,
    /// Median step of the time, s: the interval of every channel that has no blank.
    interval: f64,
    /// The first samples are the grid's points, to rounding.
    on_grid: bool,
}

impl<'a> Base<'a> {
    fn new(time: &'a [f64], grid: Grid) -> Self {
        let interval = Own::new(time, time).interval();
        Self { time, grid, interval, on_grid: grid.lies_on(time) }
    }
}

impl Align {
    /// Points either side of the middle that the slope is taken over.
    fn half(&self) -> usize {
        (self.slope_over.get() * self.rate.get() / 2.0).round().max(1.0) as usize
    }

    /// One channel on the grid.
    fn channel(&self, base: &Base, column: Column) -> Vec<f64> {
        let (time, grid) = (base.time, base.grid);
        let whole = column.values.iter().all(|x| !x.is_nan());
        if whole && base.on_grid && column.name != "course" {
            // Every point has its own sample, and none of them is blank.
            let mut values = column.values;
            values.truncate(grid.points);
            return values;
        }
        let own = Own::new(time, &column.values);
        let interval = if whole { base.interval } else { own.interval() };
        let slowest = match column.name.as_str() {
            name if AMBIENT.contains(&name) => SLOWEST_AMBIENT,
            _ => SLOWEST,
        };
        let bridge = self.bridge.get().max((OWN_INTERVALS * interval).min(slowest));
        // A tenth finer than the grid is the same rate with a clock that runs off.
        let finer = interval < 0.9 * grid.period;
        match column.name.as_str() {
            "gear" | "clutch" => resample::hold(&own, grid, bridge),
            "course" => {
                let own = own.unwrapped();
                let mut values = if finer {
                    resample::average(&own, grid, bridge)
                } else {
                    resample::interpolate(&own, grid, bridge)
                };
                resample::wrap(&mut values);
                values
            }
            _ if finer => resample::average(&own, grid, bridge),
            _ => resample::interpolate(&own, grid, bridge),
        }
    }
}

impl LogStage for Align {
    fn check(&self, mut input: Schema, cx: &mut CheckCx) -> Schema {
        let rate = self.rate.get();
        if !(1.0..=1000.0).contains(&rate) {
            cx.fault(self.rate.spot, format!("a rate of {rate} Hz can't be used"), "1 Hz to 1000 Hz");
        }
        if self.bridge.get() <= 0.0 {
            cx.fault(self.bridge.spot, "the longest bridged gap must be more than 0 s", "like 0.25 s");
        } else if self.bridge.get() > 2.0 {
            let message = format!("bridging gaps of {} s invents data", self.bridge.get());
            cx.fault(self.bridge.spot, message, "at most 2 s");
        }
        let over = self.slope_over.get();
        if over * rate < 2.0 - 1e-9 {
            let message = format!("a slope over {over} s has less than 3 samples at {rate} Hz");
            cx.fault(self.slope_over.spot, message, format!("at least {} s", 2.0 / rate));
        } else if over > 5.0 {
            let message = format!("a slope over {over} s smooths away what the car does");
            cx.fault(self.slope_over.spot, message, "at most 5 s");
        }
        if self.standing.get() <= 0.0 || self.standing.get() > 10.0 {
            let message = format!("below {} m/s is not standing", self.standing.get());
            cx.fault(cx.spot, message, "`standing` is more than 0 and at most 10 m/s");
        }
        if self.stop.get() <= 0.0 {
            cx.fault(cx.spot, "an outing can't end after standing for 0 s", "`stop` is more than 0 s");
        }
        cx.need(&input, "speed");
        cx.makes(&mut input, "acceleration", Dimension::Acceleration);
        input
    }

    fn reads(&self) -> Vec<&str> {
        vec!["speed", "accel_x"]
    }

    fn run(&self, log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault> {
        if cx.runs.is_empty() {
            return Err(LogFault::NotInRunSheet);
        }
        let (rate, end) = (self.rate.get(), log.time.last().copied().ok_or(LogFault::Empty)?);
        if end * rate > MOST_POINTS {
            let (channel, unit) = ("time".to_owned(), "s".to_owned());
            return Err(LogFault::Implausible { channel, value: end, unit, low: 0.0, high: MOST_POINTS / rate });
        }
        let grid = Grid::new(rate, end);
        let mut frame = LogFrame {
            time: (0..grid.points).map(|i| grid.time(i)).collect(),
            first_line: 0,
            rate,
            columns: Vec::with_capacity(log.columns.len() + 1),
            segments: Vec::new(),
            flags: log.flags,
            car: log.car,
            other_units: log.other_units,
            outings: 0,
        };
        let base = Base::new(&log.time, grid);
        for column in log.columns {
            let (name, dimension) = (column.name.clone(), column.dimension);
            frame.columns.push(Column { name, dimension, values: self.channel(&base, column) });
        }
        let speed = frame.get("speed").ok_or_else(|| LogFault::MissingChannel {
            channel: "speed".to_owned(),
            column: String::new(),
            near: None,
        })?;
        let acceleration = slope::slope(speed, grid.period, self.half());
        let felt = frame.get("accel_x");
        let disagree = felt.is_some_and(|felt| agree::disagree(speed, &acceleration, felt, rate));
        let over = self.slope_over.get();
        let late = felt.is_some_and(|felt| late::late(speed, &acceleration, felt, rate, over));
        let rules = Rules { standing: self.standing.get(), stop: self.stop.get(), rate };
        let others: Vec<&Column> =
            frame.columns.iter().filter(|c| c.name != "speed" && !AMBIENT.contains(&c.name.as_str())).collect();
        let recorded = |point: usize| others.iter().any(|c| c.values.get(point).is_some_and(|v| !v.is_nan()));
        let outings = outings::find(speed, recorded, rules);
        frame.outings = outings.len();
        frame.segments = outings::assign(&outings, cx.runs, rate, grid.points)?;
        // A pattern means more logs than this one.
        let met = |run: usize| frame.segments.iter().any(|s| s.run == run);
        let missing = cx.runs.iter().enumerate().any(|(run, row)| !is_pattern(&row.log) && !met(run));
        let unnamed = (1..).zip(&outings).any(|(number, _)| frame.segments.iter().all(|s| s.outing != number));
        let speed = frame.get("speed").unwrap_or_default();
        let changed = outings::changed_while_driving(&frame.segments, cx.runs, speed, rules);
        if course::stands_still(&frame) {
            // Where the car went is then not known; what is known to be wrong tells no wind.
            frame.flag("course_stands_still");
            let courses = frame.columns.iter_mut().filter(|column| column.name == "course");
            courses.for_each(|column| column.values.fill(f64::NAN));
        }
        if missing {
            frame.flag("outing_not_in_log");
        }
        if unnamed {
            frame.flag("outing_without_row");
        }
        if changed {
            frame.flag("changed_while_driving");
        }
        if disagree {
            frame.flag("speed_unlike_acceleration");
        }
        if late {
            frame.flag("speed_late_or_smoothed");
        }
        frame.set("acceleration", Dimension::Acceleration, acceleration);
        Ok(frame)
    }
}
