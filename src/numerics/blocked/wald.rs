//! Several contrasts at once: the Wald statistic of CR2's covariance, held against an F distribution with the
//! degrees of freedom of few clusters (approximate Hotelling's T², Tipton & Pustejovsky, J. Educational and
//! Behavioral Statistics 40, 2015; the HTZ test).

use nalgebra::{DMatrix, DVector};

use super::Inference;
use crate::numerics::distributions::f_p_value;

/// A test that all of several contrasts are zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wald {
    /// F statistic.
    pub statistic: f64,
    /// Number of contrasts.
    pub numerator: f64,
    /// Degrees of freedom below.
    pub denominator: f64,
    /// Upper-tail p-value.
    pub p_value: f64,
}

/// Why there is no test.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum WaldError {
    /// No contrast.
    #[error("nothing to test")]
    Nothing,
    /// Contrasts that the others contain.
    #[error("the contrasts are not independent")]
    Dependent,
    /// The clusters do not carry that many contrasts.
    #[error("{contrasts} contrasts are too many for clusters worth {degrees_of_freedom:.1} degrees of freedom")]
    TooFewClusters { contrasts: usize, degrees_of_freedom: f64 },
}

impl Inference {
    /// Tests that every column of `contrasts` (p × m) has C'β = 0.
    ///
    /// # Errors
    /// See [`WaldError`].
    pub fn wald(&self, contrasts: &DMatrix<f64>) -> Result<Wald, WaldError> {
        let m = contrasts.ncols();
        if m == 0 {
            return Err(WaldError::Nothing);
        }
        // Contrasts that are independent and of variance one under the working model.
        let scale = DMatrix::from_diagonal(&DVector::from_fn(m, |i, _| {
            let c = contrasts.column(i);
            1.0 / c.dot(&(&self.bread * c)).max(f64::MIN_POSITIVE).sqrt()
        }));
        let scaled = contrasts * scale;
        let s = scaled.transpose() * &self.bread * &scaled;
        let lower = s.cholesky().ok_or(WaldError::Dependent)?.unpack();
        if lower.diagonal().iter().any(|d| *d < 1e-7) {
            return Err(WaldError::Dependent);
        }
        let inverse = lower.solve_lower_triangular(&DMatrix::identity(m, m)).ok_or(WaldError::Dependent)?;
        let c = scaled * inverse.transpose();
        let eta = (m * (m + 1)) as f64 / self.spread_of_covariance(&c);
        let below = eta - m as f64 + 1.0;
        let few = WaldError::TooFewClusters { contrasts: m, degrees_of_freedom: eta };
        if below.is_nan() || below < 1.0 {
            return Err(few);
        }
        let v = self.influence.iter().fold(DMatrix::zeros(m, m), |sum, u| {
            let w = c.transpose() * u;
            sum + &w * w.transpose()
        });
        let t = c.transpose() * &self.beta;
        let q = t.dot(&v.cholesky().ok_or(few)?.solve(&t));
        let statistic = below / (eta * m as f64) * q;
        let p_value = f_p_value(statistic, m as f64, below).map_err(|_| few)?;
        Ok(Wald { statistic, numerator: m as f64, denominator: below, p_value })
    }

    /// Sum of the variances of the entries of C'VC under the working model, for contrasts with C'MC = 1.
    fn spread_of_covariance(&self, c: &DMatrix<f64>) -> f64 {
        let m = c.ncols();
        let mc = &self.bread * c;
        // With b = A Z M c of every block, as in the degrees of freedom of one contrast: b'b, and Z'b among all coefficients.
        let (mut squares, mut zb) = (Vec::with_capacity(self.columns.len()), Vec::with_capacity(self.columns.len()));
        for (columns, products) in self.columns.iter().zip(&self.products) {
            let local = mc.select_rows(columns);
            let back = &products.once * &local;
            let mut wide = DMatrix::zeros(self.beta.len(), m);
            columns.iter().enumerate().for_each(|(j, k)| wide.set_row(*k, &back.row(j)));
            squares.push(local.tr_mul(&(&products.twice * &local)));
            zb.push(wide);
        }
        let mzb: Vec<DMatrix<f64>> = zb.iter().map(|z| &self.bread * z).collect();
        let mut total = 0.0;
        for (g, (zg, square)) in zb.iter().zip(&squares).enumerate() {
            for (h, mh) in mzb.iter().enumerate() {
                let mut p = -(zg.transpose() * mh);
                if g == h {
                    p += square;
                }
                // Σ over s, t of P_ss P_tt + P_st P_ts: covariances of products of normal variables.
                total += p.trace().powi(2) + (&p * &p).trace();
            }
        }
        total
    }
}

