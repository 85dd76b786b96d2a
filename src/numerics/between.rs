//! Scatter between units (windows, sessions) beyond their own standard errors: the variance τ² that makes residuals,
//! each over its own √(v + τ²), come out as large as they should.
//!
//! Sources: R. Paule, J. Mandel, J. Research NBS 87 (1982) 377-385; with regressors: R. DerSimonian, R. Kacker,
//! Contemporary Clinical Trials 28 (2007) 105-114 (from memory). The robust form sets Huber's ψ² instead of the square
//! (his proposal 2: P. Huber, Robust Statistics, 1981, section 6.4, from memory), with the leverages' share taken out.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use super::least_squares::{self, LeastSquares, LeastSquaresError};
use super::robust::{self, Loss, RobustError, RobustParams};

/// How τ² is estimated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BetweenParams {
    /// Huber's constant, or `None` for the moment estimate of Paule and Mandel.
    pub huber_k: Option<f64>,
    /// τ is found to this share of itself.
    pub tolerance: f64,
}

impl Default for BetweenParams {
    fn default() -> Self {
        Self { huber_k: Some(1.345), tolerance: 1e-6 }
    }
}

/// The estimate, with the evidence for it.
#[derive(Clone, Debug)]
pub struct BetweenVariance {
    /// τ², at least zero.
    pub tau2: f64,
    /// The estimating function at τ² = 0, less its expected value, over the number of rows: how much larger the
    /// residuals are than their own standard errors explain. Negative: the standard errors are large enough.
    pub excess_at_zero: f64,
    /// The fit with weights 1/(v + τ²) (times the robustness weights).
    pub fit: LeastSquares,
    /// Evaluations of the estimating function.
    pub evaluations: usize,
}

