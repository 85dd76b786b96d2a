//! The estimates by normal equations: what a step of an iteration needs, at a fraction of the cost of the factorisation
//! that inference rests on. Rows are taken as they are, few places of each not zero; rows that err together change the
//! sums by a matrix as small as the number of the states that act on them (Woodbury's identity).
//!
//! Normal equations square the condition number. Where a pivot says that this would cost more than a few digits, the
//! answer is `None` and the factorisation has to do.

use std::ops::Range;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

use super::sparse::Sparse;
use super::together::Chain;
use super::{AT_HAND, Estimates, IDENTIFIED};

/// Least share of a column that others must leave for its pivot to be trusted.
const TRUSTED: f64 = 1e-8;

/// The equations of blocks, in the room that they had in the step before. Some of the blocks stand beside them
/// (the first few dozen); the others are filled once for their equations and once for what these leave, each time in the same few
/// places: all of them at once would be larger than all else that a step needs.
#[derive(Clone, Debug, Default)]
pub struct Steps {
    blocks: Vec<Equations>,
}

#[derive(Clone, Debug, Default)]
struct Equations {
    step: Step,
    /// The block, where it is at hand.
    block: Option<Sparse>,
}

impl Steps {
    /// Fills the blocks and solves them; `None` where the equations are too close to singular, or a value is not finite.
    pub(super) fn estimate(
        &mut self,
        count: usize,
        fill: impl Fn(usize, &mut Sparse) + Sync,
        p: usize,
        variances: bool,
    ) -> Option<Estimates> {
        self.blocks.resize_with(count, Default::default);
        self.blocks.iter_mut().take(AT_HAND).for_each(|e| _ = e.block.get_or_insert_default());
        let formed = |(room, scratch): &mut (Sparse, Scratch), (g, e): (usize, &mut Equations)| {
            let b = e.block.as_mut().unwrap_or(room);
            fill(g, b);
            e.step.form(b, scratch).is_some()
        };
        let sound: Vec<bool> = self.blocks.par_iter_mut().enumerate().map_init(Default::default, formed).collect();
        if sound.contains(&false) {
            return None;
        }
        let (mut whole, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
        let mut before = vec![0.0; p];
        for Equations { step, .. } in &self.blocks {
            for (j, c) in step.columns.iter().enumerate() {
                before[*c] += step.before[j];
                let left = step.reduced(j);
                // Both of a column's places, in whichever order the block has them; y stands behind them.
                for (d, v) in step.columns[j..].iter().zip(left) {
                    whole[(*c.max(d), *c.min(d))] += v;
                }
                right[*c] += left[step.columns.len() - j];
            }
        }
        whole.fill_upper_triangle_with_lower_triangle();
        let scale: Vec<f64> = whole.diagonal().iter().map(|v| v.sqrt()).collect();
        // What the factorisation would refuse is left to it to name.
        if (0..p).any(|c| whole[(c, c)].is_nan() || whole[(c, c)] <= IDENTIFIED * before[c]) {
            return None;
        }
        let scaled = DMatrix::from_fn(p, p, |i, j| whole[(i, j)] / (scale[i] * scale[j]));
        let solved = trusted(scaled)?.solve(&DVector::from_fn(p, |i, _| right[i] / scale[i]));
        let beta = DVector::from_fn(p, |i, _| solved[i] / scale[i]);
        let of_block = |room: &mut Sparse, (g, Equations { step, block }): (usize, &Equations)| {
            let b = block.as_ref().unwrap_or_else(|| {
                fill(g, room);
                room
            });
            let local = DVector::from_iterator(b.columns.len(), b.columns.iter().map(|c| beta[*c]));
            let nuisance = step.nuisance(&local);
            let residuals = residuals(b, &local, &nuisance);
            let pulls = step.pulls(b, &residuals);
            let variances = if variances { step.variances() } else { DVector::zeros(0) };
            ((nuisance, variances), (residuals, pulls))
        };
        let of_blocks = self.blocks.par_iter().enumerate().map_init(Sparse::default, of_block);
        let ((nuisance, variances), (residuals, pulls)) = of_blocks.unzip();
        let estimates = Estimates { beta, nuisance, residuals, pulls, variances };
        estimates.beta.iter().all(|v| v.is_finite()).then_some(estimates)
    }
}

/// The factor of a matrix whose pivots leave enough of its diagonal.
fn trusted(m: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    let diagonal = m.diagonal();
    let factor = Cholesky::new(m)?;
    let l = factor.l_dirty();
    (0..diagonal.len()).all(|i| l[(i, i)].powi(2) > TRUSTED * diagonal[i]).then_some(factor)
}

/// What the coefficients leave of the observations.
fn residuals(b: &Sparse, local: &DVector<f64>, nuisance: &DVector<f64>) -> DVector<f64> {
    // y's own place last: what is left is y less all else.
    let all: Vec<f64> = nuisance.iter().chain(local.iter()).map(|v| -v).chain(std::iter::once(1.0)).collect();
    DVector::from_fn(b.len(), |i, _| b.filled(i).map(|(place, v)| all[place] * v).sum())
}

/// The normal equations of one block, its nuisance columns eliminated.
#[derive(Clone, Debug, Default)]
struct Step {
    /// Shared columns of the block.
    columns: Vec<usize>,
    /// Per group of rows that err together the factor of what its states are told.
    chains: Vec<Chain>,
    /// Nuisance columns, m.
    own: usize,
    /// All columns: nuisance, shared, y.
    all: usize,
    /// [N X y]'Σ⁻¹[N X y] after m steps of Cholesky's elimination, the lower triangle column by column: the factor L of
    /// N'Σ⁻¹N, below it L⁻¹N'Σ⁻¹[X y] turned, and [X y]'Σ⁻¹[X y] with the nuisance columns projected out.
    eliminated: Vec<f64>,
    /// Squares of the shared columns, weighted, before anything was taken from them.
    before: Vec<f64>,
}

impl Step {
    /// Makes the equations of a block in the room of those that were.
    fn form(&mut self, b: &Sparse, scratch: &mut Scratch) -> Option<()> {
        if !b.is_finite() {
            return None;
        }
        let (m, all) = (b.nuisance, b.observed() + 1);
        (self.own, self.all) = (m, all);
        self.columns.clone_from(&b.columns);
        self.eliminated.clear();
        self.eliminated.resize(all * all, 0.0);
        for (i, w) in b.w.iter().enumerate() {
            let (places, values) = b.row(i);
            for (a, (place, value)) in places.iter().zip(values).enumerate() {
                let column = &mut self.eliminated[*place as usize * all..][..all];
                let weighted = w * value;
                places[a..].iter().zip(&values[a..]).for_each(|(other, v)| column[*other as usize] += weighted * v);
            }
        }
        self.before.clear();
        self.before.extend((m..all - 1).map(|j| self.eliminated[j * all + j]));
        self.take_together(b, scratch)?;
        eliminate(&mut self.eliminated, all, m)
    }

