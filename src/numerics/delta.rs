//! The delta method: first-order standard errors of functions of coefficients, from their joint covariance.

use nalgebra::{DMatrix, DVector};

use super::scaling::safe_norm;

/// A value with its variance, and what the value's linear approximation rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeltaEstimate {
    /// The function at the estimates.
    pub value: f64,
    /// First-order variance, never negative.
    pub variance: f64,
    /// The denominator over its own standard error, in size; infinite if it has none. Below about 4 the ratio is
    /// skewed and a symmetric interval is not to be trusted.
    pub denominator_t: f64,
}

impl DeltaEstimate {
    /// First-order standard error.
    pub fn standard_error(&self) -> f64 {
        self.variance.sqrt()
    }
}

/// Why there is no estimate.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DeltaError {
    /// The covariance does not fit the gradient or the values.
    #[error("{values} values, but a covariance of {rows} x {columns}")]
    Shape { values: usize, rows: usize, columns: usize },
    /// A NaN or infinite value, gradient or covariance, or a result that leaves the range of floating point.
    #[error("a value, gradient or covariance is not finite")]
    NotFinite,
    /// A covariance that gives a negative variance beyond rounding.
    #[error("the covariance gives a negative variance, {variance}")]
    NegativeVariance { variance: f64 },
    /// Division by zero.
    #[error("the denominator is zero")]
    ZeroDenominator,
}

/// A negative variance up to this share of the sum of the sizes of its terms is rounding.
const ROUNDING: f64 = 1e-10;

/// gradientᵀ · covariance · gradient.
///
/// # Errors
/// Shapes that don't fit, values that are not finite, a covariance that is clearly not one.
pub fn variance(gradient: &DVector<f64>, covariance: &DMatrix<f64>) -> Result<f64, DeltaError> {
    let (rows, columns) = covariance.shape();
    if rows != gradient.len() || columns != gradient.len() {
        return Err(DeltaError::Shape { values: gradient.len(), rows, columns });
    }
    let variance = gradient.dot(&(covariance * gradient));
    let size = gradient.abs().dot(&(covariance.abs() * gradient.abs()));
    if !(variance.is_finite() && size.is_finite()) {
        return Err(DeltaError::NotFinite);
    }
    if variance < -ROUNDING * size {
        return Err(DeltaError::NegativeVariance { variance });
    }
    Ok(variance.max(0.0))
}

/// The ratio of two linear functions of the values: numerator·values / denominator·values.
///
/// # Errors
/// As [`variance`], and a denominator of zero.
pub fn ratio(
    numerator: &DVector<f64>,
    denominator: &DVector<f64>,
    values: &DVector<f64>,
    covariance: &DMatrix<f64>,
) -> Result<DeltaEstimate, DeltaError> {
    let (rows, columns) = covariance.shape();
    for length in [numerator.len(), denominator.len()] {
        if length != values.len() {
            return Err(DeltaError::Shape { values: length, rows, columns });
        }
    }
    let (above, below) = (numerator.dot(values), denominator.dot(values));
    if !(above.is_finite() && below.is_finite()) {
        return Err(DeltaError::NotFinite);
    }
    if below == 0.0 {
        return Err(DeltaError::ZeroDenominator);
    }
    let value = above / below;
    let gradient = (numerator - denominator * value) / below;
    if !value.is_finite() || !safe_norm(gradient.iter()).is_finite() {
        return Err(DeltaError::NotFinite);
    }
    let variance_of_ratio = variance(&gradient, covariance)?;
    let denominator_t = below.abs() / variance(denominator, covariance)?.sqrt();
    Ok(DeltaEstimate { value, variance: variance_of_ratio, denominator_t })
}

/// a/(a + b), e.g. the front's share of downforce; covariance in the order a, b.
///
/// # Errors
/// As [`ratio`].
pub fn share(a: f64, b: f64, covariance: &DMatrix<f64>) -> Result<DeltaEstimate, DeltaError> {
    let values = DVector::from_vec(vec![a, b]);
    ratio(&DVector::from_vec(vec![1.0, 0.0]), &DVector::from_vec(vec![1.0, 1.0]), &values, covariance)
}

/// (a + b)/c, e.g. downforce over drag; covariance in the order a, b, c.
///
/// # Errors
/// As [`ratio`].
pub fn sum_over(a: f64, b: f64, c: f64, covariance: &DMatrix<f64>) -> Result<DeltaEstimate, DeltaError> {
    let values = DVector::from_vec(vec![a, b, c]);
    let (sum, over) = (DVector::from_vec(vec![1.0, 1.0, 0.0]), DVector::from_vec(vec![0.0, 0.0, 1.0]));
    ratio(&sum, &over, &values, covariance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // 2²·3 + 1²·5 + 2·2·1·(−1) = 13.
        let covariance = DMatrix::from_row_slice(2, 2, &[3.0, -1.0, -1.0, 5.0]);
        assert_eq!(variance(&DVector::from_row_slice(&[2.0, 1.0]), &covariance), Ok(13.0));
        // A perfectly shared error cancels in a share at equal proportion.
        let common = DMatrix::from_row_slice(2, 2, &[4.0, 6.0, 6.0, 9.0]);
        let balance = share(2.0, 3.0, &common).unwrap();
        assert!((balance.value - 0.4).abs() < 1e-15 && balance.standard_error() < 1e-9);
        assert_eq!(balance.denominator_t, 1.0);
    }

    #[test]
    fn no_answer_is_an_error() {
        let zero = DMatrix::zeros(2, 2);
        assert_eq!(share(1.0, -1.0, &zero), Err(DeltaError::ZeroDenominator));
        assert_eq!(share(f64::NAN, 1.0, &zero), Err(DeltaError::NotFinite));
        assert_eq!(share(1.0, 1.0, &zero).unwrap().denominator_t, f64::INFINITY);
        let shape = share(1.0, 1.0, &DMatrix::zeros(3, 3)).unwrap_err();
        assert_eq!(shape, DeltaError::Shape { values: 2, rows: 3, columns: 3 });
        let negative = DMatrix::from_row_slice(1, 1, &[-1.0]);
        let error = variance(&DVector::from_element(1, 1.0), &negative).unwrap_err();
        assert_eq!(error, DeltaError::NegativeVariance { variance: -1.0 });
        let nan = DMatrix::from_element(1, 1, f64::NAN);
        assert_eq!(variance(&DVector::from_element(1, 1.0), &nan), Err(DeltaError::NotFinite));
    }
}
