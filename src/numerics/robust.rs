//! Robust regression: M-estimates by iteratively reweighted least squares with the scale re-estimated at each step.
//!
//! Sources: P. Huber, Robust Statistics (1981), section 7.8 for the iteration (from memory); the tuning constants are
//! those of 95 % efficiency at the normal. The scale is the median absolute residual about zero over 0.6745.

use nalgebra::{DMatrix, DVector};

use super::least_squares::{LeastSquares, LeastSquaresError, LeastSquaresParams, fit_with};

/// Median of |z| for a standard normal z.
pub const MEDIAN_ABSOLUTE_NORMAL: f64 = 0.674_489_750_196_081_7;

/// Which residuals count less.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loss {
    /// Weight k/|u| beyond k standard deviations: no row is ever without weight, and the solution is unique.
    Huber { k: f64 },
    /// Tukey's bisquare: weight (1 − (u/c)²)² within c, none beyond. Started from the Huber fit with k = 1.345.
    Bisquare { c: f64 },
}

impl Loss {
    /// Huber's loss with 95 % efficiency.
    pub const HUBER: Self = Self::Huber { k: 1.345 };
    /// Tukey's bisquare with 95 % efficiency.
    pub const BISQUARE: Self = Self::Bisquare { c: 4.685 };

    /// Weight of a residual of `u` standard deviations: ψ(u)/u.
    pub fn weight(self, u: f64) -> f64 {
        let size = u.abs();
        match self {
            Self::Huber { k } => {
                if size <= k {
                    1.0
                } else {
                    k / size
                }
            }
            Self::Bisquare { c } => {
                if size >= c {
                    0.0
                } else {
                    (1.0 - (size / c).powi(2)).powi(2)
                }
            }
        }
    }

    /// Derivative of ψ at `u`.
    pub fn psi_slope(self, u: f64) -> f64 {
        let size = u.abs();
        match self {
            Self::Huber { k } => {
                if size <= k {
                    1.0
                } else {
                    0.0
                }
            }
            Self::Bisquare { c } => {
                let s = (size / c).powi(2);
                if size >= c { 0.0 } else { (1.0 - s) * (1.0 - 5.0 * s) }
            }
        }
    }

    fn is_sound(self) -> bool {
        match self {
            Self::Huber { k: constant } | Self::Bisquare { c: constant } => constant.is_finite() && constant > 0.0,
        }
    }
}

/// How the robust fit is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RobustParams {
    /// The loss.
    pub loss: Loss,
    /// The iteration ends when no fitted value moves by more than this many scales.
    pub tolerance: f64,
    /// Iterations until it is given up.
    pub max_iterations: usize,
    /// From this iteration on the scale stands still: with it fixed Huber's iteration always converges, while a scale
    /// by the median can jump to and fro between two residuals.
    pub freeze_scale_after: usize,
    /// Parameters of each least-squares step.
    pub least_squares: LeastSquaresParams,
}

impl Default for RobustParams {
    fn default() -> Self {
        Self {
            loss: Loss::HUBER,
            tolerance: 1e-8,
            max_iterations: 1000,
            freeze_scale_after: 100,
            least_squares: LeastSquaresParams::default(),
        }
    }
}

/// A robust fit, with the evidence for it.
#[derive(Clone, Debug)]
pub struct RobustFit {
    /// The last weighted fit: its weights are given weight times robustness weight, so that covariances that take a
    /// weighted fit (sandwich) can go on from it. Its classical standard errors are too small: use
    /// [`Self::covariance`] or a sandwich.
    pub fit: LeastSquares,
    /// Robustness weights, 0 to 1: what part of a row's given weight was used.
    pub robustness: DVector<f64>,
    /// Scale of the residuals at given weight one; zero if at least half of the rows fit exactly.
    pub scale: f64,
    /// Asymptotic covariance of the coefficients (Huber 1981, section 7.6, with the correction K); `None` if too many
    /// rows lie beyond the loss's straight part to tell, or the scale is zero.
    pub covariance: Option<DMatrix<f64>>,
    /// Iterations used, those of the starting fit not counted.
    pub iterations: usize,
    /// At least half of the rows fit to within rounding: the scale says nothing, and the iteration ended there.
    pub degenerate_scale: bool,
    /// The scale had to be held for the iteration to end.
    pub frozen_scale: bool,
}

