//! Student's t, Fisher's F and the normal distribution, with guards: arguments that have no answer are errors, never
//! NaN and never a panic. Degrees of freedom may be fractional (Satterthwaite).

use statrs::distribution::{Continuous, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Fewer degrees of freedom than this carry no usable information about the scatter: the 97.5 % quantile of t
/// is 12.7 at one and grows without bound below.
pub const FEWEST_DOF: f64 = 1.0;

/// Beyond this many degrees of freedom p-values come from the normal (Abramowitz and Stegun, 26.7.8): the next term is
/// below rounding, while the incomplete beta function loses digits in differences of log gammas.
const NORMAL_DOF: f64 = 1e7;

/// Beyond this many degrees of freedom quantiles come from the expansion about the normal, whose next term is below
/// rounding. The library's inverse is off by up to a thousandth part at a million.
const EXPANSION_DOF: f64 = 1e4;

/// Why a distribution has no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// Too few degrees of freedom, or no number.
    #[error("{dof} degrees of freedom; at least {FEWEST_DOF} is needed")]
    Dof { dof: f64 },
    /// A probability outside the open interval.
    #[error("probability {probability} is not between 0 and 1")]
    Probability { probability: f64 },
    /// A statistic that is no number.
    #[error("statistic {statistic} is not a number")]
    Statistic { statistic: f64 },
}

fn checked_dof(dof: f64) -> Result<f64, DistributionError> {
    // A NaN fails this comparison too. Rounding of a computed dof must not turn a 1 into an error.
    if dof >= FEWEST_DOF * (1.0 - 1e-9) { Ok(dof.max(FEWEST_DOF)) } else { Err(DistributionError::Dof { dof }) }
}

fn checked_probability(probability: f64) -> Result<f64, DistributionError> {
    if probability > 0.0 && probability < 1.0 {
        Ok(probability)
    } else {
        Err(DistributionError::Probability { probability })
    }
}

/// Quantile of Student's t: the value below which `probability` of the mass lies. `dof` may be fractional or infinite.
///
/// # Errors
/// `dof` below one, or a probability outside (0, 1).
pub fn t_quantile(probability: f64, dof: f64) -> Result<f64, DistributionError> {
    let (probability, dof) = (checked_probability(probability)?, checked_dof(dof)?);
    if dof > EXPANSION_DOF {
        return Ok(expanded_t_quantile(Normal::standard().inverse_cdf(probability), dof));
    }
    let t = StudentsT::new(0.0, 1.0, dof).map_err(|_| DistributionError::Dof { dof })?;
    let mut quantile = t.inverse_cdf(probability);
    // The library's inverse has nine digits at a thousand degrees of freedom; Newton's steps give the rest.
    for _ in 0..2 {
        let excess =
            if probability > 0.5 { (1.0 - probability) - t.sf(quantile) } else { t.cdf(quantile) - probability };
        let step = excess / t.pdf(quantile);
        if step.is_finite() && step.abs() < 0.01 * (1.0 + quantile.abs()) {
            quantile -= step;
        }
    }
    Ok(quantile)
}

/// Quantile of t from that of the normal, z, for many degrees of freedom (Abramowitz and Stegun, 26.7.5).
fn expanded_t_quantile(z: f64, dof: f64) -> f64 {
    let z2 = z * z;
    let first = z * (z2 + 1.0) / 4.0;
    let second = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let third = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    z + (first + (second + third / dof) / dof) / dof
}

/// Half-width factor of a two-sided interval that holds with probability `level`, e.g. 0.95.
///
/// # Errors
/// As [`t_quantile`].
pub fn t_two_sided(level: f64, dof: f64) -> Result<f64, DistributionError> {
    t_quantile(0.5 + 0.5 * checked_probability(level)?, dof)
}

