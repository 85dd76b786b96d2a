//! Delimited text: plain numbers by the quick reader, other columns (clock times, texts beside numbers) by the CSV
//! reader of polars, which reads only the needed ones. What that would accept without a word, or can't read, goes to the
//! careful reader. Whichever can read a file, the numbers are the same.

use std::io::Cursor;
use std::sync::Arc;

use polars_core::prelude::{DataFrame, DataType, PlSmallStr, PolarsResult, Schema};
use polars_io::SerReader;
use polars_io::csv::read::{CsvReadOptions, NullValues};

use super::careful::{self, Missing};
use super::clock::Clock;
use super::columns::{self, Map, Time};
use super::head;
use super::plain;
use super::samples::Samples;
use super::shape::Body;
use crate::config::layout::{Decimal, Encoding, Layout};
use crate::error::LogFault;

/// Reads a text export.
///
/// # Errors
/// Every fault that a text file can have; see [`LogFault`].
pub fn read<'a>(bytes: &[u8], layout: &'a Layout, needed: &[String]) -> Result<Samples<'a>, LogFault> {
    let head = head::read(bytes, layout, true)?;
    let map = columns::locate(&head.header, layout, needed)?;
    let names = &head.header.columns;
    let last_blank = names.last().is_some_and(|c| c.name.is_empty());
    let rest = bytes.get(head.data_start..).unwrap_or_default();
    let body = Body::new(rest, head.data_line, names.len(), last_blank, head.delimiter, head.eol);
    let quickly = plain::read(&body, layout, &map).or_else(|| fast(&body, layout, &map));
    let mut samples = match quickly {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const LAYOUTS: [&str; 4] = [
        r#"
name: plain
text: { missing: ["n/a", "-9999"] }
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: km/h }, gear: { column: Gear } }
"#,
        r#"
name: comma
text: { delimiter: ";", decimal: comma, encoding: latin1 }
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: m/s, reversed: true } }
"#,
        r#"
name: fixed
time: { rate: 10 Hz }
channels: { speed: { column: Speed, unit: m/s }, gear: { column: Gear } }
"#,
        r#"
name: clock
text: { delimiter: tab }
time: { clock: { column: Time, format: "%H:%M:%S%.f" } }
channels: { speed: { column: Speed, unit: m/s } }
"#,
    ];

    /// A sound file for a layout, with one column that nobody needs.
    fn sound(which: usize, rows: usize) -> String {
        let mut text = String::from("Time,Speed,Note,Gear\n");
        for i in 0..rows {
            let time = if which == 3 { format!("12:00:{:02}.5", i % 60) } else { format!("{i}.25") };
            let speed = if i % 3 == 1 { String::new() } else { format!("{}", 30.5 + i as f64 * 1.25) };
            text.push_str(&format!("{time},{speed},x{i},{}\n", i % 6));
        }
        match which {
            1 => text.replace(',', ";").replace('.', ","),
            3 => text.replace(',', "\t"),
            _ => text,
        }
    }

    /// What each reader makes of the same bytes: `None` where the head is refused already.
    fn all(layout: &Layout, bytes: &[u8]) -> Option<(Quick, Result<Columns, LogFault>)> {
        let needed = ["speed", "gear"].map(str::to_owned);
        let head = head::read(bytes, layout, true).ok()?;
        let map = columns::locate(&head.header, layout, &needed).ok()?;
        let names = &head.header.columns;
        let blank = names.last().is_some_and(|c| c.name.is_empty());
        let body = Body::new(&bytes[head.data_start..], head.data_line, names.len(), blank, head.delimiter, head.eol);
        let bits = |s: Samples| (s.rows, std::iter::once(s.time).chain(s.values).map(bits_of).collect());
        let quick = [plain::read(&body, layout, &map), fast(&body, layout, &map)];
        Some((quick.map(|s| s.map(bits)), careful::read(&body, layout, &map).map(bits)))
    }

    type Columns = (usize, Vec<Vec<u64>>);
    /// What the two quick readers made of it.
    type Quick = [Option<Columns>; 2];

    fn bits_of(values: Vec<f64>) -> Vec<u64> {
        values.into_iter().map(|v| if v.is_nan() { u64::MAX } else { v.to_bits() }).collect()
    }

    #[test]
    fn the_quick_readers_read_sound_files() {
        for (which, yaml) in LAYOUTS.iter().enumerate() {
            let layout: Layout = crate::config::from_text(yaml);
            let ([plain, fast], careful) = all(&layout, sound(which, 50).as_bytes()).unwrap();
            let careful = Some(careful.unwrap());
            assert_eq!(fast, careful, "{yaml}");
            // It knows no clock.
            assert_eq!(plain, careful.filter(|_| which != 3), "{yaml}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        /// However a file is damaged: what a quick reader accepts, the careful one accepts with the same numbers.
        #[test]
        fn the_quick_readers_accept_nothing_that_the_careful_one_refuses(
            which in 0..LAYOUTS.len(),
            rows in 1_usize..12,
            edits in prop::collection::vec((any::<prop::sample::Index>(), prop::sample::select(
                &b",;.\"\n\r\t -+eEnaifx0159:#'\xb0\xff\x1a/"[..]), 0_u8..3), 0..6),
            cut in prop::option::of(any::<prop::sample::Index>()),
        ) {
            let layout: Layout = crate::config::from_text(LAYOUTS[which]);
            let mut bytes = sound(which, rows).into_bytes();
            for (at, byte, how) in edits {
                let at = at.index(bytes.len());
                match how {
                    0 => bytes[at] = byte,
                    1 => bytes.insert(at, byte),
                    _ => drop(bytes.remove(at)),
                }
            }
            if let Some(cut) = cut {
                bytes.truncate(cut.index(bytes.len()) + 1);
            }
            if let Some((quick, careful)) = all(&layout, &bytes) {
                for found in quick.into_iter().flatten() {
                    prop_assert_eq!(Ok(&found), careful.as_ref(), "{}", String::from_utf8_lossy(&bytes));
                }
            }
        }
    }
}
