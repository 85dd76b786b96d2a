//! Gains: what a session's sensor of a quantity reads too much or too little of everything. No window shows it; held
//! against the other sessions it does. It is an unknown of the session with a prior about zero, as wide as the sessions
//! are seen to differ, so that configurations that ran in one session are held against each other inside it, where the
//! gain drops out, and a session that is far out says little of a configuration by itself but all of such differences.

use serde::{Deserialize, Serialize};

use super::Solver;
use crate::numerics::blocked::Estimates;
use crate::numerics::spread::between_variance;
use crate::stages::season::fit::{Method, Weights};

/// No sensor reads alike in two sessions to better than one in a thousand (common practice, no source).
const LEAST: f64 = 1e-3;
/// Standard deviations from the others beyond which a session's prior widens until the gain is nearly free: a sensor
/// that was changed or calibrated wrongly is no draw from the others' spread.
const FAR: f64 = 4.0;
/// Sessions beyond the configurations that they tell of, from which on their spread is known.
const FEWEST: f64 = 4.0;
/// Share of the sessions that may be far out before it is no longer plain which are right.
const FEW: f64 = 0.25;
/// A gain less certain than this is not known from the session at all.
const UNKNOWN: f64 = 0.5;

/// The gain of one quantity in a session.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gain {
    /// Index of the quantity.
    pub quantity: usize,
    /// Relative excess of what it reads, as far as it is believed.
    pub value: f64,
    /// Variance of its prior.
    pub prior: f64,
    /// What the fit of the coefficients leaves of it: one less the session's part in them.
    left: f64,
}

