//! The run sheet as CSV, as a spreadsheet saves it: the header names the fields, units stand in the cells
//! (`21 degC`) or once in the header (`temperature [degC]`), an empty cell is not given. Every fault names
//! line, column and cell.

use std::cell::Cell;
use std::ops::Range;
use std::path::Path;

use csv::{ReaderBuilder, StringRecord};

use super::issue::{Issue, Issues};
use super::run_sheet::RunRow;
use super::wording;
use crate::located::{Located, Spot};
use crate::units::{self, Dim, Dimension, Quantity, UnitError, nearest};

/// Columns that a run sheet may have, and what is measured where a unit belongs to it.
pub const FIELDS: &[(&str, Option<Dimension>)] = &[
    ("log", None),
    ("from", Some(Dimension::Time)),
    ("to", Some(Dimension::Time)),
    ("outing", None),
    ("event", None),
    ("session", None),
    ("date", None),
    ("configuration", None),
    ("parts", None),
    ("wing_position", None),
    ("fuel", Some(Dimension::Mass)),
    ("fuel_per_hour", Some(Dimension::Mass)),
    ("temperature", Some(Dimension::Temperature)),
    ("pressure", Some(Dimension::Pressure)),
    ("humidity", Some(Dimension::Ratio)),
    ("altitude", Some(Dimension::Length)),
    ("wind_speed", Some(Dimension::Speed)),
    ("wind_from", Some(Dimension::Angle)),
];

/// Columns that it must have.
const NEEDED: &[&str] = &["log", "event", "session", "configuration"];

/// Reads the rows without fault; all faults of the others are added to `issues`.
pub fn read(file: &Path, text: &str, issues: &mut Issues) -> Vec<RunRow> {
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter(text))
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut columns: Option<Vec<Column>> = None;
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(r) => r,
            Err(e) => {
                issues.push(Issue::whole(file, "the run sheet can't be read").hint(e.to_string()));
                break;
            }
        };
        let line = Line::new(file, text, &record);
        if record.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        match &columns {
            None => {
                let found = header(&line, issues);
                let whole = NEEDED.iter().all(|n| found.iter().any(|c| c.field == *n));
                columns = Some(found);
                // Every row would be wrong for the same reason.
                if !whole {
                    break;
                }
            }
            Some(columns) => rows.extend(row(&line, columns, issues)),
        }
    }
    if columns.is_none() {
        issues.push(
            Issue::whole(file, "the run sheet is empty")
                .hint(format!("its first line names columns: {}", NEEDED.join(","))),
        );
    }
    rows
}

/// Comma, semicolon or tabulator: whichever the header line holds most.
pub(super) fn delimiter(text: &str) -> u8 {
    let header = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#')).unwrap_or_default();
    let count = |d: u8| header.bytes().filter(|b| *b == d).count();
    [b',', b';', b'\t'].into_iter().rev().max_by_key(|d| count(*d)).unwrap_or(b',')
}

/// One line of the file with the places of its cells.
struct Line<'a> {
    file: &'a Path,
    text: &'a str,
    record: &'a StringRecord,
    number: u64,
    cells: Vec<Range<usize>>,
}

impl<'a> Line<'a> {
    fn new(file: &'a Path, text: &'a str, record: &'a StringRecord) -> Self {
        let (start, number) = record.position().map_or((0, 0), |p| (p.byte(), p.line()));
        let start = usize::try_from(start).unwrap_or(text.len());
        // Blank lines and comments before a record count as part of it.
        let (start, number) = skip_blank(text, start, number);
        Self { file, text, record, number, cells: cells(text, start, delimiter(text)) }
    }

    /// Place of a cell, quotes excluded.
    fn spot(&self, index: usize) -> Spot {
        let Some(range) = self.cells.get(index) else { return Spot { line: self.number, column: 1, length: 0 } };
        let Some(first) = self.cells.first() else { return Spot::default() };
        let before = self.text.get(first.start..range.start).unwrap_or_default();
        let line_start = self.text.get(..range.start).and_then(|t| t.rfind('\n')).map_or(0, |i| i + 1);
        let characters = |r: Range<usize>| self.text.get(r).map_or(0, |t| t.chars().count() as u64);
        Spot {
            line: self.number + before.matches('\n').count() as u64,
            column: characters(line_start..range.start) + 1,
            length: characters(range.clone()).max(1),
        }
    }

    fn issue(&self, index: usize, message: impl Into<String>, label: impl Into<String>) -> Issue {
        Issue::at(self.file, self.spot(index), message, label)
    }
}

/// Passes over blank and comment lines.
pub(super) fn skip_blank(text: &str, mut start: usize, mut number: u64) -> (usize, u64) {
    while let Some(rest) = text.get(start..) {
        let line = rest.split_inclusive('\n').next().unwrap_or_default();
        if line.is_empty() || !(line.trim_end_matches(['\r', '\n']).is_empty() || line.starts_with('#')) {
            break;
        }
        start += line.len();
        number += u64::from(line.ends_with('\n'));
    }
    (start, number)
}

