//! The steps of the iteration: coefficients and winds, spreads, wakes and gusts, robust weights.

use nalgebra::DVector;
use rayon::prelude::*;

use super::gains::Gain;
use super::settled::State;
use super::{FEWEST_OF_A_KIND, Solver};
use crate::numerics::blocked::{self, BlockedError, BlockedFit, Estimates};
use crate::numerics::spread::{between_variance, huber_rho, huber_weight};
use crate::stages::season::fit::{Method, Weights};

const ITERATIONS: usize = 120;
/// Share of its usual curvature that an outlying window is given in the first bold step, see [`Solver::curvature`].
const BOLD: f64 = 0.1;
/// What that share is multiplied with after a step that led downhill, and after one that did not.
const BOLDER: f64 = 0.5;
const MEEKER: f64 = 3.0;
/// How far boldness goes.
const BOLDEST: f64 = 0.005;
/// The least share with which a step is sure to lead downhill is a half; a little more for the wind.
const SURE: f64 = 0.6;
/// After this many steps the spread stands still: a median jumps from window to window and could keep the
/// iteration circling for ever; with a fixed scale Huber's equations are convex and settle.
const SPREAD_STEPS: usize = 18;
const CONVERGED: f64 = 1e-7;
/// Share of the loss that is no more than rounding.
const ROUNDING: f64 = 1e-12;
/// Least share of their squares that standard errors keep, however little the windows scatter beside the gusts.
const LEAST_OF_OWN: f64 = 0.1;
/// Steps before gusts are told from what each quantity scatters for itself. The wakes are settled before: looked for
/// together, the one would hide in the other, window by window.
const FIRST_GUSTS: usize = 8;
/// Steps before sessions are held against each other.
const FIRST_GAINS: usize = 2;
/// Steps before wakes are looked for among the gusts.
const SECOND_LOOK: usize = 11;
/// Steps before a window's air is judged by what the other windows say.
const FIRST_LOOK: usize = 4;

/// Where a solver stood before a bold step.
#[derive(Default)]
struct Before {
    loss: f64,
    beta: DVector<f64>,
    wind: Vec<(f64, f64)>,
    residual: Vec<f64>,
    own: Vec<f64>,
    gust_loss: f64,
    gains: Vec<Vec<Gain>>,
}

impl Before {
    fn of(solver: &Solver, loss: f64) -> Self {
        Self {
            loss,
            beta: solver.beta.clone(),
            wind: solver.wind.clone(),
            residual: solver.residual.clone(),
            own: solver.own.clone(),
            gust_loss: solver.gust_loss,
            gains: solver.gains.clone(),
        }
    }

    fn restore(&self, solver: &mut Solver) {
        solver.beta.clone_from(&self.beta);
        solver.wind.clone_from(&self.wind);
        solver.residual.clone_from(&self.residual);
        solver.own.clone_from(&self.own);
        solver.gust_loss = self.gust_loss;
        solver.gains.clone_from(&self.gains);
    }
}

