//! `fit`: every quantity against effective v², per configuration.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::units::{Ratio, Speed};

/// Least squares against effective v².
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fit {
    /// What is fitted: `front_downforce`, `rear_downforce`, `drag`, or any channel.
    pub quantities: Vec<Located<String>>,
    /// Reference speed.
    pub at: Located<Speed>,
    /// Where the wind comes from.
    #[serde(default)]
    pub wind: Wind,
    /// What an intercept belongs to.
    #[serde(default)]
    pub zero: Zero,
    /// How outlying windows are treated.
    #[serde(default)]
    pub method: Method,
    /// How windows are weighted.
    #[serde(default)]
    pub weights: Weights,
    /// Kinds of window that count as evidence: `steady`, `coastdown`, `straight`.
    #[serde(default = "kinds")]
    pub windows: Vec<Located<String>>,
    /// Scatter of a coefficient from session to session that is assumed where the logs can't show it.
    #[serde(default = "scatter")]
    pub assumed_session_scatter: Located<Ratio>,
}

fn kinds() -> Vec<Located<String>> {
    ["steady", "coastdown"].into_iter().map(|k| Located::nowhere(k.to_owned())).collect()
}
fn scatter() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.03))
}

/// Where the wind comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Wind {
    /// Estimated per session from straights of different heading.
    Estimate,
    /// As the run sheet says.
    RunSheet,
    /// Still air.
    #[default]
    None,
}

/// What an intercept belongs to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Zero {
    /// One per outing: sensor zeros drift between outings.
    #[default]
    PerOuting,
    /// One per configuration.
    PerConfiguration,
}

/// How outlying windows are treated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Huber's M-estimator, k = 1.345.
    #[default]
    Robust,
    /// Weighted least squares.
    Ordinary,
}

/// How windows are weighted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weights {
    /// By their own standard error and the spread between windows.
    #[default]
    Precision,
    /// All alike.
    Equal,
}

/// What `fit` found.
#[derive(Clone, Debug, Default)]
pub struct SeasonFit {}

impl crate::stages::SeasonStage for Fit {
    fn check(&self, _input: &crate::stages::Schema, _before: &[&'static str], _cx: &mut crate::stages::CheckCx) {}
    fn run(&self, _tables: &mut super::SeasonTables, _cx: &crate::stages::SeasonCx) -> Result<(), crate::error::Fatal> {
        Ok(())
    }
}
