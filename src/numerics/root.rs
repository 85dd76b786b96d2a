//! A root of a continuous function of one variable, by halving a bracket.

/// Why there is no root.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum RootError {
    /// The function has the same sign at both ends, or no number at one.
    #[error("the function is {low} and {high} at the ends of the bracket: no change of sign")]
    NoChange { low: f64, high: f64 },
}

/// Halvings: enough for every bit of a double.
const HALVINGS: usize = 100;

/// Where `f` changes sign between `low` and `high`.
///
/// # Errors
/// No change of sign between the ends.
pub fn bisect(f: impl Fn(f64) -> f64, low: f64, high: f64) -> Result<f64, RootError> {
    let (at_low, at_high) = (f(low), f(high));
    if at_low == 0.0 {
        return Ok(low);
    }
    if at_high == 0.0 {
        return Ok(high);
    }
    if at_low.is_nan() || at_high.is_nan() || at_low.signum() == at_high.signum() {
        return Err(RootError::NoChange { low: at_low, high: at_high });
    }
    let (mut a, mut b) = (low, high);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (a + b);
        if f(middle).signum() == at_low.signum() {
            a = middle;
        } else {
            b = middle;
        }
    }
    Ok(0.5 * (a + b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots() {
        assert!((bisect(|x| x * x - 2.0, 0.0, 2.0).unwrap() - std::f64::consts::SQRT_2).abs() < 1e-15);
        assert!((bisect(|x| 3.0 - x, 0.0, 10.0).unwrap() - 3.0).abs() < 1e-14);
        assert_eq!(bisect(|x| x, 0.0, 1.0), Ok(0.0));
        assert_eq!(bisect(|x| x + 1.0, 0.0, 1.0), Err(RootError::NoChange { low: 1.0, high: 2.0 }));
        assert!(bisect(|_| f64::NAN, 0.0, 1.0).is_err());
    }
}
