//! `compare`: differences between configurations.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::units::Force;

/// Differences between configurations.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Compare {
    /// The configuration that the others are compared with; every pair where left out.
    #[serde(default)]
    pub against: Option<Located<String>>,
    /// Difference at the reference speed that the team wants to resolve.
    #[serde(default = "wanted")]
    pub resolve: Located<Force>,
}

fn wanted() -> Located<Force> {
    Located::nowhere(Force::si(70.0))
}

impl crate::stages::SeasonStage for Compare {
    fn check(&self, _input: &crate::stages::Schema, _before: &[&'static str], _cx: &mut crate::stages::CheckCx) {}
    fn run(&self, _tables: &mut super::SeasonTables, _cx: &crate::stages::SeasonCx) -> Result<(), crate::error::Fatal> {
        Ok(())
    }
}
