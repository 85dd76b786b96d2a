//! The findings as a plain table.

use std::path::Path;

use super::Trial;
use super::guess::{Guess, Time};
use super::sheet::{Column, Sheet};
use crate::config::layout::{Decimal, Encoding, Format};

/// The table. `trial` is what came of reading the file by the drafted layout.
pub fn table(file: &Path, sheet: &Sheet, guess: &Guess, trial: Option<&Trial>) -> String {
    let mut out = facts(file, sheet);
    let column = |i: usize| sheet.columns.get(i).map_or("", |c| c.name.as_str());
    out.push_str(&match &guess.time {
        Time::Column { index, .. } => format!("time       column `{}`, elapsed\n", column(*index)),
        Time::Clock { index, format } => format!("time       column `{}`, clock as `{format}`\n", column(*index)),
        Time::None => "time       no column of time found\n".to_owned(),
    });
    let seconds = trial.and_then(|t| t.as_ref().ok()).copied().filter(|s| *s > 0.0);
    let rate = seconds.map(|s| sheet.rows.saturating_sub(1) as f64 / s);
    out.push_str(&match (seconds, rate) {
        (Some(s), Some(rate)) => format!("rows       {}, {} s, {} Hz\n", sheet.rows, short(s), short(rate)),
        _ => format!("rows       {}\n", sheet.rows),
    });
    match trial {
        Some(Ok(_)) => out.push_str("draft      reads the file\n"),
        Some(Err(fault)) => out.push_str(&format!("draft      does not read the file yet: {fault}\n")),
        None => out.push_str("draft      no column name was understood; write the channels by hand\n"),
    }
    out.push('\n');
    let head = ["column", "unit", "rate", "blank", "min", "max", "channel"].map(str::to_owned);
    let rows = sheet.columns.iter().enumerate().map(|(i, c)| cells(i, c, sheet, guess, rate));
    out.push_str(&aligned(std::iter::once(head).chain(rows).collect()));
    out
}

fn facts(file: &Path, sheet: &Sheet) -> String {
    let bytes = std::fs::metadata(file).map_or(0, |m| m.len());
    let format = match sheet.format {
        Format::Parquet => "Parquet",
        Format::Ipc => "Arrow IPC",
        Format::Csv | Format::ByEnding => "text",
    };
    let mut out = format!("file       {}, {bytes} bytes, {format}\n", file.display());
    let Some(text) = &sheet.text else { return out };
    let delimiter = if text.delimiter == '\t' { "tab".to_owned() } else { format!("`{}`", text.delimiter) };
    let decimal = if text.decimal == Decimal::Comma { "comma" } else { "point" };
    let encoding = if text.encoding == Encoding::Latin1 { "Latin-1" } else { "UTF-8" };
    out.push_str(&format!("text       {encoding}, {delimiter} between fields, decimal {decimal}\n"));
    let units = text.units_line.map_or("no line of units".to_owned(), |u| format!("units in line {u}"));
    let names = text.header_line.unwrap_or_default();
    out.push_str(&format!("lines      names in line {names}, {units}, data from line {}\n", text.data_line));
    out
}

fn cells(index: usize, column: &Column, sheet: &Sheet, guess: &Guess, rate: Option<f64>) -> [String; 7] {
    let filled = column.values.iter().filter(|v| v.is_finite()).count();
    let share = |n: usize| n as f64 / sheet.rows.max(1) as f64;
    let channel = match guess.time {
        Time::Column { index: i, .. } | Time::Clock { index: i, .. } if i == index => "(time)".to_owned(),
        _ => guess
            .mapped
            .iter()
            .find(|m| m.index == index)
            .map(|m| format!("{}{}", m.channel, if m.check.is_empty() { "" } else { " ?" }))
            .or_else(|| guess.unread.iter().find(|u| u.index == index).map(|u| format!("{}: unit?", u.channel)))
            .unwrap_or_default(),
    };
    let (low, high) = match column.range() {
        Some((low, high)) => (short(low), short(high)),
        None => (column.texts.first().map_or(String::new(), |t| format!("\"{}\"", clipped(&t.1))), String::new()),
    };
    [
        clipped(&column.name),
        column.unit.clone().unwrap_or_default(),
        rate.filter(|_| filled > 0).map_or(String::new(), |r| format!("{} Hz", short(r * share(filled)))),
        format!("{} %", short((share(column.blank) * 1000.0).round() / 10.0)),
        low,
        high,
        channel,
    ]
}

fn clipped(text: &str) -> String {
    if text.chars().count() <= 30 { text.to_owned() } else { text.chars().take(27).chain("...".chars()).collect() }
}

/// Four significant digits, no tail of zeros.
fn short(value: f64) -> String {
    let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(value);
    // Zero has no sign here.
    format!("{}", rounded + 0.0)
}

/// Columns of text side by side; numbers stand right.
fn aligned(rows: Vec<[String; 7]>) -> String {
    let width = |i: usize| rows.iter().filter_map(|r| r.get(i)).map(|c| c.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..7).map(width).collect();
    let mut out = String::new();
    for row in &rows {
        let mut line = String::new();
        for (i, (cell, width)) in row.iter().zip(&widths).enumerate() {
            let pad = " ".repeat(width.saturating_sub(cell.chars().count()));
            let right = (2..=5).contains(&i);
            line.push_str(&if right { format!("{pad}{cell}  ") } else { format!("{cell}{pad}  ") });
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}
