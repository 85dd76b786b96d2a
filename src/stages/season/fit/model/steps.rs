//! The steps of the iteration: coefficients and winds, spreads, wakes and gusts, robust weights.

use std::borrow::Cow;
use std::ops::Range;

use nalgebra::DVector;
use rayon::prelude::*;

use super::assemble::Rows;
use super::gains::Gain;
use super::settled::State;
use super::{FEWEST_OF_A_KIND, MANY, Solver};
use crate::numerics::blocked::{self, BlockedError, Estimates, Inference, Solution, Sparse, Steps};
use crate::numerics::spread::{between_variance, huber_psi, huber_rho, huber_weight};
use crate::stages::season::fit::{Method, Weights};

const ITERATIONS: usize = 120;
/// Share of its usual curvature that an outlying window is given in the first bold step, see [`Solver::curvature`].
const BOLD: f64 = 0.1;
/// What that share is multiplied with after a step that led downhill all the way, and after one of which less than
/// [`TOO_LITTLE`] did.
const BOLDER: f64 = 0.5;
const MEEKER: f64 = 3.0;
const TOO_LITTLE: f64 = 0.1;
/// How far boldness goes.
const BOLDEST: f64 = 0.005;
/// The least share with which a step is sure to lead downhill is a half; a little more for the wind.
const SURE: f64 = 0.6;
/// After this many steps the spread stands still: a median jumps from window to window and could keep the
/// iteration circling for ever; with a fixed scale Huber's equations are convex and settle. Eight steps more
/// change the size of the answers' errors by less than a hundredth, and neither coverage nor widths (study).
const SPREAD_STEPS: usize = 10;
const CONVERGED: f64 = 1e-7;
/// Halvings of the way back from a step that led too far.
const HALVINGS: usize = 10;
/// Share of the loss that is no more than rounding.
const ROUNDING: f64 = 1e-12;
/// Least share of their squares that standard errors keep, however little the windows scatter beside the gusts.
const LEAST_OF_OWN: f64 = 0.1;
/// Steps before gusts are told from what each quantity scatters for itself. The wakes are settled before: looked for
/// together, the one would hide in the other, window by window.
const FIRST_GUSTS: usize = 7;
/// Steps before sessions are held against each other.
const FIRST_GAINS: usize = 2;
/// Steps before wakes are looked for among the gusts.
const SECOND_LOOK: usize = 8;
/// Steps before a window's air is judged by what the other windows say.
const FIRST_LOOK: usize = 3;

/// Where a solver stands in the space of coefficients, winds, gains and gusts.
struct Point {
    loss: f64,
    beta: DVector<f64>,
    wind: Vec<(f64, f64)>,
    left: Left,
    gust_loss: f64,
    gains: Vec<Vec<Gain>>,
}

/// What is left of every row: residuals, and their own part beside the gusts.
#[derive(Default)]
struct Left {
    residual: Vec<f64>,
    own: Vec<f64>,
}

impl Point {
    /// What is left there comes with the next step, which has no use for it any more.
    fn of(solver: &Solver, loss: f64) -> Self {
        Self {
            loss,
            beta: solver.beta.clone(),
            wind: solver.wind.clone(),
            left: Left::default(),
            gust_loss: solver.gust_loss,
            gains: solver.gains.clone(),
        }
    }

    /// Puts the solver on the way from this point to where it stands, at a share `t` of it.
    fn part_way(&self, solver: &mut Solver, t: f64, gust_loss: f64) {
        let between = |from: f64, to: f64| from + t * (to - from);
        let blend =
            |from: &[f64], to: &mut [f64]| to.iter_mut().zip(from).for_each(|(to, from)| *to = between(*from, *to));
        blend(self.beta.as_slice(), solver.beta.as_mut_slice());
        blend(&self.left.residual, &mut solver.residual);
        blend(&self.left.own, &mut solver.own);
        for (to, from) in solver.wind.iter_mut().zip(&self.wind) {
            *to = (between(from.0, to.0), between(from.1, to.1));
        }
        for (to, from) in solver.gains.iter_mut().flatten().zip(self.gains.iter().flatten()) {
            to.value = between(from.value, to.value);
        }
        solver.gust_loss = gust_loss;
    }
}

