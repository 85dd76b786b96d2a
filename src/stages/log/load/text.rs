//! Delimited text by the CSV reader of polars, which reads only the needed columns. What it would accept
//! without a word, or can't read, goes to the careful reader.

use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use polars_core::prelude::{DataFrame, DataType, PlSmallStr, PolarsResult, Schema};
use polars_io::SerReader;
use polars_io::csv::read::{CsvReadOptions, NullValues};

use super::careful::{self, Missing};
use super::clock::Clock;
use super::columns::{self, Map, Time};
use super::head;
use super::samples::Samples;
use super::shape::Body;
use crate::config::layout::{Decimal, Encoding, Layout};
use crate::error::LogFault;

/// Reads a text export.
///
/// # Errors
/// Every fault that a text file can have; see [`LogFault`].
pub fn read<'a>(path: &Path, layout: &'a Layout, needed: &[String]) -> Result<Samples<'a>, LogFault> {
    let bytes = std::fs::read(path).map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
    let head = head::read(&bytes, layout, true)?;
    let map = columns::locate(&head.header, layout, needed)?;
    let names = &head.header.columns;
    let last_blank = names.last().is_some_and(|c| c.name.is_empty());
    let rest = bytes.get(head.data_start..).unwrap_or_default();
    let body = Body::new(rest, head.data_line, names.len(), last_blank, head.delimiter, head.eol);
    let mut samples = match fast(&body, layout, &map) {
        Some(samples) => samples,
        None => careful::read(&body, layout, &map)?,
    };
    drop_doubtful_end(&body, &map, &mut samples);
    Ok(samples)
}

/// Without a line end after it, the very last number of the file may have been cut. A sample that depends
/// on it is left out.
fn drop_doubtful_end(body: &Body, map: &Map, samples: &mut Samples) {
    let last = body.fields.saturating_sub(1);
    let time_is_last = match map.time {
        Time::Elapsed { index, .. } | Time::Clock { index, .. } => index == last,
        Time::Rate(_) => false,
    };
    if body.ended || !(time_is_last || map.channels.iter().any(|c| c.index == last)) {
        return;
    }
    samples.rows = samples.rows.saturating_sub(1);
    samples.time.truncate(samples.rows);
    samples.values.iter_mut().for_each(|v| v.truncate(samples.rows));
}

/// The fast way; `None` sends the file to the careful reader.
fn fast<'a>(body: &Body, layout: &'a Layout, map: &Map<'a>) -> Option<Samples<'a>> {
    let text = &layout.text;
    let exact_tokens = text.encoding == Encoding::Utf8 || text.missing.iter().all(|m| m.is_ascii());
    // Quotes need the careful reader; so does a point where the comma is the decimal mark, which may be
    // a thousands mark in a needed column.
    if !exact_tokens
        || memchr::memchr(b'"', body.data).is_some()
        || (text.decimal == Decimal::Comma && memchr::memchr(b'.', body.data).is_some())
    {
        return None;
    }
    let projection = projection(map);
    if projection.is_empty() {
        return None;
    }
    // polars parses on threads of its own. Its caller is a thread that only waits: a worker of the pool that
    // runs the logs would take up the next log while waiting, and hold one log more in memory each time.
    let (rows, frame) = std::thread::scope(|scope| {
        let parsing = scope.spawn(|| parse(body, layout, map, &projection));
        (body.rows(), parsing.join())
    });
    collect(rows?, &frame.ok()?.ok()?, body, layout, map, &projection)
}

/// Needed columns in file order, each once.
fn projection(map: &Map) -> Vec<usize> {
    let mut columns: Vec<usize> = map.channels.iter().map(|c| c.index).collect();
    match map.time {
        Time::Elapsed { index, .. } | Time::Clock { index, .. } => columns.push(index),
        Time::Rate(_) => {}
    }
    columns.sort_unstable();
    columns.dedup();
    columns
}

fn parse(body: &Body, layout: &Layout, map: &Map, projection: &[usize]) -> PolarsResult<DataFrame> {
    let text = &layout.text;
    let clock = if let Time::Clock { index, .. } = map.time { Some(index) } else { None };
    let schema: Schema = (0..body.fields)
        .map(|i| {
            let kind = if clock == Some(i) { DataType::String } else { DataType::Float64 };
            (PlSmallStr::from_string(i.to_string()), kind)
        })
        .collect();
    let missing: Vec<PlSmallStr> = text.missing.iter().map(|m| PlSmallStr::from_str(m)).collect();
    CsvReadOptions::default()
        .with_has_header(false)
        .with_schema(Some(Arc::new(schema)))
        .with_projection(Some(Arc::new(projection.to_vec())))
        .with_rechunk(false)
        .with_raise_if_empty(false)
        .map_parse_options(|options| {
            options
                .with_separator(body.delimiter)
                .with_eol_char(body.eol)
                .with_quote_char(None)
                .with_decimal_comma(text.decimal == Decimal::Comma)
                .with_null_values((!missing.is_empty()).then(|| NullValues::AllColumns(missing.clone())))
        })
        .into_reader_with_file_handle(Cursor::new(body.data))
        .finish()
}

/// Takes the columns out of the frame, converted to SI; `None` where anything is odd.
fn collect<'a>(
    rows: usize,
    frame: &DataFrame,
    body: &Body,
    layout: &'a Layout,
    map: &Map<'a>,
    projection: &[usize],
) -> Option<Samples<'a>> {
    if frame.height() != rows {
        return None;
    }
    let column = |index: usize| frame.columns().get(projection.binary_search(&index).ok()?);
    let missing = Missing::new(layout);
    let numbers = |index: usize, scale: f64, offset: f64| -> Option<Vec<f64>> {
        let mut values = Vec::with_capacity(rows);
        let mut infinite = false;
        for chunk in column(index)?.f64().ok()?.downcast_iter() {
            let start = values.len();
            values.extend_from_slice(chunk.values());
            let new = values.get_mut(start..)?;
            if let Some(valid) = chunk.validity().filter(|v| v.unset_bits() > 0) {
                new.iter_mut().zip(valid.iter()).filter(|(_, ok)| !ok).for_each(|(v, _)| *v = f64::NAN);
            }
            if missing.has_numbers() {
                new.iter_mut().filter(|v| missing.number(**v)).for_each(|v| *v = f64::NAN);
            }
            for v in new {
                infinite |= v.is_infinite();
                *v = *v * scale + offset;
            }
        }
        (!infinite && values.len() == rows).then_some(values)
    };
    let mut samples = Samples::new(map, body.first_line);
    samples.rows = rows;
    match map.time {
        Time::Rate(_) => {}
        Time::Elapsed { index, scale } => samples.time = numbers(index, scale, 0.0)?,
        Time::Clock { index, format } => {
            let mut clock = Clock::new(format)?;
            let texts = column(index)?.str().ok()?;
            samples.time = texts.iter().map(|t| clock.seconds(t?)).collect::<Option<_>>()?;
        }
    }
    samples.values = map.channels.iter().map(|c| numbers(c.index, c.scale, c.offset)).collect::<Option<_>>()?;
    Some(samples)
}
