//! Season stages: all windows in, tables out.

pub mod air_speed;
pub mod answers;
pub mod compare;
pub mod cross_check;
pub mod energy;
pub mod expected;
pub mod fit;
pub mod history;
pub mod limits;
pub mod parts;
pub mod predict;
pub mod rank;
pub mod regressors;
pub mod stated;
pub mod tyres;

use std::collections::BTreeMap;

use crate::stages::window::Window;
use crate::stages::window::peaks::Peaks;
use crate::table::rows::{
    AgreementRow, CombinationRow, ComparisonRow, ConfigurationRow, CrossCheckRow, FitRow, PartRow, PredictionRow,
    RegressorRow, WindRow,
};
use crate::table::verdicts::{EnergyRow, ExpectedRow, ExpectedScaleRow, HistoryRow, LimitRow, TyreRow};

/// The tables of a season as the season stages fill them.
#[derive(Debug, Default)]
pub struct SeasonTables {
    /// Names of the quantities, in the order of `Window::measures`.
    pub quantities: Vec<String>,
    /// SI unit symbol of each quantity.
    pub units: Vec<String>,
    /// Every window, sorted by log, kind, start.
    pub windows: Vec<Window>,
    /// Highest loads of every stretch, from the window stage `peaks`.
    pub peaks: Vec<Peaks>,
    /// What `fit` found, with its covariance, for the stages after it.
    pub model: Option<fit::SeasonFit>,
    /// Rows of `winds`.
    pub winds: Vec<WindRow>,
    /// Rows of `agreement`.
    pub agreement: Vec<AgreementRow>,
    /// Quantities that drift through the outings.
    pub drifts: Vec<fit::drift::Drift>,
    /// Logs that do not fit their configuration, and how; for the table `logs`.
    pub odd_logs: BTreeMap<String, String>,
    /// Rows of `fits`.
    pub fits: Vec<FitRow>,
    /// Rows of `configurations`.
    pub configurations: Vec<ConfigurationRow>,
    /// Rows of `comparisons`.
    pub comparisons: Vec<ComparisonRow>,
    /// What `parts` found, with its covariance, for the stages after it.
    pub parts_model: Option<parts::model::PartsFit>,
    /// Rows of `parts`.
    pub parts: Vec<PartRow>,
    /// Rows of `predictions`.
    pub predictions: Vec<PredictionRow>,
    /// Rows of `combinations`.
    pub combinations: Vec<CombinationRow>,
    /// Rows of `cross_checks`.
    pub cross_checks: Vec<CrossCheckRow>,
    /// Rows of `regressors`.
    pub regressors: Vec<RegressorRow>,
    /// Rows of `expected`.
    pub expected: Vec<ExpectedRow>,
    /// Rows of `expected_scale`.
    pub expected_scale: Vec<ExpectedScaleRow>,
    /// Rows of `limits`.
    pub limits: Vec<LimitRow>,
    /// Rows of `tyres`.
    pub tyres: Vec<TyreRow>,
    /// Rows of `energy`.
    pub energy: Vec<EnergyRow>,
    /// Rows of `history`.
    pub history: Vec<HistoryRow>,
}
