//! `straight`: any straight running without the brake, accelerating included. What a strict steady filter
//! throws away; the fit then takes load transfer and vertical curvature as regressors.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Found;
use super::select::{
    Cut, LATERAL, LONGITUDINAL, Rule, SPEED, STEERING, braking_rules, check_braking, check_lasting, check_positive,
    pieces, window,
};
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::{CheckCx, LogCx, Schema, WindowStage};
use crate::table::frame::LogFrame;
use crate::units::{Acceleration, Angle, Pressure, Range, Time, of};

/// Any straight running without the brake, accelerating included.
///
/// What the strict selection of `steady` throws away. It needs load transfer and vertical curvature as unknowns:
/// `cross_check` lets them in, `fit` with `let_in`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Straight {
    /// Speeds that count.
    pub speed: Located<Range<of::Speed>>,
    /// Largest lateral acceleration, either way.
    pub lateral: Located<Acceleration>,
    /// Largest steering wheel angle, either way; not looked at where left out.
    #[serde(default)]
    pub steering: Option<Located<Angle>>,
    /// Largest forward acceleration.
    #[serde(default = "longitudinal")]
    pub longitudinal: Located<Acceleration>,
    /// Largest brake pressure that is still off the brake.
    #[serde(default = "brake")]
    pub brake: Located<Pressure>,
    /// The most that the car slows down by itself, as a deceleration, for example `0.25 g`: more is braking. Needed
    /// where `brake_pressure` is not logged; lighter braking than this passes unseen then.
    #[serde(default)]
    pub deceleration: Option<Located<Acceleration>>,
    /// Shortest and longest window; longer stretches are cut.
    #[serde(default = "lasting")]
    pub lasting: Located<Range<of::Time>>,
    /// Time at the start of a stretch that is left out, for the car to settle.
    #[serde(default = "settle")]
    pub settle: Located<Time>,
}

// Defaults: common practice, no source.
fn longitudinal() -> Located<Acceleration> {
    Located::nowhere(Acceleration::si(0.6 * crate::units::G))
}
fn brake() -> Located<Pressure> {
    Located::nowhere(Pressure::si(1e5))
}
fn lasting() -> Located<Range<of::Time>> {
    Located::nowhere(Range::si(0.8, 1.6))
}
fn settle() -> Located<Time> {
    Located::nowhere(Time::si(0.5))
}

/// Kind of its windows.
pub const STRAIGHT: &str = "straight";

impl WindowStage for Straight {
    fn check(&self, input: &Schema, cx: &mut CheckCx) {
        for channel in ["v_air", "density_ratio", "acceleration", "accel_y"] {
            cx.need(input, channel);
        }
        if let Some(steering) = &self.steering {
            cx.need_at(input, "steering", steering.spot);
        }
        check_braking(input, self.deceleration.as_ref(), "free running", cx);
        check_lasting(&self.lasting, cx);
        check_positive(self.lateral.get(), self.lateral.spot, "lateral", cx);
        check_positive(self.longitudinal.get(), self.longitudinal.spot, "longitudinal", cx);
    }

    fn reads(&self) -> Vec<&str> {
        let mut names = vec!["speed", "accel_x", "accel_y", "course", "accel_z", "brake_pressure"];
        names.extend(self.steering.is_some().then_some("steering"));
        names
    }

    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault> {
        let (lateral, forward) = (self.lateral.get(), self.longitudinal.get());
        let first = [
            Some(Rule::within(SPEED, log, "speed", (self.speed.low, self.speed.high))),
            Some(Rule::at_most(LATERAL, log, "accel_y", lateral)),
            self.steering.as_ref().map(|s| Rule::at_most(STEERING, log, "steering", s.get())),
        ];
        let then =
            [Rule::at_most(LONGITUDINAL, log, "acceleration", forward), Rule::known("air_unknown", log, "v_air")];
        let braking = braking_rules(log, &self.brake, self.deceleration.as_ref());
        let rules: Vec<Rule> = first.into_iter().flatten().chain(braking).chain(then).collect();
        let cut = Cut {
            settle: self.settle.get(),
            shortest: self.lasting.low,
            least: self.lasting.low,
            longest: self.lasting.high,
        };
        let (pieces, funnel) = pieces(log, &rules, cut);
        Ok(Found::windows(pieces.into_iter().filter_map(|p| window(log, p, STRAIGHT, cx)).collect(), funnel))
    }
}
