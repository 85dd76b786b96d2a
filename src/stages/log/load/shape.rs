//! The shape of delimited text: that every line has the same fields. The fast reader fills short lines
//! with blanks and drops surplus fields without a word, so the lines are counted here.

use crate::config::layout::Layout;
use crate::error::LogFault;

/// The data lines of a text file.
#[derive(Clone, Copy, Debug)]
pub struct Body<'a> {
    /// From the first data row to the last, without line ends after it.
    pub data: &'a [u8],
    /// Line of the first row, from 1.
    pub first_line: u64,
    /// Fields that each line must have.
    pub fields: usize,
    /// Field separator.
    pub delimiter: u8,
    /// Line end.
    pub eol: u8,
    /// The last line has its line end, so that its last field is surely whole.
    pub ended: bool,
}

impl<'a> Body<'a> {
    /// Cuts the data out of a file. `names` is the number of fields of the header.
    pub fn new(rest: &'a [u8], first_line: u64, names: usize, last_name_blank: bool, delimiter: u8, eol: u8) -> Self {
        let end = rest.iter().rposition(|b| !matches!(b, b'\n' | b'\r' | 0x1a)).map_or(0, |i| i + 1);
        let data = rest.get(..end).unwrap_or_default();
        let ended = rest.get(end..).is_some_and(|tail| tail.iter().any(|b| matches!(b, b'\n' | b'\r')));
        // A separator after the last field of the data lines, or of the header, means no field.
        let first = data.split(|b| *b == eol).next().unwrap_or_default();
        let (found, closed) = (separators(first, delimiter) + 1, first.trim_ascii_end().ends_with(&[delimiter]));
        let fields =
            if (found == names + 1 && closed) || (found + 1 == names && last_name_blank) { found } else { names };
        Self { data, first_line, fields, delimiter, eol, ended }
    }

    /// Number of rows if every line has the right number of fields, `None` otherwise. Knows no quotes.
    pub fn rows(&self) -> Option<usize> {
        let (mut rows, mut start) = (0, 0);
        for end in memchr::memchr_iter(self.eol, self.data).chain([self.data.len()]) {
            let line = self.data.get(start..end)?;
            if line.is_empty() || separators(line, self.delimiter) + 1 != self.fields {
                return None;
            }
            rows += 1;
            start = end + 1;
        }
        Some(rows)
    }

    /// The fault of a line that has `found` fields.
    pub fn ragged(&self, layout: &Layout, line: u64, found: usize, last: bool) -> LogFault {
        if last && found < self.fields {
            let detail = format!("its last line has {found} of {} fields", self.fields);
            return LogFault::Truncated { line: Some(line), detail };
        }
        let detail = format!("expected {} fields as in the header, found {found}", self.fields);
        LogFault::WrongLayout { line: Some(line), layout: layout.name.clone(), detail }
    }
}

fn separators(line: &[u8], delimiter: u8) -> usize {
    memchr::memchr_iter(delimiter, line).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn body(data: &str, names: usize) -> Body<'_> {
        Body::new(data.as_bytes(), 2, names, false, b',', b'\n')
    }

    #[test]
    fn counts_rows_and_refuses_ragged_lines() {
        assert_eq!(body("1,2\n3,4\n", 2).rows(), Some(2));
        assert_eq!(body("1,2\r\n3,4\r\n\r\n", 2).rows(), Some(2));
        for ragged in ["1,2\n3\n5,6\n", "1,2\n3,4,5\n", "1,2\n\n3,4\n", "1,2\n3"] {
            assert_eq!(body(ragged, 2).rows(), None, "{ragged:?}");
        }
    }

    #[test]
    fn knows_whether_the_last_line_is_ended() {
        assert!(body("1,2\n3,4\n", 2).ended);
        assert!(!body("1,2\n3,4", 2).ended);
    }

    #[test]
    fn a_separator_at_the_end_of_each_line_is_no_field() {
        assert_eq!(body("1,2,\n3,4,\n", 2).rows(), Some(2));
        assert_eq!(body("1,2,\n3,4,5\n6,7\n", 2).rows(), None);
    }
}
