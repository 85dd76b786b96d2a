//! Scaling of design columns by powers of two: exact in floating point, and enough to make rank and condition mean
//! something when speeds squared stand beside intercepts.

use nalgebra::DMatrix;

/// Exponents outside this range would overflow when applied.
const EXPONENT_LIMIT: i32 = 1000;

/// The Euclidean norm without overflow or underflow on the way (scaled sum of squares, as in LAPACK's dlassq).
/// Infinite if a value is, NaN if one is.
pub(super) fn safe_norm<'a>(values: impl Iterator<Item = &'a f64>) -> f64 {
    let (mut scale, mut sum) = (0.0_f64, 1.0_f64);
    for value in values {
        let size = value.abs();
        if !size.is_finite() {
            return size;
        }
        if size > scale {
            sum = 1.0 + sum * (scale / size).powi(2);
            scale = size;
        } else if size > 0.0 {
            sum += (size / scale).powi(2);
        }
    }
    scale * sum.sqrt()
}

/// The power of two nearest to `1 / size`; 1 for a size of zero.
pub(super) fn power_of_two_inverse(size: f64) -> f64 {
    if size == 0.0 || !size.is_finite() {
        return 1.0;
    }
    let exponent = (-size.log2().round()).clamp(f64::from(-EXPONENT_LIMIT), f64::from(EXPONENT_LIMIT));
    2.0_f64.powi(exponent as i32)
}

/// Scales each column to a norm between about 0.7 and 1.4 in place and returns the factors.
/// A zero column keeps the factor 1.
pub(super) fn scale_columns(x: &mut DMatrix<f64>) -> Vec<f64> {
    let mut factors = Vec::with_capacity(x.ncols());
    for mut column in x.column_iter_mut() {
        let factor = power_of_two_inverse(safe_norm(column.iter()));
        column *= factor;
        factors.push(factor);
    }
    factors
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_of_any_size_come_out_near_one() {
        let mut x = DMatrix::from_row_slice(2, 4, &[3e200, 1e-200, 0.0, 5.0, 4e200, 0.0, 0.0, -12.0]);
        let factors = scale_columns(&mut x);
        for (j, expected) in [5e200, 1e-200, 0.0, 13.0].into_iter().enumerate() {
            let norm = safe_norm(x.column(j).iter());
            assert!((norm - expected * factors[j]).abs() <= 1e-12 * norm);
            assert!(norm == 0.0 || (0.70..1.42).contains(&norm), "{norm}");
            assert_eq!(factors[j].log2().fract(), 0.0);
        }
    }
}
