//! The efficient set: combinations that no other one betters, with more downforce and less drag.

use rayon::prelude::*;

use crate::stages::season::fit::estimate::Derived;
use crate::stages::season::parts::model::PartsFit;
use crate::stages::season::parts::terms::Combination;
use crate::table::rows::CombinationRow;

/// A combination that stands for choice.
pub struct Candidate {
    /// Parts and wing position in words.
    name: String,
    /// Downforce and drag coefficients; `None` where unknown or where a limit is broken.
    figures: Option<(Derived, Derived)>,
}

impl Candidate {
    /// `limits`: whether it holds all limits, as in the table.
    pub fn new(parts: &PartsFit, combination: &Combination, limits: &str) -> Self {
        let wing = combination.wing.map(|w| format!(" at {w}")).unwrap_or_default();
        let stands = matches!(limits, "yes" | "unsure");
        let figures = || {
            let row = parts.terms.row(combination)?;
            let both = (parts.named("downforce", &row).ok()?.0, parts.named("drag", &row).ok()?.0);
            // A figure without an interval is none.
            [&both.0, &both.1].iter().all(|d| parts.estimate(d).is_some()).then_some(both)
        };
        let figures = if stands { figures() } else { None };
        Self { name: format!("{}{wing}", combination.parts_text()), figures }
    }

    fn values(&self) -> Option<(f64, f64)> {
        self.figures.as_ref().map(|(l, d)| (l.value, d.value))
    }
}

/// Marks every row: in the efficient set, or bettered by which one, and how clearly.
pub fn mark(parts: &PartsFit, found: &mut [(CombinationRow, Candidate)]) {
    let values: Vec<Option<(f64, f64)>> = found.iter().map(|(_, c)| c.values()).collect();
    let set = efficient(&values);
    let spans = spans(&values);
    let all: &[(CombinationRow, Candidate)] = found;
    let verdicts: Vec<Option<(String, &'static str)>> = (0..all.len())
        .into_par_iter()
        .map(|i| {
            let own = all[i].1.figures.as_ref().filter(|_| set.binary_search(&i).is_err())?;
            let lead = |j: usize| {
                let (a, b) = values[j].zip(values[i]).filter(|(a, b)| betters(*a, *b))?;
                Some(((a.0 - b.0) / spans.0).min((b.1 - a.1) / spans.1))
            };
            let leads = set.iter().filter_map(|j| Some((lead(*j)?, *j)));
            let (_, j) = leads.max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))?;
            let other = all[j].1.figures.as_ref()?;
            Some((all[j].1.name.clone(), if clear(parts, other, own) { "clear" } else { "within_noise" }))
        })
        .collect();
    for (i, ((row, candidate), verdict)) in found.iter_mut().zip(verdicts).enumerate() {
        row.efficient = candidate.figures.as_ref().map(|_| set.binary_search(&i).is_ok());
        (row.bettered_by, row.bettered) = verdict.map(|(by, how)| (by, how.to_owned())).unzip();
    }
}

/// (downforce, drag): at least as good in both, better in one.
fn betters(a: (f64, f64), b: (f64, f64)) -> bool {
    a.0 >= b.0 && a.1 <= b.1 && (a.0 > b.0 || a.1 < b.1)
}

/// Indices that nothing betters.
fn efficient(values: &[Option<(f64, f64)>]) -> Vec<usize> {
    let mut order: Vec<(usize, (f64, f64))> =
        values.iter().enumerate().filter_map(|(i, v)| v.map(|v| (i, v))).collect();
    order.sort_by(|(_, a), (_, b)| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let mut out: Vec<usize> = Vec::new();
    let mut best: Option<(f64, f64)> = None;
    for (i, v) in order {
        // All before have at least as much downforce: only less drag, or being the same, keeps it in.
        if best.is_none_or(|b| v.1 < b.1 || v == b) {
            out.push(i);
            best = Some(v);
        }
    }
    out.sort_unstable();
    out
}

/// Range of downforce and of drag over all combinations: what a lead is measured in.
fn spans(values: &[Option<(f64, f64)>]) -> (f64, f64) {
    let span = |of: fn(&(f64, f64)) -> f64| {
        let all = || values.iter().flatten().map(of);
        let range = all().fold(f64::NEG_INFINITY, f64::max) - all().fold(f64::INFINITY, f64::min);
        if range > 0.0 { range } else { 1.0 }
    };
    (span(|v| v.0), span(|v| v.1))
}

/// Both advantages have 95 % intervals above zero.
fn clear(parts: &PartsFit, better: &(Derived, Derived), own: &(Derived, Derived)) -> bool {
    let above = |d: Derived| parts.estimate(&d).is_some_and(|e| e.interval.0 > 0.0);
    above(better.0.minus(&own.0)) && above(own.1.minus(&better.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_betters_the_efficient() {
        let v = |l, d| Some((l, d));
        let all =
            [v(10.0, 5.0), v(12.0, 6.0), v(11.0, 7.0), None, v(12.0, 6.0), v(8.0, 5.0), v(7.0, 4.0), v(12.0, 6.5)];
        assert_eq!(efficient(&all), [0, 1, 4, 6]);
        for (i, a) in all.iter().enumerate() {
            // Brute force.
            let in_set = a.is_some_and(|a| all.iter().flatten().all(|b| !betters(*b, a)));
            assert_eq!(efficient(&all).contains(&i), in_set, "{i}");
        }
    }
}
