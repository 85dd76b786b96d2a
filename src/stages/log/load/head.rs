//! The head of a text export: preamble, names, units. Reads only these lines, never the data.

use std::borrow::Cow;
use std::ops::Range;

use super::columns::{Header, HeaderColumn, shorten};
use crate::config::layout::{Encoding, Layout, Text};
use crate::error::LogFault;

/// Bytes at the start of a file that must look like text.
const FIRST_BLOCK: usize = 1 << 16;

/// Header of a text file and where its data begin.
#[derive(Clone, Debug)]
pub struct Head {
    /// Names and units.
    pub header: Header,
    /// First byte of the data.
    pub data_start: usize,
    /// Line of the first data row, from 1.
    pub data_line: u64,
    /// Field separator.
    pub delimiter: u8,
    /// Line end: `\n`, or `\r` in files that have no `\n`.
    pub eol: u8,
}

/// The separator as one byte; `None` where the layout's text is none.
pub fn delimiter(text: &Text) -> Option<u8> {
    match text.delimiter.as_str() {
        "tab" => Some(b'\t'),
        s => match s.as_bytes() {
            [b] if b.is_ascii() && !matches!(b, b'"' | b'\n' | b'\r') => Some(*b),
            _ => None,
        },
    }
}

/// Reads the head. `whole` says that `bytes` is the whole file, so that its end counts as the file's end.
///
/// # Errors
/// `Empty`, `Binary`, `Truncated` in the head, `WrongLayout` where the lines or the encoding do not fit.
pub fn read(bytes: &[u8], layout: &Layout, whole: bool) -> Result<Head, LogFault> {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(LogFault::Empty);
    }
    let wrong = |line: Option<u64>, detail: String| LogFault::WrongLayout { line, layout: layout.name.clone(), detail };
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(wrong(None, "the file is UTF-16 text; export it as UTF-8".to_owned()));
    }
    refuse_binary(bytes)?;
    let text = &layout.text;
    let delimiter = delimiter(text)
        .ok_or_else(|| wrong(None, format!("`{}` is no delimiter of one character", text.delimiter.value)))?;
    let bom = if bytes.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
    let eol =
        if memchr::memchr(b'\n', bytes).is_none() && memchr::memchr(b'\r', bytes).is_some() { b'\r' } else { b'\n' };
    let (names_at, units_at) = (u64::from(*text.header_line), text.units_line.as_ref().map(|l| u64::from(**l)));
    let data_line = text.data_line.as_ref().map_or(names_at.max(units_at.unwrap_or(0)) + 1, |l| u64::from(**l));
    let lines = Lines { bytes, start: bom, eol };
    let fields = |line: u64| -> Result<Vec<String>, LogFault> {
        let range = lines.get(line).ok_or_else(|| {
            wrong(None, format!("the header is looked for in line {line}, but the file has {} lines", lines.count()))
        })?;
        let raw = bytes.get(range).unwrap_or_default();
        split(&decode(raw, text.encoding).ok_or_else(|| wrong(Some(line), not_utf8()))?, delimiter)
            .ok_or_else(|| wrong(Some(line), "the line can't be split into fields".to_owned()))
    };
    let names = fields(names_at)?;
    let Some(data) = lines.get(data_line) else {
        // The writer of an export ends every line; a head without line end was cut.
        let cut = whole && bytes.last() != Some(&eol);
        return Err(if cut {
            LogFault::Truncated { line: Some(lines.count()), detail: "it ends within the header".to_owned() }
        } else {
            LogFault::Empty
        });
    };
    let units = units_at.map(&fields).transpose()?;
    refuse_other_delimiter(&names, delimiter, names_at, &wrong)?;
    let columns = names.into_iter().enumerate().map(|(i, name)| HeaderColumn {
        name,
        unit: units.as_ref().and_then(|u| u.get(i)).map(|u| bare_unit(u)).filter(|u| !u.is_empty()),
        seconds: false,
    });
    let header = Header { columns: columns.collect(), line: Some(names_at), units_line: units_at };
    Ok(Head { header, data_start: data.start, data_line, delimiter, eol })
}

