//! What was read from one file, before it becomes a frame: time checked, impossible logs refused.

use super::columns::{Found, Map, Time};
use crate::error::LogFault;
use crate::table::flags::UNIT_UNLIKE_FILE;
use crate::table::frame::{Column, LogFrame, OfItsCar};

/// Longest log that is believed, seconds: more means a wrong time unit, or a clock that jumped
/// (common practice, no source).
const LONGEST: f64 = 100_000.0;

/// A column whose unit the layout says otherwise than the file, with both.
fn other_unit(found: &Found) -> Option<String> {
    let of_file = found.unlike_file?;
    let of_layout = found.source.unit.as_ref().map_or("1", |unit| unit.as_str());
    Some(format!("`{}` (layout: {of_layout}; file: {of_file})", found.source.column.value))
}

/// Columns of one file: SI, `NaN` where blank.
#[derive(Debug)]
pub struct Samples<'a> {
    /// Line of the first row; 0 where the file is no text.
    pub first_line: u64,
    /// Rows.
    pub rows: usize,
    /// Seconds as the file counts them; empty where it has no time column.
    pub time: Vec<f64>,
    /// The channels that were found.
    pub found: Vec<Found<'a>>,
    /// Their values, in the same order.
    pub values: Vec<Vec<f64>>,
    /// How the time is known.
    source: Time<'a>,
}

impl<'a> Samples<'a> {
    /// No rows yet.
    pub fn new(map: &Map<'a>, first_line: u64) -> Self {
        Self {
            first_line,
            rows: 0,
            time: Vec::new(),
            found: map.channels.clone(),
            values: vec![Vec::new(); map.channels.len()],
            source: map.time,
        }
    }

    /// The line of a row, where the file is text.
    pub fn line(&self, row: usize) -> Option<u64> {
        (self.first_line > 0).then(|| self.first_line + row as u64)
    }

    /// The frame, its time from 0 s and strictly rising.
    ///
    /// # Errors
    /// `Empty`, `WrongLayout` where a time is missing, `TimeGoesBack`, `Implausible` where the time is too long.
    pub fn into_frame(mut self, layout: &str) -> Result<LogFrame, LogFault> {
        if self.rows == 0 {
            return Err(LogFault::Empty);
        }
        if let Time::Rate(rate) = self.source {
            self.time = (0..self.rows).map(|i| i as f64 / rate).collect();
        }
        let blank = self.check_time(layout)?;
        if !blank.is_empty() {
            for column in self.values.iter_mut().chain([&mut self.time]) {
                let mut row = 0..;
                column.retain(|_| row.next().is_none_or(|r| blank.binary_search(&r).is_err()));
            }
        }
        let first = self.time.first().copied().unwrap_or_default();
        let last = self.time.last().copied().unwrap_or_default();
        if last - first > LONGEST {
            let (channel, unit, high) = ("time".to_owned(), "s".to_owned(), LONGEST);
            return Err(LogFault::Implausible { channel, value: (last - first).round(), unit, low: 0.0, high });
        }
        self.time.iter_mut().for_each(|t| *t -= first);
        let other_units = self.found.iter().filter_map(other_unit).collect::<Vec<_>>();
        let columns = self.found.iter().zip(self.values).map(|(f, values)| Column {
            name: f.channel.to_owned(),
            dimension: f.dimension,
            values,
        });
        Ok(LogFrame {
            time: self.time,
            first_line: self.first_line,
            rate: 0.0,
            columns: columns.collect(),
            segments: Vec::new(),
            car: OfItsCar::default(),
            flags: (!other_units.is_empty()).then(|| UNIT_UNLIKE_FILE.to_owned()).into_iter().collect(),
            other_units,
            outings: 0,
        })
    }

    /// Time must rise from row to row. A stamp may stand twice only where the second row is blank; those rows
    /// are returned.
    fn check_time(&self, layout: &str) -> Result<Vec<usize>, LogFault> {
        let mut blank = Vec::new();
        let mut before = f64::NEG_INFINITY;
        for (row, &now) in self.time.iter().enumerate() {
            if now > before && now < f64::INFINITY {
                before = now;
                continue;
            }
            if !now.is_finite() {
                let detail = match self.line(row) {
                    Some(_) => "the time is missing".to_owned(),
                    None => format!("the time is missing in row {}", row + 1),
                };
                return Err(LogFault::WrongLayout { line: self.line(row), layout: layout.to_owned(), detail });
            }
            if now == before && self.values.iter().all(|v| v.get(row).is_some_and(|x| x.is_nan())) {
                blank.push(row);
                continue;
            }
            return Err(LogFault::TimeGoesBack { line: self.line(row), from: before, to: now });
        }
        Ok(blank)
    }
}
