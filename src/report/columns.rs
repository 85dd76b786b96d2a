//! Plain columns of text: the first flush left, the rest flush right.

/// Lays out rows of cells; the first row is the heading.
pub fn lay_out(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |c: usize| rows.iter().filter_map(|r| r.get(c)).map(|s| s.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count).map(width).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).enumerate().map(|(c, (cell, w))| {
            let pad = " ".repeat(w - cell.chars().count());
            if c == 0 { format!("{cell}{pad}") } else { format!("{pad}{cell}") }
        });
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    rows.iter().map(line).collect::<Vec<_>>().join("\n")
}

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

    #[test]
    fn columns_line_up() {
        let rows = [vec!["name".to_owned(), "N".to_owned()], vec!["a".to_owned(), "12 ± 3".to_owned()]];
        assert_eq!(lay_out(&rows), "name       N\na     12 ± 3");
    }
}
