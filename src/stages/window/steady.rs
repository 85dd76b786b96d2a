//! `steady`: straight running at constant speed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
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

fn settle() -> Located<Time> {
    Located::nowhere(Time::si(0.3))
}

impl crate::stages::WindowStage for Steady {
    fn check(&self, _input: &crate::stages::Schema, _cx: &mut crate::stages::CheckCx) {}
    fn reads(&self) -> Vec<&str> {
        Vec::new()
    }
    fn run(
        &self,
        _log: &crate::table::frame::LogFrame,
        _cx: &crate::stages::LogCx,
    ) -> Result<(Vec<super::Window>, super::Funnel), crate::error::LogFault> {
        Ok(Default::default())
    }
}
