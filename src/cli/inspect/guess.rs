//! From columns to a layout: time, channels, units. What is guessed is marked.

use chrono::format::StrftimeItems;

use super::sheet::{Column, Sheet};
use super::words;
use crate::channels::Channel;
use crate::units::{self, Dimension};

/// Formats of clock time that are tried, in this order.
const CLOCKS: &[&str] = &[
    "%H:%M:%S%.f",
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d/%m/%Y %H:%M:%S%.f",
    "%I:%M:%S%.f %p",
];

/// Where the time comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Time {
    /// A column that rises; its unit where the layout must say it, and whether that was guessed.
    Column { index: usize, unit: Option<String>, guessed: bool },
    /// A column of clock times.
    Clock { index: usize, format: &'static str },
    /// Nothing rises.
    None,
}

/// A column that may be a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapped {
    /// The channel.
    pub channel: &'static str,
    /// Column in the file.
    pub index: usize,
    /// Unit that the layout must say.
    pub unit: Option<String>,
    /// What to look at again.
    pub check: Vec<String>,
}

/// What was made of a sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// Time.
    pub time: Time,
    /// Channels, by name.
    pub mapped: Vec<Mapped>,
    /// Columns whose name was understood and whose unit was not.
    pub unread: Vec<Unread>,
}

/// A column that would be a channel but for its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Unread {
    /// The channel.
    pub channel: &'static str,
    /// Column in the file.
    pub index: usize,
    /// What is wrong with the unit.
    pub why: String,
}

/// Guesses.
pub fn guess(sheet: &Sheet) -> Guess {
    let time = time(sheet);
    let (mut mapped, mut unread): (Vec<(i32, Mapped)>, Vec<Unread>) = (Vec::new(), Vec::new());
    for (index, column) in sheet.columns.iter().enumerate() {
        let is_time = matches!(time, Time::Column { index: i, .. } | Time::Clock { index: i, .. } if i == index);
        let twice = sheet.columns.iter().filter(|c| c.name == column.name).count() > 1;
        if is_time || twice || column.name.is_empty() || !column.is_numeric() {
            continue;
        }
        let Some((channel, score)) = words::channel(&column.name) else { continue };
        let new = match map(channel, index, column) {
            Ok(Some(new)) => new,
            Ok(None) => continue,
            Err(why) => {
                unread.push(Unread { channel: channel.name, index, why });
                continue;
            }
        };
        // Of several columns the likeliest name counts, of equals the first.
        match mapped.iter_mut().find(|(_, m)| m.channel == channel.name) {
            Some(old) if old.0 < score => {
                let other = sheet.columns.get(old.1.index).map_or("", |c| c.name.as_str());
                let mut new = new;
                new.check.push(format!("or `{other}`"));
                *old = (score, new);
            }
            Some(old) => old.1.check.push(format!("or `{}`", column.name)),
            None => mapped.push((score, new)),
        }
    }
    let mut mapped: Vec<Mapped> = mapped.into_iter().map(|(_, m)| m).collect();
    mapped.sort_by_key(|m| m.channel);
    unread.retain(|u| mapped.iter().all(|m| m.channel != u.channel));
    Guess { time, mapped, unread }
}

/// The column's unit must measure what the channel does; without unit one is guessed from the numbers.
fn map(channel: &'static Channel, index: usize, column: &Column) -> Result<Option<Mapped>, String> {
    let mut check = Vec::new();
    let unit = match &column.unit {
        Some(unit) => match units::unit_of(unit, channel.dimension) {
            Ok(_) => (!column.unit_in_file).then(|| unit.clone()),
            Err(wrong) => {
                let meant = units::whatever_case(unit, channel.dimension).ok_or_else(|| wrong.to_string())?;
                check.push(format!("the file writes `{unit}`"));
                Some(meant.symbol.to_owned())
            }
        },
        None => {
            let Some((low, high)) = column.range() else { return Ok(None) };
            check.push("the unit is a guess".to_owned());
            Some(likely_unit(channel, low.abs().max(high.abs())).to_owned())
        }
    };
    if matches!(channel.name, "steering" | "accel_y") {
        check.push("left positive?".to_owned());
    } else if channel.name.starts_with("damper_") {
        check.push("compression positive?".to_owned());
    }
    Ok(Some(Mapped { channel: channel.name, index, unit, check }))
}