    /// Takes from the sums what rows that err together do not tell; `None` where that is not finite or out of range.
    fn take_together(&mut self, b: &Sparse, scratch: &mut Scratch) -> Option<()> {
        self.chains.clear();
        scratch.begin(self.all);
        for t in b.together.iter() {
            let rows = t.first..t.first + t.acts.len();
            let chain = Chain::new(t, b.w.get(rows.clone())?)?;
            scratch.touch(b, rows, &mut self.eliminated);
            // D'W[N X y] of the places that these rows touch, state by state.
            let width = scratch.touched.len();
            scratch.through.clear();
            scratch.through.resize(t.kept.len() * width, 0.0);
            for (i, (state, act)) in t.acts.iter().enumerate() {
                let weighted = b.w[t.first + i] * act;
                let of_state = &mut scratch.through[state * width..][..width];
                b.filled(t.first + i).for_each(|(place, v)| of_state[scratch.place_of[place]] += weighted * v);
            }
            chain.forward(&mut scratch.through, width);
            scratch.multiply();
            self.chains.push(chain);
        }
        scratch.put(&mut self.eliminated);
        Some(())
    }

    /// What is left of a shared column (or of y, behind them) and of those behind it.
    fn reduced(&self, j: usize) -> &[f64] {
        let j = self.own + j;
        &self.eliminated[j * self.all + j..(j + 1) * self.all]
    }

