//! A block in coordinates in which its rows are independent with variance one, and its nuisance columns projected out.

use nalgebra::{DMatrix, DVector};

use super::basis::Basis;
use super::innovations::Innovations;
use super::{Block, Together};

/// The square root of the covariance of a block's rows: rows are divided by their own standard deviations, then those that
/// err together are made independent.
#[derive(Clone, Debug)]
pub(super) struct Whitener {
    /// Roots of the weights.
    root: DVector<f64>,
    groups: Vec<Innovations>,
}

impl Whitener {
    /// `None` where a group of rows is not finite or reaches past the last row.
    fn new(w: &DVector<f64>, together: &[Together]) -> Option<Self> {
        let root = w.map(|w| w.max(0.0).sqrt());
        let groups = together.iter().map(|t| Innovations::new(t, root.as_slice())).collect::<Option<_>>()?;
        Some(Self { root, groups })
    }

    /// Every column in the new coordinates.
    fn whitened(&self, mut m: DMatrix<f64>) -> DMatrix<f64> {
        m.column_iter_mut().for_each(|mut c| self.whiten(c.as_mut_slice()));
        m
    }

    /// A vector in the new coordinates.
    pub(super) fn whitened_one(&self, mut v: DVector<f64>) -> DVector<f64> {
        self.whiten(v.as_mut_slice());
        v
    }

    fn whiten(&self, v: &mut [f64]) {
        v.iter_mut().zip(self.root.iter()).for_each(|(v, r)| *v *= r);
        self.groups.iter().for_each(|group| group.whiten(v));
    }

    /// Back from the new coordinates: in the units of the observations.
    pub(super) fn raw(&self, e: &DVector<f64>) -> DVector<f64> {
        let mut out = e.clone();
        self.groups.iter().for_each(|group| group.colour(out.as_mut_slice()));
        out.zip_map(&self.root, |e, r| if r > 0.0 { e / r } else { 0.0 })
    }

    /// What weighs in the new coordinates, as weights of the observations themselves; of a residual: its covariance's
    /// inverse times it.
    pub(super) fn pulled(&self, e: &DVector<f64>) -> DVector<f64> {
        let mut out = e.clone();
        self.groups.iter().for_each(|group| group.whiten_transposed(out.as_mut_slice()));
        out.component_mul(&self.root)
    }
}

/// A block in whitened coordinates with its nuisance columns projected out: all that is needed of it from then on.
pub(super) struct Whitened {
    /// Shared columns that are not zero in the block.
    pub(super) columns: Vec<usize>,
    /// Squares of these, weighted, before anything was taken from them.
    pub(super) before: Vec<f64>,
    /// Shared columns.
    pub(super) z: DMatrix<f64>,
    /// Observations.
    pub(super) y: DVector<f64>,
    /// What took them there.
    pub(super) whitener: Whitener,
    /// Leverage of every row on the nuisance coefficients.
    pub(super) leverage: DVector<f64>,
    /// R of the nuisance columns.
    r: DMatrix<f64>,
    /// Q'[X y] in whitened coordinates: what the projection took.
    across: DMatrix<f64>,
}

impl Whitened {
    /// `exact`: to the last digits, as inference wants it; a step of an iteration does without.
    pub(super) fn new(b: &Block, exact: bool) -> Option<Self> {
        let finite = |m: &[f64]| m.iter().all(|v| v.is_finite());
        if !(finite(b.x.as_slice())
            && finite(b.nuisance.as_slice())
            && finite(b.y.as_slice())
            && finite(b.w.as_slice()))
        {
            return None;
        }
        let whitener = Whitener::new(&b.w, &b.together)?;
        let basis = Basis::new(whitener.whitened(b.nuisance.clone()));
        let k = b.x.ncols();
        let mut all = b.x.clone().insert_column(k, 0.0);
        all.column_mut(k).copy_from(&b.y);
        let (mut all, mut across) = basis.projected(whitener.whitened(all));
        if exact {
            // Twice is enough (Kahan): the second projection removes what rounding left of the first.
            let (again, rest) = basis.projected(all);
            all = again;
            across += rest;
        }
        let squares = |c: usize| b.x.column(c).iter().zip(b.w.iter()).map(|(x, w)| x * x * w).sum::<f64>();
        let y = all.column(k).into_owned();
        Some(Self {
            columns: b.columns.clone(),
            before: (0..k).map(squares).collect(),
            z: all.remove_column(k),
            y,
            whitener,
            leverage: basis.leverage(),
            r: basis.r,
            across,
        })
    }

    /// The block's part of the shared coefficients.
    pub(super) fn local(&self, beta: &DVector<f64>) -> DVector<f64> {
        DVector::from_iterator(self.columns.len(), self.columns.iter().map(|c| beta[*c]))
    }

    /// Variances of the nuisance coefficients under the working model: those of R⁻¹R⁻ᵀ, and what the uncertainty of the
    /// shared ones (`bread`, those of the block) does through R⁻¹Q'X.
    pub(super) fn nuisance_variance(&self, bread: &DMatrix<f64>) -> DVector<f64> {
        let inverse = self.nuisance_inverse();
        let through = &inverse * self.across.columns(0, self.columns.len());
        let shared = (&through * bread).component_mul(&through);
        DVector::from_fn(inverse.nrows(), |i, _| inverse.row(i).norm_squared() + shared.row(i).sum())
    }