/// Byte ranges of the cells of the record that starts at `start`, without quotes and spaces around them.
fn cells(text: &str, start: usize, delimiter: u8) -> Vec<Range<usize>> {
    let mut out = Vec::new();
    let (mut begin, mut quoted) = (start, false);
    for (i, b) in text.bytes().enumerate().skip(start) {
        match b {
            b'"' => quoted = !quoted,
            b if !quoted && b == delimiter => {
                out.push(trimmed(text, begin..i));
                begin = i + 1;
            }
            b'\n' | b'\r' if !quoted => {
                out.push(trimmed(text, begin..i));
                return out;
            }
            _ => {}
        }
    }
    out.push(trimmed(text, begin..text.len()));
    out
}

fn trimmed(text: &str, range: Range<usize>) -> Range<usize> {
    let cell = text.get(range.clone()).unwrap_or_default();
    let skip = |c: char| c == ' ' || c == '"';
    let start = range.start + (cell.len() - cell.trim_start_matches(skip).len());
    let end = range.start + cell.trim_end_matches(skip).len();
    start.min(end.max(range.start))..end.max(start.min(end.max(range.start)))
}

/// A column of the sheet.
struct Column {
    field: &'static str,
    unit: Option<String>,
    /// Its header is wrong; its cells are not looked at.
    wrong: bool,
    /// It was said that no unit stands in the header, nor in a cell.
    without_unit: Cell<bool>,
}

/// Reads the header; unknown and repeated columns are faults, and so are missing ones.
fn header(line: &Line, issues: &mut Issues) -> Vec<Column> {
    let (mut columns, mut misnamed): (Vec<Column>, Vec<&str>) = (Vec::new(), Vec::new());
    for (i, cell) in line.record.iter().enumerate() {
        let (name, unit) = match cell.trim().split_once('[') {
            Some((name, unit)) => (name.trim(), Some(unit.trim().trim_end_matches(']').trim())),
            None => (cell.trim(), None),
        };
        let Some((field, dimension)) = FIELDS.iter().find(|(f, _)| *f == name) else {
            issues.push(unknown_column(line, i, name));
            misnamed.extend(meant(name));
            columns.push(Column { field: "", unit: None, wrong: true, without_unit: Cell::default() });
            continue;
        };
        if columns.iter().any(|c| c.field == *field) {
            issues.push(line.issue(i, format!("column `{name}` is given twice"), "already given before"));
        }
        let mut wrong = false;
        match (unit, dimension) {
            (Some(unit), Some(dimension)) => {
                if let Err(e) = units::unit_of(unit, *dimension) {
                    issues.push(line.issue(i, format!("wrong unit of column `{name}`"), e.to_string()));
                    wrong = true;
                }
            }
            (Some(_), None) => issues.push(line.issue(i, format!("column `{name}` takes no unit"), "leave it out")),
            _ => {}
        }
        columns.push(Column { field, unit: unit.map(str::to_owned), wrong, without_unit: Cell::default() });
    }
    // One that stands there under a name nearly right was named with that already.
    let missing = |n: &&str| !columns.iter().any(|c| c.field == *n) && !misnamed.contains(n);
    let missing: Vec<&str> = NEEDED.iter().copied().filter(missing).collect();
    if !missing.is_empty() {
        let noun = if missing.len() == 1 { "column" } else { "columns" };
        let quoted: Vec<String> = missing.iter().map(|m| format!("`{m}`")).collect();
        issues.push(line.issue(0, format!("missing {noun} {}", quoted.join(", ")), "the header is here"));
    }
    columns
}

/// The column that a name is most like.
fn meant(name: &str) -> Option<&'static str> {
    nearest(name, FIELDS.iter().map(|(field, _)| *field))
}

fn unknown_column(line: &Line, index: usize, name: &str) -> Issue {
    let fields: Vec<&str> = FIELDS.iter().map(|(f, _)| *f).collect();
    let message =
        if name.is_empty() { "a column without a name".to_owned() } else { format!("unknown column `{name}`") };
    // Units stand in square brackets.
    let round = name.strip_suffix(')').and_then(|name| name.split_once('('));
    let square = round.and_then(|(name, unit)| Some(format!("{} [{}]", meant(name.trim())?, unit.trim())));
    match square.or_else(|| meant(name).map(str::to_owned)) {
        Some(near) => line.issue(index, message, format!("did you mean `{near}`?")),
        None => line.issue(index, message, "no such column here").hint(format!("expected {}", wording::list(&fields))),
    }
}

/// What to do where cells are more than columns.
const TOO_MANY: &str =
    "a number has a decimal point and no comma; a text that holds the separator stands in double quotes";

