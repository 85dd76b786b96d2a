//! The season's model with a coefficient for every configuration and event.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DVector;

use super::series::Point;
use crate::stages::season::fit::estimate::Derived;
use crate::stages::season::fit::evidence::{Configuration, Evidence, Observation};
use crate::stages::season::fit::{Fit, Given, SeasonFit, Wind, scatter};

/// Degrees of freedom given to the least scatter where the logs show less or nothing: as if seen in a handful of
/// sessions.
const LEAST_DOF: f64 = 4.0;

/// Squares of what a session's wind is off by over those of its standard error, which knows gusts that fade along a straight
/// and no slower changes of the wind (by trial: generated seasons of two minutes an outing, 1.3 to 1.5 squared).
const BEYOND: f64 = 2.0;

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
    /// Per wind component that the season's fit estimated: its standard error, m/s, and the relative change of every
    /// shared column per m/s of it, s/m.
    winds: Vec<(f64, DVector<f64>)>,
}

impl Cells {
    /// Solves the model; `least` is the least relative scatter from session to session. `None` without a fit.
    pub fn of(season: &SeasonFit, least: f64) -> Option<Self> {
        let options = Fit { wind: Wind::None, ..season.options.clone()? };
        let (evidence, index) = split(season);
        let given = Given {
            quantities: &season.quantities,
            rolling_resistance: season.rolling_resistance,
            density: season.density,
            kept: None,
        };
        let fit = options.solve_once(evidence, given);
        fit.model.fit.as_ref()?;
        let scatter = match scatter::seen(&fit, &fit.pooled.as_ref()?.within) {
            Some((relative, dof)) if relative > least && dof >= LEAST_DOF => (relative, dof),
            // With little evidence a larger scatter counts, a smaller one does not.
            Some((relative, dof)) => (relative.max(least), dof.max(LEAST_DOF)),
            None => (least, LEAST_DOF),
        };
        let sessions = scatter::sessions_of_columns(&fit.model).iter().map(Vec::len).collect();
        let winds = winds(season, &fit);
        Some(Self { fit, index, scatter, sessions, winds })
    }

    /// One number of one event alone; `None` where the configuration did not run or nothing could be fitted.
    pub fn point(&self, configuration: usize, event: &str, name: &str, position: usize) -> Option<Point> {
        let cell = *self.index.get(&(configuration, event.to_owned()))?;
        let (coefficient, _) = self.fit.named(cell, name)?;
        let factor = if SeasonFit::is_ratio(name) { 1.0 } else { self.fit.speed * self.fit.speed };
        let value = coefficient.times(factor);
        let count = |f: fn(&Observation) -> usize| self.fit.behind(cell, name).map(f).collect::<BTreeSet<_>>().len();
        let (windows, outings) = (count(|o| o.window), count(|o| o.outing));
        let within = self.fit.within(&value.gradient);
        Some(Point {
            position,
            value: value.value,
            within: (within, (windows as f64 - outings as f64 - 1.0).max(1.0)),
            common: (self.common(&value), self.scatter.1),
            windows,
            sessions: count(|o| o.session),
        })
    }

    /// Variance from what whole sessions have in common: every coefficient scatters by its share from session to session, the
    /// quantities together as far as the season shows it; and the wind of each session, which all its quantities share, is
    /// known only so well.
    fn common(&self, value: &Derived) -> f64 {
        let Some(solved) = &self.fit.model.fit else { return f64::NAN };
        let n = self.fit.quantities.len();
        let mut pulls = vec![0.0; n];
        for ((_, q), c) in &self.fit.model.column {
            let sessions = self.sessions.get(*c).copied().unwrap_or(1).max(1) as f64;
            pulls[*q] += value.gradient[*c] * solved.beta[*c] / sessions.sqrt();
        }
        let sensors = self.fit.of_session.variance(&pulls, &vec![self.scatter.0; n]);
        let weighed = value.gradient.component_mul(&solved.beta);
        sensors + BEYOND * self.winds.iter().map(|(sd, change)| (sd * change.dot(&weighed)).powi(2)).sum::<f64>()
    }
}

