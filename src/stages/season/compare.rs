//! `compare`: differences between configurations.

use std::collections::BTreeSet;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SeasonTables;
use super::fit::SeasonFit;
use super::fit::doubts::Doubts;
use super::fit::evidence::Configuration;
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::numerics::distributions::t_p_value;
use crate::numerics::multiple::holm;
use crate::numerics::power::{PowerParams, observations_factor, smallest_detectable};
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::rows::ComparisonRow;
use crate::units::{self, Force};

/// Differences between configurations, with the smallest difference that the season can resolve.
///
/// Verdicts are adjusted for all comparisons of the table (Holm).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Compare {
    /// The configuration that the others are compared with; every pair where left out.
    #[serde(default)]
    pub against: Option<Located<String>>,
    /// Difference at the reference speed that the team wants to resolve.
    #[serde(default = "wanted")]
    pub resolve: Located<Force>,
}

fn wanted() -> Located<Force> {
    Located::nowhere(Force::si(70.0))
}

impl SeasonStage for Compare {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        if !before.contains(&"fit") {
            cx.fault(Spot::default(), "stage `compare` needs what `fit` finds", "put `fit` before it");
        }
        if let Some(base) = &self.against {
            let known = || cx.runs.iter().map(|r| r.configuration.value.as_str());
            if known().all(|c| c != base.value) {
                let label = match units::nearest(&base.value, known()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => units::listed("the run sheet names", known()),
                };
                cx.fault(base.spot, format!("no run has the configuration `{}`", base.value), label);
            }
        }
        if self.resolve.get() <= 0.0 {
            cx.fault(self.resolve.spot, "a difference to resolve must be over zero", "for example `70 N`");
        }
    }

    fn run(&self, tables: &mut SeasonTables, _cx: &SeasonCx) -> Result<(), Fatal> {
        let Some(fit) = &tables.model else {
            return Err(Fatal::Internal("`compare` ran without a fit".to_owned()));
        };
        tables.comparisons = self.rows(fit, &tables.quantities, &tables.units);
        Ok(())
    }
}

impl Compare {
    fn pairs(&self, configurations: &[Configuration]) -> Vec<(usize, usize)> {
        let n = configurations.len();
        match self.against.as_ref().and_then(|b| configurations.iter().position(|c| c.name == b.value)) {
            Some(base) => (0..n).filter(|k| *k != base).map(|k| (k, base)).collect(),
            None => (0..n).flat_map(|a| (0..a).map(move |b| (a, b))).collect(),
        }
    }

    /// Rows for every pair and quantity, Holm-adjusted over all of them: a part worth nothing must not be called worth
    /// something in any of the quantities.
    pub fn rows(&self, fit: &SeasonFit, quantities: &[String], units: &[String]) -> Vec<ComparisonRow> {
        let pairs = self.pairs(&fit.evidence.configurations);
        let (doubts, ran) = (Doubts::of(fit), Ran::of_all(fit));
        let mut names: Vec<&str> = fit.reported.iter().map(String::as_str).filter(|n| *n != "resistance").collect();
        if fit.quantities.iter().any(|q| q == "front_downforce") && fit.quantities.iter().any(|q| q == "rear_downforce")
        {
            names.push("downforce");
            names.push("balance");
            if fit.quantities.iter().any(|q| q == "resistance") {
                names.push("efficiency");
            }
        }
        let mut out: Vec<ComparisonRow> = Vec::new();
        for name in names {
            let unit = match name {
                "balance" | "efficiency" => "1",
                _ => quantities.iter().position(|q| q == name).and_then(|q| units.get(q)).map_or("N", String::as_str),
            };
            out.par_extend(pairs.par_iter().map(|(a, b)| self.row(&doubts, &ran, (*a, *b), name, unit)));
        }
        let p: Vec<f64> = out.iter().filter_map(|r| r.p_value).collect();
        let mut adjusted = holm(&p).unwrap_or_default().into_iter();
        for row in out.iter_mut().filter(|r| r.p_value.is_some()) {
            row.p_holm = adjusted.next();
        }
        out.iter_mut().for_each(judge);
        out
    }

