//! Coefficients that are held to fewer unknowns, β = Dθ, group by group: the unknowns of a group are found from that group's
//! coefficients alone, in the best weighting of them. A restriction that does not hold in one group then moves nothing in
//! another, as it would where both were solved together with nuisance coefficients that they share.
//!
//! Errors are those of clusters, as for the free coefficients, with what the restricted ones leave of the rows: CR2's
//! adjustment (Pustejovsky & Tipton, J. Business & Economic Statistics 36, 2018) asks for the covariance of the residuals
//! under the working model, I − ZSZ' here. With M = (Z'Z)⁻¹ the estimate of β is TMZ'y for a projection T, the residual is
//! (I − ZTMZ')y, and so S = TM + MT' − TMT', which is M where nothing is restricted.

use std::borrow::Cow;

use nalgebra::{Cholesky, DMatrix, DVector};
use rayon::prelude::*;

use super::whiten::Whitened;
use super::{Block, BlockedError, Inference, Inferred, Rows, Solution};

/// Coefficients that hold the same unknowns, and no others do.
#[derive(Clone, Debug)]
pub struct Group {
    /// Indices of the coefficients.
    pub columns: Vec<usize>,
    /// Their rows of D: `columns.len()` × its unknowns, of full rank.
    pub design: DMatrix<f64>,
}

/// Restricted coefficients.
#[derive(Clone, Debug)]
pub struct Restricted {
    /// Dθ, and M of the free coefficients.
    pub(super) solution: Solution,
    /// S.
    pub(super) hat: DMatrix<f64>,
    /// TM.
    pub(super) along: DMatrix<f64>,
    /// The unknowns as contrasts of the free coefficients, θ × p, groups in their order.
    pub unknowns: DMatrix<f64>,
}

impl Inference {
    /// Restricts the coefficients to the unknowns of groups that together hold every one of them once. Generalised least
    /// squares in each group, its part of M the covariance (Aitken, Proceedings of the Royal Society of Edinburgh 55, 1935).
    /// `None` where a group's coefficients do not tell its unknowns.
    pub fn restricted(&self, groups: &[Group]) -> Option<Restricted> {
        let p = self.beta.len();
        let count: usize = groups.iter().map(|g| g.design.ncols()).sum();
        let (mut unknowns, mut design) = (DMatrix::zeros(count, p), DMatrix::zeros(p, count));
        let mut first = 0;
        for group in groups {
            let own = group.told_by(&self.bread)?;
            for (j, c) in group.columns.iter().enumerate() {
                unknowns.view_mut((first, *c), (own.nrows(), 1)).copy_from(&own.column(j));
                design.view_mut((*c, first), (1, own.nrows())).copy_from(&group.design.row(j));
            }
            first += own.nrows();
        }
        let projection = &design * &unknowns;
        let along = &projection * &self.bread;
        let hat = &along + along.transpose() - &along * projection.transpose();
        let solution = Solution { beta: &projection * &self.beta, bread: self.bread.clone() };
        Some(Restricted { solution, hat, along, unknowns })
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
        qr.r().solve_upper_triangular(&(qr.q().transpose() * whitener))
    }
}

/// What the restricted coefficients leave of the blocks that the free ones were solved from. `keep`: see
/// [`fit_each`](super::fit_each).
///
/// # Errors
/// A block that is not finite.
pub fn each_restricted<'a, T: Send>(
    count: usize,
    block: impl Fn(usize) -> Cow<'a, Block> + Sync,
    restricted: &Restricted,
    keep: impl Fn(usize, &Solution, Rows) -> T + Sync,
) -> Result<(Inference, Vec<T>), BlockedError> {
    let of_block = |g: usize| {
        let whitened = Whitened::new(&block(g), true).ok_or(BlockedError::NotFinite { block: g })?;
        let (inferred, rows) = Inferred::new(whitened, &restricted.solution, Some(restricted));
        Ok((inferred, keep(g, &restricted.solution, rows)))
    };
    let each: Vec<Result<(Inferred, T), BlockedError>> = (0..count).into_par_iter().map(of_block).collect();
    let (inferred, kept): (Vec<_>, _) = each.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().unzip();
    let hat = Some(restricted.hat.clone());
    Ok((Inference { hat, ..Inference::of(restricted.solution.clone(), inferred) }, kept))
}

#[cfg(test)]
mod tests {
    use super::super::wald::tests::blocks;
    use super::super::{BlockedFit, fit};
    use super::*;

    /// The blocks with columns replaced by their products with a design.
    fn replaced(blocks: &[Block], design: &DMatrix<f64>) -> Vec<Block> {
        let columns: Vec<usize> = (0..design.ncols()).collect();
        blocks.iter().map(|b| Block { columns: columns.clone(), x: &b.x * design, ..b.clone() }).collect()
    }

