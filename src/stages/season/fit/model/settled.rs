//! Where the iteration came to rest, so that it need not be gone through again: what is asked of the same windows by the
//! same options a second time (at another speed, with other stages behind the fit) costs the inference alone. All that
//! follows from these figures is made of them again by the very code that made it at first, so that the answers are the
//! same bit by bit.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DVector;
use serde::{Deserialize, Serialize};

use super::gains::Gain;
use super::{Model, Pair, Solver};
use crate::stages::season::fit::evidence::Evidence;
use crate::stages::season::fit::{Fit, LetIn};

/// A solver at rest.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Settled {
    /// Pairs and regressors that turned out to be unknowable on the way.
    dropped: Vec<Pair>,
    unusable: Vec<(LetIn, usize)>,
    /// Coefficients and winds with which spreads, levers and gains came to rest, and those at the end.
    spread: State,
    state: State,
    between: Vec<f64>,
    overstated: Vec<f64>,
    gusts: Vec<f64>,
    memory: f64,
    gains: Vec<Vec<Gain>>,
    residual: Vec<f64>,
    own: Vec<f64>,
    /// Observations that do not count whole: index, how clean, what the fall takes.
    unclean: Vec<(usize, f64, f64)>,
    iterations: usize,
}

/// Coefficients and winds.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct State {
    beta: Vec<f64>,
    wind: Vec<(f64, f64)>,
}

impl State {
    pub(super) fn of(solver: &Solver) -> Self {
        Self { beta: solver.beta.as_slice().to_vec(), wind: solver.wind.clone() }
    }

    fn enter(&self, solver: &mut Solver) {
        solver.beta = DVector::from_column_slice(&self.beta);
        solver.wind.clone_from(&self.wind);
    }
}

impl Settled {
    /// Of a solver that converged; `None` for another, which is not at rest.
    pub(super) fn of(
        solver: &Solver,
        dropped: &BTreeMap<Pair, &'static str>,
        unusable: &BTreeSet<(LetIn, usize)>,
    ) -> Option<Self> {
        if !solver.converged {
            return None;
        }
        let unclean = solver.clean.iter().zip(&solver.falls).enumerate();
        Some(Self {
            dropped: dropped.iter().filter(|(_, why)| **why == super::NEVER_VARIES).map(|(pair, _)| *pair).collect(),
            unusable: unusable.iter().copied().collect(),
            spread: solver.spread.clone(),
            state: State::of(solver),
            between: solver.between.clone(),
            overstated: solver.overstated.clone(),
            gusts: solver.gusts.variance.clone(),
            memory: solver.gusts.memory,
            gains: solver.gains.clone(),
            residual: solver.residual.clone(),
            own: solver.own.clone(),
            unclean: unclean.filter(|(_, (c, f))| **c != 1.0 || **f != 0.0).map(|(i, (c, f))| (i, *c, *f)).collect(),
            iterations: solver.iterations,
        })
    }

    /// The model of the same evidence and options; `None` where they can't be the same.
    pub(super) fn model(
        &self,
        evidence: &Evidence,
        quantities: usize,
        options: &Fit,
        too_few: &BTreeMap<Pair, &'static str>,
    ) -> Option<Model> {
        let mut dropped = too_few.clone();
        dropped.extend(self.dropped.iter().map(|pair| (*pair, super::NEVER_VARIES)));
        let unusable = self.unusable.iter().copied().collect();
        let mut solver = Solver::new(evidence, quantities, options, &dropped, &unusable);
        let n = evidence.observations.len();
        let fits = self.residual.len() == n
            && self.own.len() == n
            && self.between.len() == solver.between.len()
            && self.overstated.len() == solver.overstated.len()
            && [&self.spread, &self.state]
                .iter()
                .all(|s| s.beta.len() == solver.width() && s.wind.len() == solver.wind.len())
            && self.gains.len() == solver.gains.len()
            && (self.gusts.is_empty() || self.gusts.len() == solver.rows.len())
            && self.unclean.iter().all(|(i, ..)| *i < n);
        if !fits {
            return None;
        }
        solver.between.clone_from(&self.between);
        solver.overstated.clone_from(&self.overstated);
        solver.set_variances();
        for (i, clean, fall) in &self.unclean {
            (solver.clean[*i], solver.falls[*i]) = (*clean, *fall);
        }
        self.spread.enter(&mut solver);
        solver.set_levers();
        solver.set_reads();
        solver.gusts.memory = self.memory;
        solver.gusts.variance.clone_from(&self.gusts);
        if !self.gusts.is_empty() {
            solver.gusts.together = solver.together();
        }
        self.state.enter(&mut solver);
        solver.gains.clone_from(&self.gains);
        solver.residual.clone_from(&self.residual);
        solver.own.clone_from(&self.own);
        solver.reweight();
        (solver.iterations, solver.converged) = (self.iterations, true);
        let fit = solver.infer().ok()?;
        Some(solver.finish(fit, dropped))
    }
}
