//! `rank`: every combination of the available parts and the wing positions that ran, under limits.

pub mod efficient;
pub mod limits;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::efficient::{Candidate, mark};
use self::limits::{Held, all_held};
use super::SeasonTables;
use super::parts::terms::Combination;
use super::parts::{known_part, part_names};
use super::predict::balance::why;
use super::predict::forecast::Ground;
use crate::config::run_sheet::RunRow;
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::stages::season::fit::estimate::Estimate;
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::flags::DIVISOR_NOT_RESOLVED;
use crate::table::rows::CombinationRow;
use crate::units::{Force, Range, Ratio, Speed, of};

/// Parts that can be combined: 2 to this power combinations at every wing position.
const MOST_PARTS: usize = 12;

/// Every combination of parts and wing positions, under limits at the reference speed.
///
/// An estimate, no approval: whether mounts and wings hold the loads, and whether the parts may be run, is for a
/// qualified person and the rules of the series to say.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rank {
    /// Parts that are at hand; every part of the run sheet where left out.
    #[serde(default)]
    pub parts: Option<Vec<Located<String>>>,
    /// Wing positions; those that ran where left out.
    #[serde(default)]
    pub wing_positions: Option<Vec<Located<f64>>>,
    /// Speed that forces and limits are at; the reference speed of `fit` where left out.
    #[serde(default)]
    pub speed: Option<Located<Speed>>,
    /// Least front downforce.
    #[serde(default)]
    pub front_at_least: Option<Located<Force>>,
    /// Least rear downforce.
    #[serde(default)]
    pub rear_at_least: Option<Located<Force>>,
    /// Least downforce of both axles.
    #[serde(default)]
    pub downforce_at_least: Option<Located<Force>>,
    /// Largest drag.
    #[serde(default)]
    pub drag_at_most: Option<Located<Force>>,
    /// Front share of the downforce, `40..44 %`.
    #[serde(default)]
    pub balance: Option<Located<Range<of::Ratio>>>,
    /// Least downforce over drag.
    #[serde(default)]
    pub efficiency_at_least: Option<Located<Ratio>>,
}

impl Rank {
    fn available<'a>(&'a self, runs: &'a [RunRow]) -> Vec<&'a str> {
        match &self.parts {
            Some(parts) => parts.iter().map(|p| p.value.as_str()).collect(),
            None => part_names(runs),
        }
    }

    /// Wing positions in rising order; one `None` where the season has none.
    fn positions(&self, runs: &[RunRow]) -> Vec<Option<f64>> {
        let mut out: Vec<f64> = match &self.wing_positions {
            Some(all) => all.iter().map(|w| w.value).collect(),
            None => runs.iter().filter_map(|r| r.wing_position).collect(),
        };
        out.sort_by(f64::total_cmp);
        out.dedup();
        if out.is_empty() { vec![None] } else { out.into_iter().map(Some).collect() }
    }

    fn combinations(&self, runs: &[RunRow]) -> Vec<Combination> {
        let parts: BTreeSet<&str> = self.available(runs).into_iter().collect();
        let parts: Vec<&str> = parts.into_iter().take(MOST_PARTS).collect();
        let mut out = Vec::new();
        for wing in self.positions(runs) {
            for bits in 0..1_usize << parts.len() {
                let on = parts.iter().enumerate().filter(|(i, _)| bits >> i & 1 == 1);
                out.push(Combination { parts: on.map(|(_, p)| (*p).to_owned()).collect(), wing });
            }
        }
        out
    }
}

impl SeasonStage for Rank {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        if !before.contains(&"parts") {
            cx.fault(Spot::default(), "stage `rank` needs what `parts` finds", "put `parts` before it");
        }
        let runs = cx.runs;
        let names = part_names(runs);
        self.parts.iter().flatten().for_each(|p| known_part(p, &names, cx));
        let count = self.available(runs).len();
        if count > MOST_PARTS {
            let spot = self.parts.as_ref().and_then(|p| p.first()).map_or(Spot::default(), |p| p.spot);
            let message = format!(
                "{count} parts make {} combinations at every wing position: more than 2^{MOST_PARTS}",
                1_u128.checked_shl(count as u32).map_or_else(|| "too many".to_owned(), |n| n.to_string())
            );
            cx.fault(spot, message, format!("name at most {MOST_PARTS} under `parts`"));
        }
        if let Some(w) = self.wing_positions.iter().flatten().find(|w| !w.is_finite()) {
            cx.fault(w.spot, "a wing position must be a number", "for example 3");
        }
        if let Some(w) = self.wing_positions.iter().flatten().next()
            && runs.iter().all(|r| r.wing_position.is_none())
        {
            cx.fault(w.spot, "the run sheet names no wing position", "fill its column `wing_position`");
        }
        stated::check(self.speed.as_ref(), None, cx);
        if let Some(b) = self.balance.as_ref().filter(|b| b.low < 0.0 || b.high > 1.0) {
            cx.fault(b.spot, "a balance is a share of the downforce", "for example `40..44 %`");
        }
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let (Some(parts), Some(season)) = (&tables.parts_model, &tables.model) else {
            return Err(Fatal::Internal("`rank` ran without parts".to_owned()));
        };
        let ground = Ground::new(parts, season, tables);
        tables.combinations = self.rows(&ground, cx.runs);
        Ok(())
    }
}

