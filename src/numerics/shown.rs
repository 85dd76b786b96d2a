//! Numbers with their intervals as people read them.

/// A number with half its interval, both to the same digit: two digits of the half-width count.
pub fn with_half(value: f64, half: f64) -> String {
    let digits = digits_of(half);
    format!("{value:.digits$} ± {half:.digits$}")
}

/// A number to so many significant figures, those before the point never rounded away.
pub fn figures(value: f64, significant: i32) -> String {
    let size = if value == 0.0 || !value.is_finite() { 0 } else { value.abs().log10().floor() as i32 };
    let digits = (significant - 1 - size).clamp(0, 9) as usize;
    format!("{value:.digits$}")
}

/// A number that somebody wrote: at most one decimal, and none that says nothing.
pub fn stated(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

fn digits_of(half: f64) -> usize {
    if !half.is_finite() || half <= 0.0 {
        return 1;
    }
    let digits = |half: f64| (1.0 - half.log10().floor()).clamp(0.0, 6.0) as usize;
    // What is rounded up to ten of something has one digit less behind the point: 9.96 is 10.
    let first = digits(half);
    let unit = 10.0_f64.powi(-(first as i32));
    digits((half / unit).round() * unit).min(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_hold_in_every_unit() {
        assert_eq!(
            [6031.0, 6.031, 0.14823, 27.5, 0.0].map(|v| figures(v, 3)),
            ["6031", "6.03", "0.148", "27.5", "0.00"]
        );
        assert_eq!([7.53, 0.00753, 128.4].map(|v| figures(v, 2)), ["7.5", "0.0075", "128"]);
        assert_eq!([160.0, 44.444, 159.96].map(stated), ["160", "44.4", "160"]);
    }

    #[test]
    fn digits_follow_the_interval() {
        assert_eq!(with_half(1234.56, 23.4), "1235 ± 23");
        assert_eq!(with_half(1234.56, 2.34), "1234.6 ± 2.3");
        assert_eq!(with_half(0.4213, 0.0034), "0.4213 ± 0.0034");
        assert_eq!(with_half(807.31, 9.96), "807 ± 10");
        assert_eq!(with_half(59.0, 0.997), "59.0 ± 1.0");
        assert_eq!(with_half(59.0, 0.99), "59.00 ± 0.99");
    }
}
