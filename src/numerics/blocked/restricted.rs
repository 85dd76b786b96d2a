//! Coefficients that are held to fewer unknowns, β = Dθ, group by group: the unknowns of a group are found from that group's
//! coefficients alone. A restriction that does not hold in one group then moves nothing in another, as it would where both
//! were solved together with nuisance coefficients that they share.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::Inference;

/// Coefficients that hold the same unknowns, and no others do.
#[derive(Clone, Debug)]
pub struct Group {
    /// Indices of the coefficients.
    pub columns: Vec<usize>,
    /// Their rows of D: `columns.len()` × its unknowns, of full rank.
    pub design: DMatrix<f64>,
}

impl Inference {
    /// The unknowns of all groups in their order as contrasts of the coefficients, θ × p: generalised least squares in each
    /// group with its own part of (Z'Z)⁻¹ as the covariance (Aitken, Proceedings of the Royal Society of Edinburgh 55, 1935).
    /// `None` where a group's coefficients do not tell its unknowns.
    pub fn told_by_groups(&self, groups: &[Group]) -> Option<DMatrix<f64>> {
        let count: usize = groups.iter().map(|g| g.design.ncols()).sum();
        let mut out = DMatrix::zeros(count, self.beta.len());
        let mut first = 0;
        for group in groups {
            let own = group.told_by(&self.bread)?;
            for (column, c) in own.column_iter().zip(&group.columns) {
                out.view_mut((first, *c), (own.nrows(), 1)).copy_from(&column);
            }
            first += own.nrows();
        }
        Some(out)
    }
}

impl Group {
    /// The unknowns as contrasts of the group's own coefficients under the covariance `bread` of all.
    fn told_by(&self, bread: &DMatrix<f64>) -> Option<DMatrix<f64>> {
        let n = self.columns.len();
        let deviation = DVector::from_iterator(n, self.columns.iter().map(|c| bread[(*c, *c)].sqrt()));
        let correlation =
            |i: usize, j: usize| bread[(self.columns[i], self.columns[j])] / (deviation[i] * deviation[j]);
        let lower = Cholesky::new(DMatrix::from_fn(n, n, correlation))?.unpack();
        let whitener = lower.solve_lower_triangular(&DMatrix::from_diagonal(&deviation.map(|d| 1.0 / d)))?;
        let qr = (&whitener * &self.design).qr();
        let found = qr.r().solve_upper_triangular(&(qr.q().transpose() * whitener))?;
        found.iter().all(|v| v.is_finite()).then_some(found)
    }
}

#[cfg(test)]
mod tests {
    use super::super::wald::tests::blocks;
    use super::super::{Block, fit};
    use super::*;

    #[test]
    fn one_group_is_the_fit_of_its_unknowns() {
        let blocks = blocks(11, 8);
        let free = fit(&blocks, 3).unwrap();
        let design = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, 1.0, 1.0, 1.0, 2.0]);
        let columns = vec![0, 1];
        let of = |b: &Block| Block { columns: columns.clone(), x: &b.x * &design, ..b.clone() };
        let direct = fit(&blocks.iter().map(of).collect::<Vec<_>>(), 2).unwrap();
        let group = Group { columns: vec![0, 1, 2], design };
        let unknowns = free.told_by_groups(&[group]).unwrap();
        let theta = &unknowns * &free.beta;
        assert!((&theta - &direct.beta).norm() < 1e-12 * theta.norm());
        assert!((&unknowns * &free.bread * unknowns.transpose() - &direct.bread).norm() < 1e-12);
    }

    #[test]
    fn a_group_rests_on_its_own_coefficients() {
        let free = fit(&blocks(12, 6), 3).unwrap();
        let groups = [
            Group { columns: vec![2, 0], design: DMatrix::from_element(2, 1, 1.0) },
            Group { columns: vec![1], design: DMatrix::identity(1, 1) },
        ];
        let unknowns = free.told_by_groups(&groups).unwrap();
        assert_eq!((unknowns[(0, 1)], unknowns.row(1).iter().copied().collect::<Vec<_>>()), (0.0, vec![0.0, 1.0, 0.0]));
        // The best mean of two numbers with covariance V: weights V⁻¹1 over their sum.
        let v = DMatrix::from_fn(2, 2, |i, j| free.bread[(2 * i, 2 * j)]).try_inverse().unwrap();
        let weights = v.column_sum() / v.sum();
        assert!((unknowns[(0, 0)] - weights[0]).abs() < 1e-12 && (unknowns[(0, 2)] - weights[1]).abs() < 1e-12);
    }

    #[test]
    fn unknowns_that_are_not_told_are_none() {
        let free = fit(&blocks(14, 5), 3).unwrap();
        let group = Group { columns: vec![0, 1, 2], design: DMatrix::zeros(3, 1) };
        assert!(free.told_by_groups(&[group]).is_none());
    }
}
