//! `air`: density of the air, and the speed of the car through it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::units::Density;

/// Air density and air speed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Air {
    /// Density that forces are reported at.
    #[serde(default = "sea_level")]
    pub reference_density: Located<Density>,
}

fn sea_level() -> Located<Density> {
    Located::nowhere(Density::si(1.225))
}

impl crate::stages::LogStage for Air {
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
