//! How an unknown text export is written: encoding, delimiter, decimal mark, where names, units and data are.

use std::borrow::Cow;

use crate::config::layout::{Decimal, Encoding};
use crate::stages::log::load::head;
use crate::units;

/// Lines that are looked at.
const LOOKED_AT: usize = 400;

/// What a text file looks like.
#[derive(Clone, Debug, PartialEq)]
pub struct Sniffed {
    /// Encoding.
    pub encoding: Encoding,
    /// Field separator.
    pub delimiter: char,
    /// Decimal mark.
    pub decimal: Decimal,
    /// Line of the names, from 1; `None` where no line looks like names.
    pub header_line: Option<usize>,
    /// Line of the units, from 1.
    pub units_line: Option<usize>,
    /// First line of data, from 1.
    pub data_line: usize,
}

/// The text of a file: UTF-8 where it is valid, else Latin-1.
pub fn decode(bytes: &[u8]) -> (Encoding, Cow<'_, str>) {
    let bytes = bytes.strip_prefix(&[0xef, 0xbb, 0xbf]).unwrap_or(bytes);
    match head::decode(bytes, Encoding::Utf8) {
        Some(text) => (Encoding::Utf8, text),
        None => (Encoding::Latin1, head::decode(bytes, Encoding::Latin1).unwrap_or_default()),
    }
}

/// Looks at the first lines; `None` where no line looks like data.
pub fn sniff(encoding: Encoding, text: &str) -> Option<Sniffed> {
    let lines: Vec<&str> = text.lines().take(LOOKED_AT).collect();
    let (delimiter, decimal, data) =
        [('\t', Decimal::Comma), (';', Decimal::Comma), ('\t', Decimal::Point), (';', Decimal::Point)]
            .into_iter()
            .chain([(',', Decimal::Point), ('|', Decimal::Point), ('|', Decimal::Comma)])
            .filter_map(|(d, m)| Some((d, m, data_start(&lines, d, m)?)))
            // Most numbers; of equals the first, except that a comma must be seen to be a decimal mark.
            .filter(|(d, m, start)| *m == Decimal::Point || has_decimal_comma(lines.get(*start..), *d))
            .max_by_key(|(d, m, start)| (numbers(lines.get(*start..), *d, *m), std::cmp::Reverse(*start)))?;
    let fields = split(lines.get(data)?, delimiter).len();
    let head: Vec<(usize, Vec<String>)> = lines
        .iter()
        .take(data)
        .enumerate()
        .map(|(i, l)| (i + 1, split(l, delimiter)))
        .filter(|(_, f)| f.len().abs_diff(fields) <= 1)
        .collect();
    let units = head.iter().rev().find(|(_, f)| fields > 1 && is_units(f)).map(|(line, _)| *line);
    let names = head.iter().rev().find(|(line, f)| Some(*line) != units && is_names(f)).map(|(line, _)| *line);
    let units = units.filter(|u| names.is_none_or(|n| *u > n || n - *u == 1));
    Some(Sniffed { encoding, delimiter, decimal, header_line: names, units_line: units, data_line: data + 1 })
}

/// Fields of a line without quotes and spaces around them.
pub fn split(line: &str, delimiter: char) -> Vec<String> {
    let delimiter = u8::try_from(delimiter).unwrap_or(b',');
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).flexible(true).delimiter(delimiter).from_reader(line.as_bytes());
    let record = reader.records().next().and_then(Result::ok).unwrap_or_default();
    record.iter().map(|f| f.trim_matches(['"', ' ', '\t']).to_owned()).collect()
}

/// A cell as a number.
pub fn number(cell: &str, decimal: Decimal) -> Option<f64> {
    let value: Option<f64> = match decimal {
        Decimal::Point => cell.parse().ok(),
        Decimal::Comma if cell.contains('.') => None,
        Decimal::Comma => cell.replace(',', ".").parse().ok(),
    };
    value.filter(|v| v.is_finite())
}