/// What an error of each session's estimated wind does to the columns of `fit`, whose regressors hold that wind: with
/// s = ∂x/∂wind the slope on x changes by −Σw·x̃·s̃/Σw·x̃² of itself, means taken off outing by outing.
fn winds(season: &SeasonFit, fit: &SeasonFit) -> Vec<(f64, DVector<f64>)> {
    let Some(solved) = &fit.model.fit else { return Vec::new() };
    let mut all = vec![0.0; solved.beta.len()];
    let mut by_session: BTreeMap<usize, [DVector<f64>; 2]> = BTreeMap::new();
    let mut groups: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for (i, o) in fit.evidence.observations.iter().enumerate() {
        if let Some(column) = fit.model.column.get(&(o.configuration, o.quantity)) {
            groups.entry((*column, o.outing)).or_default().push(i);
        }
    }
    for ((column, outing), rows) in groups {
        let rows: Vec<[f64; 4]> = rows
            .iter()
            .filter_map(|i| {
                let o = season.evidence.observations.get(*i)?;
                let wind = season.model.wind.get(o.session)?.wind;
                let (s, w) = (o.slope(wind), fit.model.weight.get(*i)?);
                Some([*w, *season.model.x.get(*i)?, s * o.heading.0, s * o.heading.1])
            })
            .collect();
        let weight: f64 = rows.iter().map(|r| r[0]).sum();
        let mean = |k: usize| rows.iter().map(|r| r[0] * r[k]).sum::<f64>() / weight;
        let (x, north, east) = (mean(1), mean(2), mean(3));
        let product = |k: usize, m: f64| rows.iter().map(|r| r[0] * (r[1] - x) * (r[k] - m)).sum::<f64>();
        if weight > 0.0 {
            all[column] += product(1, x);
            if let Some(session) = season.evidence.observations.iter().find(|o| o.outing == outing).map(|o| o.session) {
                let to =
                    by_session.entry(session).or_insert_with(|| [DVector::zeros(all.len()), DVector::zeros(all.len())]);
                to[0][column] -= product(2, north);
                to[1][column] -= product(3, east);
            }
        }
    }
    let mut out = Vec::new();
    for (session, changes) in by_session {
        let Some((north, east)) = season.model.wind.get(session).and_then(|w| w.standard_error) else { continue };
        for (sd, change) in [north, east].into_iter().zip(changes) {
            out.push((sd, DVector::from_fn(all.len(), |c, _| if all[c] > 0.0 { change[c] / all[c] } else { 0.0 })));
        }
    }
    out
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::season::fit::tests::{PLAIN, Season, make, solve};

    #[test]
    fn a_wind_error_moves_a_coefficient_by_two_parts_in_speed() {
        // One heading: with x = r·(v + w)² a wind error δ looks like a factor on x, 1 + 2δ/(v + w) at every speed, so
        // that the slope moves by less than 2δ/v at the lowest and more than δ/v at the highest speed, 25 and 60 m/s.
        let tables = make(&Season { sessions: 4, headings: 1, wind: 0.5, ..Default::default() }, 11);
        let mut tables = tables;
        tables.windows.iter_mut().for_each(|w| w.event = w.session.clone());
        let season = solve(&tables, PLAIN, 3);
        let cells = Cells::of(&season, 0.01).unwrap();
        assert_eq!(cells.winds.len(), 8);
        for session in cells.winds.as_chunks::<2>().0 {
            let [north, east] = session;
            assert!(north.0 > 0.0 && east.0 > 0.0);
            let moved = north.1.zip_map(&east.1, f64::hypot);
            let mine: Vec<f64> = moved.iter().copied().filter(|m| *m > 0.0).collect();
            assert_eq!(mine.len(), 9, "three configurations of three quantities");
            assert!(mine.iter().all(|m| (1.0 / 61.0..2.0 / 24.0).contains(m)), "{mine:?}");
        }
        let cell = cells.fit.named(0, "front_downforce").unwrap().0;
        let sensors = (0.01 * cell.value).powi(2);
        assert!(cells.common(&cell) > 4.0 * sensors, "one heading leaves the wind nearly unknown");
    }
}