impl Rank {
    /// The ranked combinations.
    pub fn rows(&self, ground: &Ground, runs: &[RunRow]) -> Vec<CombinationRow> {
        let speed = self.speed.as_ref().map_or(ground.parts().speed, |s| s.get());
        let mut found: Vec<(CombinationRow, Candidate)> = self
            .combinations(runs)
            .into_par_iter()
            .map(|c| {
                let row = self.row(ground, &c, speed);
                let candidate = Candidate::new(ground.parts(), &c, row.limits.as_str());
                (row, candidate)
            })
            .collect();
        mark(ground.parts(), &mut found);
        let order = |r: &CombinationRow| match r.limits.as_str() {
            "yes" => 0,
            "unsure" => 1,
            "no" => 2,
            _ => 3,
        };
        let most = |r: &CombinationRow| r.downforce.unwrap_or(f64::NEG_INFINITY);
        // The order of the combinations decides between equals.
        found.sort_by(|(a, _), (b, _)| order(a).cmp(&order(b)).then(most(b).total_cmp(&most(a))));
        let mut out: Vec<CombinationRow> = found.into_iter().map(|(row, _)| row).collect();
        out.iter_mut().enumerate().for_each(|(i, row)| row.rank = i as i64 + 1);
        out
    }

    fn row(&self, ground: &Ground, combination: &Combination, speed: f64) -> CombinationRow {
        let mut row = CombinationRow {
            parts: combination.parts.iter().map(String::as_str).collect::<Vec<_>>().join("+"),
            wing_position: combination.wing,
            ran_as: ground.ran_as(combination),
            reference_speed: speed,
            reference_density: ground.parts().density,
            ..Default::default()
        };
        let (mut remarks, mut flags) = (BTreeSet::new(), ground.flags(combination));
        let mut open: BTreeSet<String> = BTreeSet::new();
        let mut get = |name: &str| -> Option<Estimate> {
            match ground.figure(name, "", combination, speed) {
                Ok(figure) => {
                    flags.extend(figure.estimate.iter().flat_map(|e| e.flags.iter().copied()));
                    if figure.flags.contains(DIVISOR_NOT_RESOLVED) {
                        open.insert(figure.quantity);
                    }
                    flags.extend(figure.flags);
                    figure.estimate
                }
                Err(gap) => {
                    flags.insert("not_known");
                    remarks.insert(why(ground.parts(), &gap, name));
                    None
                }
            }
        };
        let split = |e: &Option<Estimate>| {
            let (v, i) = (e.as_ref().map(|e| e.value), e.as_ref().map(|e| e.interval));
            (v, i.map(|i| i.0), i.map(|i| i.1))
        };
        let (front, rear, downforce) = (get("front_downforce"), get("rear_downforce"), get("downforce"));
        let (drag, balance, efficiency) = (get("drag"), get("balance"), get("efficiency"));
        (row.front, row.front_lo95, row.front_hi95) = split(&front);
        (row.rear, row.rear_lo95, row.rear_hi95) = split(&rear);
        (row.downforce, row.downforce_lo95, row.downforce_hi95) = split(&downforce);
        (row.drag, row.drag_lo95, row.drag_hi95) = split(&drag);
        (row.balance, row.balance_lo95, row.balance_hi95) = split(&balance);
        (row.efficiency, row.efficiency_lo95, row.efficiency_hi95) = split(&efficiency);
        let least = |limit: Option<f64>| limit.map(|l| (l, f64::INFINITY));
        // The interval of a share of what may be nothing has no ends that hold a limit.
        let share = |name: &str, held: Option<Held>| held.map(|h| if open.contains(name) { Held::Unsure } else { h });
        let held = [
            Held::of(least(self.front_at_least.as_ref().map(|l| l.get())), &front),
            Held::of(least(self.rear_at_least.as_ref().map(|l| l.get())), &rear),
            Held::of(least(self.downforce_at_least.as_ref().map(|l| l.get())), &downforce),
            Held::of(self.drag_at_most.as_ref().map(|l| (f64::NEG_INFINITY, l.get())), &drag),
            share("balance", Held::of(self.balance.as_ref().map(|l| (l.low, l.high)), &balance)),
            share("efficiency", Held::of(least(self.efficiency_at_least.as_ref().map(|l| l.get())), &efficiency)),
        ];
        row.limits = if downforce.is_none() && drag.is_none() { "unknown" } else { all_held(&held) }.to_owned();
        let [front, rear, downforce, drag, balance, efficiency] = held.map(|h| h.map(|h| h.name().to_owned()));
        (row.front_limit, row.rear_limit, row.downforce_limit) = (front, rear, downforce);
        (row.drag_limit, row.balance_limit, row.efficiency_limit) = (drag, balance, efficiency);
        row.remarks = remarks.into_iter().collect::<Vec<_>>().join("; ");
        row.flags = flags.into_iter().collect::<Vec<_>>().join(",");
        row
    }
}

/// Those that surely hold the limits and that no other one of them betters, then those that may and that none betters at all.
pub fn best(rows: &[CombinationRow]) -> Vec<&CombinationRow> {
    let sure: Vec<&CombinationRow> = rows.iter().filter(|r| r.limits == "yes").collect();
    let bettered = |r: &CombinationRow| {
        let by = |o: &CombinationRow| Some(o.downforce? >= r.downforce? && o.drag? <= r.drag? && o.rank != r.rank);
        sure.iter().any(|o| by(o) == Some(true) && (o.downforce, o.drag) != (r.downforce, r.drag))
    };
    let known = |r: &&CombinationRow| r.downforce.is_some() && r.drag.is_some();
    let sure_ones = sure.iter().copied().filter(known).filter(|r| !bettered(r));
    let may = rows.iter().filter(|r| r.limits == "unsure" && r.efficient == Some(true));
    sure_ones.chain(may).collect()
}
