//! A layout file for an export, drafted from what was seen. Every guess is marked `check`.

use std::fmt::Write as _;

use super::guess::{Guess, Time};
use super::sheet::Sheet;
use crate::config::layout::{Decimal, Encoding, Format};
use crate::units;

/// The layout file's text. `name` is what the layout is called.
pub fn yaml(name: &str, sheet: &Sheet, guess: &Guess) -> String {
    let mut out = String::new();
    out.push_str("# Drafted from one file. Lines marked `check` hold a guess: look at each of them.\n");
    out.push_str("# Signs: x forward, y left, z up, compression positive; `reversed: true` turns a channel.\n");
    line(&mut out, &format!("name: {}", quoted(name)));
    text(&mut out, sheet);
    time(&mut out, sheet, guess);
    channels(&mut out, sheet, guess);
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

/// A double-quoted YAML text: JSON's escapes are YAML's too, which wants some more.
fn quoted(text: &str) -> String {
    let escaped = |c: char| match c {
        '\u{7f}'..='\u{9f}' | '\u{feff}' => format!("\\u{:04x}", u32::from(c)),
        c => c.to_string(),
    };
    serde_json::Value::from(text).to_string().chars().map(escaped).collect()
}

fn text(out: &mut String, sheet: &Sheet) {
    match sheet.format {
        Format::Parquet => line(out, "format: parquet"),
        Format::Ipc => line(out, "format: ipc"),
        Format::Csv | Format::ByEnding => line(out, "format: csv"),
    }
    let Some(sniffed) = &sheet.text else { return };
    line(out, "text:");
    let delimiter = if sniffed.delimiter == '\t' { "tab".to_owned() } else { sniffed.delimiter.to_string() };
    line(out, &format!("  delimiter: {}", quoted(&delimiter)));
    if sniffed.decimal == Decimal::Comma {
        line(out, "  decimal: comma");
    }
    if sniffed.encoding == Encoding::Latin1 {
        line(out, "  encoding: latin1");
    }
    let header = sniffed.header_line.unwrap_or(1);
    line(out, &format!("  header_line: {header}"));
    if let Some(units) = sniffed.units_line {
        line(out, &format!("  units_line: {units}"));
    }
    if sniffed.data_line != header.max(sniffed.units_line.unwrap_or(0)) + 1 {
        line(out, &format!("  data_line: {}", sniffed.data_line));
    }
    let missing = missing(sheet);
    if !missing.is_empty() {
        let list: Vec<String> = missing.iter().map(|m| quoted(m)).collect();
        line(out, &format!("  missing: [{}]  # check: texts between the numbers", list.join(", ")));
    }
}

/// The few texts that stand in columns of numbers.
fn missing(sheet: &Sheet) -> Vec<&str> {
    let numeric = sheet.columns.iter().filter(|c| c.is_numeric());
    let mut all: Vec<&str> = numeric.flat_map(|c| c.texts.iter().map(|(_, t)| t.as_str())).collect();
    all.sort_unstable();
    all.dedup();
    all.truncate(10);
    all
}

fn time(out: &mut String, sheet: &Sheet, guess: &Guess) {
    let column = |index: usize| quoted(sheet.columns.get(index).map_or("", |c| c.name.as_str()));
    line(out, "time:");
    match &guess.time {
        Time::Column { index, unit, guessed } => {
            let unit = unit.as_ref().map(|u| format!(", unit: {}", quoted(u))).unwrap_or_default();
            let check = if *guessed { "  # check: the unit is a guess" } else { "" };
            line(out, &format!("  column: {{ column: {}{unit} }}{check}", column(*index)));
        }
        Time::Clock { index, format } => {
            line(out, &format!("  clock: {{ column: {}, format: {} }}", column(*index), quoted(format)));
        }
        Time::None => line(out, "  rate: 100 Hz  # check: no column of time was found; write the rate of the export"),
    }
}

fn channels(out: &mut String, sheet: &Sheet, guess: &Guess) {
    line(out, if guess.mapped.is_empty() { "channels: {}  # check: no name was understood" } else { "channels:" });
    for mapped in &guess.mapped {
        let name = sheet.columns.get(mapped.index).map_or("", |c| c.name.as_str());
        let unit = mapped.unit.as_ref().map(|u| format!(", unit: {}", quoted(u))).unwrap_or_default();
        let check =
            if mapped.check.is_empty() { String::new() } else { format!("  # check: {}", mapped.check.join("; ")) };
        line(out, &format!("  {}: {{ column: {}{unit} }}{check}", mapped.channel, quoted(name)));
    }
    for unread in &guess.unread {
        let name = sheet.columns.get(unread.index).map_or("", |c| c.name.as_str());
        let (channel, why) = (unread.channel, &unread.why);
        line(out, &format!("  # {channel}: {{ column: {}, unit: ... }}  # check: {why}", quoted(name)));
    }
    let time = match guess.time {
        Time::Column { index, .. } | Time::Clock { index, .. } => Some(index),
        Time::None => None,
    };
    let rest = sheet.columns.iter().enumerate().filter(|(i, c)| {
        Some(*i) != time
            && c.is_numeric()
            && !c.name.is_empty()
            && guess.mapped.iter().all(|m| m.index != *i)
            && guess.unread.iter().all(|u| u.index != *i)
    });
    let mut first = true;
    for (_, column) in rest {
        if first {
            line(
                out,
                "  # Columns that are no channel yet. Stages know channels by the names in schemas/channels.json (`speed`,",
            );
            line(
                out,
                "  # `damper_fl`, `accel_y`): put these in the place of the names below. What you only fit may have any name.",
            );
            first = false;
        }
        let known = column.unit.as_ref().and_then(|u| units::any(u));
        let unit = column.unit.as_ref().filter(|_| known.is_some() && !column.unit_in_file);
        let mut entry = format!("  # {}: {{ column: {}", own_name(&column.name), quoted(&column.name));
        if let Some(unit) = unit {
            let _ = write!(entry, ", unit: {}", quoted(unit));
        }
        let quantity = known.and_then(|u| serde_json::to_value(u.dimension).ok());
        match quantity.as_ref().and_then(|q| q.as_str()) {
            Some(quantity) => drop(write!(entry, ", quantity: {quantity} }}")),
            None => entry.push_str(", quantity: ... }"),
        }
        line(out, &entry);
    }
}

/// Small letters, figures and underscores.
fn own_name(name: &str) -> String {
    let words = super::words::words(name).join("_");
    let plain: String = words.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
    if plain.starts_with(|c: char| c.is_ascii_lowercase()) { plain } else { format!("channel_{plain}") }
}
