//! Comparison of nested least-squares models: is the larger one needed? With repeated or grouped rows in the larger
//! model this is the test of lack of fit.

use super::distributions::{DistributionError, f_p_value};

/// One model's fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModelFit {
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual degrees of freedom.
    pub dof: f64,
}

/// Outcome of the test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FTest {
    /// ((rss₀ − rss₁)/(dof₀ − dof₁)) / (rss₁/dof₁).
    pub statistic: f64,
    /// dof₀ − dof₁.
    pub numerator_dof: f64,
    /// dof₁.
    pub denominator_dof: f64,
    /// Probability of a larger statistic if the small model holds.
    pub p_value: f64,
}

/// Why there is no test.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FTestError {
    /// A sum of squares that is negative or no number.
    #[error("a residual sum of squares is {rss}")]
    BadSum { rss: f64 },
    /// The larger model does not have more coefficients or leaves more scatter than the smaller.
    #[error("the models are not nested: {small:?} against {large:?}")]
    NotNested { small: ModelFit, large: ModelFit },
    /// Both models fit exactly: there is nothing to compare.
    #[error("both models fit exactly")]
    BothExact,
    /// Too few degrees of freedom.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// Differences of the sums of squares below this share are rounding.
const ROUNDING: f64 = 1e-9;

/// Tests the `small` model against the `large` one that contains it, both fitted to the same rows with the same
/// weights.
///
/// # Errors
/// See [`FTestError`]. A large model that fits exactly where the small one does not has an infinite statistic and p = 0.
pub fn nested(small: ModelFit, large: ModelFit) -> Result<FTest, FTestError> {
    for fit in [small, large] {
        if !(fit.rss.is_finite() && fit.rss >= 0.0) {
            return Err(FTestError::BadSum { rss: fit.rss });
        }
    }
    let numerator_dof = small.dof - large.dof;
    let gain = small.rss - large.rss;
    if numerator_dof.is_nan() || numerator_dof <= 0.0 || gain < -ROUNDING * small.rss {
        return Err(FTestError::NotNested { small, large });
    }
    if small.rss == 0.0 {
        return Err(FTestError::BothExact);
    }
    let statistic = (gain.max(0.0) / numerator_dof) / (large.rss / large.dof);
    let p_value = f_p_value(statistic, numerator_dof, large.dof)?;
    Ok(FTest { statistic, numerator_dof, denominator_dof: large.dof, p_value })
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn model(rss: f64, dof: f64) -> ModelFit {
        ModelFit { rss, dof }
    }

    #[test]
    fn one_coefficient_is_the_t_test() {
        let test = nested(model(150.0, 11.0), model(100.0, 10.0)).unwrap();
        let t = super::super::distributions::t_p_value(5.0_f64.sqrt(), 10.0).unwrap();
        assert!((test.p_value - t).abs() < 1e-12);
        assert_eq!(test.statistic, 5.0);
    }

    #[test]
    fn edges() {
        assert_eq!(nested(model(100.0, 11.0), model(100.0, 10.0)).unwrap().p_value, 1.0);
        assert_eq!(nested(model(100.0, 11.0), model(100.0 + 1e-9, 10.0)).unwrap().statistic, 0.0);
        assert_eq!(nested(model(100.0, 11.0), model(0.0, 10.0)).unwrap().p_value, 0.0);
        assert_eq!(nested(model(0.0, 11.0), model(0.0, 10.0)), Err(FTestError::BothExact));
        assert!(matches!(nested(model(1.0, 11.0), model(2.0, 10.0)), Err(FTestError::NotNested { .. })));
        assert!(matches!(nested(model(2.0, 10.0), model(1.0, 10.0)), Err(FTestError::NotNested { .. })));
        assert!(matches!(nested(model(2.0, 1.0), model(1.0, 0.0)), Err(FTestError::Distribution(_))));
        assert!(matches!(nested(model(f64::NAN, 10.0), model(1.0, 9.0)), Err(FTestError::BadSum { .. })));
    }
}
