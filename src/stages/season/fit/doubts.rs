//! What makes every number out of a quantity doubtful: sessions that were left out of it, and sessions at odds about it.

use std::collections::BTreeSet;

use super::SeasonFit;
use super::model::Pair;
use super::rows::at_odds;

/// The doubts about a season, looked up once for all that is reported of it.
pub struct Doubts<'a> {
    fit: &'a SeasonFit,
    left_out: BTreeSet<Pair>,
    at_odds: BTreeSet<usize>,
}

impl<'a> Doubts<'a> {
    /// About a fitted season.
    pub fn of(fit: &'a SeasonFit) -> Self {
        let out = &fit.evidence.left_out;
        let left_out = fit.evidence.observations.iter().filter(|o| out.contains(&(o.session, o.quantity)));
        Self {
            fit,
            left_out: if out.is_empty() {
                BTreeSet::new()
            } else {
                left_out.map(|o| (o.configuration, o.quantity)).collect()
            },
            at_odds: (0..fit.quantities.len()).filter(|q| at_odds(fit, *q)).collect(),
        }
    }

    /// That season.
    pub fn fit(&self) -> &'a SeasonFit {
        self.fit
    }

    /// Flags of a figure, of these configurations or, where none is named, of any.
    pub fn about(&self, figure: &str, configurations: &[usize]) -> Vec<&'static str> {
        let made_of: &[&str] = match figure {
            "downforce" | "balance" => &["front_downforce", "rear_downforce"],
            "drag" | "efficiency" => &["front_downforce", "rear_downforce", "resistance"],
            other => &[other],
        };
        let index = |name: &&str| self.fit.quantities.iter().position(|q| q == name);
        let of: Vec<usize> = made_of.iter().filter_map(index).collect();
        let mine = |(k, q): &Pair| of.contains(q) && (configurations.is_empty() || configurations.contains(k));
        let left_out = self.left_out.iter().any(mine).then_some("sessions_left_out");
        let at_odds = of.iter().any(|q| self.at_odds.contains(q)).then_some("sessions_at_odds");
        at_odds.into_iter().chain(left_out).collect()
    }

    /// The same in words, to stand before a verdict.
    pub fn in_words(flags: &[&str]) -> String {
        let of = |flag: &str, words: &'static str| if flags.contains(&flag) { words } else { "" };
        let left_out = of("sessions_left_out", "a session was left out of it, see table `agreement`; ");
        let at_odds = of("sessions_at_odds", "sessions are at odds about it, see table `agreement`; ");
        format!("{left_out}{at_odds}")
    }
}
