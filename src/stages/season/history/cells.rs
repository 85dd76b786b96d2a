//! The season's model with a coefficient for every configuration and event.

use std::collections::{BTreeMap, BTreeSet};

use super::series::Point;
use crate::stages::season::fit::estimate::Derived;
use crate::stages::season::fit::evidence::{Configuration, Evidence, Observation};
use crate::stages::season::fit::{Fit, SeasonFit, Wind, scatter};

/// Degrees of freedom given to the least scatter where the logs show less or nothing: as if seen in a handful of
/// sessions.
const LEAST_DOF: f64 = 4.0;

/// The model solved event by event.
pub struct Cells {
    /// The solved model; its configurations are the cells.
    fit: SeasonFit,
    /// Cell of a configuration and event.
    index: BTreeMap<(usize, String), usize>,
    /// Scatter from session to session, relative, and degrees of freedom behind it.
    scatter: (f64, f64),
    /// Sessions behind every shared column.
    sessions: Vec<usize>,
}

impl Cells {
    /// Solves the model; `least` is the least relative scatter from session to session. `None` without a fit.
    pub fn of(season: &SeasonFit, least: f64) -> Option<Self> {
        let options = Fit { wind: Wind::None, ..season.options.clone()? };
        let (evidence, index) = split(season);
        let fit = options.solve_once(evidence, &season.quantities, season.rolling_resistance, season.density);
        fit.model.fit.as_ref()?;
        let scatter = match scatter::seen(&fit) {
            Some((relative, dof)) if relative > least && dof >= LEAST_DOF => (relative, dof),
            // With little evidence a larger scatter counts, a smaller one does not.
            Some((relative, dof)) => (relative.max(least), dof.max(LEAST_DOF)),
            None => (least, LEAST_DOF),
        };
        let sessions = scatter::sessions_of_columns(&fit.model).iter().map(Vec::len).collect();
        Some(Self { fit, index, scatter, sessions })
    }

    /// One number of one event alone; `None` where the configuration did not run or nothing could be fitted.
    pub fn point(&self, configuration: usize, event: &str, name: &str, position: usize) -> Option<Point> {
        let cell = *self.index.get(&(configuration, event.to_owned()))?;
        let (coefficient, _) = self.fit.named(cell, name)?;
        let factor = if SeasonFit::is_ratio(name) { 1.0 } else { self.fit.speed * self.fit.speed };
        let value = coefficient.times(factor);
        let of_cell = || self.fit.evidence.observations.iter().filter(|o| o.configuration == cell);
        let count = |f: fn(&Observation) -> usize| of_cell().map(f).collect::<BTreeSet<_>>().len();
        let (windows, outings) = (count(|o| o.window), count(|o| o.outing));
        let solved = self.fit.model.fit.as_ref()?;
        let within = solved.grouped_hc3(&value.gradient, &self.fit.windows_of_rows);
        Some(Point {
            position,
            value: value.value,
            within: (within, (windows as f64 - outings as f64 - 1.0).max(1.0)),
            common: (self.common(&value), self.scatter.1),
            windows,
            sessions: count(|o| o.session),
        })
    }

    /// Variance from what whole sessions have in common: every coefficient scatters by its share from session to
    /// session, the quantities independently, as sensors do.
    fn common(&self, value: &Derived) -> f64 {
        let Some(solved) = &self.fit.model.fit else { return f64::NAN };
        let parts = value.gradient.iter().zip(solved.beta.iter()).zip(&self.sessions);
        parts.map(|((g, b), m)| (g * b * self.scatter.0).powi(2) / (*m).max(1) as f64).sum()
    }
}

/// The evidence with a configuration for every configuration and event, and the wind of the whole season inside
/// the regressor.
fn split(season: &SeasonFit) -> (Evidence, BTreeMap<(usize, String), usize>) {
    let mut evidence = season.evidence.clone();
    let event = |o: &Observation| season.evidence.sessions.get(o.session).map(|s| s.0.clone()).unwrap_or_default();
    let mut index: BTreeMap<(usize, String), usize> =
        season.evidence.observations.iter().map(|o| ((o.configuration, event(o)), 0)).collect();
    for (i, cell) in index.values_mut().enumerate() {
        *cell = i;
    }
    let name = |k: usize| season.evidence.configurations.get(k).map(|c| c.name.as_str()).unwrap_or_default();
    evidence.configurations = index
        .keys()
        .map(|(k, event)| Configuration {
            name: format!("{} {event}", name(*k)),
            parts: Vec::new(),
            wing_position: None,
        })
        .collect();
    for (i, o) in evidence.observations.iter_mut().enumerate() {
        let cell = index.get(&(o.configuration, event(o))).copied().unwrap_or_default();
        o.configuration = cell;
        if let Some(x) = season.model.x.get(i) {
            o.v2 = *x;
        }
        o.heading = (0.0, 0.0);
    }
    (evidence, index)
}
