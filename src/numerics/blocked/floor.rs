//! What no interval may be narrower than: what rows inside the blocks scatter, and what whole blocks have in common as all
//! of them together show it.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::BlockedFit;
use crate::numerics::distributions::t_quantile;

/// Share of the variance within blocks that no luck of the blocks may go below. It is an estimate itself, and HC3 is on
/// the large side: the whole of it made intervals too wide (study, case `usual`).
const BEYOND_DOUBT: f64 = 0.6;
/// Degrees of freedom of CR2 from which on blocks are not taken to agree by luck: one variance in seventy is then
/// less than a sixth of what it should be, and even that interval reaches about one true standard deviation.
const HANDFUL: f64 = 6.0;

/// What no interval may be narrower than, however well a handful of blocks agree.
#[derive(Clone, Debug, PartialEq)]
pub struct Floor {
    /// Covariance that groups of rows inside the blocks leave ([`BlockedFit::grouped_covariance`]).
    pub within: DMatrix<f64>,
    /// Covariance of what whole blocks have in common, as all blocks together show it
    /// ([`BlockedFit::common_covariance`]).
    pub common: DMatrix<f64>,
    /// Degrees of freedom behind that scatter.
    pub dof: f64,
}

impl Floor {
    /// Variance and degrees of freedom of the contrast ℓ'β: for a handful of blocks all that rows and the blocks' pooled
    /// scatter leave, known no better than that scatter (which may itself be cut off at zero by luck); for more, the share
    /// beyond doubt of what rows leave.
    fn of(&self, contrast: &DVector<f64>, handful: bool) -> (f64, f64) {
        let of = |m: &DMatrix<f64>| contrast.dot(&(m * contrast));
        if handful {
            (of(&self.within) + of(&self.common), self.dof)
        } else {
            (BEYOND_DOUBT * of(&self.within), f64::INFINITY)
        }
    }

    /// CR2's variance with its degrees of freedom, or what rows inside the blocks and the blocks' pooled scatter leave,
    /// whichever gives the wider 95 % interval. Where a handful of blocks agree better than that, it is luck, as a
    /// variance between groups is cut off at zero; more than a handful show their scatter themselves.
    pub fn no_narrower(&self, variance: f64, dof: f64, contrast: &DVector<f64>) -> (f64, f64) {
        let width = |v: f64, dof: f64| t_quantile(0.975, dof.max(1.0)).map_or(f64::INFINITY, |t| t * v.sqrt());
        let (least, least_dof) = self.of(contrast, dof < HANDFUL);
        // Without degrees of freedom there is no evidence, and nothing to hold it against.
        if dof > 0.0 && width(least, least_dof) > width(variance, dof) { (least, least_dof) } else { (variance, dof) }
    }
}

impl BlockedFit {
    /// Variance of the contrast ℓ'β and its degrees of freedom: CR2's, unless see [`Floor::no_narrower`].
    pub fn spread(&self, contrast: &DVector<f64>, floor: &Floor) -> (f64, f64) {
        floor.no_narrower(self.variance(contrast), self.dof(contrast), contrast)
    }

    /// Covariance of the shared coefficients if what each block measured of each kind were larger by a factor of its own:
    /// one plus numbers with this covariance, kinds × kinds. `kinds`: one entry per row of every block; rows with another
    /// don't change.
    pub fn common_covariance(&self, kinds: &[Vec<usize>], factors: &DMatrix<f64>) -> DMatrix<f64> {
        let p = self.beta.len();
        let of_block = |g: usize| {
            let (z, columns, kinds) = (&self.z[g], &self.columns[g], kinds.get(g).map_or(&[][..], Vec::as_slice));
            let local = DVector::from_iterator(columns.len(), columns.iter().map(|c| self.beta[*c]));
            let fitted = self.whiteners[g].raw(&(z * local));
            let mut wide = DMatrix::zeros(p, factors.nrows());
            for kind in 0..factors.nrows() {
                let part =
                    DVector::from_fn(z.nrows(), |i, _| if kinds.get(i) == Some(&kind) { fitted[i] } else { 0.0 });
                let score = z.tr_mul(&self.whiteners[g].whitened_one(part));
                columns.iter().zip(score.iter()).for_each(|(c, v)| wide[(*c, kind)] = *v);
            }
            let moved = &self.bread * wide;
            &moved * factors * moved.transpose()
        };
        let each: Vec<DMatrix<f64>> = (0..self.z.len()).into_par_iter().map(of_block).collect();
        each.iter().fold(DMatrix::zeros(p, p), |sum, m| sum + m)
    }

