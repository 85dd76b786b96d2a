//! `history`: did a configuration's numbers move from event to event, or from season to season?
//!
//! The model of `fit` is solved once more with a coefficient of its own for every event that a configuration ran
//! at; wind, and sessions that were left out, stay as the whole season found them. What sessions of one event
//! differ by is no change; it is taken from the events that had several sessions.

mod cells;
mod seasons;
mod series;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::cells::Cells;
use self::series::{Point, compare};
use super::SeasonTables;
use super::answers::{fitted, need_fit, unit_of};
use super::fit::SeasonFit;
use crate::config::run_sheet::RunRow;
use crate::error::Fatal;
use crate::located::Located;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::verdicts::HistoryRow;
use crate::units::Ratio;

/// Did a number move from event to event, or from season to season?
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct History {
    /// Scatter from session to session that is no change, at the least; the logs may show more.
    #[serde(default = "scatter")]
    pub least_session_scatter: Located<Ratio>,
    /// Other seasons to compare with; every one whose tables lie in the same folder where left out.
    #[serde(default)]
    pub seasons: Option<Vec<Located<String>>>,
}

/// A sensor's gain is seldom known better from day to day (common practice, no source).
fn scatter() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.01))
}

impl SeasonStage for History {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        if !(0.0..0.5).contains(&self.least_session_scatter.get()) {
            cx.fault(self.least_session_scatter.spot, "a scatter is a share of the number", "for example `1 %`");
        }
        for season in self.seasons.iter().flatten().filter(|s| s.value.is_empty() || s.contains(['/', '\\'])) {
            cx.fault(season.spot, format!("`{}` is no name of a season", season.value), "expected a name");
        }
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "history")?;
        let mut rows = self.events(fit, tables, cx);
        rows.extend(self.of_seasons(fit, tables, cx));
        tables.history = rows;
        Ok(())
    }
}

/// Events in the order of their dates, those without one in the order of the run sheet behind; with the date.
pub fn events(runs: &[RunRow]) -> Vec<(String, Option<String>)> {
    let mut found: Vec<(String, Option<String>)> = Vec::new();
    for r in runs {
        let date = r.date.as_ref().map(|d| d.value.clone());
        match found.iter_mut().find(|(name, _)| *name == r.event) {
            // ISO 8601 dates sort as text.
            Some((_, first)) => *first = first.take().into_iter().chain(date).min(),
            None => found.push((r.event.clone(), date)),
        }
    }
    found.sort_by_key(|(_, date)| date.clone().map_or((1, String::new()), |d| (0, d)));
    found
}

/// Names that the history follows: what was asked for, and the balance where both axles are fitted.
fn names(fit: &SeasonFit) -> Vec<String> {
    let mut names: Vec<String> = fit.reported.iter().filter(|n| *n != "resistance").cloned().collect();
    if ["front_downforce", "rear_downforce"].iter().all(|n| fit.quantities.iter().any(|q| q == n)) {
        names.push("balance".to_owned());
    }
    names
}

impl History {
    /// Rows of the events of this season.
    pub fn events(&self, fit: &SeasonFit, tables: &SeasonTables, cx: &SeasonCx) -> Vec<HistoryRow> {
        let events = events(cx.runs);
        let Some(cells) = Cells::of(fit, self.least_session_scatter.get()) else { return Vec::new() };
        let mut out = Vec::new();
        for name in names(fit) {
            let unit = unit_of(&name, &tables.quantities, &tables.units);
            // One series per configuration, adjusted together.
            let mut series: BTreeMap<usize, Vec<Point>> = BTreeMap::new();
            for (k, _) in fit.evidence.configurations.iter().enumerate() {
                for (position, (event, _)) in events.iter().enumerate() {
                    if let Some(point) = cells.point(k, event, &name, position) {
                        series.entry(k).or_default().push(point);
                    }
                }
            }
            let ordered: Vec<(usize, Vec<Point>)> = series.into_iter().collect();
            let changes = compare(&ordered.iter().map(|(_, s)| s.clone()).collect::<Vec<_>>(), "event");
            for ((k, points), changes) in ordered.iter().zip(changes) {
                for (point, change) in points.iter().zip(changes) {
                    let (event, date) = events.get(point.position).cloned().unwrap_or_default();
                    let mut row = HistoryRow {
                        of_season: cx.season.to_owned(),
                        event: Some(event),
                        date,
                        position: point.position as i64 + 1,
                        configuration: fit.evidence.configurations[*k].name.clone(),
                        quantity: name.clone(),
                        unit: unit.clone(),
                        reference_speed: fit.speed,
                        reference_density: fit.density,
                        ..Default::default()
                    };
                    series::put(&mut row, point, &change);
                    out.push(row);
                }
            }
        }
        out
    }
}
