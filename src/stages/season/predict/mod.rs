//! `predict`: what named combinations of parts and wing positions will do, whether they ran or not.

pub mod balance;
pub mod forecast;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::balance::Position;
use self::forecast::{Forecast, Ground, Remark, Wing, Wish};
use super::SeasonTables;
use super::parts::{known_part, part_names};
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::rows::PredictionRow;
use crate::units::{self, Dimension, Ratio, Speed, Unit};

/// What named combinations of parts and wing positions will do, whether they ran or not. Needs `parts`.
///
/// As there, parts are held to add up, so that every configuration tells something of each of its parts: with few sessions
/// the interval of a combination that ran may be much narrower than that of `fit`, which holds for it alone. Of a part that
/// one session alone ran, what that session's other windows say of its sensors is taken off too, as `compare` does not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Predict {
    /// The combinations.
    pub list: Vec<Asked>,
}

/// One combination.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// What it is called in the table.
    pub name: Located<String>,
    /// Parts fitted; none where left out.
    #[serde(default)]
    pub parts: Vec<Located<String>>,
    /// Wing position; that of the first configuration of the run sheet where left out.
    #[serde(default)]
    pub wing_position: Option<Located<f64>>,
    /// Solve for the wing position that gives this front share of the downforce instead.
    #[serde(default)]
    pub balance: Option<Located<Ratio>>,
    /// Speed that forces are given at; the reference speed of `fit` where left out.
    #[serde(default)]
    pub speed: Option<Located<Speed>>,
}

impl Asked {
    fn check(&self, parts: &[&str], cx: &mut CheckCx) {
        if self.name.trim().is_empty() {
            cx.fault(self.name.spot, "`name` is empty", "expected a name for the table");
        }
        self.parts.iter().for_each(|p| known_part(p, parts, cx));
        let has_wing = cx.runs.iter().any(|r| r.wing_position.is_some());
        let wing_spot = self.wing_position.as_ref().map(|w| w.spot).or(self.balance.as_ref().map(|b| b.spot));
        if let (Some(spot), false) = (wing_spot, has_wing) {
            cx.fault(spot, "the run sheet names no wing position", "fill its column `wing_position`");
        }
        if let (Some(_), Some(balance)) = (&self.wing_position, &self.balance) {
            let label = "name the position, or the balance that it must give";
            cx.fault(balance.spot, "`wing_position` and `balance` exclude each other", label);
        }
        if let Some(b) = self.balance.as_ref().filter(|b| !(0.0..=1.0).contains(&b.get())) {
            cx.fault(b.spot, "a balance is a share of the downforce", "for example `42 %`");
        }
        if let Some(w) = self.wing_position.as_ref().filter(|w| !w.is_finite()) {
            cx.fault(w.spot, "a wing position must be a number", "for example 3");
        }
        stated::check(self.speed.as_ref(), None, cx);
    }

    fn wish(&self, reference_speed: f64) -> Wish {
        let wing = match (&self.balance, &self.wing_position) {
            (Some(b), _) => Wing::Balance(b.get()),
            (None, Some(w)) => Wing::At(w.value),
            (None, None) => Wing::Reference,
        };
        Wish {
            parts: self.parts.iter().map(|p| p.value.clone()).collect(),
            wing,
            speed: self.speed.as_ref().map_or(reference_speed, |s| s.get()),
        }
    }
}

impl SeasonStage for Predict {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        if !before.contains(&"parts") {
            cx.fault(Spot::default(), "stage `predict` needs what `parts` finds", "put `parts` before it");
        }
        if self.list.is_empty() {
            cx.fault(Spot::default(), "`predict` names no combination", "for example { name: next, parts: [] }");
        }
        let runs = cx.runs;
        let parts = part_names(runs);
        for (i, asked) in self.list.iter().enumerate() {
            asked.check(&parts, cx);
            if self.list.iter().take(i).any(|other| other.name == asked.name) {
                cx.fault(asked.name.spot, format!("`{}` is named twice", asked.name.value), "already given above");
            }
        }
    }

    fn run(&self, tables: &mut SeasonTables, _cx: &SeasonCx) -> Result<(), Fatal> {
        let (Some(parts), Some(season)) = (&tables.parts_model, &tables.model) else {
            return Err(Fatal::Internal("`predict` ran without parts".to_owned()));
        };
        let ground = Ground::new(parts, season, tables);
        let speed = units::unit_of("km/h", Dimension::Speed).map_err(|e| Fatal::Internal(e.to_string()))?;
        let mut out = Vec::new();
        for asked in &self.list {
            let forecast = ground.answer(&asked.wish(parts.speed));
            let wanted = asked.balance.as_ref().map(|b| b.get());
            out.extend(rows(&asked.name, &forecast, wanted, parts.density, speed));
        }
        tables.predictions = out;
        Ok(())
    }
}

/// A forecast as rows of `predictions`.
pub fn rows(name: &str, forecast: &Forecast, wanted: Option<f64>, density: f64, speed: Unit) -> Vec<PredictionRow> {
    // What a figure rests on stands with it alone.
    let of_all = forecast.remarks.iter().filter(|r| !matches!(r, Remark::Rests(_))).map(|r| r.flag());
    let of_all: BTreeSet<&str> = of_all.collect();
    let joined = |own: &BTreeSet<&str>| of_all.union(own).copied().collect::<Vec<_>>().join(",");
    let of_figures: BTreeSet<&str> = forecast.figures.iter().flat_map(|f| f.flags.iter().copied()).collect();
    let head = PredictionRow {
        name: name.to_owned(),
        parts: forecast.combination.parts.iter().map(String::as_str).collect::<Vec<_>>().join("+"),
        wing_position: forecast.combination.wing,
        speed: forecast.speed,
        density,
        wanted_balance: wanted,
        ran_as: forecast.ran_as.clone(),
        remarks: forecast.remarks.iter().map(|r| r.words(speed)).collect::<Vec<_>>().join("; "),
        flags: joined(&of_figures),
        ..Default::default()
    };
    let mut out = Vec::new();
    if let Some(position) = &forecast.position {
        let mut row = PredictionRow { quantity: "wing_position".to_owned(), unit: "1".to_owned(), ..head.clone() };
        if let Position::Reached { at, se, interval, dof, .. } = position {
            row.value = Some(*at);
            row.value_se = Some(*se).filter(|s| s.is_finite());
            (row.value_lo95, row.value_hi95) = (interval.map(|i| i.0), interval.map(|i| i.1));
            row.degrees_of_freedom = Some(*dof).filter(|d| d.is_finite() && *d > 0.0);
        }
        out.push(row);
    }
    for figure in &forecast.figures {
        let e = figure.estimate.as_ref();
        out.push(PredictionRow {
            quantity: figure.quantity.clone(),
            flags: joined(&figure.flags),
            unit: figure.unit.clone(),
            value: e.map(|e| e.value),
            value_se: e.map(|e| e.se),
            value_lo95: e.map(|e| e.interval.0),
            value_hi95: e.map(|e| e.interval.1),
            session_lo95: figure.session.map(|s| s.0),
            session_hi95: figure.session.map(|s| s.1),
            degrees_of_freedom: e.map(|e| e.dof).filter(|d| d.is_finite()),
            ..head.clone()
        });
    }
    out
}
