//! What makes every number out of a quantity doubtful: sessions that were left out of it, and sessions at odds about it.

use std::collections::BTreeSet;

use super::SeasonFit;
use super::model::Pair;
use super::screen::Finding;
use crate::numerics::spread::median;
use crate::table::flags::{
    AIR_SPEED_UNLIKE_GROUND, LEFT_AND_RIGHT_DISAGREE, SESSIONS_AT_ODDS, SESSIONS_CONTRADICT, SESSIONS_LEFT_OUT,
    UNLIKE_ITS_CONFIGURATION,
};

/// A gain that no weather and no mass explains, where many sessions have one (common practice, no source).
const ODD_GAIN: f64 = 0.04;
const ODD_SESSIONS: f64 = 0.2;
/// Standard errors by which a session must stand out itself.
const SURELY: f64 = 3.0;

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
        let of_these = [self.left_out(figure, configurations), self.contradicted(figure, configurations)];
        let odd = self.odd_logs(figure, configurations);
        self.air_speed()
            .into_iter()
            .chain(self.at_odds(figure))
            .chain(of_these.into_iter().flatten())
            .chain(odd)
            .collect()
    }

    /// Flags of odd logs behind a figure; the two sides of an axle concern its downforce alone.
    fn odd_logs(&self, figure: &str, configurations: &[usize]) -> BTreeSet<&'static str> {
        let index = |name: &str| self.fit.quantities.iter().position(|q| q == name);
        let axles = [index("front_downforce"), index("rear_downforce")];
        let of_axles = self.fit.made_of(figure).into_iter().any(|q| axles.contains(&Some(q)));
        let mine = |k: &usize| configurations.is_empty() || configurations.contains(k);
        let all = self.fit.odd.iter().filter(|(k, _)| mine(k)).flat_map(|(_, flags)| flags.iter().copied());
        all.filter(|flag| of_axles || *flag != LEFT_AND_RIGHT_DISAGREE).collect()
    }

    /// The flag of a season whose measured air speed does not go with the speed over ground.
    pub fn air_speed(&self) -> Option<&'static str> {
        self.fit.air_speed.map(|_| AIR_SPEED_UNLIKE_GROUND)
    }

    /// The flag of a figure about which sessions are at odds.
    pub fn at_odds(&self, figure: &str) -> Option<&'static str> {
        self.fit.made_of(figure).iter().any(|q| self.at_odds.contains(q)).then_some(SESSIONS_AT_ODDS)
    }

    /// The flag of a figure for which sessions were left out that ran one of these configurations or, where none is named,
    /// any.
    pub fn left_out(&self, figure: &str, configurations: &[usize]) -> Option<&'static str> {
        self.any(&self.left_out, figure, configurations).then_some(SESSIONS_LEFT_OUT)
    }

    /// The flag of a figure about which the only two sessions contradict each other that ran one of these configurations or,
    /// where none is named, any.
    pub fn contradicted(&self, figure: &str, configurations: &[usize]) -> Option<&'static str> {
        self.any(&self.fit.contradicted, figure, configurations).then_some(SESSIONS_CONTRADICT)
    }

    fn any(&self, pairs: &BTreeSet<Pair>, figure: &str, configurations: &[usize]) -> bool {
        let of = self.fit.made_of(figure);
        pairs.iter().any(|(k, q)| of.contains(q) && (configurations.is_empty() || configurations.contains(k)))
    }

    /// The same in words, to stand before a verdict.
    pub fn in_words(flags: &[&str]) -> String {
        let of = |flag: &str, words: &'static str| if flags.contains(&flag) { words } else { "" };
        let left_out = of(SESSIONS_LEFT_OUT, "a session was left out of it, see table `agreement`; ");
        let at_odds = of(SESSIONS_AT_ODDS, "sessions are at odds about it, see table `agreement`; ");
        let contradicted = of(SESSIONS_CONTRADICT, "the two sessions that ran it contradict each other; ");
        let odd = [UNLIKE_ITS_CONFIGURATION, LEFT_AND_RIGHT_DISAGREE].iter().any(|flag| flags.contains(flag));
        let odd = if odd { "a log of it is odd, see table `logs`; " } else { "" };
        let air = of(AIR_SPEED_UNLIKE_GROUND, "the measured air speed does not go with the speed over ground; ");
        format!("{air}{left_out}{at_odds}{contradicted}{odd}")
    }
}

/// Whether so many sessions read a quantity differently that it can't be told which are right.
fn at_odds(fit: &SeasonFit, quantity: usize) -> bool {
    let all: Vec<f64> =
        fit.model.gains.iter().flatten().filter(|g| g.quantity == quantity).map(|g| g.value.abs()).collect();
    let odd = all.iter().filter(|v| **v > ODD_GAIN).count();
    let many = |odd: usize, of: usize| odd > 1 && odd as f64 >= ODD_SESSIONS * of as f64;
    many(odd, all.len()) || {
        // Few sessions tell no gains, or gains smaller than they are: then what each of them reads, held against the rest.
        let findings: Vec<&Finding> =
            fit.findings.iter().filter(|f| f.quantity == quantity && !f.implausible).collect();
        let mut factors: Vec<f64> = findings.iter().map(|f| f.factor).collect();
        let usual = median(&mut factors);
        let odd = |f: &&&Finding| {
            let off = (f.factor - usual).abs();
            off > ODD_GAIN * usual && off > SURELY * f.factor_se
        };
        many(findings.iter().filter(odd).count(), findings.len())
    }
}
