//! Sizes on the command line: `500 MB`, `2 GiB`, `0`.

/// Units of size, IEC 80000-13: the decimal ones and the binary ones.
const UNITS: [(&str, u64); 8] = [
    ("B", 1),
    ("kB", 1_000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
    ("TB", 1_000_000_000_000),
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
];

/// Reads a size.
///
/// # Errors
/// What is wrong with it, for the command line.
pub fn parse(text: &str) -> Result<u64, String> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let number: f64 = number.trim().parse().map_err(|_| format!("`{text}` is no size like `500 MB`"))?;
    if unit.is_empty() && number != 0.0 {
        return Err(format!("`{text}` has no unit: `{text} MB`, say"));
    }
    let known = UNITS.iter().find(|(symbol, _)| unit.is_empty() || symbol.eq_ignore_ascii_case(unit));
    let (_, scale) = known.ok_or_else(|| format!("`{unit}` is no unit of size; use kB, MB, GB or GiB"))?;
    let bytes = number * *scale as f64;
    if bytes.is_finite() && bytes >= 0.0 { Ok(bytes.round() as u64) } else { Err(format!("`{text}` is no size")) }
}

/// A size for people, in decimal units.
pub fn shown(bytes: u64) -> String {
    let (unit, scale) = UNITS[..5].iter().rev().find(|(_, s)| bytes >= *s).copied().unwrap_or(("B", 1));
    if scale == 1 { format!("{bytes} B") } else { format!("{:.1} {unit}", bytes as f64 / scale as f64) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_shows_sizes() {
        for (text, bytes) in
            [("500 MB", 500_000_000), ("1.5GB", 1_500_000_000), ("2 GiB", 2 << 30), ("12 B", 12), ("0", 0)]
        {
            assert_eq!(parse(text), Ok(bytes), "{text}");
        }
        for wrong in ["", "GB", "5 apples", "-1 GB", "nan", "inf GB", "5"] {
            assert!(parse(wrong).is_err(), "{wrong}");
        }
        assert_eq!((shown(999).as_str(), shown(1_250_000).as_str()), ("999 B", "1.2 MB"));
    }
}
