//! The estimates by normal equations: what a step of an iteration needs, at a fraction of the cost of the factorisation
//! that inference rests on. Rows are taken as they are, few places of each not zero; rows that err together change the
//! sums by a matrix as small as the number of their common causes (Woodbury's identity).
//!
//! Normal equations square the condition number. Where a pivot says that this would cost more than a few digits, the
//! answer is `None` and the factorisation has to do.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

use super::{Block, Estimates, IDENTIFIED};

/// Least share of a column that others must leave for its pivot to be trusted.
const TRUSTED: f64 = 1e-8;

/// Solves the blocks; `None` where the equations are too close to singular, or a value is not finite.
pub(super) fn estimate(blocks: &[Block], p: usize) -> Option<Estimates> {
    let each: Vec<Step> = blocks.par_iter().map(Step::new).collect::<Option<_>>()?;
    let (mut whole, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
    let mut before = vec![0.0; p];
    for (b, step) in blocks.iter().zip(&each) {
        let k = b.columns.len();
        for (j, c) in b.columns.iter().enumerate() {
            before[*c] += step.before[j];
            right[*c] += step.reduced[(j, k)];
            for (i, d) in b.columns.iter().enumerate() {
                whole[(*c, *d)] += step.reduced[(j, i)];
            }
        }
    }
    let scale: Vec<f64> = whole.diagonal().iter().map(|v| v.sqrt()).collect();
    // What the factorisation would refuse is left to it to name.
    if (0..p).any(|c| whole[(c, c)].is_nan() || whole[(c, c)] <= IDENTIFIED * before[c]) {
        return None;
    }
    let scaled = DMatrix::from_fn(p, p, |i, j| whole[(i, j)] / (scale[i] * scale[j]));
    let solved = trusted(scaled)?.solve(&DVector::from_fn(p, |i, _| right[i] / scale[i]));
    let beta = DVector::from_fn(p, |i, _| solved[i] / scale[i]);
    let of_block = |(b, step): (&Block, &Step)| {
        let nuisance = step.nuisance(&b.local(&beta));
        let residuals = step.residuals(b, &beta, &nuisance);
        let pulls = step.pulls(b, &residuals);
        ((nuisance, step.variances()), (residuals, pulls))
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

/// What is not zero of the rows of [X N y], X's columns first, then N's, then y; row by row.
struct Rows {
    ends: Vec<usize>,
    filled: Vec<(usize, f64)>,
}

impl Rows {
    /// `None` where a value is not finite.
    fn new(b: &Block) -> Option<Self> {
        let n = b.y.len();
        let columns = || b.x.as_slice().chunks_exact(n.max(1)).chain(b.nuisance.as_slice().chunks_exact(n.max(1)));
        let mut ends = vec![1_usize; n];
        for column in columns() {
            for (count, value) in ends.iter_mut().zip(column) {
                *count += usize::from(*value != 0.0);
            }
        }
        let mut total = 0;
        for end in &mut ends {
            total += *end;
            *end = total;
        }
        let mut at: Vec<usize> = std::iter::once(0).chain(ends.iter().copied()).take(n).collect();
        let mut filled = vec![(0, 0.0); total];
        let mut finite = true;
        for (place, column) in columns().chain(std::iter::once(b.y.as_slice())).enumerate() {
            let observed = place == b.x.ncols() + b.nuisance.ncols();
            for (at, value) in at.iter_mut().zip(column).filter(|(_, v)| **v != 0.0 || observed) {
                filled[*at] = (place, *value);
                finite &= value.is_finite();
                *at += 1;
            }
        }
        finite.then_some(Self { ends, filled })
    }

    fn row(&self, i: usize) -> &[(usize, f64)] {
        let start = if i == 0 { 0 } else { self.ends[i - 1] };
        &self.filled[start..self.ends[i]]
    }
}

/// The normal equations of one block, its nuisance columns eliminated.
struct Step {
    rows: Rows,
    /// Per group of rows that err together the factor of I + F'WF.
    groups: Vec<Cholesky<f64, Dyn>>,
    /// Factor of N'Σ⁻¹N.
    own: Option<Cholesky<f64, Dyn>>,
    /// N'Σ⁻¹[X y], m × (k + 1).
    across: DMatrix<f64>,
    /// [X y]'Σ⁻¹[X y] with the nuisance columns projected out, (k + 1) × (k + 1).
    reduced: DMatrix<f64>,
    /// Squares of the shared columns, weighted, before anything was taken from them.
    before: Vec<f64>,
}

impl Step {
    fn new(b: &Block) -> Option<Self> {
        let (k, m) = (b.x.ncols(), b.nuisance.ncols());
        let last = k + m;
        let rows = Rows::new(b)?;
        // The upper triangle of [X N y]'Σ⁻¹[X N y].
        let mut sums = DMatrix::zeros(last + 1, last + 1);
        for (i, w) in b.w.iter().enumerate() {
            let row = rows.row(i);
            for (a, (place, value)) in row.iter().enumerate() {
                let weighted = w * value;
                row[a..].iter().for_each(|(other, v)| sums[(*place, *other)] += weighted * v);
            }
        }
        let before = (0..k).map(|j| sums[(j, j)]).collect();
        let groups = take_together(b, &rows, &mut sums)?;
        let at = |i: usize, j: usize| sums[(i.min(j), i.max(j))];
        let of = |j: usize| if j < k { j } else { last };
        let across = DMatrix::from_fn(m, k + 1, |i, j| at(k + i, of(j)));
        let mut reduced = DMatrix::from_fn(k + 1, k + 1, |i, j| at(of(i), of(j)));
        let own = if m > 0 { Some(trusted(DMatrix::from_fn(m, m, |i, j| at(k + i, k + j)))?) } else { None };
        if let Some(own) = &own {
            let turned = own.l_dirty().solve_lower_triangular(&across)?;
            reduced -= turned.tr_mul(&turned);
        }
        Some(Self { rows, groups, own, across, reduced, before })
    }

    /// Nuisance coefficients given the shared ones.
    fn nuisance(&self, local: &DVector<f64>) -> DVector<f64> {
        let k = local.len();
        let rest = self.across.column(k) - self.across.columns(0, k) * local;
        self.own.as_ref().map_or_else(|| DVector::zeros(0), |own| own.solve(&rest))
    }

    /// Variances of the nuisance coefficients given the shared ones.
    fn variances(&self) -> DVector<f64> {
        self.own.as_ref().map_or_else(|| DVector::zeros(0), |own| own.inverse().diagonal())
    }

    fn residuals(&self, b: &Block, beta: &DVector<f64>, nuisance: &DVector<f64>) -> DVector<f64> {
        let shared = b.columns.iter().map(|c| beta[*c]);
        // y's own place last: what is left is y less all else.
        let all: Vec<f64> = shared.chain(nuisance.iter().copied()).map(|v| -v).chain(std::iter::once(1.0)).collect();
        DVector::from_fn(b.y.len(), |i, _| self.rows.row(i).iter().map(|(place, v)| all[*place] * v).sum())
    }

    /// Σ⁻¹ times the residuals.
    fn pulls(&self, b: &Block, residuals: &DVector<f64>) -> DVector<f64> {
        let mut out = residuals.component_mul(&b.w);
        for (t, factor) in b.together.iter().zip(&self.groups) {
            let n = t.factor.nrows();
            let taken = &t.factor * factor.solve(&t.factor.tr_mul(&out.rows(t.first, n)));
            taken.iter().enumerate().for_each(|(i, v)| out[t.first + i] -= b.w[t.first + i] * v);
        }
        out
    }
}

/// Takes from the sums what rows that err together do not tell; `None` where that is not finite or out of range.
fn take_together(b: &Block, rows: &Rows, sums: &mut DMatrix<f64>) -> Option<Vec<Cholesky<f64, Dyn>>> {
    let mut place_of = vec![usize::MAX; sums.ncols()];
    let (mut touched, mut through): (Vec<usize>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut acts: Vec<(f64, f64)> = Vec::new();
    let mut out = Vec::with_capacity(b.together.len());
    for t in &b.together {
        let (n, m) = t.factor.shape();
        if t.first + n > b.y.len() {
            return None;
        }
        // F'W[X N y], a column of m for every place that these rows touch.
        touched.clear();
        through.clear();
        let mut inner = DMatrix::identity(m, m);
        for i in 0..n {
            let w = b.w[t.first + i];
            acts.clear();
            acts.extend(t.factor.row(i).iter().map(|f| (*f, w * f)));
            for (c, (_, weighted)) in acts.iter().enumerate().filter(|(_, a)| a.0 != 0.0) {
                for (sum, (f, _)) in inner.row_mut(c).iter_mut().zip(&acts[..=c]) {
                    *sum += weighted * f;
                }
            }
            for (place, value) in rows.row(t.first + i) {
                if place_of[*place] == usize::MAX {
                    place_of[*place] = touched.len();
                    touched.push(*place);
                    through.resize(touched.len() * m, 0.0);
                }
                let column = &mut through[place_of[*place] * m..][..m];
                column.iter_mut().zip(&acts).for_each(|(sum, (_, weighted))| *sum += weighted * value);
            }
        }
        // Only the lower triangle is read.
        let factor = Cholesky::new(inner)?;
        let l = factor.l_dirty();
        for column in through.chunks_exact_mut(m.max(1)) {
            let mut rest = column;
            for (c, below) in l.as_slice().chunks_exact(m).enumerate() {
                let Some((here, others)) = rest.split_first_mut() else { break };
                *here /= below[c];
                others.iter_mut().zip(&below[c + 1..]).for_each(|(other, l)| *other -= l * *here);
                rest = others;
            }
        }
        for (a, place) in touched.iter().enumerate() {
            let one = &through[a * m..][..m];
            for (c, other) in touched.iter().enumerate().skip(a) {
                let product: f64 = one.iter().zip(&through[c * m..][..m]).map(|(x, y)| x * y).sum();
                sums[(*place.min(other), *place.max(other))] -= product;
            }
        }
        touched.iter().for_each(|place| place_of[*place] = usize::MAX);
        out.push(factor);
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::super::wald::tests::blocks;
    use super::super::{Block, Estimates, Together, by_factors};
    use super::estimate;

    /// Blocks with rows in threes that err together by two causes, and a row without weight to speak of.
    fn correlated(seed: u64) -> Vec<Block> {
        let mut all = blocks(seed, 6);
        for b in &mut all {
            b.together = (0..b.y.len() / 3)
                .map(|t| Together { first: 3 * t, factor: DMatrix::from_fn(3, 2, |i, j| 0.4 * i as f64 - j as f64) })
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
