//! `steady`: straight running at constant speed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Found;
use super::select::{Cut, LATERAL, LONGITUDINAL, Rule, SPEED, STEERING, check_lasting, check_positive, pieces, window};
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::{CheckCx, LogCx, Schema, WindowStage};
use crate::table::frame::LogFrame;
use crate::units::{Acceleration, Angle, Range, Time, of};

/// Straight running at constant speed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Steady {
    /// Speeds that count.
    pub speed: Located<Range<of::Speed>>,
    /// Largest lateral acceleration, either way.
    pub lateral: Located<Acceleration>,
    /// Largest steering wheel angle, either way; not looked at where left out.
    #[serde(default)]
    pub steering: Option<Located<Angle>>,
    /// Largest change of speed, either way.
    pub longitudinal: Located<Acceleration>,
    /// Shortest and longest window; longer stretches are cut.
    pub lasting: Located<Range<of::Time>>,
    /// Time at the start of a stretch that is left out, for the car to settle.
    #[serde(default = "settle")]
    pub settle: Located<Time>,
}

/// Common practice, no source.
fn settle() -> Located<Time> {
    Located::nowhere(Time::si(0.3))
}

impl WindowStage for Steady {
    fn check(&self, input: &Schema, cx: &mut CheckCx) {
        for channel in ["v_air", "density_ratio", "acceleration", "accel_y"] {
            cx.need(input, channel);
        }
        if let Some(steering) = &self.steering {
            cx.need_at(input, "steering", steering.spot);
        }
        check_lasting(&self.lasting, cx);
        check_positive(self.lateral.get(), self.lateral.spot, "lateral", cx);
        check_positive(self.longitudinal.get(), self.longitudinal.spot, "longitudinal", cx);
    }

    fn reads(&self) -> Vec<&str> {
        let mut names = vec!["speed", "accel_y", "course", "accel_z"];
        names.extend(self.steering.is_some().then_some("steering"));
        names
    }

    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault> {
        let (lateral, longitudinal) = (self.lateral.get(), self.longitudinal.get());
        let air = Rule::known("air_unknown", log, "v_air");
        let rules: Vec<Rule> = [
            Some(Rule::within(SPEED, log, "speed", (self.speed.low, self.speed.high))),
            Some(Rule::at_most(LATERAL, log, "accel_y", lateral)),
            self.steering.as_ref().map(|s| Rule::at_most(STEERING, log, "steering", s.get())),
            Some(Rule::at_most(LONGITUDINAL, log, "acceleration", longitudinal)),
            Some(air),
        ]
        .into_iter()
        .flatten()
        .collect();
        let cut = Cut {
            settle: self.settle.get(),
            shortest: self.lasting.low,
            least: self.lasting.low,
            longest: self.lasting.high,
        };
        let (pieces, funnel) = pieces(log, &rules, cut);
        Ok(Found::windows(pieces.into_iter().filter_map(|p| window(log, p, "steady", cx)).collect(), funnel))
    }
}
