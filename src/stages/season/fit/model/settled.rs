//! Where the iteration came to rest: what its blocks are made of again, where a stage asks for other columns of the same
//! windows. They are large, and most seasons go without.

use std::collections::BTreeSet;

use nalgebra::DVector;
use serde::{Deserialize, Serialize};

use super::{Model, Solver};
use crate::numerics::blocked::Block;
use crate::stages::season::fit::evidence::{Evidence, Observation};
use crate::stages::season::fit::{Fit, LetIn};

/// A solver at rest, beside what the model has of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Settled {
    /// Regressors that turned out to be unknowable.
    unusable: BTreeSet<(LetIn, usize)>,
    /// Coefficients and winds with which spreads, levers and gains came to rest, and those at the end.
    spread: State,
    state: State,
    between: Vec<f64>,
    overstated: Vec<f64>,
    gusts: Vec<f64>,
    own: Vec<f64>,
    /// Rows that do not count whole: index, how clean, what the fall takes.
    unclean: Vec<(usize, f64, f64)>,
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

    /// What the air does to a row of this shared column and session.
    pub(super) fn reads(&self, column: usize, o: &Observation, session: usize) -> f64 {
        self.beta[column] * o.x(self.wind[session])
    }

    fn enter(&self, solver: &mut Solver) {
        solver.beta = DVector::from_column_slice(&self.beta);
        solver.wind.clone_from(&self.wind);
    }
}

impl Settled {
    pub(super) fn of(solver: &Solver, unusable: &BTreeSet<(LetIn, usize)>) -> Self {
        let unclean = solver.clean.iter().zip(&solver.falls).enumerate();
        Self {
            unusable: unusable.clone(),
            spread: solver.spread.clone(),
            state: State::of(solver),
            between: solver.between.clone(),
            overstated: solver.overstated.clone(),
            gusts: solver.gusts.variance.clone(),
            own: solver.own.clone(),
            unclean: unclean.filter(|(_, (c, f))| **c != 1.0 || **f != 0.0).map(|(i, (c, f))| (i, *c, *f)).collect(),
        }
    }
}

/// The blocks that a fit solved: pseudo-values where robust, so that plain weighted least squares of them on any other
/// columns is the robust answer there; zeros and the linearised wind are their nuisance columns. Made one at a time: all
/// of them together would be larger than the season's windows.
pub struct Blocks<'a> {
    solver: Solver<'a>,
    unclipped: Vec<f64>,
}

impl Blocks<'_> {
    /// How many there are: one a session.
    pub fn count(&self) -> usize {
        self.solver.order.sessions.len()
    }

    /// One of them.
    pub fn make(&self, g: usize) -> Block {
        self.solver.pseudo_block(g, &self.unclipped)
    }
}

impl Model {
    /// What the blocks of the fit are made of; `None` where nothing was fitted. Evidence and options are those of the fit.
    pub fn blocks<'a>(&self, evidence: &'a Evidence, quantities: usize, options: &'a Fit) -> Option<Blocks<'a>> {
        let at = self.settled.as_ref()?;
        let mut solver = Solver::new(evidence, quantities, options, &self.dropped, &at.unusable);
        solver.between.clone_from(&at.between);
        solver.overstated.clone_from(&at.overstated);
        solver.set_variances();
        for (i, clean, fall) in &at.unclean {
            (solver.clean[*i], solver.falls[*i]) = (*clean, *fall);
        }
        at.spread.enter(&mut solver);
        solver.set_levers();
        solver.spread.clone_from(&at.spread);
        solver.gusts.memory = self.gust_memory;
        solver.gusts.variance.clone_from(&at.gusts);
        if !at.gusts.is_empty() {
            solver.gusts.together = solver.together();
        }
        at.state.enter(&mut solver);
        solver.gains.clone_from(&self.gains);
        for (residual, i) in solver.residual.iter_mut().zip(solver.order.observations(0..solver.order.len())) {
            *residual = self.residual[i];
        }
        solver.own.clone_from(&at.own);
        solver.reweight();
        let unclipped = solver.unclipped();
        Some(Blocks { solver, unclipped })
    }
}
