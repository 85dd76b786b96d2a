//! What all blocks together show of the scatter: what rows inside the blocks leave, and what whole blocks have in common.
//! A handful of blocks is held against it, and so are more where luck made them agree.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::{BlockedFit, Inference, Rows, SINGLE, Solution};
use crate::numerics::distributions::t_quantile;

/// Share of the variance within blocks that no luck of the blocks may go below. It is an estimate itself, and HC3 is on
/// the large side: the whole of it made intervals too wide (study, case `usual`).
const BEYOND_DOUBT: f64 = 0.6;
/// Degrees of freedom of CR2 from which on blocks show their scatter themselves; a handful agrees or differs by luck.
const HANDFUL: f64 = 6.0;
/// Degrees of freedom that the scatter of the other blocks counts for at the most: blocks differ in how much they differ
/// (set by simulation: study, two and three sessions, six in all, the sample season, with traffic and miscalibrated
/// sessions and without).
const AT_MOST: f64 = 3.0;

/// What all blocks together show, for contrasts that a handful of them tell, and for those where luck made them agree.
#[derive(Clone, Debug, PartialEq)]
pub struct Pooled {
    /// Covariance that groups of rows inside the blocks leave ([`BlockedFit::grouped_covariance`]).
    pub within: DMatrix<f64>,
    /// Covariance of what whole blocks have in common, as all blocks together show it
    /// ([`Inference::common_covariance`]).
    pub common: DMatrix<f64>,
    /// Degrees of freedom behind that scatter: no more than there are blocks beside one; 0 where they show nothing.
    pub dof: f64,
}

impl Pooled {
    /// CR2's variance of the contrast ℓ'β and its degrees of freedom, held against what all blocks show.
    ///
    /// A handful of blocks says next to nothing of its scatter: a mean of their own variance and of that which rows and the
    /// pooled scatter of the other blocks leave, by their degrees of freedom, which add up (the moderated variance of
    /// Smyth, Statistical Applications in Genetics and Molecular Biology 3, 2004; from memory). Where there are no other
    /// blocks nothing is gained. More blocks speak for themselves.
    ///
    /// Blocks that agree better than most of what the rows leave do so by luck, as a variance between groups is cut off
    /// at zero: from a handful the larger variance, from more whichever gives the wider 95 % interval.
    pub fn held(&self, variance: f64, dof: f64, contrast: &DVector<f64>) -> (f64, f64) {
        let of = |m: &DMatrix<f64>| contrast.dot(&(m * contrast));
        // Without degrees of freedom there is no evidence, and nothing to hold it against.
        if dof.is_nan() || dof <= 0.0 {
            return (variance, dof);
        }
        let least = BEYOND_DOUBT * of(&self.within);
        if dof < HANDFUL {
            let (pooled, of_others) = (of(&self.within) + of(&self.common), (self.dof - dof).clamp(0.0, AT_MOST));
            let both = dof + of_others;
            return (((dof * variance + of_others * pooled) / both).max(least), both);
        }
        let own = t_quantile(0.975, dof).unwrap_or(f64::INFINITY);
        let sure = t_quantile(0.975, f64::INFINITY).unwrap_or(0.0);
        if sure * least.sqrt() > own * variance.sqrt() { (least, f64::INFINITY) } else { (variance, dof) }
    }
}

impl Inference {
    /// Variance of the contrast ℓ'β and its degrees of freedom: CR2's, unless see [`Pooled::held`].
    pub fn spread(&self, contrast: &DVector<f64>, all: &Pooled) -> (f64, f64) {
        all.held(self.variance(contrast), self.dof(contrast), contrast)
    }

    /// Covariance of the shared coefficients if what each block measured of each kind were larger by a factor of its own:
    /// one plus numbers with this covariance, kinds × kinds. `moved`: see [`Rows::moved`].
    pub fn common_covariance(&self, moved: &[DMatrix<f64>], factors: &DMatrix<f64>) -> DMatrix<f64> {
        let p = self.beta.len();
        moved.iter().fold(DMatrix::zeros(p, p), |sum, moved| sum + moved * factors * moved.transpose())
    }
}

impl Inference {
    /// Covariance of the shared coefficients from what every block adds to the middle of it, in its own columns.
    pub fn sandwich(&self, each: &[DMatrix<f64>]) -> DMatrix<f64> {
        let p = self.beta.len();
        let mut meat = DMatrix::zeros(p, p);
        for (own, columns) in each.iter().zip(&self.columns) {
            for (j, c) in columns.iter().enumerate() {
                for (k, d) in columns.iter().enumerate() {
                    meat[(*c, *d)] += own[(j, k)];
                }
            }
        }
        &self.bread * meat * &self.bread
    }
}

