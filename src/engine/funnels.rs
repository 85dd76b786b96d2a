//! What the rules of the window stages cost over all logs.

use std::collections::BTreeMap;

use super::one_log::LogResult;

/// The rule of a window stage that took most of the time.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Dearest<'a> {
    pub(super) stage: &'a str,
    pub(super) rule: &'a str,
    /// Share of the stage's time that it took.
    pub(super) percent: f64,
    /// Seconds that the stage kept; `None` of one that selects nothing.
    pub(super) kept: Option<f64>,
}

/// The rule under which a funnel says what was kept.
const KEPT: &str = "kept";

/// Of every window stage that had any time to look at.
pub(super) fn dearest(results: &[LogResult]) -> Vec<Dearest<'_>> {
    let mut stages: BTreeMap<&str, BTreeMap<&str, f64>> = BTreeMap::new();
    for (stage, funnel) in results.iter().flat_map(|r| r.outcome.iter().flat_map(|p| &p.funnels)) {
        let rules = stages.entry(stage).or_default();
        funnel.rules.iter().for_each(|(rule, seconds)| *rules.entry(rule).or_default() += seconds);
    }
    stages.into_iter().filter_map(|(stage, rules)| of_stage(stage, rules)).collect()
}

fn of_stage<'a>(stage: &'a str, rules: BTreeMap<&'a str, f64>) -> Option<Dearest<'a>> {
    let (all, kept) = (rules.values().sum::<f64>(), rules.get(KEPT).copied());
    let (rule, seconds) = rules.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (all > 0.0).then(|| Dearest { stage, rule, percent: 100.0 * seconds / all, kept })
}