/// Two-sided p-value of a t statistic. An infinite statistic has p = 0.
///
/// # Errors
/// `dof` below one, or a statistic that is no number.
pub fn t_p_value(statistic: f64, dof: f64) -> Result<f64, DistributionError> {
    let dof = checked_dof(dof)?;
    if statistic.is_nan() {
        return Err(DistributionError::Statistic { statistic });
    }
    let size = statistic.abs();
    if size.is_infinite() {
        return Ok(0.0);
    }
    if dof > NORMAL_DOF {
        let z = size * (1.0 - 0.25 / dof) / (1.0 + 0.5 * size * size / dof).sqrt();
        return Ok((2.0 * Normal::standard().sf(z)).min(1.0));
    }
    let t = StudentsT::new(0.0, 1.0, dof).map_err(|_| DistributionError::Dof { dof })?;
    Ok((2.0 * t.sf(size)).clamp(0.0, 1.0))
}

/// Upper-tail p-value of an F statistic. An infinite statistic has p = 0.
///
/// # Errors
/// Either `dof` below one, or a statistic that is no number or negative.
pub fn f_p_value(statistic: f64, numerator_dof: f64, denominator_dof: f64) -> Result<f64, DistributionError> {
    let (m, n) = (checked_dof(numerator_dof)?, checked_dof(denominator_dof)?);
    if statistic.is_nan() || statistic < 0.0 {
        return Err(DistributionError::Statistic { statistic });
    }
    if statistic.is_infinite() {
        return Ok(0.0);
    }
    let f = FisherSnedecor::new(m, n).map_err(|_| DistributionError::Dof { dof: n })?;
    Ok(f.sf(statistic).clamp(0.0, 1.0))
}

/// A p-value as it is written: `p = 0.012`, `p < 0.001`.
pub fn p_value(p: f64) -> String {
    if p < 0.0005 { "p < 0.001".to_owned() } else { format!("p = {p:.3}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn textbook_values() {
        // Student's table: 97.5 % at 1, 9 and many degrees of freedom (any statistics text; scipy in tests/numerics).
        for (dof, expected) in [(1.0, 12.706), (9.0, 2.262), (f64::INFINITY, 1.960)] {
            assert!((t_two_sided(0.95, dof).unwrap() - expected).abs() < 6e-4);
        }
        assert_eq!(t_quantile(0.5, 3.3).unwrap(), 0.0);
        let p = t_p_value(1.959963984540054, f64::INFINITY).unwrap();
        assert!((p - 0.05).abs() < 1e-10, "{p}");
    }

    #[test]
    fn quantile_and_p_value_are_inverse() {
        for dof in [1.0, 1.7, 4.0, 25.0, 9.0e3, 2.0e4, 1.0e6] {
            for p in [0.9, 0.5, 0.05, 1e-3, 1e-6] {
                let t = t_quantile(1.0 - p / 2.0, dof).unwrap();
                assert!((t_p_value(t, dof).unwrap() / p - 1.0).abs() < 1e-7, "{dof} {p}");
            }
        }
    }

    #[test]
    fn arguments_without_an_answer_are_errors() {
        for dof in [0.0, 0.7, -3.0, f64::NAN] {
            assert!(matches!(t_quantile(0.9, dof), Err(DistributionError::Dof { .. })));
            assert!(matches!(t_p_value(1.0, dof), Err(DistributionError::Dof { .. })));
            assert!(matches!(f_p_value(1.0, 2.0, dof), Err(DistributionError::Dof { .. })));
        }
        for p in [0.0, 1.0, -0.1, f64::NAN] {
            assert!(matches!(t_quantile(p, 5.0), Err(DistributionError::Probability { .. })));
            assert!(matches!(t_two_sided(p, 5.0), Err(DistributionError::Probability { .. })));
        }
        assert!(matches!(t_p_value(f64::NAN, 5.0), Err(DistributionError::Statistic { .. })));
        assert!(matches!(f_p_value(-1.0, 2.0, 5.0), Err(DistributionError::Statistic { .. })));
        assert_eq!(t_p_value(f64::NEG_INFINITY, 5.0), Ok(0.0));
        assert_eq!(f_p_value(f64::INFINITY, 1.0, 5.0), Ok(0.0));
        // A computed 1 that rounding put a hair below.
        assert!(t_quantile(0.9, 1.0 - 1e-12).is_ok());
    }
}
