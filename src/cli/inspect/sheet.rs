//! All columns of an export with what can be said of each, whatever the format.

use std::path::Path;

use super::sniff::{self, Sniffed};
use crate::config::layout::Format;
use crate::error::LogFault;
use crate::stages::log::load::{head, ipc, parquet, raw_columns};

/// One column.
#[derive(Clone, Debug, Default)]
pub struct Column {
    /// Name as the layout has to write it.
    pub name: String,
    /// Unit, as the file says it: units line, metadata, or in brackets after the name.
    pub unit: Option<String>,
    /// The unit stands in the file where the layout takes it from.
    pub unit_in_file: bool,
    /// The file's own type is a time; its values are seconds.
    pub seconds: bool,
    /// Numbers, `NaN` where blank or text.
    pub values: Vec<f64>,
    /// Texts that are no numbers, with their row; at most the first few of a kind.
    pub texts: Vec<(usize, String)>,
    /// Number of cells with a text that is no number.
    pub text_count: usize,
    /// Cells with nothing in them.
    pub blank: usize,
}

impl Column {
    /// Lowest and highest number.
    pub fn range(&self) -> Option<(f64, f64)> {
        let finite = || self.values.iter().copied().filter(|v| v.is_finite());
        let (low, high) = (finite().fold(f64::INFINITY, f64::min), finite().fold(f64::NEG_INFINITY, f64::max));
        (low <= high).then_some((low, high))
    }
    /// Whether nearly all cells that are filled are numbers.
    pub fn is_numeric(&self) -> bool {
        let numbers = self.values.iter().filter(|v| v.is_finite()).count();
        numbers > 0 && self.text_count * 20 <= numbers
    }
}

/// A whole export.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Format.
    pub format: Format,
    /// How the text is written.
    pub text: Option<Sniffed>,
    /// Columns in file order.
    pub columns: Vec<Column>,
    /// Rows.
    pub rows: usize,
}

/// Reads a file of unknown layout.
///
/// # Errors
/// `Empty`, `Binary`, `Truncated`, `Unreadable`; `WrongLayout` where no line looks like data or names.
pub fn read(path: &Path) -> Result<Sheet, LogFault> {
    let bytes = std::fs::read(path).map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
    let typed = if bytes.starts_with(b"PAR1") {
        Some((Format::Parquet, parquet::batches(path)?))
    } else if bytes.starts_with(b"ARROW1") || bytes.starts_with(&[0xff; 4]) {
        Some((Format::Ipc, ipc::batches(path)?))
    } else {
        None
    };
    let Some((format, (schema, batches))) = typed else { return text(&bytes) };
    let columns: Vec<Column> = raw_columns(&schema, &batches)
        .into_iter()
        .map(|(header, values)| {
            let rows: usize = batches.iter().map(|b| b.num_rows()).sum();
            let blank = values.as_ref().map_or(0, |v| v.iter().filter(|v| v.is_nan()).count());
            Column {
                name: header.name,
                unit_in_file: header.unit.is_some() || header.seconds,
                unit: if header.seconds { Some("s".to_owned()) } else { header.unit },
                seconds: header.seconds,
                text_count: if values.is_none() { rows } else { 0 },
                values: values.unwrap_or_default(),
                texts: Vec::new(),
                blank,
            }
        })
        .collect();
    let rows = batches.iter().map(|b| b.num_rows()).sum();
    Ok(Sheet { format, text: None, columns, rows })
}

fn unknown(detail: &str) -> LogFault {
    LogFault::WrongLayout { line: None, layout: "of inspect".to_owned(), detail: detail.to_owned() }
}

fn text(bytes: &[u8]) -> Result<Sheet, LogFault> {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(LogFault::Empty);
    }
    head::refuse_binary(bytes)?;
    let (encoding, text) = sniff::decode(bytes);
    let sniffed = sniff::sniff(encoding, &text).ok_or_else(|| unknown("no line looks like data"))?;
    let header = sniffed.header_line.ok_or_else(|| {
        unknown("no line above the data looks like column names; a layout finds columns by name, so export the log with names")
    })?;
    let line = |n: usize| text.lines().nth(n - 1).map(|l| sniff::split(l, sniffed.delimiter)).unwrap_or_default();
    let (names, units) = (line(header), sniffed.units_line.map(line).unwrap_or_default());
    let mut columns: Vec<Column> = names.into_iter().enumerate().map(|(i, name)| named(name, units.get(i))).collect();
    let mut rows = 0;
    for line in text.lines().skip(sniffed.data_line - 1).filter(|l| !l.trim().is_empty()) {
        fill(&mut columns, line, rows, &sniffed);
        rows += 1;
    }
    Ok(Sheet { format: Format::Csv, text: Some(sniffed), columns, rows })
}

/// A column by its header; `Speed [km/h]` says the unit too.
fn named(name: String, unit: Option<&String>) -> Column {
    let bare = |u: &str| u.trim_matches(['[', ']', '(', ')', ' ']).to_owned();
    let in_file = unit.map(|u| bare(u)).filter(|u| !u.is_empty());
    let in_name = || {
        let open = name.rfind(['[', '('])?;
        let inside = bare(name.get(open..)?);
        crate::units::any(&inside).map(|_| inside)
    };
    let unit_in_file = in_file.is_some();
    Column { unit: in_file.or_else(in_name), unit_in_file, name, ..Column::default() }
}

fn fill(columns: &mut [Column], line: &str, row: usize, sniffed: &Sniffed) {
    // Most exports quote nothing; a line without quotes is split in place.
    let quoted = if line.contains('"') { sniff::split(line, sniffed.delimiter) } else { Vec::new() };
    let mut plain = line.split(sniffed.delimiter).map(str::trim);
    let mut cells = quoted.iter().map(String::as_str);
    for column in columns {
        let cell = if quoted.is_empty() { plain.next() } else { cells.next() }.unwrap_or_default();
        if cell.is_empty() || cell.eq_ignore_ascii_case("nan") {
            column.blank += 1;
            column.values.push(f64::NAN);
            continue;
        }
        let value = sniff::number(cell, sniffed.decimal);
        if value.is_none() {
            column.text_count += 1;
            // The first of each kind, and the first rows of a column of texts.
            if row < 200 || (column.texts.len() < 250 && column.texts.iter().all(|(_, t)| t != cell)) {
                column.texts.push((row, cell.to_owned()));
            }
        }
        column.values.push(value.unwrap_or(f64::NAN));
    }
}