/// Why there is no robust fit.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RobustError {
    /// A step could not be solved.
    #[error(transparent)]
    LeastSquares(#[from] LeastSquaresError),
    /// Parameters that make no sense.
    #[error("the tuning constant and the tolerance must be positive, and iterations allowed")]
    BadParams,
    /// The iteration did not settle.
    #[error("no convergence in {iterations} iterations; the last moved a fitted value by {change} scales")]
    NotConverged { iterations: usize, change: f64 },
}

/// Fits `y ≈ x·b` robustly. `weights` are inverse variances up to a common factor, as in least squares.
///
/// # Errors
/// Those of least squares, and no convergence. With the bisquare, rows without weight may leave too few or
/// columns that can't be told apart: that is the error of the step.
pub fn fit(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    weights: Option<&DVector<f64>>,
    params: RobustParams,
) -> Result<RobustFit, RobustError> {
    if !(params.loss.is_sound() && params.tolerance > 0.0 && params.max_iterations > 0) {
        return Err(RobustError::BadParams);
    }
    let start = fit_with(x, y, weights, params.least_squares)?;
    let given = start.weights.clone();
    let root = given.map(f64::sqrt);
    // Residuals below this are rounding of the fit itself.
    let rounding = (16.0 * f64::EPSILON * start.condition).max(1e-12);
    let floor = rounding * y.component_mul(&root).amax();
    let unscaled_covariance = start.unscaled_covariance.clone();
    let problem = Problem { x, y, given, root, floor, unscaled_covariance, params };
    let start = match params.loss {
        Loss::Huber { .. } => start,
        Loss::Bisquare { .. } => problem.iterate(start, Loss::HUBER)?.fit,
    };
    problem.iterate(start, params.loss)
}

struct Problem<'a> {
    x: &'a DMatrix<f64>,
    y: &'a DVector<f64>,
    given: DVector<f64>,
    root: DVector<f64>,
    floor: f64,
    unscaled_covariance: DMatrix<f64>,
    params: RobustParams,
}

impl Problem<'_> {
    fn iterate(&self, start: LeastSquares, loss: Loss) -> Result<RobustFit, RobustError> {
        // The start may be a robust fit itself.
        let mut robustness =
            start.weights.zip_map(&self.given, |used, given| if given > 0.0 { used / given } else { 1.0 });
        let mut fit = start;
        let mut held = None;
        let mut change = f64::INFINITY;
        for iteration in 1..=self.params.max_iterations {
            let scale = held.unwrap_or_else(|| self.scale(&fit.residuals));
            if iteration >= self.params.freeze_scale_after {
                held = Some(scale);
            }
            if scale <= self.floor {
                return Ok(RobustFit {
                    fit,
                    robustness,
                    scale: 0.0,
                    covariance: None,
                    iterations: iteration,
                    degenerate_scale: true,
                    frozen_scale: false,
                });
            }
            robustness = fit.residuals.zip_map(&self.root, |r, w| loss.weight(r * w / scale));
            let weights = self.given.component_mul(&robustness);
            let next = fit_with(self.x, self.y, Some(&weights), self.params.least_squares)?;
            change = (&next.fitted - &fit.fitted).component_mul(&self.root).amax() / scale;
            fit = next;
            if change <= self.params.tolerance {
                let covariance = self.covariance(&fit.residuals, scale, loss);
                let (iterations, frozen_scale, degenerate_scale) = (iteration, held.is_some(), false);
                return Ok(RobustFit {
                    fit,
                    robustness,
                    scale,
                    covariance,
                    iterations,
                    degenerate_scale,
                    frozen_scale,
                });
            }
        }
        Err(RobustError::NotConverged { iterations: self.params.max_iterations, change })
    }

    /// Residuals of the rows that count, at weight one.
    fn weighted<'b>(&'b self, residuals: &'b DVector<f64>) -> impl Iterator<Item = f64> + 'b {
        residuals.iter().zip(self.root.iter()).filter(|(_, w)| **w > 0.0).map(|(r, w)| r * w)
    }

    /// Median absolute residual about zero, over that of a standard normal.
    fn scale(&self, residuals: &DVector<f64>) -> f64 {
        let mut sizes: Vec<f64> = self.weighted(residuals).map(f64::abs).collect();
        median(&mut sizes).unwrap_or(0.0) / MEDIAN_ABSOLUTE_NORMAL
    }

    /// K² · Σψ²/(n−p) · scale² / (mean ψ')² · (XᵀWX)⁻¹ with K = 1 + p/n · var(ψ')/mean(ψ')².
    fn covariance(&self, residuals: &DVector<f64>, scale: f64, loss: Loss) -> Option<DMatrix<f64>> {
        let standard: Vec<f64> = self.weighted(residuals).map(|r| r / scale).collect();
        let (n, p) = (standard.len() as f64, self.x.ncols() as f64);
        let slope = standard.iter().map(|u| loss.psi_slope(*u)).sum::<f64>() / n;
        let spread = standard.iter().map(|u| (loss.psi_slope(*u) - slope).powi(2)).sum::<f64>() / n;
        let psi2 = standard.iter().map(|u| (loss.weight(*u) * u).powi(2)).sum::<f64>();
        let k = 1.0 + p / n * spread / (slope * slope);
        let factor = (k * scale / slope).powi(2) * psi2 / (n - p);
        (slope > 0.0 && factor.is_finite()).then(|| &self.unscaled_covariance * factor)
    }
}

