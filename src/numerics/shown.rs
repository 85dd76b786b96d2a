//! Numbers with their intervals as people read them.

/// A number with half its interval, both to the same digit: two digits of the half-width count.
pub fn with_half(value: f64, half: f64) -> String {
    let digits = digits_of(half);
    format!("{value:.digits$} ± {half:.digits$}")
}

fn digits_of(half: f64) -> usize {
    if !half.is_finite() || half <= 0.0 {
        return 1;
    }
    // 9.6 and more shows no decimals, 0.96 and more shows one, and so on.
    let magnitude = half.log10().floor();
    (1.0 - magnitude).clamp(0.0, 6.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_interval() {
        assert_eq!(with_half(1234.56, 23.4), "1235 ± 23");
        assert_eq!(with_half(1234.56, 2.34), "1234.6 ± 2.3");
        assert_eq!(with_half(0.4213, 0.0034), "0.4213 ± 0.0034");
    }
}