impl Rows {
    /// How the shared coefficients move, p × `count`, if all that the block measured of a kind were larger by the factor
    /// 1 + 1. `kinds`: one entry per row; rows with another don't change.
    pub fn moved(&self, of: &Solution, kinds: &[usize], count: usize) -> DMatrix<f64> {
        let local = DVector::from_iterator(self.columns.len(), self.columns.iter().map(|c| of.beta[*c]));
        let fitted = self.whitener.raw(&(&self.z * local));
        let mut wide = DMatrix::zeros(of.beta.len(), count);
        for kind in 0..count {
            let change = |i: usize| if kinds.get(i) == Some(&kind) { fitted[i] } else { 0.0 };
            let part = DVector::from_fn(self.z.nrows(), |i, _| change(i));
            let score = self.z.tr_mul(&self.whitener.whitened_one(part));
            self.columns.iter().zip(score.iter()).for_each(|(c, v)| wide[(*c, kind)] = *v);
        }
        &of.bread * wide
    }

    /// What the block adds to the middle of HC3's covariance with rows summed by group (one entry per row), in its own
    /// columns, see [`Inference::sandwich`].
    pub fn grouped(&self, groups: &[usize]) -> DMatrix<f64> {
        let mut sums: DMatrix<f64> =
            DMatrix::zeros(self.columns.len(), groups.iter().copied().max().map_or(0, |m| m + 1));
        for (i, group) in groups.iter().enumerate().take(self.z.nrows()) {
            let e = self.whitened[i] / (1.0 - self.leverage[i].min(SINGLE));
            for (j, sum) in sums.column_mut(*group).iter_mut().enumerate() {
                *sum += self.z[(i, j)] * e;
            }
        }
        &sums * sums.transpose()
    }
}

impl BlockedFit {
    /// HC3 covariance of the shared coefficients with rows summed by group (one entry per row of every block), so that
    /// rows of one group count together; says nothing of what a whole block has in common.
    pub fn grouped_covariance(&self, groups: &[Vec<usize>]) -> DMatrix<f64> {
        let of_block = |g: usize| self.rows[g].grouped(groups.get(g).map_or(&[][..], Vec::as_slice));
        self.sandwich(&(0..self.rows.len()).into_par_iter().map(of_block).collect::<Vec<_>>())
    }
}

#[cfg(test)]
mod tests {
    use super::super::fit;
    use super::super::tests::blocks;
    use super::*;

    #[test]
    fn luck_makes_no_interval_narrower_than_the_rows_allow() {
        // t(0.975, 8) = 2.306: CR2's interval is the wider one down to (1.960/2.306)² = 0.722 of what is beyond doubt.
        let (rows, one, sure) = (pooled(1.0, 99.0, 4.0), DVector::from_element(1, 1.0), BEYOND_DOUBT);
        assert_eq!(rows.held(0.73 * sure, 8.0, &one), (0.73 * sure, 8.0));
        assert_eq!(rows.held(0.72 * sure, 8.0, &one), (sure, f64::INFINITY));
        assert_eq!(rows.held(0.0, 0.0, &one), (0.0, 0.0));
    }

    #[test]
    fn a_handful_of_blocks_is_held_against_all() {
        let one = DVector::from_element(1, 1.0);
        // Two parts of its own 7, three parts of 1 + 1 by rows and the other blocks: (2·7 + 3·2)/5, with 2 + 3 degrees.
        assert_eq!(pooled(1.0, 1.0, 5.0).held(7.0, 2.0, &one), (4.0, 5.0));
        // However many blocks the pool rests on, it counts for three; its own blocks don't count twice.
        assert_eq!(pooled(1.0, 1.0, 40.0).held(7.0, 2.0, &one), (4.0, 5.0));
        assert_eq!(pooled(1.0, 3.0, 4.0).held(7.0, 2.0, &one), (5.5, 4.0));
        assert_eq!(pooled(1.0, 3.0, 1.0).held(7.0, 2.0, &one), (7.0, 2.0));
        // Luck of a handful without others.
        assert_eq!(pooled(1.0, 0.0, 0.0).held(0.1, 2.0, &one), (BEYOND_DOUBT, 2.0));
    }

    /// One coefficient: what rows and blocks leave, and degrees of freedom.
    fn pooled(within: f64, common: f64, dof: f64) -> Pooled {
        Pooled { within: DMatrix::from_element(1, 1, within), common: DMatrix::from_element(1, 1, common), dof }
    }

    #[test]
    fn a_factor_of_a_block_moves_the_coefficients() {
        let blocks = blocks();
        let found = fit(&blocks, 1).unwrap();
        // Block by block the fitted values (not the residuals) grown by a millionth, and solved again.
        let mut sum = 0.0;
        for g in 0..blocks.len() {
            let mut grown = blocks.clone();
            let fitted = &blocks[g].y - &found.rows[g].residuals;
            grown[g].y += 1e-6 * fitted;
            sum += ((fit(&grown, 1).unwrap().beta[0] - found.beta[0]) / 1e-6).powi(2);
        }
        let solution = Solution { beta: found.beta.clone(), bread: found.bread.clone() };
        let moved: Vec<_> = found.rows.iter().map(|rows| rows.moved(&solution, &vec![0; rows.z.nrows()], 1)).collect();
        let covariance = found.common_covariance(&moved, &DMatrix::identity(1, 1));
        assert!((covariance[(0, 0)] / sum - 1.0).abs() < 1e-6, "{} {sum}", covariance[(0, 0)]);
    }
}