impl Solver<'_> {
    /// Places for the gains of every session: of the quantities that it measured, in their order; none where windows are
    /// weighted alike or by plain least squares.
    pub(super) fn gains_of_sessions(&self) -> Vec<Vec<Gain>> {
        let mut out = vec![Vec::new(); self.order.sessions.len()];
        if self.options.method != Method::Robust || self.options.weights != Weights::Precision {
            return out;
        }
        let mut sessions = vec![0.0; self.beta.len()];
        for rows in &self.order.sessions {
            let mut columns: Vec<usize> = rows.clone().map(|r| self.slope(r)).collect();
            columns.sort_unstable();
            columns.dedup();
            columns.into_iter().for_each(|c| sessions[c] += 1.0);
        }
        for (rows, gains) in self.order.sessions.iter().zip(&mut out) {
            for quantity in 0..self.quantities {
                let of = || rows.clone().filter(|r| self.order.quantity(*r) == quantity);
                let n = of().count() as f64;
                if n > 0.0 {
                    let part = of().map(|r| 1.0 / sessions[self.slope(r)]).sum::<f64>() / n;
                    gains.push(Gain { quantity, value: 0.0, prior: LEAST * LEAST, left: 1.0 - part });
                }
            }
        }
        out
    }

    /// What a gain of one does to a row. It rests with the spreads, so that every later step has the same measure of what
    /// leads downhill. Coasting's resistance rests on the mass alone and not on the torque sensor, but to let it hold the
    /// session's other windows did not pay (study: drag less true, no surer).
    pub(super) fn reads(&self, row: usize, session: usize) -> f64 {
        self.spread.reads(self.slope(row), self.observation(row), session)
    }

    /// What the gains' prior adds to the loss.
    pub(super) fn gain_loss(&self) -> f64 {
        self.gains.iter().flatten().map(|gain| 0.5 * gain.value * gain.value / gain.prior).sum()
    }

    /// Finds how much sessions differ, and which of them are far out.
    pub(super) fn look_for_gains(&mut self, fit: &Estimates) {
        for q in 0..self.quantities {
            // What the session's own windows say, the prior taken off again.
            let mut found: Vec<(usize, usize, f64, f64, f64)> = Vec::new();
            for (g, gains) in self.gains.iter().enumerate() {
                let Some(k) = gains.iter().position(|gain| gain.quantity == q) else { continue };
                let (gain, at) = (gains[k], self.places[g].zeros + k);
                let (Some(value), Some(variance)) = (fit.nuisance[g].get(at), fit.variances[g].get(at)) else {
                    continue;
                };
                let told = 1.0 / variance - 1.0 / gain.prior;
                if gain.left > 0.0 && told > 1.0 / (UNKNOWN * UNKNOWN) {
                    found.push((g, k, value / (variance * told), 1.0 / told, gain.left));
                }
            }
            let known = found.iter().map(|f| f.4).sum::<f64>() >= FEWEST;
            let values: Vec<f64> = found.iter().map(|f| f.2 / f.4.sqrt()).collect();
            let errors: Vec<f64> = found.iter().map(|f| f.3.sqrt()).collect();
            let scatter = |robust| if known { between_variance(&values, &errors, 1.0, robust) } else { 0.0 };
            let mut usual = scatter(true).max(LEAST * LEAST);
            let beyond = |usual: f64, k: usize| values[k] * values[k] - FAR * FAR * (usual + errors[k] * errors[k]);
            let far = (0..found.len()).filter(|k| known && beyond(usual, *k) > 0.0).count() as f64;
            // So many can't be told from the others: no side is taken.
            let split = far > FEW * found.len() as f64;
            if split {
                usual = scatter(false).max(LEAST * LEAST);
            }
            self.gains.iter_mut().flatten().filter(|gain| gain.quantity == q).for_each(|gain| gain.prior = usual);
            for (i, (g, k, ..)) in found.iter().enumerate().filter(|_| known && !split) {
                self.gains[*g][*k].prior = usual + beyond(usual, i).max(0.0);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::stages::season::SeasonTables;
    use crate::stages::season::fit::SeasonFit;
    use crate::stages::season::fit::estimate::Estimate;
    use crate::stages::season::fit::tests::{PLAIN, ROBUST, Season, make, solve, truth};

    /// Ten sessions of three configurations whose sensors all read well.
    fn season(seed: u64) -> SeasonTables {
        make(&Season { sessions: 10, noise: 10.0, ..Default::default() }, seed)
    }

    /// The same with one quantity of each session multiplied.
    fn gained(seed: u64, quantity: usize, gain: impl Fn(usize) -> f64) -> SeasonTables {
        let mut tables = season(seed);
        for w in &mut tables.windows {
            let session: usize = w.session[1..].parse().unwrap();
            let m = w.measures[quantity].as_mut().unwrap();
            m.mean *= 1.0 + gain(session);
        }
        tables
    }

    fn difference(fit: &SeasonFit, q: usize) -> Estimate {
        fit.estimate(&fit.coefficient(2, q).unwrap().minus(&fit.coefficient(0, q).unwrap())).unwrap()
    }

    #[test]
    fn gains_are_found_session_by_session() {
        let of = |session: usize| [-0.03, -0.01, 0.0, 0.01, 0.03][session % 5];
        let fit = solve(&gained(1, 1, of), ROBUST, 3);
        for session in 0..10 {
            let found = |q: usize| fit.model.gain(session, q).unwrap().value;
            assert!((found(1) - of(session)).abs() < 0.008, "{session}: {}", found(1));
            assert!(found(0).abs() < 0.008 && found(2).abs() < 0.008, "{session}: {} {}", found(0), found(2));
        }
        // With sessions that read alike nothing is told apart.
        let alike = solve(&season(1), ROBUST, 3);
        assert!(alike.model.gains.iter().flatten().all(|g| g.value.abs() < 0.004), "{:?}", alike.model.gains);
    }

    #[test]
    fn a_session_far_out_says_little_by_itself_and_all_of_differences() {
        let (with, without) =
            (solve(&gained(2, 0, |s| if s == 4 { 0.09 } else { 0.0 }), ROBUST, 3), solve(&season(2), ROBUST, 3));
        let gain = |s: usize| with.model.gain(s, 0).unwrap();
        assert!((gain(4).value - 0.09).abs() < 0.01 && gain(4).prior > 25.0 * gain(3).prior, "{:?}", gain(4));
        let (a, b) = (with.coefficient(0, 0).unwrap().value, without.coefficient(0, 0).unwrap().value);
        // A plain mean over ten sessions would be 0.9 % off.
        assert!((a / b - 1.0).abs() < 0.002, "{a} {b}");
        let (a, b) = (difference(&with, 0), difference(&without, 0));
        assert!((a.value - b.value).abs() < 0.3 * b.se && a.se < 1.15 * b.se, "{a:?} {b:?}");
    }

    #[test]
    fn differences_are_surer_where_sessions_differ() {
        let of = |session: usize| [-0.03, -0.01, 0.0, 0.01, 0.03][session % 5];
        // Each configuration in sessions of its own but for the first, which ran in all: with gains unknown the sessions
        // are held against the first one's.
        let mut tables = gained(3, 1, of);
        tables.windows.retain(|w| {
            let session: usize = w.session[1..].parse().unwrap();
            w.configuration == "c0" || w.configuration == format!("c{}", 1 + session % 2)
        });
        let (with, plain) = (difference(&solve(&tables, ROBUST, 3), 1), difference(&solve(&tables, PLAIN, 3), 1));
        let real = truth(2)[1] - truth(0)[1];
        assert!(with.se < 0.7 * plain.se, "{with:?} {plain:?}");
        assert!(with.interval.0 < real && real < with.interval.1, "{with:?}");
    }

    #[test]
    fn plain_least_squares_and_equal_weights_have_none() {
        for options in [PLAIN.to_owned(), ROBUST.replace("\"wind\"", "\"weights\": \"equal\", \"wind\"")] {
            let fit = solve(&season(1), &options, 3);
            assert!(fit.model.fit.is_some() && fit.model.gains.iter().all(Vec::is_empty), "{options}");
        }
    }
}