    fn solved(blocks: &[Block], free: &BlockedFit, groups: &[Group]) -> (Restricted, Inference, Vec<Rows>) {
        let restricted = free.restricted(groups).unwrap();
        let of = |g: usize| Cow::Borrowed(&blocks[g]);
        let (found, rows) = each_restricted(blocks.len(), of, &restricted, |_, _, rows| rows).unwrap();
        (restricted, found, rows)
    }

    #[test]
    fn one_group_is_the_fit_of_its_unknowns() {
        let blocks = blocks(11, 8);
        let free = fit(&blocks, 3).unwrap();
        let design = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, 1.0, 1.0, 1.0, 2.0]);
        let direct = fit(&replaced(&blocks, &design), 2).unwrap();
        let group = Group { columns: vec![0, 1, 2], design };
        let (restricted, found, rows) = solved(&blocks, &free, &[group]);
        let theta = &restricted.unknowns * &free.beta;
        assert!((&theta - &direct.beta).norm() < 1e-12 * theta.norm());
        let groups: Vec<Vec<usize>> = blocks.iter().map(|b| (0..b.y.len()).collect()).collect();
        let each: Vec<_> = rows.iter().zip(&groups).map(|(rows, groups)| rows.grouped(groups)).collect();
        let (within, directly) = (found.sandwich(&each), direct.grouped_covariance(&groups));
        for l in [[1.0, 0.0], [0.0, 1.0], [1.0, 3.5]] {
            let own = DVector::from_row_slice(&l);
            let wide = restricted.unknowns.tr_mul(&own);
            let same = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-10, "{a} {b}");
            same(found.variance(&wide), direct.variance(&own));
            same(found.dof(&wide), direct.dof(&own));
            same(found.model_variance(&wide), direct.model_variance(&own));
            same(wide.dot(&(&within * &wide)), own.dot(&(&directly * &own)));
        }
    }

    #[test]
    fn nothing_restricted_is_the_free_fit() {
        let blocks = blocks(12, 6);
        let free = fit(&blocks, 3).unwrap();
        let groups = [vec![1], vec![0, 2]]
            .map(|columns| Group { design: DMatrix::identity(columns.len(), columns.len()), columns });
        let (_, found, _) = solved(&blocks, &free, &groups);
        let l = DVector::from_vec(vec![1.0, -2.0, 0.5]);
        assert!((found.variance(&l) / free.variance(&l) - 1.0).abs() < 1e-10);
        assert!((found.dof(&l) / free.dof(&l) - 1.0).abs() < 1e-10);
    }

    #[test]
    fn the_variance_of_groups_is_unbiased_under_the_working_model() {
        // Two groups that correlate. E[CR2] = l'Ml where rows are independent with variance one: the trace of P, out of
        // covariances of the residuals that are written out in full.
        let blocks = blocks(13, 5);
        let free = fit(&blocks, 3).unwrap();
        let groups = [
            Group { columns: vec![0, 2], design: DMatrix::from_row_slice(2, 1, &[1.0, 1.0]) },
            Group { columns: vec![1], design: DMatrix::identity(1, 1) },
        ];
        let (restricted, found, rows) = solved(&blocks, &free, &groups);
        assert!(found.hat.as_ref().unwrap().symmetric_eigenvalues().min() < 0.0, "the case that is no usual one");
        let l = restricted.unknowns.tr_mul(&DVector::from_vec(vec![1.0, -0.7]));
        let n: usize = rows.iter().map(|r| r.z.nrows()).sum();
        let mut z = DMatrix::zeros(n, 3);
        let mut at = 0;
        for r in &rows {
            z.rows_mut(at, r.z.nrows()).copy_from(&r.z);
            at += r.z.nrows();
        }
        let left = DMatrix::identity(n, n) - &z * &restricted.along * z.transpose();
        let covariance = &left * left.transpose();
        let (mut b, mut at) = (Vec::new(), 0);
        for r in &rows {
            let mut of_block = DVector::zeros(n);
            of_block.rows_mut(at, r.z.nrows()).copy_from(&r.adjust.apply(&(&r.z * &free.bread * &l)));
            at += r.z.nrows();
            b.push(of_block);
        }
        let p = DMatrix::from_fn(b.len(), b.len(), |g, h| b[g].dot(&(&covariance * &b[h])));
        assert!((p.trace() / found.model_variance(&l) - 1.0).abs() < 1e-10);
        let dof = p.trace().powi(2) / (&p * &p).trace();
        assert!((found.dof(&l) / dof - 1.0).abs() < 1e-10, "{} {dof}", found.dof(&l));
    }

    #[test]
    fn unknowns_that_are_not_told_are_none() {
        let free = fit(&blocks(14, 5), 3).unwrap();
        let group = Group { columns: vec![0, 1, 2], design: DMatrix::from_element(3, 2, 1.0) };
        assert!(free.restricted(&[group]).is_none_or(|r| r.unknowns.iter().any(|v| v.abs() > 1e6)));
    }
}
