//! Degrees of freedom of many contrasts of one fit: what does not depend on the contrast is multiplied out once.

use nalgebra::{DMatrix, DVector};

use super::BlockedFit;

/// Products of one fit, for contrasts by the thousand.
#[derive(Clone, Debug)]
pub struct Prepared {
    bread: DMatrix<f64>,
    /// Per block L'·Z'AZM with M = LL': takes a contrast to y, of which P_gh = δ·n_g − y_g·y_h is made.
    through: Vec<DMatrix<f64>>,
    /// Per block (AZM)'(AZM): n_g = ℓ'Nℓ.
    norms: Vec<DMatrix<f64>>,
    /// Sum over the blocks of the part that single blocks determine alone; `None` where no block does.
    alone: Option<DMatrix<f64>>,
}

impl Prepared {
    /// `None` where the covariance of the coefficients is not positive definite in floating point.
    pub fn new(fit: &BlockedFit) -> Option<Self> {
        let p = fit.beta.len();
        let lower = fit.bread.clone().cholesky()?.unpack();
        let mut out = Self { bread: fit.bread.clone(), through: Vec::new(), norms: Vec::new(), alone: None };
        for ((z, columns), adjust) in fit.z.iter().zip(&fit.columns).zip(&fit.adjust) {
            let local = DMatrix::from_fn(columns.len(), p, |j, c| fit.bread[(columns[j], c)]);
            let zm = z * local;
            let turned = adjust.u.transpose() * &zm;
            let scaled = DMatrix::from_fn(turned.nrows(), p, |k, c| adjust.d[k] * turned[(k, c)]);
            let b = &zm + &adjust.u * scaled;
            let back = z.transpose() * &b;
            let lower_rows = DMatrix::from_fn(columns.len(), p, |j, c| lower[(columns[j], c)]);
            out.through.push(lower_rows.transpose() * back);
            out.norms.push(b.transpose() * &b);
            let lone: Vec<usize> = (0..adjust.d.len()).filter(|k| adjust.d[*k] == -1.0).collect();
            if !lone.is_empty() {
                let rows = turned.select_rows(&lone);
                *out.alone.get_or_insert_with(|| DMatrix::zeros(p, p)) += rows.transpose() * rows;
            }
        }
        Some(out)
    }

    /// As [`BlockedFit::dof`].
    pub fn dof(&self, contrast: &DVector<f64>) -> f64 {
        let (mut trace, mut square) = (0.0, 0.0);
        let mut gram = DMatrix::zeros(contrast.len(), contrast.len());
        for (through, norm) in self.through.iter().zip(&self.norms) {
            let y = through * contrast;
            let (n, yy) = (contrast.dot(&(norm * contrast)), y.norm_squared());
            trace += n - yy;
            square += n * n - 2.0 * n * yy;
            gram.ger(1.0, &y, &y, 1.0);
        }
        // Σ_gh (y_g·y_h)² is the squared norm of Σ y y'.
        square += gram.norm_squared();
        if square > 0.0 && trace > 0.0 { trace * trace / square } else { 0.0 }
    }

    /// Share of the contrast's variance that single blocks determine alone, as [`BlockedFit::blind`] has it.
    pub fn share_alone(&self, contrast: &DVector<f64>) -> f64 {
        let Some(alone) = &self.alone else { return 0.0 };
        let total = contrast.dot(&(&self.bread * contrast));
        if total > 0.0 { contrast.dot(&(alone * contrast)) / total } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::super::blind::tests::blocks as partly_alone;
    use super::super::fit;
    use super::super::wald::tests::blocks;
    use super::Prepared;

    #[test]
    fn the_same_as_one_by_one() {
        for seed in 0..20 {
            let fit = fit(&blocks(seed, 6), 3).unwrap();
            let prepared = Prepared::new(&fit).unwrap();
            for l in [[1.0, 0.0, 0.0], [1.0, -2.0, 0.5], [0.0, 3.0, 1e-3]] {
                let l = DVector::from_row_slice(&l);
                let (one, other) = (fit.dof(&l), prepared.dof(&l));
                assert!((one / other - 1.0).abs() < 1e-9, "{one} {other}");
                assert_eq!(prepared.share_alone(&l), 0.0);
            }
        }
    }

    #[test]
    fn what_one_block_alone_tells_is_seen() {
        let fit = fit(&partly_alone(), 2).unwrap();
        let prepared = Prepared::new(&fit).unwrap();
        let groups = vec![vec![0, 1, 2], vec![0, 1, 2]];
        for l in [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [2.0, -0.3]] {
            let l = DVector::from_row_slice(&l);
            let share = fit.blind(&l, &groups, &[]).share;
            assert!((prepared.share_alone(&l) - share).abs() < 1e-9, "{share}");
        }
    }
}