/// A parabola over 0 to 1, from its values at both ends and in the middle.
struct Parabola {
    slope: f64,
    bend: f64,
}

impl Parabola {
    fn through(start: f64, middle: f64, end: f64) -> Self {
        Self { slope: 4.0 * middle - 3.0 * start - end, bend: 2.0 * (start + end - 2.0 * middle) }
    }

    fn slope_at(&self, t: f64) -> f64 {
        self.slope + 2.0 * self.bend * t
    }
}

impl Solver<'_> {
    /// Steps until the estimates stand still.
    pub(super) fn iterate(&mut self) -> Result<(), BlockedError> {
        self.first_spread();
        let mut before: Option<Point> = None;
        let mut steps = Steps::default();
        for i in 0..ITERATIONS {
            self.iterations = i + 1;
            let (sessions, width) = (self.order.sessions.len(), self.width());
            let fill = |g: usize, b: &mut Sparse| self.fill_block(b, g, Rows::Weighted);
            let fit = steps.solve(sessions, fill, width, i < SPREAD_STEPS)?;
            let from = self.beta.clone();
            let (moved, left) = self.take(&fit, i >= SPREAD_STEPS);
            if i < SPREAD_STEPS {
                self.spread = State::of(self);
                self.set_levers();
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
                // With the spread at rest every step has to lead downhill.
                let mut loss = self.loss();
                let mut taken = 1.0;
                if let Some(before) = before.take().filter(|b| loss > b.loss * (1.0 + ROUNDING)) {
                    taken = self.shorten(&Point { left, ..before }, &fit);
                    loss = self.loss();
                }
                before = Some(Point::of(self, loss));
                self.curvature = if i == SPREAD_STEPS {
                    BOLD
                } else if taken == 1.0 {
                    (self.curvature * BOLDER).max(BOLDEST)
                } else if taken < TOO_LITTLE {
                    (self.curvature * MEEKER).min(SURE)
                } else {
                    self.curvature
                };
            }
            self.reweight();
            let settled = i > 0
                && from.iter().zip(fit.beta.iter()).all(|(a, b)| (a - b).abs() <= CONVERGED * (a.abs() + b.abs()));
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
    /// least-squares estimate of these, and its covariance theirs. `keep`: see [`blocked::fit_each`].
    pub(super) fn infer<T: Send>(
        &self,
        keep: impl Fn(usize, &Solution, blocked::Rows) -> T + Sync,
    ) -> Result<(Inference, Vec<T>), BlockedError> {
        let unclipped = self.unclipped();
        let block = |g: usize| Cow::Owned(self.pseudo_block(g, &unclipped));
        blocked::fit_each(self.order.sessions.len(), block, self.width(), keep)
    }

    /// Goes back on the way from a point where the loss was less, to where it is least: a step so bold led too far. Along
    /// the way residuals, winds and gains change evenly, and with them all that is added to the loss of the rows is a
    /// parabola; the whole is convex. Answers the share of the way that is kept.
    fn shorten(&mut self, before: &Point, fit: &Estimates) -> f64 {
        // The gusts' part is u'G⁻¹u/2; of two of them, u₁'G⁻¹u₂ is the pull of the one times what the other does to the rows.
        let of_session = |(rows, pulls): (&Range<usize>, &DVector<f64>)| -> f64 {
            rows.clone().zip(pulls.iter()).map(|(i, pull)| pull * (before.left.residual[i] - before.left.own[i])).sum()
        };
        let cross = 0.5 * self.order.sessions.iter().zip(&fit.pulls).map(of_session).sum::<f64>();
        let gusts = |t: f64| {
            let kept = 1.0 - t;
            kept * kept * before.gust_loss + 2.0 * t * kept * cross + t * t * self.gust_loss
        };
        let mean = |a: f64, b: f64| 0.5 * (a + b);
        let winds =
            |of: &dyn Fn(usize) -> (f64, f64)| -> f64 { (0..self.wind.len()).map(|g| self.wind_loss(g, of(g))).sum() };
        let middle = |g: usize| {
            let (a, b) = (before.wind[g], self.wind[g]);
            (mean(a.0, b.0), mean(a.1, b.1))
        };
        let gains = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
            let both = before.gains.iter().flatten().zip(self.gains.iter().flatten());
            both.map(|(a, b)| 0.5 * of(a.value, b.value).powi(2) / b.prior).sum()
        };
        let smooth = Parabola::through(
            gusts(0.0) + winds(&|g| before.wind[g]) + gains(&|a, _| a),
            gusts(0.5) + winds(&middle) + gains(&mean),
            gusts(1.0) + winds(&|g| self.wind[g]) + gains(&|_, b| b),
        );
        let slope = |t: f64| {
            let of_row = |i: usize| {
                let (a, b) = (before.left.own[i] / self.deviations[i], self.own[i] / self.deviations[i]);
                self.clean[i] * huber_psi(a + t * (b - a)) * (b - a)
            };
            (0..self.order.len()).map(of_row).sum::<f64>() + smooth.slope_at(t)
        };
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let middle = mean(low, high);
            if slope(middle) > 0.0 { high = middle } else { low = middle }
        }
        before.part_way(self, low, gusts(low));
        low
    }

    /// What the robust fit makes least: Huber's ρ of all residuals, and the squares of the priors of winds and gains.
    fn loss(&self) -> f64 {
        let of_row = |i: usize| self.clean[i] * huber_rho(self.own[i] / self.deviations[i]);
        let rows = (0..self.order.len()).map(of_row);
        let winds: f64 = self.wind.iter().enumerate().map(|(g, wind)| self.wind_loss(g, *wind)).sum();
        rows.sum::<f64>() + winds + self.gust_loss + self.gain_loss()
    }

    /// What the prior of a session's wind adds to it.
    fn wind_loss(&self, g: usize, wind: (f64, f64)) -> f64 {
        let ((north, east), sd) = self.prior[g];
        let squares = (wind.0 - north).powi(2) + (wind.1 - east).powi(2);
        if self.estimates_wind() { 0.5 * squares / (sd * sd) } else { 0.0 }
    }

    /// A first spread from each quantity's scatter, so that no first step divides by nothing.
    fn first_spread(&mut self) {
        for cell in 0..self.between.len() {
            let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
            for y in self.order.of_quantity(cell / self.kinds).map(|r| self.observation(r).y) {
                n += 1.0;
                sum += y;
                squares += y * y;
            }
            self.between[cell] = if n > 1.0 { ((squares - sum * sum / n) / n).max(0.0) } else { 0.0 };
        }
        self.set_variances();
    }

    /// Takes over coefficients, wind and residuals; returns the largest change of a wind, m/s, and what was left before.
    /// `exact`: what is left is that of the model itself and not of the linearised one, by which no point may be compared
    /// with another that has led to it: what the two differ by would stand against every further step.
    fn take(&mut self, fit: &Estimates, exact: bool) -> (f64, Left) {
        let coefficients = std::mem::replace(&mut self.beta, fit.beta.clone());
        let (winds, mut told) = (self.wind.clone(), self.wind.clone());
        let mut moved = 0.0_f64;
        for (g, told) in told.iter_mut().enumerate() {
            let nuisance = &fit.nuisance[g];
            let zeros = self.places[g].zeros;
            for (gain, value) in self.gains[g].iter_mut().zip(nuisance.iter().skip(zeros)) {
                gain.value = *value;
            }
            let old = self.wind[g];
            if self.estimates_wind() && nuisance.len() >= 2 {
                let at = nuisance.len() - 2;
                let new = (nuisance[at], nuisance[at + 1]);
                *told = new;
                // Half steps where the linearisation is far out.
                let length = (new.0 - old.0).hypot(new.1 - old.1);
                let step = if length > 5.0 { 5.0 / length } else { 1.0 };
                self.wind[g] = (old.0 + step * (new.0 - old.0), old.1 + step * (new.1 - old.1));
                moved = moved.max(length);
            }
        }
        let bent = exact && self.estimates_wind();
        // Residual of the linearised model, equal to the nonlinear one once the wind has settled, and the rows' own part
        // of the covariance times the pull; the rest is the gusts'.
        let (mut all_residuals, mut all_own) = (vec![0.0; self.own.len()], vec![0.0; self.own.len()]);
        let solver = &*self;
        // What the model says of a row more than the linearised one.
        let more = |row: usize, g: usize| {
            let (o, column) = (solver.observation(row), solver.slope(row));
            let told = o.slope(winds[g]) * (o.headwind(told[g]) - o.headwind(winds[g]));
            solver.beta[column] * (o.x(solver.wind[g]) - o.x(winds[g])) - coefficients[column] * told
        };
        let of_session = |g: usize, residuals: &mut [f64], own: &mut [f64]| {
            let mut loss = 0.0;
            let found = fit.residuals[g].iter().zip(fit.pulls[g].iter());
            let rows = solver.order.sessions[g].clone().zip(residuals).zip(own);
            for (((row, to_residual), to_own), (residual, pull)) in rows.zip(found) {
                let weight = solver.clean[row] * solver.step_weight(row) / solver.variance(row);
                let shift = solver.shift(row);
                (*to_residual, *to_own) = (residual - shift, pull / weight - shift);
                loss += 0.5 * pull * (*to_residual - *to_own);
                if bent {
                    let more = more(row, g);
                    (*to_residual, *to_own) = (*to_residual - more, *to_own - more);
                }
            }
            loss
        };
        let rooms = by_sessions(&self.order.sessions, &mut all_residuals)
            .into_par_iter()
            .zip(by_sessions(&self.order.sessions, &mut all_own));
        let losses: Vec<f64> = rooms.enumerate().map(|(g, (residuals, own))| of_session(g, residuals, own)).collect();
        self.gust_loss = losses.iter().sum();
        let residual = std::mem::replace(&mut self.residual, all_residuals);
        let own = std::mem::replace(&mut self.own, all_own);
        (moved, Left { residual, own })
    }

    fn respread(&mut self) {
        let robust = self.options.method == Method::Robust;
        let (scatter, apart) = (self.own_scatter(), self.apart());
        let of_cell = |cell: usize| {
            let q = cell / self.kinds;
            let clean = |of: &mut dyn Iterator<Item = usize>| of.filter(|i| self.clean[*i] > 0.5).collect::<Vec<_>>();
            let mut all = clean(&mut self.by_cell[cell].iter().map(|r| *r as usize));
            if all.len() < FEWEST_OF_A_KIND {
                all = clean(&mut self.order.of_quantity(q));
            }
            let r: Vec<f64> = all.iter().map(|i| scatter[*i]).collect();
            let own = |i: &usize| match self.options.weights {
                Weights::Equal => 0.0,
                Weights::Precision => self.observation(*i).se,
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
            let rows = self.robust.par_iter_mut().zip(&self.own).zip(&self.deviations);
            let weigh = |((robust, own), deviation): ((&mut f64, &f64), &f64)| *robust = huber_weight(own / deviation);
            rows.with_min_len(MANY).for_each(weigh);
        }
    }
}

/// The room of every session's rows, which follow each other.
fn by_sessions<'a>(sessions: &[Range<usize>], mut all: &'a mut [f64]) -> Vec<&'a mut [f64]> {
    let mut out = Vec::with_capacity(sessions.len());
    for rows in sessions {
        let (here, rest) = std::mem::take(&mut all).split_at_mut(rows.len());
        out.push(here);
        all = rest;
    }
    out
}