    fn row(&self, doubts: &Doubts, ran: &[Ran], (a, b): (usize, usize), name: &str, unit: &str) -> ComparisonRow {
        let fit = doubts.fit();
        let name_of = |k: usize| fit.evidence.configurations[k].name.clone();
        let mut row = ComparisonRow {
            configuration: name_of(a),
            against: name_of(b),
            quantity: name.to_owned(),
            unit: unit.to_owned(),
            reference_speed: fit.speed,
            reference_density: fit.density,
            ..Default::default()
        };
        let factor = if SeasonFit::is_ratio(name) { 1.0 } else { fit.speed * fit.speed };
        let lacking = |k: usize| fit.named(k, name).is_none();
        let difference = fit.named(a, name).zip(fit.named(b, name)).map(|(x, y)| x.0.minus(&y.0).times(factor));
        let Some(e) = difference.and_then(|d| fit.estimate(&d)) else {
            let who: Vec<String> = [a, b].into_iter().filter(|k| lacking(*k)).map(name_of).collect();
            row.why = if who.is_empty() {
                "the difference has no standard error: too few sessions and windows".to_owned()
            } else {
                format!("no {name} for {}", who.join(" and "))
            };
            return row;
        };
        row.difference = Some(e.value);
        row.difference_se = Some(e.se);
        row.difference_lo95 = Some(e.interval.0);
        row.difference_hi95 = Some(e.interval.1);
        row.degrees_of_freedom = Some(e.dof).filter(|d| d.is_finite());
        row.p_value = t_p_value(e.value / e.se, e.dof.max(1.0)).ok();
        let (dof, power) = (e.dof.max(1.0), PowerParams::default());
        row.smallest_resolvable = smallest_detectable(e.se, dof, power).ok();
        if unit == "N" {
            let least = |count: fn(&Ran) -> usize| {
                let of = |k: usize| ran.get(k).map_or(0, count);
                of(a).min(of(b)).max(1) as f64
            };
            let (sessions, windows) = (least(|r| r.sessions.len()), least(|r| r.windows.len()));
            if let Ok(growth) = observations_factor(e.se, dof, self.resolve.get(), power) {
                // What sessions scatter by shows from two of them on.
                row.sessions_needed = Some(((sessions * growth).ceil() as i64).max(2));
                row.windows_needed = Some((windows * growth).ceil() as i64);
            }
        }
        if e.flags.contains(&"session_scatter_not_visible") {
            row.why = "one session only: what a session has in common is assumed, not seen; ".to_owned();
        }
        row.why.push_str(&Doubts::in_words(&doubts.about(name, &[a, b])));
        if [a, b].into_iter().any(|k| fit.divisor_not_resolved(k, name)) {
            row.why.push_str("a share of something that is not told from nothing, see flag `divisor_not_resolved`; ");
            row.verdict = IN_DOUBT.to_owned();
        }
        if doubts.contradicted(name, &[a, b]).is_some() {
            row.verdict = IN_DOUBT.to_owned();
        }
        row
    }
}

/// Sessions and windows of a configuration.
#[derive(Clone, Default)]
struct Ran {
    sessions: BTreeSet<usize>,
    windows: BTreeSet<usize>,
}

impl Ran {
    /// Of every configuration.
    fn of_all(fit: &SeasonFit) -> Vec<Self> {
        let mut out = vec![Self::default(); fit.evidence.configurations.len()];
        // The quantities of a window follow each other.
        for of_window in fit.evidence.observations.chunk_by(|a, b| a.window == b.window) {
            for o in of_window.iter().take(1) {
                if let Some(ran) = out.get_mut(o.configuration) {
                    ran.sessions.insert(o.session);
                    ran.windows.insert(o.window);
                }
            }
        }
        out
    }
}

/// Verdict of a difference that chance does not explain, and sessions that contradict each other, or a share of nothing, may.
const IN_DOUBT: &str = "in doubt";

fn judge(row: &mut ComparisonRow) {
    let in_doubt = row.verdict == IN_DOUBT;
    let (Some(p), Some(lo), Some(hi)) = (row.p_holm, row.difference_lo95, row.difference_hi95) else {
        row.verdict = "not comparable".to_owned();
        return;
    };
    let clear = lo > 0.0 || hi < 0.0;
    let (verdict, why) = match (p < 0.05, clear) {
        (true, _) if in_doubt => (IN_DOUBT, "chance does not explain the difference, what is wrong in one of them may"),
        (true, _) => {
            ("resolved", "the difference is larger than chance explains (5 % level, adjusted for all comparisons)")
        }
        (false, true) => ("not resolved", "it would stand alone, but not among this many comparisons"),
        (false, false) => ("not resolved", "zero lies inside the 95 % interval"),
    };
    row.verdict = verdict.to_owned();
    row.why.push_str(why);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn verdicts() {
        let row = |p, lo, hi| {
            let mut r = ComparisonRow { p_holm: p, difference_lo95: lo, difference_hi95: hi, ..Default::default() };
            judge(&mut r);
            r.verdict
        };
        assert_eq!(row(Some(0.01), Some(1.0), Some(3.0)), "resolved");
        assert_eq!(row(Some(0.2), Some(0.1), Some(3.0)), "not resolved");
        assert_eq!(row(Some(0.4), Some(-1.0), Some(3.0)), "not resolved");
        assert_eq!(row(None, None, None), "not comparable");
        let mut doubted = ComparisonRow { verdict: IN_DOUBT.to_owned(), ..Default::default() };
        (doubted.p_holm, doubted.difference_lo95, doubted.difference_hi95) = (Some(0.01), Some(1.0), Some(3.0));
        judge(&mut doubted);
        assert_eq!(doubted.verdict, "in doubt");
        doubted.p_holm = Some(0.2);
        judge(&mut doubted);
        assert_eq!(doubted.verdict, "not resolved");
    }
}
