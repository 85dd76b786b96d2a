//! `loads`: downforce of each axle from damper travel or from load cells.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Axle downforce.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Loads {
    /// What measures the wheel loads.
    pub from: Sensors,
}

/// What measures the wheel loads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sensors {
    /// Damper travel, through springs and motion ratios of the car file.
    Dampers,
    /// Load cells that give the force at the wheel.
    LoadCells,
}

impl crate::stages::LogStage for Loads {
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