    /// R⁻¹ of the nuisance columns.
    fn nuisance_inverse(&self) -> DMatrix<f64> {
        let m = self.r.ncols();
        self.r.solve_upper_triangular(&DMatrix::identity(m, m)).unwrap_or_else(|| DMatrix::zeros(m, m))
    }

    /// Variances of the nuisance coefficients given the shared ones.
    pub(super) fn nuisance_variances(&self) -> DVector<f64> {
        let inverse = self.nuisance_inverse();
        DVector::from_fn(inverse.nrows(), |i, _| inverse.row(i).norm_squared())
    }

    /// Nuisance coefficients given the shared ones: R⁻¹ Q'(y − Xβ) in whitened coordinates.
    pub(super) fn nuisance_coefficients(&self, local: &DVector<f64>) -> DVector<f64> {
        let k = local.len();
        let left = self.across.column(k) - self.across.columns(0, k) * local;
        self.r.solve_upper_triangular(&left).unwrap_or_else(|| DVector::zeros(self.r.ncols()))
    }

    /// The triangle of a QR factorisation of [Z y]: all that the block says of the shared columns.
    pub(super) fn triangle(&self) -> DMatrix<f64> {
        let mut all = self.z.clone().insert_column(self.z.ncols(), 0.0);
        all.column_mut(self.z.ncols()).copy_from(&self.y);
        triangle(all)
    }
}

/// The triangle of a QR factorisation where it is smaller than the matrix, which it then stands for.
pub(super) fn triangle(m: DMatrix<f64>) -> DMatrix<f64> {
    if m.nrows() > m.ncols() { m.qr().unpack_r() } else { m }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use crate::numerics::blocked::{Block, Sparse, Steps, Together, fit};

    /// Rows 1 to 3 of the first block err together.
    fn blocks() -> Vec<Block> {
        let make = |x: &[f64], y: &[f64], together: Vec<Together>| Block {
            columns: vec![0],
            x: DMatrix::from_column_slice(x.len(), 1, x),
            nuisance: DMatrix::from_element(x.len(), 1, 1.0),
            y: DVector::from_column_slice(y),
            w: DVector::from_fn(x.len(), |i, _| 1.0 + i as f64),
            together,
        };
        let together = vec![Together { first: 1, acts: vec![(0, 0.5), (0, -0.2), (1, 0.8)], kept: vec![0.0, 0.7] }];
        vec![
            make(&[1.0, 2.0, 4.0, 7.0, 3.0], &[3.0, 5.1, 8.8, 16.0, 6.5], together),
            make(&[1.0, 3.0, 8.0], &[0.0, 4.4, 13.0], Vec::new()),
        ]
    }

    /// The whole covariance and design, without blocks.
    fn dense() -> (DMatrix<f64>, DMatrix<f64>, DVector<f64>) {
        let (mut covariance, mut x, mut y) = (DMatrix::zeros(8, 8), DMatrix::zeros(8, 3), DVector::zeros(8));
        let mut at = 0;
        for (g, b) in blocks().iter().enumerate() {
            for i in 0..b.y.len() {
                covariance[(at + i, at + i)] = 1.0 / b.w[i];
                (x[(at + i, 0)], x[(at + i, 1 + g)], y[at + i]) = (b.x[(i, 0)], 1.0, b.y[i]);
            }
            for t in &b.together {
                for (i, (state, act)) in t.acts.iter().enumerate() {
                    for (j, (other, and)) in t.acts.iter().enumerate() {
                        let shared = if state == other { 1.0 } else { 0.7 };
                        covariance[(at + t.first + i, at + t.first + j)] += act * and * shared;
                    }
                }
            }
            at += b.y.len();
        }
        (covariance, x, y)
    }

    #[test]
    fn generalised_least_squares() {
        let (covariance, x, y) = dense();
        let inverse = covariance.try_inverse().unwrap();
        let bread = (x.transpose() * &inverse * &x).try_inverse().unwrap();
        let beta = &bread * x.transpose() * &inverse * &y;
        let found = fit(&blocks(), 1).unwrap();
        assert!((found.beta[0] - beta[0]).abs() < 1e-12);
        assert!((found.bread[(0, 0)] / bread[(0, 0)] - 1.0).abs() < 1e-12);
        assert!((found.nuisance[0][0] - beta[1]).abs() < 1e-12 && (found.nuisance[1][0] - beta[2]).abs() < 1e-12);
        let residual = &y - &x * &beta;
        let pulls = &inverse * &residual;
        let sparse: Vec<Sparse> = blocks().iter().map(Sparse::from).collect();
        let steps = Steps::default().solve(2, |g, b| b.clone_from(&sparse[g]), 1, true).unwrap();
        let joined = |v: &[DVector<f64>]| DVector::from_iterator(8, v.iter().flat_map(|v| v.iter().copied()));
        assert!((joined(&steps.residuals) - &residual).norm() < 1e-12);
        let found: Vec<_> = found.rows.iter().map(|rows| rows.residuals.clone()).collect();
        assert!((joined(&found) - &residual).norm() < 1e-12);
        assert!((joined(&steps.pulls) - pulls).norm() < 1e-12);
    }

    #[test]
    fn what_is_no_covariance_is_no_block() {
        let mut b = blocks();
        b[0].together[0].acts[0].1 = f64::NAN;
        assert!(fit(&b, 1).is_err());
        let mut b = blocks();
        b[1].together = vec![Together { first: 2, acts: vec![(0, 1.0), (1, 1.0)], kept: vec![0.0, 0.0] }];
        assert!(fit(&b, 1).is_err());
    }
}