/// Turns bytes into text; `None` where they are not in the encoding.
pub fn decode(raw: &[u8], encoding: Encoding) -> Option<Cow<'_, str>> {
    match encoding {
        Encoding::Utf8 => std::str::from_utf8(raw).ok().map(Cow::Borrowed),
        Encoding::Latin1 => Some(encoding_rs::WINDOWS_1252.decode_without_bom_handling(raw).0),
    }
}

fn not_utf8() -> String {
    "the header is not valid UTF-8; if it is Latin-1, the layout says so with `encoding: latin1`".to_owned()
}

fn bare_unit(text: &str) -> String {
    text.trim_matches(['[', ']', '(', ')', ' ']).to_owned()
}

/// Splits one line into fields without quotes and spaces around them.
fn split(line: &str, delimiter: u8) -> Option<Vec<String>> {
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).flexible(true).delimiter(delimiter).from_reader(line.as_bytes());
    let mut record = csv::StringRecord::new();
    reader.read_record(&mut record).ok()?;
    Some(record.iter().map(|f| f.trim_matches(['"', ' ', '\t', '\r', '\u{feff}']).to_owned()).collect())
}

/// A NUL anywhere, or a control character in the first block, is no text.
///
/// # Errors
/// `Binary` with the line.
pub fn refuse_binary(bytes: &[u8]) -> Result<(), LogFault> {
    let first = bytes.get(..FIRST_BLOCK).unwrap_or(bytes);
    // 0x1a ends text files of some old programs.
    let control = first.iter().position(|b| *b < 0x20 && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0c | 0x1a));
    match control.or_else(|| memchr::memchr(0, bytes)) {
        None => Ok(()),
        Some(at) => {
            let before = bytes.get(..at).unwrap_or_default();
            Err(LogFault::Binary { line: 1 + memchr::memchr_iter(b'\n', before).count() as u64 })
        }
    }
}

/// A header that is one field by the layout's delimiter and several by another was written with the other.
fn refuse_other_delimiter(
    names: &[String],
    delimiter: u8,
    line: u64,
    wrong: &dyn Fn(Option<u64>, String) -> LogFault,
) -> Result<(), LogFault> {
    let [only] = names else { return Ok(()) };
    let other = [b',', b';', b'\t', b'|'].into_iter().find(|d| *d != delimiter && only.as_bytes().contains(d));
    let show = |d: u8| if d == b'\t' { "tab".to_owned() } else { char::from(d).to_string() };
    match other {
        None => Ok(()),
        Some(d) => Err(wrong(
            Some(line),
            format!(
                "expected fields separated by `{}`, found `{}`, which looks separated by `{}`",
                show(delimiter),
                shorten(only),
                show(d)
            ),
        )),
    }
}

/// Lines of a file by number.
struct Lines<'a> {
    bytes: &'a [u8],
    start: usize,
    eol: u8,
}

impl Lines<'_> {
    /// Range of line `number` (from 1) without its end; `None` past the end of the file.
    fn get(&self, number: u64) -> Option<Range<usize>> {
        let rest = self.bytes.get(self.start..)?;
        let skip = usize::try_from(number.checked_sub(1)?).ok()?;
        let start = match skip {
            0 => 0,
            n => memchr::memchr_iter(self.eol, rest).nth(n - 1)? + 1,
        };
        let tail = rest.get(start..).filter(|t| !t.iter().all(|b| matches!(b, b'\n' | b'\r')))?;
        let end = start + memchr::memchr(self.eol, tail).unwrap_or(tail.len());
        Some(self.start + start..self.start + end)
    }

    fn count(&self) -> u64 {
        let ends = memchr::memchr_iter(self.eol, self.bytes).count() as u64;
        ends + u64::from(self.bytes.last() != Some(&self.eol))
    }
}
