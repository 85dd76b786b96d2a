//! CR2's adjustment of a block's residuals.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Low-rank form of the adjustment matrix A = I + U (D − I) U' of one block.
#[derive(Clone, Debug)]
pub(super) struct Adjust {
    /// Orthonormal columns, n × r.
    pub(super) u: DMatrix<f64>,
    /// Diagonal of D − I; −1 where the leverage is one (the direction is left out).
    pub(super) d: DVector<f64>,
}

impl Adjust {
    /// Inverse symmetric square root of I − Z M Z' through the eigenvectors of its low-rank part.
    pub(super) fn new(z: &DMatrix<f64>, bread: &DMatrix<f64>) -> Self {
        let (n, p) = z.shape();
        let none = || Self { u: DMatrix::zeros(n, 0), d: DVector::zeros(0) };
        if n == 0 || p == 0 {
            return none();
        }
        // M = L L'; the nonzero eigenvalues of Z M Z' are those of L' Z'Z L.
        let scale: DVector<f64> = DVector::from_fn(p, |i, _| bread[(i, i)].max(0.0).sqrt());
        let scaled = DMatrix::from_fn(p, p, |i, j| {
            let s = scale[i] * scale[j];
            if s > 0.0 { bread[(i, j)] / s } else { 0.0 }
        });
        let eigen = SymmetricEigen::new(scaled);
        let root = &eigen.eigenvectors * DMatrix::from_diagonal(&eigen.eigenvalues.map(|l| l.max(0.0).sqrt()));
        let l = DMatrix::from_fn(p, p, |i, j| scale[i] * root[(i, j)]);
        let zl = z * l;
        let small = SymmetricEigen::new(zl.tr_mul(&zl));
        let kept: Vec<usize> = (0..p).filter(|i| small.eigenvalues[*i] > 1e-12).collect();
        if kept.is_empty() {
            return none();
        }
        let mut turned = small.eigenvectors.select_columns(&kept);
        turned.column_iter_mut().zip(&kept).for_each(|(mut v, k)| v /= small.eigenvalues[*k].sqrt());
        let u = zl * turned;
        let d = DVector::from_fn(kept.len(), |k, _| {
            let left = 1.0 - small.eigenvalues[kept[k]];
            // Leverage one: this block alone determines the direction; its residual says nothing about it.
            if left < 1e-8 { -1.0 } else { 1.0 / left.sqrt() - 1.0 }
        });
        Self { u, d }
    }

    pub(super) fn apply(&self, e: &DVector<f64>) -> DVector<f64> {
        e + &self.u * self.u.tr_mul(e).component_mul(&self.d)
    }
}
