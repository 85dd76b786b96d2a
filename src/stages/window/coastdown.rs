//! `coastdown`: straight coasting, no drive, no brake.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
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

impl crate::stages::WindowStage for Coastdown {
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