    /// HC3 covariance of the shared coefficients with rows summed by group (one entry per row of every block), so that
    /// rows of one group count together; says nothing of what a whole block has in common.
    pub fn grouped_covariance(&self, groups: &[Vec<usize>]) -> DMatrix<f64> {
        let p = self.beta.len();
        let of_block = |g: usize| {
            let (z, columns) = (&self.z[g], &self.columns[g]);
            let groups = groups.get(g).map_or(&[][..], Vec::as_slice);
            let mut sums: DMatrix<f64> =
                DMatrix::zeros(columns.len(), groups.iter().copied().max().map_or(0, |m| m + 1));
            for (i, group) in groups.iter().enumerate().take(z.nrows()) {
                let e = self.whitened[g][i] / (1.0 - self.leverage[g][i].min(1.0 - 1e-6));
                for (j, sum) in sums.column_mut(*group).iter_mut().enumerate() {
                    *sum += z[(i, j)] * e;
                }
            }
            &sums * sums.transpose()
        };
        let each: Vec<DMatrix<f64>> = (0..self.z.len()).into_par_iter().map(of_block).collect();
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

#[cfg(test)]
mod tests {
    use super::super::fit;
    use super::super::tests::blocks;
    use super::*;

    #[test]
    fn luck_makes_no_interval_narrower_than_the_rows_allow() {
        // t(0.975, 8) = 2.306: CR2's interval is the wider one down to (1.960/2.306)² = 0.722 of what is beyond doubt.
        let one = DVector::from_element(1, 1.0);
        let floor = |within: f64, common: f64| Floor {
            within: DMatrix::from_element(1, 1, within),
            common: DMatrix::from_element(1, 1, common),
            dof: 4.0,
        };
        let (rows, sure) = (floor(1.0, 0.0), BEYOND_DOUBT);
        assert_eq!(rows.no_narrower(0.73 * sure, 8.0, &one), (0.73 * sure, 8.0));
        assert_eq!(rows.no_narrower(0.72 * sure, 8.0, &one), (sure, f64::INFINITY));
        assert_eq!(rows.no_narrower(0.0, 0.0, &one), (0.0, 0.0));
        // A handful, t(0.975, 3) = 3.182 over t(0.975, 4) = 2.776: down to 0.761 of all that rows and blocks leave.
        assert_eq!(floor(1.0, 1.0).no_narrower(1.53, 3.0, &one), (1.53, 3.0));
        assert_eq!(floor(1.0, 1.0).no_narrower(1.52, 3.0, &one), (2.0, 4.0));
        assert_eq!(rows.no_narrower(0.1, 3.0, &one), (1.0, 4.0));
        // More than a handful of blocks show it themselves.
        assert_eq!(floor(1.0, 99.0).no_narrower(1.0, 8.0, &one), (1.0, 8.0));
    }

    #[test]
    fn a_factor_of_a_block_moves_the_coefficients() {
        let blocks = blocks();
        let found = fit(&blocks, 1).unwrap();
        let kinds: Vec<Vec<usize>> = blocks.iter().map(|b| vec![0; b.y.len()]).collect();
        // Block by block the fitted values (not the residuals) grown by a millionth, and solved again.
        let mut sum = 0.0;
        for g in 0..blocks.len() {
            let mut grown = blocks.clone();
            let fitted = &blocks[g].y - &found.residuals[g];
            grown[g].y += 1e-6 * fitted;
            sum += ((fit(&grown, 1).unwrap().beta[0] - found.beta[0]) / 1e-6).powi(2);
        }
        let covariance = found.common_covariance(&kinds, &DMatrix::identity(1, 1));
        assert!((covariance[(0, 0)] / sum - 1.0).abs() < 1e-6, "{} {sum}", covariance[(0, 0)]);
    }
}
