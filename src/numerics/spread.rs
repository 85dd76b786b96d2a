//! Spread of observations beyond their own standard errors, and Huber's function.

/// Tuning constant of Huber's M-estimator: 95 % efficiency at the normal (Huber 1981).
pub const HUBER_K: f64 = 1.345;
/// Median of |z| for a standard normal z.
pub const MEDIAN_ABS: f64 = 0.674_489_750_196_081_7;

/// Huber's ψ(u): u, cut off at ±k.
pub fn huber_psi(u: f64) -> f64 {
    u.clamp(-HUBER_K, HUBER_K)
}

/// Huber's ρ(u), of which ψ is the derivative.
pub fn huber_rho(u: f64) -> f64 {
    let u = u.abs();
    if u <= HUBER_K { 0.5 * u * u } else { HUBER_K * (u - 0.5 * HUBER_K) }
}

/// Huber's weight ψ(u)/u.
pub fn huber_weight(u: f64) -> f64 {
    if u.abs() <= HUBER_K { 1.0 } else { HUBER_K / u.abs() }
}

/// τ² such that the residuals, each over sqrt(se² + τ²), have the spread of a standard normal; 0 when
/// their own standard errors explain them. `share` is (n − p)/n: what the fit has taken out.
///
/// Robust: the median of |r|/σ is set to that of the normal (MAD), which is to say that half of the residuals ask for
/// less: the median of what each asks for. Otherwise the method of moments of Paule & Mandel (J. Res. NBS 87, 1982): the
/// mean of (r/σ)² is set to `share`.
pub fn between_variance(residuals: &[f64], se: &[f64], share: f64, robust: bool) -> f64 {
    if residuals.is_empty() || share.is_nan() || share <= 0.0 {
        return 0.0;
    }
    if robust {
        let usual = share * MEDIAN_ABS * MEDIAN_ABS;
        let mut asked: Vec<f64> = residuals.iter().zip(se).map(|(r, s)| r * r / usual - s * s).collect();
        return median(&mut asked).max(0.0);
    }
    let excess = |tau2: f64| {
        let squares = residuals.iter().zip(se).map(|(r, s)| r * r / (s * s + tau2).max(f64::MIN_POSITIVE));
        squares.sum::<f64>() / (residuals.len() as f64 * share) - 1.0
    };
    let largest = residuals.iter().fold(0.0_f64, |m, r| m.max(r.abs()));
    let mut high = largest * largest / share;
    if excess(0.0) <= 0.0 || high == 0.0 {
        return 0.0;
    }
    let mut low = 0.0;
    for _ in 0..100 {
        let mid = 0.5 * (low + high);
        if excess(mid) > 0.0 {
            low = mid
        } else {
            high = mid
        }
        if high - low <= 1e-12 * high {
            break;
        }
    }
    0.5 * (low + high)
}

/// Median; reorders the slice. 0 for an empty one.
pub fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    let (_, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return upper;
    }
    let lower = values[..n / 2].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (lower + upper)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_agree_with_the_plain_variance() {
        // Without own errors Paule–Mandel is the sum of squares over n − p.
        let r = [1.0, -2.0, 3.0, -2.0];
        let t = between_variance(&r, &[0.0; 4], 0.75, false);
        assert!((t - 18.0 / 3.0).abs() < 1e-9, "{t}");
        // And their own errors are taken off: all se equal.
        let t = between_variance(&r, &[1.0; 4], 0.75, false);
        assert!((t - 5.0).abs() < 1e-9, "{t}");
        assert_eq!(between_variance(&r, &[10.0; 4], 0.75, false), 0.0);
    }

    #[test]
    fn the_robust_one_ignores_a_far_outlier() {
        let mut r: Vec<f64> = (-50..=50).map(|i| f64::from(i) / 25.0).collect();
        let clean = between_variance(&r, &vec![0.0; r.len()], 1.0, true);
        r[0] = 1e6;
        let spoilt = between_variance(&r, &vec![0.0; r.len()], 1.0, true);
        assert!((spoilt / clean - 1.0).abs() < 0.1, "{clean} {spoilt}");
    }

    #[test]
    fn the_robust_one_makes_the_median_that_of_a_normal() {
        let (r, se) = ([0.3, -2.0, 5.0, 1.1, -0.2], [0.5, 1.0, 0.8, 0.2, 3.0]);
        let tau2 = between_variance(&r, &se, 0.9, true);
        let mut scaled: Vec<f64> = r.iter().zip(se).map(|(r, s)| r.abs() / (s * s + tau2).sqrt()).collect();
        assert!((median(&mut scaled) / (MEDIAN_ABS * 0.9_f64.sqrt()) - 1.0).abs() < 1e-12);
        assert_eq!(between_variance(&r, &[10.0; 5], 0.9, true), 0.0);
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [3.0, 1.0, 2.0, 10.0]), 2.5);
        assert_eq!(median(&mut []), 0.0);
    }
}
