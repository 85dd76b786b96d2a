//! `align`: one time base for all channels, outings, runs. Never invents data across gaps.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::units::{Frequency, Speed, Time};

/// Brings a log to one time base.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Align {
    /// Rate of the time base.
    pub rate: Located<Frequency>,
    /// Longest gap between a channel's own samples that is bridged by a straight line.
    #[serde(default = "gap")]
    pub bridge: Located<Time>,
    /// Length of the stretch over which speed is differentiated.
    #[serde(default = "smoothing")]
    pub slope_over: Located<Time>,
    /// A new outing starts after the car stood, below this speed, …
    #[serde(default = "standing")]
    pub standing: Speed,
    /// … for this long.
    #[serde(default = "stop")]
    pub stop: Time,
}

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

impl crate::stages::LogStage for Align {
    fn check(&self, input: crate::stages::Schema, _cx: &mut crate::stages::CheckCx) -> crate::stages::Schema {
        input
    }
    fn reads(&self) -> Vec<&str> {
        Vec::new()
    }
    fn run(
        &self,
        log: crate::table::frame::LogFrame,
        _cx: &crate::stages::LogCx,
    ) -> Result<crate::table::frame::LogFrame, crate::error::LogFault> {
        Ok(log)
    }
}