    /// The column of L of a nuisance column from its pivot on, and what stands below L.
    fn factor(&self, j: usize) -> (&[f64], &[f64]) {
        let column = &self.eliminated[j * self.all..(j + 1) * self.all];
        (&column[j..self.own], &column[self.own..])
    }

    /// Nuisance coefficients given the shared ones.
    fn nuisance(&self, local: &DVector<f64>) -> DVector<f64> {
        let mut out = DVector::zeros(self.own);
        for j in (0..self.own).rev() {
            let (factor, across) = self.factor(j);
            let told: f64 = across.iter().zip(local.iter()).map(|(a, l)| a * l).sum();
            let later: f64 = factor.iter().zip(out.iter().skip(j)).skip(1).map(|(l, x)| l * x).sum();
            out[j] = (across[local.len()] - told - later) / factor[0];
        }
        out
    }

    /// Variances of the nuisance coefficients given the shared ones: squared lengths of the columns of L⁻¹.
    fn variances(&self) -> DVector<f64> {
        let mut unit = vec![0.0; self.own];
        DVector::from_fn(self.own, |j, _| {
            unit.fill(0.0);
            unit[j] = 1.0;
            for i in j..self.own {
                let (factor, _) = self.factor(i);
                unit[i] /= factor[0];
                let here = unit[i];
                if here != 0.0 {
                    unit[i + 1..].iter_mut().zip(&factor[1..]).for_each(|(u, l)| *u -= here * l);
                }
            }
            unit[j..].iter().map(|u| u * u).sum()
        })
    }

    /// Σ⁻¹ times the residuals.
    fn pulls(&self, b: &Sparse, residuals: &DVector<f64>) -> DVector<f64> {
        let mut out = DVector::from_fn(b.len(), |i, _| b.w[i] * residuals[i]);
        for (t, chain) in b.together.iter().zip(&self.chains) {
            let mut states = vec![0.0; t.kept.len()];
            for ((state, act), pull) in t.acts.iter().zip(out.as_slice().iter().skip(t.first)) {
                states[*state] += act * pull;
            }
            chain.forward(&mut states, 1);
            chain.backward(&mut states);
            for (i, (state, act)) in t.acts.iter().enumerate() {
                out[t.first + i] -= b.w[t.first + i] * act * states[*state];
            }
        }
        out
    }
}

/// Cholesky's elimination of the first `own` of `n` columns, whose lower triangle stands column by column; `None` where a
/// pivot says that the equations are too close to singular. Many zeros of outings have nothing in common: what is zero is
/// passed over.
fn eliminate(a: &mut [f64], n: usize, own: usize) -> Option<()> {
    let diagonal: Vec<f64> = (0..own).map(|j| a[j * n + j]).collect();
    for j in 0..own {
        let (done, rest) = a.split_at_mut((j + 1) * n);
        let column = &mut done[j * n..];
        let pivot = column[j];
        if pivot.is_nan() || pivot <= TRUSTED * diagonal[j] {
            return None;
        }
        let root = pivot.sqrt();
        column[j..].iter_mut().for_each(|v| *v /= root);
        for (c, later) in (j + 1..n).zip(rest.chunks_exact_mut(n)) {
            let by = column[c];
            if by != 0.0 {
                later[c..].iter_mut().zip(&column[c..]).for_each(|(v, l)| *v -= by * l);
            }
        }
    }
    Some(())
}

/// Room for what groups of rows that err together take from the sums. Groups follow each other that touch the same
/// places: those of one outing. What they take is summed before it is put where it belongs.
#[derive(Default)]
struct Scratch {
    all: usize,
    /// Per place of the block its index among those that are touched.
    place_of: Vec<usize>,
    touched: Vec<usize>,
    /// Touched places, for every state of a group.
    through: Vec<f64>,
    /// Touched places by touched places, the upper triangle row by row.
    products: Vec<f64>,
}

impl Scratch {
    const NOWHERE: usize = usize::MAX;

    fn begin(&mut self, all: usize) {
        self.all = all;
        self.place_of.clear();
        self.place_of.resize(all, Self::NOWHERE);
        self.touched.clear();
        self.products.clear();
    }

