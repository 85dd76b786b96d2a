//! `resistance`: drive force less what the gradient takes; the window adds what acceleration takes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Resistance to motion.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Resistance {
    /// Where the drive force comes from.
    pub from: DriveForce,
    /// How the gradient is known.
    #[serde(default)]
    pub gradient: Gradient,
}

/// Where the drive force comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DriveForce {
    /// Torque at the driven wheels.
    WheelTorque,
    /// Torque of the shaft into the final drive.
    ShaftTorque,
    /// None: only coasting windows say anything.
    Coasting,
}

/// How the gradient is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Gradient {
    /// From the `grade` channel.
    Channel,
    /// From the accelerometer: specific force along x less the change of speed.
    Accelerometer,
    /// The road is level.
    #[default]
    Level,
}

impl crate::stages::LogStage for Resistance {
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
