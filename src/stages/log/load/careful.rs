//! The careful reader: every line and every needed cell looked at, one after the other. It reads what the
//! fast reader leaves (quoted numbers, spaces after numbers), and says exactly what is wrong where something
//! is. Both give the same numbers for the same file.

use super::clock::Clock;
use super::columns::{Map, Time, shorten};
use super::samples::Samples;
use super::shape::Body;
use crate::config::layout::{Decimal, Layout};
use crate::error::LogFault;

/// Reads the data line by line.
///
/// # Errors
/// The first fault in file order: `Truncated`, `WrongLayout`, `BadCell`.
pub fn read<'a>(body: &Body, layout: &'a Layout, map: &Map<'a>) -> Result<Samples<'a>, LogFault> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(body.delimiter)
        .terminator(csv::Terminator::Any(body.eol))
        .from_reader(body.data);
    let mut cells = Cells { body, layout, missing: Missing::new(layout), line: body.first_line };
    let mut clock = match map.time {
        Time::Clock { format, .. } => {
            Some(Clock::new(format).ok_or_else(|| cells.wrong(None, format!("`{format}` is no clock format")))?)
        }
        _ => None,
    };
    let mut samples = Samples::new(map, body.first_line);
    let mut record = csv::ByteRecord::new();
    let mut start = 0;
    loop {
        let more = reader.read_byte_record(&mut record).map_err(|e| cells.wrong(Some(cells.line), e.to_string()))?;
        if !more {
            break;
        }
        let end = usize::try_from(reader.position().byte()).unwrap_or(usize::MAX).min(body.data.len());
        cells.one_line(body.data.get(start..end).unwrap_or_default())?;
        let last = end == body.data.len();
        if record.len() != body.fields {
            return Err(body.ragged(layout, cells.line, record.len(), last));
        }
        match map.time {
            Time::Rate(_) => {}
            Time::Elapsed { index, scale } => {
                samples.time.push(cells.number(&record, index, "time", map.time_column, last)? * scale);
            }
            Time::Clock { index, .. } => {
                samples.time.push(cells.clock(&record, index, map.time_column, clock.as_mut())?);
            }
        }
        for (found, values) in map.channels.iter().zip(&mut samples.values) {
            let raw = cells.number(&record, found.index, found.channel, &found.source.column, last)?;
            values.push(raw * found.scale + found.offset);
        }
        samples.rows += 1;
        cells.line += 1;
        start = end;
    }
    Ok(samples)
}

/// Texts that mean "not measured".
pub struct Missing<'a> {
    texts: &'a [String],
    numbers: Vec<f64>,
}

impl<'a> Missing<'a> {
    /// From the layout; a number among them means its value, however it is written.
    pub fn new(layout: &'a Layout) -> Self {
        let numbers = layout.text.missing.iter().filter_map(|t| parse(t.trim(), layout.text.decimal)).collect();
        Self { texts: &layout.text.missing, numbers }
    }
    /// Whether a number means "not measured".
    pub fn number(&self, value: f64) -> bool {
        self.numbers.contains(&value)
    }
    /// Whether a cell, in UTF-8, is one of the texts.
    pub fn text(&self, cell: &[u8]) -> bool {
        self.texts.iter().any(|t| t.trim().as_bytes() == cell)
    }
    /// Whether there is any number to look for.
    pub fn has_numbers(&self) -> bool {
        !self.numbers.is_empty()
    }
}

/// A finite number or `nan`.
fn parse(text: &str, decimal: Decimal) -> Option<f64> {
    let value: f64 = match decimal {
        Decimal::Point => text.parse().ok()?,
        // A point beside a decimal comma would be a thousands mark: refused, not guessed.
        Decimal::Comma if text.contains('.') => return None,
        Decimal::Comma => text.replace(',', ".").parse().ok()?,
    };
    (!value.is_infinite()).then_some(value)
}

/// Where the reader stands, for messages.
struct Cells<'a> {
    body: &'a Body<'a>,
    layout: &'a Layout,
    missing: Missing<'a>,
    line: u64,
}

impl Cells<'_> {
    fn wrong(&self, line: Option<u64>, detail: String) -> LogFault {
        LogFault::WrongLayout { line, layout: self.layout.name.clone(), detail }
    }

    /// A record is one line: none blank before it, no quoted field that runs over its end.
    fn one_line(&self, span: &[u8]) -> Result<(), LogFault> {
        let line = span.strip_suffix(&[self.body.eol]).unwrap_or(span);
        if line.starts_with(&[self.body.eol]) || line.trim_ascii().is_empty() {
            return Err(self.wrong(Some(self.line), "an empty line between the data lines".to_owned()));
        }
        if memchr::memchr(self.body.eol, line).is_some() {
            return Err(self.wrong(Some(self.line), "a quoted field runs over the end of the line".to_owned()));
        }
        Ok(())
    }

    fn number(
        &self,
        record: &csv::ByteRecord,
        index: usize,
        channel: &str,
        column: &str,
        last: bool,
    ) -> Result<f64, LogFault> {
        let raw = record.get(index).unwrap_or_default().trim_ascii();
        if raw.is_empty() {
            return Ok(f64::NAN);
        }
        let text = super::head::decode(raw, self.layout.text.encoding);
        if let Some(text) = text.as_deref() {
            if self.missing.text(text.as_bytes()) {
                return Ok(f64::NAN);
            }
            if let Some(value) = parse(text, self.layout.text.decimal) {
                return Ok(if self.missing.number(value) { f64::NAN } else { value });
            }
        }
        let text = text.unwrap_or_else(|| String::from_utf8_lossy(raw)).into_owned();
        if text.trim_matches('"') == column {
            let detail = format!("the header stands again inside the data (`{column}`); two exports joined?");
            return Err(self.wrong(Some(self.line), detail));
        }
        if last && !self.body.ended && index + 1 == self.body.fields {
            let detail = format!("its last field is cut: `{}`", shorten(&text));
            return Err(LogFault::Truncated { line: Some(self.line), detail });
        }
        Err(self.bad(column, channel, &text))
    }

    fn clock(
        &self,
        record: &csv::ByteRecord,
        index: usize,
        column: &str,
        clock: Option<&mut Clock>,
    ) -> Result<f64, LogFault> {
        let raw = record.get(index).unwrap_or_default().trim_ascii();
        let text = super::head::decode(raw, self.layout.text.encoding);
        match text.as_deref().and_then(|t| clock?.seconds(t)) {
            Some(seconds) => Ok(seconds),
            None if raw.is_empty() => Ok(f64::NAN),
            None => {
                let text = String::from_utf8_lossy(raw);
                Err(self.wrong(
                    Some(self.line),
                    format!("`{}` in column `{column}` is no clock time of the layout's format", shorten(&text)),
                ))
            }
        }
    }

    fn bad(&self, column: &str, channel: &str, text: &str) -> LogFault {
        LogFault::BadCell {
            line: self.line,
            column: column.to_owned(),
            channel: channel.to_owned(),
            text: shorten(text),
        }
    }
}
