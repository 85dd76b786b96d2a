//! Weighted linear least squares by Householder QR of the scaled design; the rank comes from the singular values of
//! the triangular factor. Normal equations are never formed: they square the condition, and speeds squared beside
//! intercepts are badly conditioned as it is.
//! Source: G. H. Golub, C. F. Van Loan, Matrix Computations, 4th ed., section 5.3 (from memory).

use nalgebra::{DMatrix, DVector};

use super::null_space::{self, NullSpaceError, NullSpaceParams, first_not_finite};
use super::scaling::{power_of_two_inverse, safe_norm, scale_columns};

/// How the fit is done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LeastSquaresParams {
    /// When columns count as tied.
    pub rank: NullSpaceParams,
}

/// A fit, with the evidence for it. `n` rows, `p` columns.
#[derive(Clone, Debug)]
pub struct LeastSquares {
    /// One per column of the design, in the unit of y over the unit of the column.
    pub coefficients: DVector<f64>,
    /// (XᵀWX)⁻¹; times [`Self::sigma2`] it is the covariance of the coefficients if the weights are inverse variances
    /// up to a common factor.
    pub unscaled_covariance: DMatrix<f64>,
    /// Residual variance Σ w·r² / dof, at weight one.
    pub sigma2: f64,
    /// Residual standard deviation √sigma2 (Stata's root MSE: divided by the degrees of freedom, not by n).
    pub rmse: f64,
    /// Classical standard errors of the coefficients.
    pub standard_errors: DVector<f64>,
    /// X·b.
    pub fitted: DVector<f64>,
    /// y − X·b, not weighted.
    pub residuals: DVector<f64>,
    /// Diagonal of the hat matrix of the weighted problem, 0 to 1.
    pub leverages: DVector<f64>,
    /// The weights used; ones if none were given.
    pub weights: DVector<f64>,
    /// Orthonormal basis of the columns of √W·X (n × p).
    pub q: DMatrix<f64>,
    /// Turns coordinates in `q` into coefficients: b = r_inverse · qᵀ√W·y, and (XᵀWX)⁻¹ = r_inverse · r_inverseᵀ.
    pub r_inverse: DMatrix<f64>,
    /// Number of columns; a design of lower rank is an error.
    pub rank: usize,
    /// Largest over smallest singular value of the weighted design with its columns scaled to like size.
    pub condition: f64,
    /// Share of the (weighted) sum of squares that the fit explains: about the mean if a constant lies in the span
    /// of the columns, else about zero. `None` if y does not vary at all.
    pub r2: Option<f64>,
    /// Rows of positive weight less columns.
    pub dof: usize,
    /// Weighted residual sum of squares.
    pub rss: f64,
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LeastSquaresError {
    /// A design without columns.
    #[error("the design has no columns")]
    NoColumns,
    /// Lengths that don't fit each other.
    #[error("{rows} rows in the design, but {given} {what}")]
    Lengths { rows: usize, given: usize, what: &'static str },
    /// A NaN or an infinite value in the design or in y.
    #[error("row {row} holds a value that is not a finite number")]
    NotFinite { row: usize },
    /// A weight that is NaN, infinite or negative.
    #[error("row {row} has the weight {weight}; weights must be finite and not negative")]
    BadWeight { row: usize, weight: f64 },
    /// Nothing would be left to judge the scatter by. Rows of weight zero don't count.
    #[error("{rows} rows are too few for {columns} columns; at least {} are needed", .columns + 1)]
    TooFewRows { rows: usize, columns: usize },
    /// Columns that can't be told apart.
    #[error("the {columns} columns determine only {rank} coefficients; these columns are tied: {aliased:?}")]
    RankDeficient { rank: usize, columns: usize, aliased: Vec<Vec<usize>> },
    /// The decomposition did not settle.
    #[error("the singular values of a design of {columns} columns did not converge")]
    NoConvergence { columns: usize },
    /// Values so large or so small that their squares leave the range of floating point.
    #[error("{what} is outside the range of floating point; use other units")]
    OutOfRange { what: &'static str },
}

impl LeastSquares {
    /// Classical covariance of the coefficients: sigma2 · (XᵀWX)⁻¹.
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.unscaled_covariance * self.sigma2
    }

    /// Residuals times the square root of their weight: of equal variance if the weights are right.
    pub fn weighted_residuals(&self) -> DVector<f64> {
        self.residuals.zip_map(&self.weights, |r, w| r * w.sqrt())
    }
}

/// Fits `y ≈ x·b` with default parameters. Weights are inverse variances up to a common factor; rows of weight zero
/// take no part and don't count as evidence.
///
/// # Errors
/// See [`LeastSquaresError`]. The result holds finite numbers only.
pub fn fit(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    weights: Option<&DVector<f64>>,
) -> Result<LeastSquares, LeastSquaresError> {
    fit_with(x, y, weights, LeastSquaresParams::default())
}

/// As [`fit`], with parameters.
///
/// # Errors
/// See [`LeastSquaresError`].
pub fn fit_with(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    weights: Option<&DVector<f64>>,
    params: LeastSquaresParams,
) -> Result<LeastSquares, LeastSquaresError> {
    let (rows, columns) = x.shape();
    let weights = checked(x, y, weights)?;
    let root = weights.map(f64::sqrt);
    let mut design = x.clone();
    scale_rows(&mut design, &root);
    if design.iter().any(|v| !v.is_finite()) {
        return Err(LeastSquaresError::OutOfRange { what: "a weighted value of the design" });
    }
    let factors = scale_columns(&mut design);
    let qr = design.qr();
    let triangle = qr.r();
    let space = null_space::of_triangle(triangle.clone(), factors.clone(), params.rank).map_err(not_converged)?;
    if space.rank < columns {
        let aliased = space.groups.into_iter().map(|g| g.columns).collect();
        return Err(LeastSquaresError::RankDeficient { rank: space.rank, columns, aliased });
    }
    let mut r_inverse = DMatrix::identity(columns, columns);
    if !triangle.solve_upper_triangular_mut(&mut r_inverse) {
        return Err(LeastSquaresError::NoConvergence { columns });
    }
    scale_rows(&mut r_inverse, &DVector::from_vec(factors));
    let q = qr.q();
    let coefficients = solve(x, y, &root, &q, &r_inverse);
    let used = weights.iter().filter(|w| **w > 0.0).count();
    let shape = Shape { rank: columns, condition: space.condition, dof: used.saturating_sub(columns) };
    debug_assert_eq!(q.nrows(), rows);
    evidence(x, y, weights, coefficients, q, r_inverse, shape)
}

struct Shape {
    rank: usize,
    condition: f64,
    dof: usize,
}

fn not_converged(error: NullSpaceError) -> LeastSquaresError {
    match error {
        NullSpaceError::NoColumns => LeastSquaresError::NoColumns,
        NullSpaceError::NotFinite { row, .. } => LeastSquaresError::NotFinite { row },
        NullSpaceError::NoConvergence { columns } => LeastSquaresError::NoConvergence { columns },
    }
}

/// Multiplies row i by `factors[i]`.
fn scale_rows(x: &mut DMatrix<f64>, factors: &DVector<f64>) {
    for mut column in x.column_iter_mut() {
        column.component_mul_assign(factors);
    }
}

fn checked(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    weights: Option<&DVector<f64>>,
) -> Result<DVector<f64>, LeastSquaresError> {
    let (rows, columns) = x.shape();
    if columns == 0 {
        return Err(LeastSquaresError::NoColumns);
    }
    if y.len() != rows {
        return Err(LeastSquaresError::Lengths { rows, given: y.len(), what: "values to fit" });
    }
    let weights = weights.cloned().unwrap_or_else(|| DVector::from_element(rows, 1.0));
    if weights.len() != rows {
        return Err(LeastSquaresError::Lengths { rows, given: weights.len(), what: "weights" });
    }
    if let Some((row, weight)) = weights.iter().enumerate().find(|(_, w)| !(w.is_finite() && **w >= 0.0)) {
        return Err(LeastSquaresError::BadWeight { row, weight: *weight });
    }
    let bad_y = y.iter().position(|v| !v.is_finite());
    let bad_x = first_not_finite(x).map(|(row, _)| row);
    if let Some(row) = [bad_y, bad_x].into_iter().flatten().min() {
        return Err(LeastSquaresError::NotFinite { row });
    }
    let used = weights.iter().filter(|w| **w > 0.0).count();
    if used <= columns {
        return Err(LeastSquaresError::TooFewRows { rows: used, columns });
    }
    Ok(weights)
}

/// Coefficients from the orthogonal factor, with one step of refinement on the residuals.
fn solve(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    root: &DVector<f64>,
    q: &DMatrix<f64>,
    r_inverse: &DMatrix<f64>,
) -> DVector<f64> {
    // y is scaled by a power of two so that no product overflows before the end.
    let factor = power_of_two_inverse(safe_norm(y.iter()));
    let target = y * factor;
    let mut b = r_inverse * q.tr_mul(&target.component_mul(root));
    let residual = (&target - x * &b).component_mul(root);
    b += r_inverse * q.tr_mul(&residual);
    b / factor
}

fn evidence(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    weights: DVector<f64>,
    coefficients: DVector<f64>,
    q: DMatrix<f64>,
    r_inverse: DMatrix<f64>,
    shape: Shape,
) -> Result<LeastSquares, LeastSquaresError> {
    let fitted = x * &coefficients;
    let residuals = y - &fitted;
    let root = weights.map(f64::sqrt);
    let weighted = residuals.component_mul(&root);
    let size = safe_norm(weighted.iter());
    let rmse = size / (shape.dof as f64).sqrt();
    let standard_errors = DVector::from_iterator(shape.rank, r_inverse.row_iter().map(|r| rmse * safe_norm(r.iter())));
    let leverages = DVector::from_iterator(q.nrows(), q.row_iter().map(|r| r.norm_squared().min(1.0)));
    let unscaled_covariance = &r_inverse * r_inverse.transpose();
    let (sigma2, rss) = (rmse * rmse, size * size);
    in_range("a coefficient", coefficients.iter().chain(fitted.iter()), false)?;
    in_range("the residual variance", [sigma2, rss].iter(), size > 0.0)?;
    in_range("a standard error", standard_errors.iter(), size > 0.0)?;
    in_range("the covariance", unscaled_covariance.diagonal().iter(), true)?;
    let target = y.component_mul(&root);
    in_range("a weighted value to fit", [safe_norm(target.iter())].iter(), false)?;
    let r2 = explained(&target, &root, &q, size);
    Ok(LeastSquares {
        r2,
        coefficients,
        unscaled_covariance,
        sigma2,
        rmse,
        standard_errors,
        fitted,
        residuals,
        leverages,
        weights,
        q,
        r_inverse,
        rank: shape.rank,
        condition: shape.condition,
        dof: shape.dof,
        rss,
    })
}

fn in_range<'a>(
    what: &'static str,
    mut values: impl Iterator<Item = &'a f64>,
    positive: bool,
) -> Result<(), LeastSquaresError> {
    if values.all(|v| v.is_finite() && !(positive && *v <= 0.0)) {
        Ok(())
    } else {
        Err(LeastSquaresError::OutOfRange { what })
    }
}

/// R² of the weighted problem; see [`LeastSquares::r2`].
fn explained(y: &DVector<f64>, root: &DVector<f64>, q: &DMatrix<f64>, residual_norm: f64) -> Option<f64> {
    let size = safe_norm(y.iter());
    if size == 0.0 {
        return None;
    }
    let y = y / size;
    let one = root / safe_norm(root.iter());
    let has_constant = (1.0 - q.tr_mul(&one).norm_squared()).abs() < 1e-9;
    let total = if has_constant { (&y - &one * one.dot(&y)).norm_squared() } else { 1.0 };
    // What is left of a constant y after taking its mean off is rounding.
    if total < 1e-28 {
        return None;
    }
    Some(1.0 - (residual_norm / size).powi(2) / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matrix(rows: usize, columns: usize, values: &[f64]) -> DMatrix<f64> {
        DMatrix::from_row_slice(rows, columns, values)
    }

    const LINE: [f64; 10] = [1.0, 1.0, 1.0, 2.0, 1.0, 3.0, 1.0, 4.0, 1.0, 5.0];

    fn y() -> DVector<f64> {
        DVector::from_row_slice(&[1.1, 1.9, 3.2, 3.8, 5.1])
    }

    #[test]
    fn aliased_columns_are_named() {
        let x = DMatrix::from_fn(6, 4, |i, j| [1.0, i as f64, 2.0 * i as f64, (i * i) as f64][j]);
        let y = DVector::from_fn(6, |i, _| i as f64);
        let error = fit(&x, &y, None).unwrap_err();
        assert_eq!(error, LeastSquaresError::RankDeficient { rank: 3, columns: 4, aliased: vec![vec![1, 2]] });
        let message = "the 4 columns determine only 3 coefficients; these columns are tied: [[1, 2]]";
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn a_column_that_only_rows_without_weight_hold_is_aliased() {
        let x = matrix(5, 2, &[1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0, 1.0, 0.0]);
        let weights = DVector::from_row_slice(&[1.0, 1.0, 1.0, 0.0, 1.0]);
        let error = fit(&x, &y(), Some(&weights)).unwrap_err();
        assert_eq!(error, LeastSquaresError::RankDeficient { rank: 1, columns: 2, aliased: vec![vec![1]] });
    }

    #[test]
    fn rows_of_weight_zero_are_not_there() {
        let (x, y) = (matrix(5, 2, &LINE), y());
        let weights = DVector::from_row_slice(&[1.0, 2.0, 0.0, 1.0, 0.5]);
        let all = fit(&x, &y, Some(&weights)).unwrap();
        let keep = [0, 1, 3, 4];
        let some = fit(&x.select_rows(&keep), &y.select_rows(&keep), Some(&weights.select_rows(&keep))).unwrap();
        assert_eq!(all.dof, some.dof);
        assert!((all.standard_errors - some.standard_errors).amax() < 1e-14);
        assert!((all.r2.unwrap() - some.r2.unwrap()).abs() < 1e-14);
        assert_eq!(all.leverages[2], 0.0);
    }

    #[test]
    fn wrong_input_is_named() {
        let x = matrix(5, 2, &LINE);
        let mut bad = y();
        bad[3] = f64::NAN;
        assert_eq!(fit(&x, &bad, None).unwrap_err(), LeastSquaresError::NotFinite { row: 3 });
        let mut bad_x = x.clone();
        bad_x[(1, 0)] = f64::NEG_INFINITY;
        assert_eq!(fit(&bad_x, &bad, None).unwrap_err(), LeastSquaresError::NotFinite { row: 1 });
        for weight in [-1.0, f64::NAN, f64::INFINITY] {
            let weights = DVector::from_row_slice(&[1.0, 1.0, weight, 1.0, 1.0]);
            let error = fit(&x, &y(), Some(&weights)).unwrap_err();
            assert!(matches!(error, LeastSquaresError::BadWeight { row: 2, .. }), "{error}");
        }
        let two = fit(&x.rows(0, 2).into_owned(), &y().rows(0, 2).into_owned(), None).unwrap_err();
        assert_eq!(two, LeastSquaresError::TooFewRows { rows: 2, columns: 2 });
        assert_eq!(two.to_string(), "2 rows are too few for 2 columns; at least 3 are needed");
        assert_eq!(fit(&DMatrix::zeros(5, 0), &y(), None).unwrap_err(), LeastSquaresError::NoColumns);
        let short = fit(&x, &DVector::zeros(4), None).unwrap_err();
        assert_eq!(short, LeastSquaresError::Lengths { rows: 5, given: 4, what: "values to fit" });
    }

    #[test]
    fn units_change_nothing_but_units() {
        let (x, y) = (matrix(5, 2, &LINE), y());
        let plain = fit(&x, &y, None).unwrap();
        for factor in [1e-120, 1e-9, 1e9, 1e120] {
            let mut other = x.clone();
            other.column_mut(1).scale_mut(factor);
            let found = fit(&other, &y, None).unwrap();
            assert!((found.coefficients[1] * factor / plain.coefficients[1] - 1.0).abs() < 1e-13);
            assert!((found.standard_errors[1] * factor / plain.standard_errors[1] - 1.0).abs() < 1e-13);
            assert!((found.condition / plain.condition - 1.0).abs() < 0.5);
            let found = fit(&x, &(&y * factor), None).unwrap();
            assert!((found.rmse / factor / plain.rmse - 1.0).abs() < 1e-13);
        }
        let beyond = fit(&x, &(&y * 1e200), None).unwrap_err();
        assert_eq!(beyond, LeastSquaresError::OutOfRange { what: "the residual variance" });
    }

    #[test]
    fn the_factor_gives_leverages_and_covariance() {
        let x = matrix(5, 2, &LINE);
        let found = fit(&x, &y(), None).unwrap();
        // 1/n + (x − 3)²/10 by hand.
        for (h, expected) in found.leverages.iter().zip([0.6, 0.3, 0.2, 0.3, 0.6]) {
            assert!((h - expected).abs() < 1e-14);
        }
        // (XᵀX)⁻¹ = [55 −15; −15 5]/50 by hand.
        assert!((found.unscaled_covariance - matrix(2, 2, &[1.1, -0.3, -0.3, 0.1])).amax() < 1e-14);
    }

    #[test]
    fn a_constant_has_no_share_explained() {
        let x = matrix(5, 2, &LINE);
        assert_eq!(fit(&x, &DVector::from_element(5, 7.3), None).unwrap().r2, None);
        assert_eq!(fit(&x, &DVector::zeros(5), None).unwrap().r2, None);
    }
}