/// First of the lines from which on nearly all have the same number of fields, and mostly numbers or blanks.
fn data_start(lines: &[&str], delimiter: char, decimal: Decimal) -> Option<usize> {
    let fields: Vec<Vec<String>> = lines.iter().map(|l| split(l, delimiter)).collect();
    let last = fields.iter().rev().find(|f| f.iter().any(|c| number(c, decimal).is_some()))?;
    // The very last line may be cut: the one in the middle of the rest tells the width.
    let width = fields.get(lines.len() / 2).map_or(last.len(), Vec::len);
    let is_data = |f: &Vec<String>| {
        let filled = f.iter().filter(|c| !c.is_empty()).count();
        let numeric = f.iter().filter(|c| number(c, decimal).is_some()).count();
        f.len() == width && numeric > 0 && 2 * numeric >= filled
    };
    let start = fields.iter().position(is_data)?;
    let rest = fields.get(start..)?;
    let good = rest.iter().filter(|f| is_data(f)).count();
    (good * 10 >= rest.len() * 9).then_some(start)
}

fn numbers(lines: Option<&[&str]>, delimiter: char, decimal: Decimal) -> usize {
    let cells = |l: &&str| split(l, delimiter).iter().filter(|c| number(c, decimal).is_some()).count();
    lines.unwrap_or_default().iter().map(cells).sum()
}

fn has_decimal_comma(lines: Option<&[&str]>, delimiter: char) -> bool {
    lines
        .unwrap_or_default()
        .iter()
        .any(|l| split(l, delimiter).iter().any(|c| c.contains(',') && number(c, Decimal::Comma).is_some()))
}

/// Mostly known units.
fn is_units(fields: &[String]) -> bool {
    let filled: Vec<&String> = fields.iter().filter(|f| !f.is_empty()).collect();
    let known = filled.iter().filter(|f| units::known_in_any_case(f.trim_matches(['(', ')', ' ']))).count();
    known > 0 && 2 * known >= filled.len()
}

/// Mostly words.
fn is_names(fields: &[String]) -> bool {
    let filled: Vec<&String> = fields.iter().filter(|f| !f.is_empty()).collect();
    let words = filled.iter().filter(|f| f.chars().any(char::is_alphabetic)).count();
    words > 0 && 10 * words >= 9 * filled.len() && 2 * filled.len() >= fields.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Sniffed {
        sniff(Encoding::Utf8, text).unwrap()
    }

    #[test]
    fn plain() {
        let s = of("Time,Speed,Note\n0.0,12,a\n0.1,13,b\n0.2,,c\n");
        assert_eq!(
            (s.delimiter, s.decimal, s.header_line, s.units_line, s.data_line),
            (',', Decimal::Point, Some(1), None, 2)
        );
    }

    #[test]
    fn preamble_units_and_decimal_comma() {
        let s = of("Export of a log;;\nDate;04.05.2031;\n\nt;v;gear\ns;km/h;\n0,00;12,5;1\n0,02;12,7;1\n0,04;;2\n");
        assert_eq!(
            (s.delimiter, s.decimal, s.header_line, s.units_line, s.data_line),
            (';', Decimal::Comma, Some(4), Some(5), 6)
        );
    }

    #[test]
    fn tabs_quotes_and_whole_numbers() {
        let s = of("\"Time\"\t\"Gear\"\n\"[ms]\"\t\"[-]\"\n0\t1\n20\t1\n40\t2\n");
        assert_eq!(
            (s.delimiter, s.decimal, s.header_line, s.units_line, s.data_line),
            ('\t', Decimal::Point, Some(1), Some(2), 3)
        );
    }

    #[test]
    fn no_names_and_no_data() {
        assert_eq!(of("0,1\n1,2\n2,3\n").header_line, None);
        assert_eq!(sniff(Encoding::Utf8, "just\nsome\nwords\n"), None);
    }
}
