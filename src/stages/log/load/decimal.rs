//! Decimal numbers out of text, eight characters at a time: a fifth of a first pass is spent here. Where a number is written
//! in few characters, as loggers do, all of them fit into one word and are worked on together (the digits of a word are
//! paired, then the pairs, then the fours; from memory, common practice). Anything else takes the standard library's way.

/// Powers that a double holds exactly, as it does every number of eight digits: their quotient is the nearest double.
const POWERS: [f64; 8] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7];

/// One byte in all eight places.
const fn everywhere(byte: u8) -> u64 {
    u64::from_ne_bytes([byte; 8])
}

/// Reads numbers with one decimal mark.
#[derive(Clone, Copy, Debug)]
pub struct Decimals {
    mark: u8,
    /// The mark's difference from the digit zero, everywhere.
    marks: u64,
}

impl Decimals {
    /// For numbers with this decimal mark.
    pub fn new(mark: u8) -> Self {
        Self { mark, marks: everywhere(mark ^ b'0') }
    }

    /// The nearest double to the number that stands between two places of a text; `None` where there is none, or one that
    /// is not finite. `nan` is a number here.
    #[inline]
    pub fn read(self, text: &[u8], start: usize, end: usize) -> Option<f64> {
        let negative = text.get(start) == Some(&b'-');
        let first = start + usize::from(negative);
        let length = end.wrapping_sub(first);
        if (1..=8).contains(&length)
            && let Some(word) = text.get(first..).and_then(<[u8]>::first_chunk)
            && let Some(size) = self.short(*word, length)
        {
            // Without a branch, which would be guessed wrongly for every other value of a sensor about zero.
            return Some(f64::from_bits(size.to_bits() | u64::from(negative) << 63));
        }
        self.any(text.get(start..end)?)
    }

    /// The number in the first characters of eight, without a sign.
    #[inline]
    fn short(self, word: [u8; 8], length: usize) -> Option<f64> {
        // The last character in the highest byte, zeros before the first.
        let word = (u64::from_le_bytes(word) ^ everywhere(b'0')) << (64 - 8 * length);
        // The highest bit of every byte that is a mark (no carry runs from one byte into the next).
        let other = word ^ self.marks;
        let mark = !(((other & everywhere(0x7f)) + everywhere(0x7f)) | other | everywhere(0x7f));
        let (below, above) = ((mark >> 7).wrapping_sub(1), !(mark << 1).wrapping_sub(1));
        let (digits, decimals) = if mark == 0 {
            (word, 0)
        } else {
            // The mark is taken out and the digits before it move up. A second mark stays and is no digit.
            ((word & above) | ((word & below) << 8), 7 - mark.trailing_zeros() / 8)
        };
        let no_digit = (digits.wrapping_add(everywhere(0x76)) | digits) & everywhere(0x80);
        if no_digit != 0 || (mark != 0 && length == 1) {
            return None;
        }
        let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
        let every_other = 0x0000_00ff_0000_00ff;
        let one = (pairs & every_other).wrapping_mul(100 + (1_000_000 << 32));
        let other = ((pairs >> 16) & every_other).wrapping_mul(1 + (10_000 << 32));
        let whole = (one.wrapping_add(other) >> 32) as u32;
        Some(f64::from(whole) / POWERS[decimals as usize % POWERS.len()])
    }

    #[cold]
    fn any(self, text: &[u8]) -> Option<f64> {
        let text = std::str::from_utf8(text).ok()?;
        let value: f64 = if self.mark == b'.' {
            text.parse().ok()?
        } else if text.contains('.') {
            // A point beside another mark would be a thousands mark: refused, not guessed.
            return None;
        } else {
            text.replace(char::from(self.mark), ".").parse().ok()?
        };
        (!value.is_infinite()).then_some(value)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &str, mark: u8) -> Option<u64> {
        // With what a file has around a field, and without.
        let around = format!("x,{text},9999.9999");
        let one = Decimals::new(mark).read(around.as_bytes(), 2, 2 + text.len());
        let other = Decimals::new(mark).read(text.as_bytes(), 0, text.len());
        assert_eq!(one.map(f64::to_bits), other.map(f64::to_bits), "{text}");
        one.map(f64::to_bits)
    }

    fn by_library(text: &str) -> Option<u64> {
        text.parse::<f64>().ok().filter(|v| !v.is_infinite()).map(f64::to_bits)
    }

    #[test]
    fn every_number_of_up_to_five_characters() {
        const OF: &[u8] = b"0123456789.-";
        let mut text = Vec::new();
        for length in 0..=5_u32 {
            for k in 0..OF.len().pow(length) {
                text.clear();
                text.extend((0..length).map(|i| OF[k / OF.len().pow(i) % OF.len()]));
                let text = std::str::from_utf8(&text).unwrap();
                let found = Decimals::new(b'.').read(text.as_bytes(), 0, text.len()).map(f64::to_bits);
                assert_eq!(found, by_library(text), "{text:?}");
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(20_000))]

        #[test]
        fn the_nearest_double_as_the_library_finds_it(text in "-?[0-9]{0,12}\\.?[0-9]{0,12}") {
            prop_assert_eq!(read(&text, b'.'), by_library(&text));
            let comma = text.replace('.', ",");
            prop_assert_eq!(read(&comma, b','), by_library(&text));
        }

        #[test]
        fn odd_characters(text in "[0-9.,+eE nai\u{e9}\r:/-]{0,10}") {
            prop_assert_eq!(read(&text, b'.'), by_library(&text));
        }
    }

    #[test]
    fn a_point_beside_a_comma_is_no_number() {
        assert_eq!(read("1.234,5", b','), None);
        assert_eq!(read("1.5", b','), None);
        assert_eq!(read("1,5", b','), Some(1.5_f64.to_bits()));
    }
}
