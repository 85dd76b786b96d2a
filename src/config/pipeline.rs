//! The pipeline file: the season, its inputs, and the chain of stages in three kinds.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::stages::{LogStep, SeasonStep, WindowStep};

/// A pipeline definition. Paths are relative to the file's own folder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pipeline {
    /// Name of the season: the partition of every table.
    pub season: Located<String>,
    /// Car file.
    pub car: Located<String>,
    /// Run sheet, CSV or YAML.
    pub run_sheet: Located<String>,
    /// Folder that the tables are written to.
    pub tables: Located<String>,
    /// Units of the summary.
    #[serde(default)]
    pub show: Show,
    /// Log stages: one log in, one log out; in parallel.
    pub per_log: Vec<Located<LogStep>>,
    /// Window stages: one log in, its windows out.
    pub windows: Vec<Located<WindowStep>>,
    /// Season stages: all windows in, tables out.
    pub season_wide: Vec<Located<SeasonStep>>,
}

/// Units of the terminal summary. Tables are always SI.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Show {
    /// Unit of forces.
    pub force: Located<String>,
    /// Unit of speeds.
    pub speed: Located<String>,
}

impl Default for Show {
    fn default() -> Self {
        Self { force: Located::nowhere("N".to_owned()), speed: Located::nowhere("km/h".to_owned()) }
    }
}
