//! `parts`: what each part and each step of the wing is worth, from all configurations together.

pub mod additivity;
pub mod groups;
pub mod model;
pub mod rows;
pub mod terms;
#[cfg(test)]
pub(in crate::stages::season) mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::model::PartsFit;
use self::terms::WING;
use super::SeasonTables;
use crate::config::run_sheet::RunRow;
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::units;

/// What each part and each step of the wing is worth, from all configurations together.
///
/// Parts are assumed to add; `interactions` names pairs that do not. Parts that never ran apart are named together
/// and only their sum is given.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Parts {
    /// Pairs that may be worth more or less together than their sum: two parts, or a part and `wing_position`.
    #[serde(default)]
    pub interactions: Vec<Vec<Located<String>>>,
}

/// Every part that the run sheet names, in its order.
pub fn part_names(runs: &[RunRow]) -> Vec<&str> {
    let mut out: Vec<&str> = Vec::new();
    for part in runs.iter().flat_map(|r| &r.parts) {
        if !out.contains(&part.as_str()) {
            out.push(part);
        }
    }
    out
}

/// Reports a part that the run sheet does not name.
pub fn known_part(part: &Located<String>, parts: &[&str], cx: &mut CheckCx) {
    if !parts.contains(&part.as_str()) {
        let label = match units::nearest(part, parts.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => units::listed("the run sheet names", parts.iter().copied()),
        };
        cx.fault(part.spot, format!("no run has the part `{}`", part.value), label);
    }
}

impl Parts {
    /// The fit of the parts.
    pub fn solve(&self, season: &super::fit::SeasonFit) -> PartsFit {
        let pair = |p: &Vec<Located<String>>| match p.as_slice() {
            [a, b] => Some((a.value.clone(), b.value.clone())),
            _ => None,
        };
        let pairs: Vec<(String, String)> = self.interactions.iter().filter_map(pair).collect();
        PartsFit::new(season, &pairs)
    }
}

impl SeasonStage for Parts {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        if !before.contains(&"fit") {
            cx.fault(Spot::default(), "stage `parts` needs what `fit` finds", "put `fit` before it");
        }
        let runs = cx.runs;
        let names = part_names(runs);
        if names.contains(&WING) {
            let label = "the run sheet names a part so; give it another name";
            cx.fault(Spot::default(), format!("a part can't be called `{WING}`: the wing's slope is"), label);
        }
        if names.is_empty() && runs.iter().all(|r| r.wing_position.is_none()) {
            let message = "stage `parts` has nothing to work on: the run sheet names neither parts nor wing positions";
            cx.fault(Spot::default(), message, "fill the columns `parts` and `wing_position`");
        }
        let mut seen: Vec<[&str; 2]> = Vec::new();
        for pair in &self.interactions {
            let spot = pair.first().map_or(Spot::default(), |p| p.spot);
            let [a, b] = pair.as_slice() else {
                cx.fault(spot, "an interaction is a pair", format!("{} names stand here", pair.len()));
                continue;
            };
            for part in [a, b].into_iter().filter(|p| p.as_str() != WING) {
                known_part(part, &names, cx);
            }
            let mut key = [a.as_str(), b.as_str()];
            key.sort_unstable();
            if a.value == b.value {
                cx.fault(b.spot, format!("`{}` with itself is no interaction", a.value), "name two");
            } else if seen.contains(&key) {
                cx.fault(spot, "this interaction is named twice", "already given above");
            }
            seen.push(key);
        }
    }

    fn run(&self, tables: &mut SeasonTables, _cx: &SeasonCx) -> Result<(), Fatal> {
        let Some(season) = &tables.model else {
            return Err(Fatal::Internal("`parts` ran without a fit".to_owned()));
        };
        let fit = self.solve(season);
        tables.parts = rows::parts(season, &fit, &tables.units);
        tables.parts_model = Some(fit);
        Ok(())
    }
}