#[cfg(test)]
pub(super) mod tests {
    use nalgebra::{DMatrix, DVector};
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64Mcg;

    use super::super::{Block, fit};
    use super::WaldError;
    use crate::numerics::distributions::t_p_value;

    /// Blocks with a common effect each, three shared columns of true coefficient zero.
    pub fn blocks(seed: u64, count: usize) -> Vec<Block> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let normal = Normal::new(0.0, 1.0).unwrap();
        (0..count)
            .map(|_| {
                let n = 6 + rng.random_range(0..5);
                let tilt: [f64; 3] = std::array::from_fn(|_| normal.sample(&mut rng));
                let x = DMatrix::from_fn(n, 3, |_, _| rng.random_range(0.0..2.0));
                let y = DVector::from_fn(n, |i, _| {
                    let common: f64 = (0..3).map(|c| tilt[c] * x[(i, c)]).sum();
                    normal.sample(&mut rng) + 0.7 * common
                });
                let nuisance = DMatrix::from_element(n, 1, 1.0);
                Block { columns: vec![0, 1, 2], x, nuisance, w: DVector::from_element(n, 1.0), y, together: Vec::new() }
            })
            .collect()
    }

    #[test]
    fn one_contrast_is_the_t_test() {
        let fit = fit(&blocks(3, 7), 3).unwrap();
        let l = DVector::from_vec(vec![1.0, -2.0, 0.5]);
        let wald = fit.wald(&DMatrix::from_columns(std::slice::from_ref(&l))).unwrap();
        let t = fit.beta.dot(&l) / fit.variance(&l).sqrt();
        assert!((wald.denominator / fit.dof(&l) - 1.0).abs() < 1e-9);
        assert!((wald.statistic / (t * t) - 1.0).abs() < 1e-9);
        assert!((wald.p_value - t_p_value(t, fit.dof(&l)).unwrap()).abs() < 1e-9);
    }

    #[test]
    fn the_same_whatever_the_basis() {
        let fit = fit(&blocks(4, 9), 3).unwrap();
        let a = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, -1.0, 1.0, 0.0, -1.0]);
        let turned = &a * DMatrix::from_row_slice(2, 2, &[3.0, 1.0, -2.0, 5.0]);
        let (one, two) = (fit.wald(&a).unwrap(), fit.wald(&turned).unwrap());
        assert!((one.p_value - two.p_value).abs() < 1e-9 && (one.denominator - two.denominator).abs() < 1e-6);
    }

    #[test]
    fn false_alarms_are_as_many_as_the_level_says() {
        // 400 seasons of 8 blocks: 5 % ± 3.5 standard errors of 400 trials is 1.2 to 8.8 %; the test is known
        // to be a little shy with few clusters.
        let c = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
        let mut alarms = 0;
        for seed in 0..400 {
            let fit = fit(&blocks(1000 + seed, 8), 3).unwrap();
            alarms += usize::from(fit.wald(&c).unwrap().p_value < 0.05);
        }
        println!("false alarms {alarms} of 400");
        assert!((5..=36).contains(&alarms), "{alarms}");
    }

    #[test]
    fn no_test_says_why() {
        let fit = fit(&blocks(5, 3), 3).unwrap();
        assert_eq!(fit.wald(&DMatrix::zeros(3, 0)).unwrap_err(), WaldError::Nothing);
        let twice = DMatrix::from_row_slice(3, 2, &[1.0, 2.0, 0.0, 0.0, 1.0, 2.0]);
        assert_eq!(fit.wald(&twice).unwrap_err(), WaldError::Dependent);
        let all = DMatrix::identity(3, 3);
        assert!(matches!(fit.wald(&all), Err(WaldError::TooFewClusters { contrasts: 3, .. })));
    }
}