/// Why there is no estimate.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BetweenError {
    /// A variance that is negative or no number.
    #[error("row {row} has the variance {variance}; variances must be finite and positive")]
    BadVariance { row: usize, variance: f64 },
    /// Not one variance per row.
    #[error("{given} variances for {rows} rows")]
    Lengths { rows: usize, given: usize },
    /// The fit for some τ² failed.
    #[error(transparent)]
    LeastSquares(#[from] LeastSquaresError),
    /// The robust fit for some τ² failed.
    #[error(transparent)]
    Robust(#[from] RobustError),
    /// No τ² explains the residuals.
    #[error("no variance between units up to {largest} explains the residuals")]
    NoRoot { largest: f64 },
}

/// Steps of the search for a bracket and of the bisection within it.
const SEARCH_STEPS: usize = 200;

/// Finds the root of a falling function of τ² ≥ 0: zero if it is not positive there. `scale` is a variance of the
/// order of those looked for. Returns the root and the number of evaluations.
///
/// # Errors
/// The function's own, and no sign change up to about 2²⁰⁰ times `scale` or the range of floating point.
pub fn falling_root<E: From<BetweenError>>(
    scale: f64,
    tolerance: f64,
    mut excess: impl FnMut(f64) -> Result<f64, E>,
) -> Result<(f64, usize), E> {
    let mut evaluations = 1;
    if excess(0.0)? <= 0.0 {
        return Ok((0.0, evaluations));
    }
    let (mut low, mut high) = (0.0, scale);
    while excess(high)? > 0.0 {
        evaluations += 1;
        if evaluations > SEARCH_STEPS || !(4.0 * high).is_finite() {
            return Err(BetweenError::NoRoot { largest: high }.into());
        }
        (low, high) = (high, 4.0 * high);
    }
    for _ in 0..SEARCH_STEPS {
        if high - low <= tolerance * high {
            break;
        }
        let middle = if low > 0.0 { (low * high).sqrt() } else { 0.25 * high };
        evaluations += 1;
        if excess(middle)? > 0.0 { low = middle } else { high = middle }
    }
    Ok((0.5 * (low + high), evaluations))
}

/// E ψ(z)² of Huber's ψ with constant k for a standard normal z: 0.7102 at 1.345.
pub fn expected_psi_squared(k: f64) -> f64 {
    let normal = Normal::standard();
    let tail = normal.sf(k);
    1.0 - 2.0 * (tail + k * normal.pdf(k)) + 2.0 * k * k * tail
}

/// τ² for `y ≈ x·b` whose rows have the variances `variances` of their own.
///
/// # Errors
/// See [`BetweenError`].
pub fn between_variance(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    variances: &DVector<f64>,
    params: BetweenParams,
) -> Result<BetweenVariance, BetweenError> {
    if variances.len() != x.nrows() {
        return Err(BetweenError::Lengths { rows: x.nrows(), given: variances.len() });
    }
    if let Some((row, variance)) = variances.iter().enumerate().find(|(_, v)| !(v.is_finite() && **v > 0.0)) {
        return Err(BetweenError::BadVariance { row, variance: *variance });
    }
    let at = |tau2: f64| fit_at(x, y, variances, tau2, params.huber_k);
    let excess = |tau2: f64| -> Result<f64, BetweenError> { Ok(excess(&at(tau2)?, variances, tau2, params.huber_k)) };
    let excess_at_zero = excess(0.0)?;
    let scale = at(0.0)?.residuals.norm_squared() / x.nrows() as f64;
    let (tau2, evaluations) = falling_root(scale.max(f64::MIN_POSITIVE), params.tolerance, excess)?;
    Ok(BetweenVariance { tau2, excess_at_zero, fit: at(tau2)?, evaluations })
}

fn fit_at(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    variances: &DVector<f64>,
    tau2: f64,
    huber_k: Option<f64>,
) -> Result<LeastSquares, BetweenError> {
    let weights = variances.map(|v| 1.0 / (v + tau2));
    match huber_k {
        None => Ok(least_squares::fit(x, y, Some(&weights))?),
        Some(k) => {
            let params = RobustParams { loss: Loss::Huber { k }, ..RobustParams::default() };
            Ok(robust::fit(x, y, Some(&weights), params)?.fit)
        }
    }
}

/// The estimating function per row. Paule-Mandel: Σ w r² − (n − p). Robust: Σ ψ(u)² − n·Eψ² with u = r·√w/√(1 − h).
fn excess(fit: &LeastSquares, variances: &DVector<f64>, tau2: f64, huber_k: Option<f64>) -> f64 {
    let n = variances.len() as f64;
    let standard = fit.residuals.iter().zip(variances.iter()).map(|(r, v)| r / (v + tau2).sqrt());
    match huber_k {
        None => (standard.map(|u| u * u).sum::<f64>() - fit.dof as f64) / n,
        Some(k) => {
            let rows = standard.zip(fit.leverages.iter()).filter(|(_, h)| **h < 1.0 - 1e-9);
            let (mut sum, mut count) = (0.0, 0.0);
            for (u, h) in rows {
                sum += (u / (1.0 - h).sqrt()).clamp(-k, k).powi(2);
                count += 1.0;
            }
            (sum - count * expected_psi_squared(k)) / n
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64Mcg;

    /// Mean of τ² over many simulated data sets; the truth is `tau2`. A twentieth of the rows may be far off.
    fn mean_of_estimates(tau2: f64, params: BetweenParams, outliers: bool) -> f64 {
        let mut rng = Pcg64Mcg::seed_from_u64(11);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let n = 40;
        let x = DMatrix::from_fn(n, 4, |i, j| [1.0, i as f64, (i % 3) as f64, f64::from(u8::from(i % 7 == 2))][j]);
        let variances = DVector::from_fn(n, |i, _| 0.3 + 0.1 * (i % 11) as f64);
        let rounds = 300;
        let sum: f64 = (0..rounds)
            .map(|_| {
                let y = DVector::from_fn(n, |i, _| {
                    let far = if outliers && i % 20 == 7 { 30.0 } else { 0.0 };
                    far + 0.5 * i as f64 + normal() * (variances[i] + tau2).sqrt()
                });
                between_variance(&x, &y, &variances, params).unwrap().tau2
            })
            .sum();
        sum / f64::from(rounds)
    }

    #[test]
    fn recovers_the_truth_on_average() {
        let moment = BetweenParams { huber_k: None, ..BetweenParams::default() };
        // The standard deviation of one estimate is about 0.8, of the mean of 300 0.05.
        let found = mean_of_estimates(2.0, moment, false);
        assert!((found - 2.0).abs() < 0.15, "{found}");
        let found = mean_of_estimates(2.0, BetweenParams::default(), false);
        assert!((found - 2.0).abs() < 0.25, "{found}");
    }

    #[test]
    fn outliers_move_the_robust_estimate_little() {
        let moment = BetweenParams { huber_k: None, ..BetweenParams::default() };
        let spoilt = mean_of_estimates(2.0, moment, true);
        let held = mean_of_estimates(2.0, BetweenParams::default(), true);
        assert!(spoilt > 20.0, "{spoilt}");
        assert!((1.5..3.5).contains(&held), "{held}");
    }

    #[test]
    fn zero_where_the_standard_errors_explain_all() {
        let x = DMatrix::from_element(6, 1, 1.0);
        let y = DVector::from_row_slice(&[1.0, 1.1, 0.9, 1.05, 0.95, 1.0]);
        for huber_k in [None, Some(1.345)] {
            let params = BetweenParams { huber_k, ..BetweenParams::default() };
            let found = between_variance(&x, &y, &DVector::from_element(6, 1.0), params).unwrap();
            assert_eq!((found.tau2, found.evaluations), (0.0, 1));
            assert!(found.excess_at_zero < 0.0);
            // A common value: still zero.
            let same = between_variance(&x, &DVector::from_element(6, 3.0), &DVector::from_element(6, 1.0), params);
            assert_eq!(same.unwrap().tau2, 0.0);
        }
    }

    #[test]
    fn equal_variances_in_closed_form() {
        // With equal v: Σr²/(v + τ²) = n − 1, so τ² = s² − v.
        let y = DVector::from_row_slice(&[1.0, 3.0, 5.0, 7.0, 14.0]);
        let params = BetweenParams { huber_k: None, tolerance: 1e-13 };
        let found = between_variance(&DMatrix::from_element(5, 1, 1.0), &y, &DVector::from_element(5, 0.5), params);
        // s² = (25 + 9 + 1 + 1 + 64)/4 = 25.
        assert!((found.unwrap().tau2 - 24.5).abs() < 1e-10);
    }

    #[test]
    fn psi_squared_of_the_normal() {
        // By quadrature over the normal density.
        let k = 1.345;
        let step = 1e-4;
        let sum: f64 = (-100_000..=100_000)
            .map(|i| f64::from(i) * step)
            .map(|z: f64| z.clamp(-k, k).powi(2) * (-0.5 * z * z).exp() * step)
            .sum();
        assert!((expected_psi_squared(k) - sum / std::f64::consts::TAU.sqrt()).abs() < 1e-8);
    }

    #[test]
    fn bad_variances_are_errors() {
        let (x, y) = (DMatrix::from_element(3, 1, 1.0), DVector::from_row_slice(&[1.0, 2.0, 4.0]));
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let v = DVector::from_row_slice(&[1.0, bad, 1.0]);
            let error = between_variance(&x, &y, &v, BetweenParams::default()).unwrap_err();
            assert!(matches!(error, BetweenError::BadVariance { row: 1, .. }));
        }
        let error = between_variance(&x, &y, &DVector::zeros(2), BetweenParams::default()).unwrap_err();
        assert_eq!(error, BetweenError::Lengths { rows: 3, given: 2 });
        let never = falling_root::<BetweenError>(1.0, 1e-9, |_| Ok(1.0));
        assert!(matches!(never, Err(BetweenError::NoRoot { .. })));
    }
}