/// Reads one row; `None` when any of its cells is wrong.
fn row(line: &Line, columns: &[Column], issues: &mut Issues) -> Option<RunRow> {
    let before = issues.0.len();
    let (cells, heads) = (line.record.len(), columns.len());
    if cells > heads && line.record.iter().skip(heads).any(|c| !c.trim().is_empty()) {
        let label = format!("{cells} cells, but the header has {heads}");
        issues.push(line.issue(heads, "the row has more cells than the header", label).hint(TOO_MANY));
        return None;
    }
    let mut c = Cells { line, columns, issues };
    let row = RunRow {
        log: c.needed("log"),
        from: c.quantity("from"),
        to: c.quantity("to"),
        outing: c.number("outing", "a whole number from 1", |t| t.parse().ok()),
        event: c.needed("event").value,
        session: c.needed("session").value,
        date: c.text("date"),
        configuration: c.needed("configuration"),
        parts: c.text("parts").map(|t| parts(&t)).unwrap_or_default(),
        wing_position: c.number("wing_position", "a number", |t| t.parse().ok().filter(|v: &f64| v.is_finite())),
        fuel: c.quantity("fuel"),
        fuel_per_hour: c.quantity("fuel_per_hour"),
        temperature: c.quantity("temperature"),
        pressure: c.quantity("pressure"),
        humidity: c.quantity("humidity"),
        altitude: c.quantity("altitude"),
        wind_speed: c.quantity("wind_speed"),
        wind_from: c.quantity("wind_from"),
        spot: line.spot(0),
    };
    (issues.0.len() == before).then_some(row)
}

fn parts(text: &str) -> Vec<String> {
    text.split('+').map(|p| p.trim().to_owned()).collect()
}

/// The cells of one row by field name.
struct Cells<'a, 'b> {
    line: &'a Line<'a>,
    columns: &'a [Column],
    issues: &'b mut Issues,
}

impl Cells<'_, '_> {
    /// Index of the cell, its column and its text, unless it is empty.
    fn cell(&self, field: &str) -> Option<(usize, &Column, &str)> {
        let (index, column) = self.columns.iter().enumerate().find(|(_, c)| c.field == field && !c.wrong)?;
        let text = self.line.record.get(index)?.trim();
        (!text.is_empty()).then_some((index, column, text))
    }

    fn text(&self, field: &str) -> Option<Located<String>> {
        let (index, _, text) = self.cell(field)?;
        Some(Located { value: text.to_owned(), spot: self.line.spot(index) })
    }

    /// A text that must be there; its lack is a fault, unless the whole column lacks and was reported.
    fn needed(&mut self, field: &str) -> Located<String> {
        if let Some(text) = self.text(field) {
            return text;
        }
        if let Some(index) = self.columns.iter().position(|c| c.field == field) {
            self.issues.push(self.line.issue(
                index,
                format!("column `{field}` is empty in this row"),
                "expected a name",
            ));
        }
        Located::nowhere(String::new())
    }

    fn number<T>(&mut self, field: &str, expected: &str, parse: impl Fn(&str) -> Option<T>) -> Option<T> {
        let (index, _, text) = self.cell(field)?;
        let value = parse(text);
        if value.is_none() {
            let issue =
                self.line.issue(index, format!("wrong value in column `{field}`"), format!("expected {expected}"));
            self.issues.push(with_decimal_hint(issue, text));
        }
        value
    }

    fn quantity<D: Dim>(&mut self, field: &str) -> Option<Located<Quantity<D>>> {
        let (index, column, text) = self.cell(field)?;
        let bare = text.parse::<f64>().is_ok();
        let full = match &column.unit {
            Some(unit) if bare => format!("{text} {unit}"),
            _ => text.to_owned(),
        };
        match units::parse(&full, D::DIMENSION) {
            Ok(si) => Some(Located { value: Quantity::si(si), spot: self.line.spot(index) }),
            Err(e @ UnitError::NoUnit { .. }) => {
                // Every row would be wrong for the same reason.
                if !column.without_unit.replace(true) {
                    let unit = D::DIMENSION.example().split_once(' ').map_or("1", |(_, unit)| unit);
                    let issue = self.line.issue(index, format!("column `{field}` has no unit"), e.to_string());
                    self.issues.push(issue.hint(format!("or once for all rows, in the header: `{field} [{unit}]`")));
                }
                None
            }
            Err(e) => {
                let issue = self.line.issue(index, format!("wrong value in column `{field}`"), e.to_string());
                // It says so itself.
                let said = matches!(e, UnitError::Comma { .. });
                self.issues.push(if said { issue } else { with_decimal_hint(issue, text) });
                None
            }
        }
    }
}

/// Spreadsheets of half the world write a decimal comma.
fn with_decimal_hint(issue: Issue, text: &str) -> Issue {
    if text.contains(',') { issue.hint("the decimal mark is a point") } else { issue }
}