impl Solver<'_> {
    /// Steps until the estimates stand still.
    pub(super) fn iterate(&mut self) -> Result<(), BlockedError> {
        self.first_spread();
        let mut last: Option<DVector<f64>> = None;
        let mut before = Before { loss: f64::INFINITY, ..Default::default() };
        let mut blocks = Vec::new();
        for i in 0..ITERATIONS {
            self.iterations = i + 1;
            self.fill(&mut blocks, false);
            let fit = blocked::estimate(&blocks, self.width(), i < SPREAD_STEPS)?;
            let moved = self.take(&fit);
            if i < SPREAD_STEPS {
                self.spread = State::of(self);
                self.set_levers();
                self.set_reads();
                let look = (FIRST_LOOK..FIRST_GUSTS).contains(&i) || i >= SECOND_LOOK;
                if look && self.options.method == Method::Robust {
                    self.look_for_wakes();
                }
                self.respread();
                if i >= FIRST_GAINS {
                    self.look_for_gains(&fit);
                }
                if i >= FIRST_GUSTS {
                    self.look_for_gusts();
                }
            } else if self.options.method == Method::Robust {
                // With the spread at rest every step has to lead downhill; a bold one that did not is taken back.
                let loss = self.loss();
                if self.curvature < SURE && loss > before.loss * (1.0 + ROUNDING) {
                    self.curvature = (self.curvature * MEEKER).min(SURE);
                    before.restore(self);
                    last = None;
                    continue;
                }
                before = Before::of(self, loss);
                self.curvature = if i == SPREAD_STEPS { BOLD } else { (self.curvature * BOLDER).max(BOLDEST) };
            }
            self.reweight();
            let settled = last.as_ref().is_some_and(|l| {
                l.iter().zip(fit.beta.iter()).all(|(a, b)| (a - b).abs() <= CONVERGED * (a.abs() + b.abs()))
            });
            last = Some(fit.beta.clone());
            let single = !self.estimates_wind()
                && self.options.method == Method::Ordinary
                && self.options.weights == Weights::Equal;
            // Not before gusts had their turn.
            let early = self.estimates_wind() && i <= SPREAD_STEPS;
            if (settled && moved < 1e-5 && !early) || single {
                self.converged = true;
                break;
            }
        }
        Ok(())
    }

    /// Inference on pseudo-values (Street, Carroll & Ruppert, Am. Statistician 42, 1988): the robust estimate is the
    /// least-squares estimate of these, and its covariance theirs.
    pub(super) fn infer(&mut self) -> Result<BlockedFit, BlockedError> {
        let mut blocks = Vec::new();
        self.fill(&mut blocks, true);
        self.last = blocks.into_par_iter().map(|b| b.dense()).collect();
        blocked::fit(&self.last, self.width())
    }

    /// What the robust fit makes least: Huber's ρ of all residuals, and the squares of the priors of winds and gains.
    fn loss(&self) -> f64 {
        let of_row = |i: &usize| self.clean[*i] * huber_rho(self.own[*i] / self.deviations[*i]);
        let rows = self.rows.iter().flatten().map(of_row);
        let prior = |g: usize| {
            let ((north, east), sd) = self.prior[g];
            0.5 * ((self.wind[g].0 - north).powi(2) + (self.wind[g].1 - east).powi(2)) / (sd * sd)
        };
        let winds = if self.estimates_wind() { (0..self.wind.len()).map(prior).sum() } else { 0.0 };
        rows.sum::<f64>() + winds + self.gust_loss + self.gain_loss()
    }

    /// A first spread from each quantity's scatter, so that no first step divides by nothing.
    fn first_spread(&mut self) {
        for cell in 0..self.between.len() {
            let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
            for o in self.by_quantity[cell / self.kinds].iter().map(|i| &self.evidence.observations[*i]) {
                n += 1.0;
                sum += o.y;
                squares += o.y * o.y;
            }
            self.between[cell] = if n > 1.0 { ((squares - sum * sum / n) / n).max(0.0) } else { 0.0 };
        }
        self.set_variances();
    }

    /// Takes over coefficients, wind and residuals; returns the largest change of a wind, m/s.
    fn take(&mut self, fit: &Estimates) -> f64 {
        self.beta = fit.beta.clone();
        let mut moved = 0.0_f64;
        for g in 0..self.rows.len() {
            let nuisance = &fit.nuisance[g];
            let zeros = self.places[g].zeros;
            for (gain, value) in self.gains[g].iter_mut().zip(nuisance.iter().skip(zeros)) {
                gain.value = *value;
            }
            let old = self.wind[g];
            if self.estimates_wind() && nuisance.len() >= 2 {
                let at = nuisance.len() - 2;
                let new = (nuisance[at], nuisance[at + 1]);
                // Half steps where the linearisation is far out.
                let length = (new.0 - old.0).hypot(new.1 - old.1);
                let step = if length > 5.0 { 5.0 / length } else { 1.0 };
                self.wind[g] = (old.0 + step * (new.0 - old.0), old.1 + step * (new.1 - old.1));
                moved = moved.max(length);
            }
        }
        // Residual of the linearised model, equal to the nonlinear one once the wind has settled, and the rows' own part
        // of the covariance times the pull; the rest is the gusts'.
        let of_session = |(rows, (residuals, pulls)): (&Vec<usize>, (&DVector<f64>, &DVector<f64>))| {
            let of_row = |((row, residual), pull): ((&usize, &f64), &f64)| {
                let weight = self.clean[*row] * self.step_weight(*row) / self.variances[*row];
                let shift = self.shift(*row);
                (residual - shift, pull / weight - shift)
            };
            rows.iter().zip(residuals).zip(pulls).map(of_row).collect()
        };
        let found: Vec<Vec<(f64, f64)>> =
            self.rows.par_iter().zip(fit.residuals.par_iter().zip(&fit.pulls)).map(of_session).collect();
        self.gust_loss = 0.0;
        for ((rows, found), pulls) in self.rows.iter().zip(found).zip(&fit.pulls) {
            for ((row, (residual, own)), pull) in rows.iter().zip(found).zip(pulls) {
                (self.residual[*row], self.own[*row]) = (residual, own);
                self.gust_loss += 0.5 * pull * (residual - own);
            }
        }
        moved
    }

    fn respread(&mut self) {
        let robust = self.options.method == Method::Robust;
        let (scatter, apart) = (self.own_scatter(), self.apart());
        let of_cell = |cell: usize| {
            let q = cell / self.kinds;
            let clean = |of: &[usize]| of.iter().copied().filter(|i| self.clean[*i] > 0.5).collect::<Vec<_>>();
            let mut all = clean(&self.by_cell[cell]);
            if all.len() < FEWEST_OF_A_KIND {
                all = clean(&self.by_quantity[q]);
            }
            let r: Vec<f64> = all.iter().map(|i| scatter[*i]).collect();
            let own = |i: &usize| match self.options.weights {
                Weights::Equal => 0.0,
                Weights::Precision => self.evidence.observations[*i].se,
            };
            let own: Vec<f64> = all.iter().map(own).collect();
            if let Some(alone) = apart[cell] {
                let mean = |f: &dyn Fn(usize) -> f64| all.iter().map(|i| f(*i)).sum::<f64>() / all.len() as f64;
                let (whole, of_own) = (
                    alone * mean(&|i| self.gusts.levers[i].powi(2)),
                    own.iter().map(|s| s * s).sum::<f64>() / own.len() as f64,
                );
                return ((whole - of_own).max(0.0), (whole / of_own).clamp(LEAST_OF_OWN, 1.0));
            }
            (between_variance(&r, &own, self.share[q], robust), 1.0)
        };
        (self.between, self.overstated) = (0..self.between.len()).into_par_iter().map(of_cell).unzip();
        self.set_variances();
    }

    pub(super) fn reweight(&mut self) {
        if self.options.method == Method::Robust {
            for i in self.rows.iter().flatten().copied() {
                self.robust[i] = huber_weight(self.own[i] / self.deviations[i]);
            }
        }
    }
}