/// The median; sorts its argument. `None` of nothing.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 { Some(upper) } else { values.get(middle - 1).map(|lower| 0.5 * (lower + upper)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: usize) -> (DMatrix<f64>, DVector<f64>) {
        let x = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let y = DVector::from_fn(n, |i, _| 5.0 + 2.0 * i as f64);
        (x, y)
    }

    #[test]
    fn an_exact_line_with_outliers_has_no_scale_but_a_fit() {
        let (x, mut y) = line(12);
        y[3] += 40.0;
        y[9] -= 70.0;
        for loss in [Loss::HUBER, Loss::BISQUARE] {
            let found = fit(&x, &y, None, RobustParams { loss, ..RobustParams::default() }).unwrap();
            assert!(found.degenerate_scale);
            assert_eq!(found.scale, 0.0);
            assert!((found.fit.coefficients[0] - 5.0).abs() < 1e-6, "{}", found.fit.coefficients);
            assert!((found.fit.coefficients[1] - 2.0).abs() < 1e-6);
            assert!(found.robustness[3] < 1e-6 && found.robustness[9] < 1e-6);
        }
    }

    #[test]
    fn exact_and_zero_data() {
        let (x, y) = line(6);
        let found = fit(&x, &y, None, RobustParams::default()).unwrap();
        assert!(found.degenerate_scale && (found.fit.coefficients[1] - 2.0).abs() < 1e-12);
        let found = fit(&x, &DVector::zeros(6), None, RobustParams::default()).unwrap();
        assert!(found.degenerate_scale && found.fit.coefficients.amax() == 0.0);
    }

    #[test]
    fn weights_are_counted_as_precision() {
        // Quadrupling a weight halves what the residual may be before it counts less.
        let (x, mut y) = line(30);
        for (i, v) in y.iter_mut().enumerate() {
            *v += [0.3, -0.2, 0.1, -0.3, 0.2][i % 5];
        }
        let mut weights = DVector::from_element(30, 1.0);
        weights[7] = 4.0;
        y[7] += 3.0;
        let heavy = fit(&x, &y, Some(&weights), RobustParams::default()).unwrap();
        weights[7] = 1.0;
        let light = fit(&x, &y, Some(&weights), RobustParams::default()).unwrap();
        let ratio = light.robustness[7] / heavy.robustness[7];
        assert!((ratio - 2.0).abs() < 0.15, "{ratio}");
        // One scale for all: a common factor of the weights changes nothing but the scale.
        let other = fit(&x, &y, Some(&(&weights * 100.0)), RobustParams::default()).unwrap();
        assert!((other.scale / light.scale - 10.0).abs() < 1e-8);
        assert!((other.fit.coefficients - light.fit.coefficients).amax() < 1e-9);
    }

    #[test]
    fn no_convergence_and_bad_parameters_are_errors() {
        let (x, mut y) = line(12);
        y[3] += 4.0;
        y[5] -= 1.0;
        y[8] += 0.4;
        y[1] -= 0.2;
        y[0] += 0.3;
        y[10] += 0.1;
        y[6] += 0.2;
        let params = RobustParams { max_iterations: 2, ..RobustParams::default() };
        let error = fit(&x, &y, None, params).unwrap_err();
        assert!(matches!(error, RobustError::NotConverged { iterations: 2, change } if change > 0.0), "{error}");
        for k in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let params = RobustParams { loss: Loss::Huber { k }, ..RobustParams::default() };
            assert_eq!(fit(&x, &y, None, params).unwrap_err(), RobustError::BadParams);
        }
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&mut [9.0, -1.0, 2.0]), Some(2.0));
    }
}