/// The unit in which the largest number makes sense.
fn likely_unit(channel: &Channel, largest: f64) -> &'static str {
    let steps: &[(f64, &str)] = match (channel.dimension, channel.name) {
        (Dimension::Speed, _) => &[(90.0, "m/s"), (f64::INFINITY, "km/h")],
        (Dimension::Acceleration, _) => &[(6.0, "g"), (f64::INFINITY, "m/s2")],
        (Dimension::Angle, _) => &[(6.5, "rad"), (f64::INFINITY, "deg")],
        (Dimension::Length, "altitude") => &[(f64::INFINITY, "m")],
        (Dimension::Length, _) => &[(0.5, "m"), (f64::INFINITY, "mm")],
        (Dimension::Pressure, "air_pressure") => {
            &[(2.0, "bar"), (200.0, "kPa"), (2000.0, "hPa"), (f64::INFINITY, "Pa")]
        }
        (Dimension::Pressure, _) => &[(400.0, "bar"), (20_000.0, "kPa"), (f64::INFINITY, "Pa")],
        (Dimension::Temperature, _) => &[(150.0, "degC"), (f64::INFINITY, "K")],
        (Dimension::Ratio, "gear") => &[(f64::INFINITY, "1")],
        (Dimension::Ratio, _) => &[(1.5, "1"), (f64::INFINITY, "%")],
        (Dimension::AngularSpeed, _) => &[(f64::INFINITY, "rpm")],
        (dimension, _) => return dimension.si(),
    };
    steps.iter().find(|(limit, _)| largest <= *limit).map_or(channel.dimension.si(), |(_, unit)| unit)
}

fn time(sheet: &Sheet) -> Time {
    let called = |c: &Column| {
        let words = words::words(&c.name);
        words.iter().any(|w| matches!(w.as_str(), "time" | "t" | "zeit" | "elapsed" | "timestamp" | "utc"))
    };
    let lasting = |c: &Column| c.unit.as_ref().is_none_or(|u| units::unit_of(u, Dimension::Time).is_ok());
    let rising = |c: &Column| c.seconds || (c.is_numeric() && c.blank + c.text_count == 0 && rises(&c.values));
    let candidates = || sheet.columns.iter().enumerate().filter(|(_, c)| !c.name.is_empty());
    let named = candidates().find(|(_, c)| called(c) && lasting(c) && rising(c));
    let by_unit = || candidates().find(|(_, c)| c.unit.is_some() && lasting(c) && rising(c));
    if let Some((index, column)) = named.or_else(by_unit) {
        let guessed = column.unit.is_none();
        let unit = match &column.unit {
            _ if column.seconds || column.unit_in_file => None,
            Some(unit) => Some(unit.clone()),
            None => Some(likely_time_unit(&column.values).to_owned()),
        };
        return Time::Column { index, unit, guessed };
    }
    for (index, column) in candidates() {
        if let Some(format) = CLOCKS.iter().find(|f| is_clock(column, f)) {
            return Time::Clock { index, format };
        }
    }
    match candidates().next().filter(|(_, c)| lasting(c) && rising(c)) {
        Some((index, column)) => {
            let unit = (!column.unit_in_file).then(|| likely_time_unit(&column.values).to_owned());
            Time::Column { index, unit, guessed: true }
        }
        None => Time::None,
    }
}

fn rises(values: &[f64]) -> bool {
    values.len() > 1 && values.windows(2).all(|w| matches!(w, [a, b] if a < b))
}

fn is_clock(column: &Column, format: &str) -> bool {
    let Ok(items) = StrftimeItems::new(format).parse() else { return false };
    let parses = |text: &str| {
        let mut parsed = chrono::format::Parsed::new();
        chrono::format::parse(&mut parsed, text, items.iter()).is_ok()
    };
    column.texts.len() > 1 && column.texts.iter().all(|(_, t)| parses(t))
}

/// Loggers sample between 1 and some 1000 times a second.
fn likely_time_unit(values: &[f64]) -> &'static str {
    let mut steps: Vec<f64> = values.windows(2).map(|w| w[1] - w[0]).filter(|s| *s > 0.0).collect();
    if steps.is_empty() {
        return "s";
    }
    let middle = steps.len() / 2;
    match *steps.select_nth_unstable_by(middle, f64::total_cmp).1 {
        s if s < 1.0 => "s",
        s if s < 900.0 => "ms",
        _ => "us",
    }
}
