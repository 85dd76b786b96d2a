//! Several comparisons at once: p-values that stay honest when the largest difference of many is looked at.

/// A p-value that is none.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("p-value {index} is {value}, not between 0 and 1")]
pub struct BadPValue {
    /// Position in the list.
    pub index: usize,
    /// Its value.
    pub value: f64,
}

/// Adjusts p-values by Holm's step-down method (S. Holm, Scandinavian J. Statistics 6 (1979) 65-70): rejecting where
/// the adjusted value is at most α keeps the chance of any false rejection at α, whatever the dependence. The order of
/// the list is kept.
///
/// # Errors
/// A value that is NaN or outside 0 to 1.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, BadPValue> {
    if let Some((index, value)) = p_values.iter().enumerate().find(|(_, p)| !(0.0..=1.0).contains(*p)) {
        return Err(BadPValue { index, value: *value });
    }
    let mut order: Vec<(usize, f64)> = p_values.iter().copied().enumerate().collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut adjusted = p_values.to_vec();
    let mut running = 0.0_f64;
    for (rank, (index, p)) in order.iter().enumerate() {
        running = running.max(((p_values.len() - rank) as f64 * p).min(1.0));
        if let Some(slot) = adjusted.get_mut(*index) {
            *slot = running;
        }
    }
    Ok(adjusted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // 3·0.01, then 2·0.02, then 0.9.
        assert_eq!(holm(&[0.02, 0.9, 0.01]).unwrap(), [0.04, 0.9, 0.03]);
        // Never falls: 2·0.03 = 0.06 holds the next, 0.04, up.
        assert_eq!(holm(&[0.03, 0.04]).unwrap(), [0.06, 0.06]);
        assert_eq!(holm(&[]).unwrap(), [] as [f64; 0]);
        assert_eq!(holm(&[0.7, 0.8]).unwrap(), [1.0, 1.0]);
    }

    #[test]
    fn no_p_value_is_an_error() {
        assert_eq!(holm(&[0.5, 1.5]), Err(BadPValue { index: 1, value: 1.5 }));
        assert_eq!(holm(&[f64::NAN]).unwrap_err().index, 0);
    }
}
