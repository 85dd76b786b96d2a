//! The estimates by normal equations: what a step of an iteration needs, at a fraction of the cost of the factorisation
//! that inference rests on. Rows are taken as they are, few places of each not zero; rows that err together change the
//! sums by a matrix as small as the number of the states that act on them (Woodbury's identity).
//!
//! Normal equations square the condition number. Where a pivot says that this would cost more than a few digits, the
//! answer is `None` and the factorisation has to do.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

use super::sparse::Sparse;
use super::together::Chain;
use super::{Estimates, IDENTIFIED};

/// Least share of a column that others must leave for its pivot to be trusted.
const TRUSTED: f64 = 1e-8;

/// Solves the blocks; `None` where the equations are too close to singular, or a value is not finite.
pub(super) fn estimate(blocks: &[Sparse], p: usize, variances: bool) -> Option<Estimates> {
    let each: Vec<Step> = blocks.par_iter().map(Step::new).collect::<Option<_>>()?;
    let (mut whole, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
    let mut before = vec![0.0; p];
    for (b, step) in blocks.iter().zip(&each) {
        for (j, c) in b.columns.iter().enumerate() {
            before[*c] += step.before[j];
            let left = step.reduced(j);
            // Both of a column's places, in whichever order the block has them; y stands behind them.
            for (d, v) in b.columns[j..].iter().zip(left) {
                whole[(*c.max(d), *c.min(d))] += v;
            }
            right[*c] += left[b.columns.len() - j];
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
    let of_block = |(b, step): (&Sparse, &Step)| {
        let local = DVector::from_iterator(b.columns.len(), b.columns.iter().map(|c| beta[*c]));
        let nuisance = step.nuisance(&local);
        let residuals = residuals(b, &local, &nuisance);
        let pulls = step.pulls(b, &residuals);
        let variances = if variances { step.variances() } else { DVector::zeros(0) };
        ((nuisance, variances), (residuals, pulls))
    };
    let ((nuisance, variances), (residuals, pulls)) = blocks.par_iter().zip(&each).map(of_block).unzip();
    let estimates = Estimates { beta, nuisance, residuals, pulls, variances };
    estimates.beta.iter().all(|v| v.is_finite()).then_some(estimates)
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
    let all: Vec<f64> = local.iter().chain(nuisance.iter()).map(|v| -v).chain(std::iter::once(1.0)).collect();
    DVector::from_fn(b.len(), |i, _| b.row(i).iter().map(|(place, v)| all[*place] * v).sum())
}

/// The normal equations of one block, its nuisance columns eliminated.
struct Step {
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
    fn new(b: &Sparse) -> Option<Self> {
        if !b.is_finite() {
            return None;
        }
        let (k, m) = (b.columns.len(), b.nuisance);
        let last = k + m;
        // [X N y]'Σ⁻¹[X N y], each of its values in one of the two places that it has, or in part in both.
        let mut sums = DMatrix::zeros(last + 1, last + 1);
        for (i, w) in b.w.iter().enumerate() {
            let row = b.row(i);
            for (a, (place, value)) in row.iter().enumerate() {
                let column = &mut sums.as_mut_slice()[place * (last + 1)..][..=last];
                let weighted = w * value;
                row[..=a].iter().for_each(|(other, v)| column[*other] += weighted * v);
            }
        }
        let before = (0..k).map(|j| sums[(j, j)]).collect();
        let chains = take_together(b, &mut sums)?;
        // The block's own columns first.
        let place = |i: usize| {
            if i < m {
                k + i
            } else if i < last {
                i - m
            } else {
                last
            }
        };
        let at = |i: usize, j: usize| if i == j { sums[(i, i)] } else { sums[(i, j)] + sums[(j, i)] };
        let mut eliminated = vec![0.0; (last + 1) * (last + 1)];
        for (j, column) in eliminated.chunks_exact_mut(last + 1).enumerate() {
            let of = place(j);
            (j..=last).for_each(|i| column[i] = at(place(i), of));
        }
        eliminate(&mut eliminated, last + 1, m)?;
        Some(Self { chains, own: m, all: last + 1, eliminated, before })
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

/// Takes from the sums what rows that err together do not tell; `None` where that is not finite or out of range.
fn take_together(b: &Sparse, sums: &mut DMatrix<f64>) -> Option<Vec<Chain>> {
    let mut place_of = vec![usize::MAX; sums.ncols()];
    let mut touched: Vec<usize> = Vec::new();
    let (mut through, mut products): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut out = Vec::with_capacity(b.together.len());
    for t in b.together.iter() {
        let n = t.acts.len();
        let chain = Chain::new(t, b.w.get(t.first..t.first + n)?)?;
        touched.clear();
        for (place, _) in (t.first..t.first + n).flat_map(|i| b.row(i)) {
            if place_of[*place] == usize::MAX {
                place_of[*place] = touched.len();
                touched.push(*place);
            }
        }
        // D'W[X N y] of the places that these rows touch, state by state.
        let width = touched.len();
        through.clear();
        through.resize(t.kept.len() * width, 0.0);
        for (i, (state, act)) in t.acts.iter().enumerate() {
            let weighted = b.w[t.first + i] * act;
            let of_state = &mut through[state * width..][..width];
            b.row(t.first + i).iter().for_each(|(place, value)| of_state[place_of[*place]] += weighted * value);
        }
        chain.forward(&mut through, width);
        products.clear();
        products.resize(width * width, 0.0);
        for of_state in through.chunks_exact(width.max(1)) {
            for (a, value) in of_state.iter().enumerate().filter(|(_, v)| **v != 0.0) {
                let row = &mut products[a * width..][..width];
                row[a..].iter_mut().zip(&of_state[a..]).for_each(|(sum, v)| *sum += value * v);
            }
        }
        for (a, place) in touched.iter().enumerate() {
            for (other, product) in touched.iter().zip(&products[a * width..]).skip(a) {
                sums[(*place, *other)] -= product;
            }
        }
        touched.iter().for_each(|place| place_of[*place] = usize::MAX);
        out.push(chain);
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::super::wald::tests::blocks;
    use super::super::{Block, Estimates, Sparse, Together, by_factors};

    fn estimate(blocks: &[Block], p: usize) -> Option<Estimates> {
        super::estimate(&blocks.iter().map(Sparse::from).collect::<Vec<_>>(), p, true)
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

    fn near(a: &DVector<f64>, b: &DVector<f64>) {
        assert!((a - b).norm() <= 1e-9 * (a.norm() + b.norm()), "{a} {b}");
    }

    #[test]
    fn the_same_as_by_factorisation() {
        for seed in 0..20 {
            let blocks = correlated(seed);
            let (one, other): (Estimates, Estimates) = (estimate(&blocks, 3).unwrap(), by_factors(&blocks, 3).unwrap());
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
