//! Season stages: all windows in, tables out.

pub mod compare;
pub mod fit;

use crate::stages::window::Window;
use crate::stages::window::peaks::Peaks;
use crate::table::rows::{AgreementRow, ComparisonRow, ConfigurationRow, FitRow, WindRow, WindowRow};

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
    /// Rows of `windows`.
    pub window_rows: Vec<WindowRow>,
    /// Rows of `winds`.
    pub winds: Vec<WindRow>,
    /// Rows of `agreement`.
    pub agreement: Vec<AgreementRow>,
    /// Rows of `fits`.
    pub fits: Vec<FitRow>,
    /// Rows of `configurations`.
    pub configurations: Vec<ConfigurationRow>,
    /// Rows of `comparisons`.
    pub comparisons: Vec<ComparisonRow>,
}
