//! `coastdown`: straight coasting, no drive, no brake.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Found;
use super::select::{Cut, Rule, check_lasting, check_positive, pieces, window};
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::{CheckCx, LogCx, Schema, WindowStage};
use crate::table::frame::LogFrame;
use crate::units::{Acceleration, Angle, Pressure, Range, Ratio, Time, of};

/// Straight coasting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Coastdown {
    /// Speeds that count.
    pub speed: Located<Range<of::Speed>>,
    /// Shortest stretch that counts, and longest that is looked at in one go.
    pub lasting: Located<Range<of::Time>>,
    /// Length of the windows that a stretch is cut into.
    #[serde(default = "piece")]
    pub piece: Located<Time>,
    /// Largest lateral acceleration, either way.
    #[serde(default = "lateral")]
    pub lateral: Located<Acceleration>,
    /// Largest steering wheel angle, either way; not looked at where left out.
    #[serde(default)]
    pub steering: Option<Located<Angle>>,
    /// Largest throttle that is still coasting.
    #[serde(default = "throttle")]
    pub throttle: Located<Ratio>,
    /// Smallest clutch pedal travel that opens the clutch. Coasting needs it open, or neutral.
    #[serde(default = "clutch")]
    pub clutch: Located<Ratio>,
    /// Largest brake pressure that is still coasting.
    #[serde(default = "brake")]
    pub brake: Located<Pressure>,
    /// Time at the start of a stretch that is left out, for the car to settle.
    #[serde(default = "settle")]
    pub settle: Located<Time>,
}

fn piece() -> Located<Time> {
    Located::nowhere(Time::si(2.0))
}
fn lateral() -> Located<Acceleration> {
    Located::nowhere(Acceleration::si(0.08 * crate::units::G))
}
fn throttle() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.02))
}
fn clutch() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.9))
}
fn brake() -> Located<Pressure> {
    Located::nowhere(Pressure::si(1e5))
}
fn settle() -> Located<Time> {
    Located::nowhere(Time::si(0.5))
}

impl WindowStage for Coastdown {
    fn check(&self, input: &Schema, cx: &mut CheckCx) {
        for channel in ["v_air", "density_ratio", "acceleration", "accel_y"] {
            cx.need(input, channel);
        }
        if input.find("clutch").is_none() && input.find("gear").is_none() {
            cx.fault(
                cx.spot,
                "stage `coastdown` needs channel `clutch` or `gear`: with the engine engaged, its drag would pass as the air's",
                "neither is made by an earlier stage",
            );
        }
        if let Some(steering) = &self.steering {
            cx.need_at(input, "steering", steering.spot);
        }
        check_lasting(&self.lasting, cx);
        check_positive(self.lateral.get(), self.lateral.spot, "lateral", cx);
        if self.piece.get() > self.lasting.high || self.piece.get() < 0.5 {
            cx.fault(
                self.piece.spot,
                "coasting can't be cut like this",
                "at least 0.5 s and no more than the longest `lasting`",
            );
        }
    }

    fn reads(&self) -> Vec<&str> {
        let mut names = vec!["speed", "accel_y", "course", "accel_z", "throttle", "clutch", "gear", "brake_pressure"];
        names.extend(self.steering.is_some().then_some("steering"));
        names
    }

    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault> {
        let lateral = self.lateral.get();
        let rules: Vec<Rule> = [
            Rule::channel("speed", log, "speed", |v| self.speed.contains(v)),
            self.disengaged(log),
            Rule::channel("throttle", log, "throttle", |t| t <= self.throttle.get()),
            Rule::channel("brake", log, "brake_pressure", |p| p <= self.brake.get()),
            Rule::channel("lateral", log, "accel_y", |a| a.abs() <= lateral),
            self.steering.as_ref().and_then(|s| Rule::channel("steering", log, "steering", |a| a.abs() <= s.get())),
            Rule::channel("air_unknown", log, "v_air", f64::is_finite),
        ]
        .into_iter()
        .flatten()
        .collect();
        let cut = Cut { settle: self.settle.get(), shortest: self.lasting.low, longest: self.piece.get() };
        let (pieces, funnel) = pieces(log, &rules, cut);
        Ok(Found::windows(pieces.into_iter().filter_map(|p| window(log, p, "coastdown", cx)).collect(), funnel))
    }
}

impl Coastdown {
    /// Samples with the clutch open or in neutral; none where the log has neither channel.
    fn disengaged(&self, log: &LogFrame) -> Option<Rule> {
        let (clutch, gear) = (log.get("clutch"), log.get("gear"));
        let open = |i: usize| clutch.and_then(|c| c.get(i)).is_some_and(|c| *c >= self.clutch.get());
        let neutral = |i: usize| gear.and_then(|g| g.get(i)).is_some_and(|g| *g == 0.0);
        Some(Rule { name: "engaged", pass: (0..log.len()).map(|i| open(i) || neutral(i)).collect() })
    }
}