    /// Makes room for the places of some rows; where there is one more the others are done with.
    fn touch(&mut self, b: &Sparse, rows: Range<usize>, sums: &mut [f64]) {
        let places = || rows.clone().flat_map(|i| b.row(i).0).map(|p| *p as usize);
        if places().all(|p| self.place_of[p] != Self::NOWHERE) {
            return;
        }
        self.put(sums);
        for place in places() {
            if self.place_of[place] == Self::NOWHERE {
                self.place_of[place] = self.touched.len();
                self.touched.push(place);
            }
        }
        self.products.resize(self.touched.len() * self.touched.len(), 0.0);
    }

    /// Adds what the states of one group take.
    fn multiply(&mut self) {
        let width = self.touched.len();
        for of_state in self.through.chunks_exact(width.max(1)) {
            for (a, value) in of_state.iter().enumerate().filter(|(_, v)| **v != 0.0) {
                let row = &mut self.products[a * width..][..width];
                row[a..].iter_mut().zip(&of_state[a..]).for_each(|(sum, v)| *sum += value * v);
            }
        }
    }

    /// Takes it from the sums and forgets the places.
    fn put(&mut self, sums: &mut [f64]) {
        let width = self.touched.len();
        for (a, place) in self.touched.iter().enumerate() {
            for (other, product) in self.touched.iter().zip(&self.products[a * width..]).skip(a) {
                sums[place.min(other) * self.all + place.max(other)] -= product;
            }
            self.place_of[*place] = Self::NOWHERE;
        }
        self.touched.clear();
        self.products.clear();
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::super::wald::tests::blocks;
    use super::super::{Block, Estimates, Sparse, Together, by_factors};
    use super::Steps;

    fn estimate(blocks: &[Block], p: usize) -> Option<Estimates> {
        let sparse: Vec<Sparse> = blocks.iter().map(Sparse::from).collect();
        Steps::default().estimate(sparse.len(), |g, b| b.clone_from(&sparse[g]), p, true)
    }

    /// Blocks with rows in threes that err together by two states, and a row without weight to speak of.
    fn correlated(seed: u64) -> Vec<Block> {
        let acts = vec![(0, 0.4), (1, -0.8), (1, 0.1)];
        let mut all = blocks(seed, 6);
        for b in &mut all {
            b.together = (0..b.y.len() / 3)
                .map(|t| Together { first: 3 * t, acts: acts.clone(), kept: vec![0.0, 0.6] })
                .collect();
            b.w[1] = 1e-6;
            b.x[(2, 1)] = 0.0;
        }
        all
    }

    fn factored(blocks: &[Block]) -> Estimates {
        let sparse: Vec<Sparse> = blocks.iter().map(Sparse::from).collect();
        by_factors(sparse.len(), |g, b| b.clone_from(&sparse[g]), 3).unwrap()
    }

    fn near(a: &DVector<f64>, b: &DVector<f64>) {
        assert!((a - b).norm() <= 1e-9 * (a.norm() + b.norm()), "{a} {b}");
    }

    #[test]
    fn the_same_as_by_factorisation() {
        for seed in 0..20 {
            let blocks = correlated(seed);
            let (one, other): (Estimates, Estimates) = (estimate(&blocks, 3).unwrap(), factored(&blocks));
            near(&one.beta, &other.beta);
            for g in 0..blocks.len() {
                near(&one.nuisance[g], &other.nuisance[g]);
                near(&one.residuals[g], &other.residuals[g]);
                near(&one.pulls[g], &other.pulls[g]);
                near(&one.variances[g], &other.variances[g]);
            }
        }
    }

    #[test]
    fn what_is_nearly_singular_is_left_to_the_factorisation() {
        let mut all = correlated(1);
        for b in &mut all {
            let copied = b.x.column(0) + 1e-6 * b.x.column(1);
            b.x.set_column(2, &copied);
        }
        assert!(estimate(&all, 3).is_none());
        let mut all = correlated(2);
        all[3].y[0] = f64::NAN;
        assert!(estimate(&all, 3).is_none());
        let mut all = correlated(3);
        all[0].together[0].first = 100;
        assert!(estimate(&all, 3).is_none());
    }
}
