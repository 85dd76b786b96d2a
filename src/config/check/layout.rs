//! Can an export be read by this layout, and does every channel say what it measures?

use std::collections::BTreeMap;

use chrono::format::{Item, StrftimeItems};

use super::Findings;
use crate::channels;
use crate::config::layout::{Decimal, Format, Layout, Source, Text, TimeSource};
use crate::located::Located;
use crate::units::{self, Dimension, UNITS};

/// Names that stages give to what they make; no channel of a file may carry them.
const TAKEN: &[&str] = &[
    "time",
    "air_density",
    "density_ratio",
    "effective_v2",
    "front_downforce",
    "rear_downforce",
    "downforce",
    "drag",
    "resistance",
    "balance",
    "efficiency",
];

/// Checks a layout.
pub fn check(layout: &Layout, f: &mut Findings) {
    text(&layout.text, f);
    let units_needed = layout.text.units_line.is_none() && matches!(layout.format, Format::Csv | Format::ByEnding);
    time(&layout.time, units_needed, f);
    if layout.channels.is_empty() {
        f.fault(Default::default(), "the layout reads no channel", "expected at least one under `channels`");
    }
    for (name, source) in &layout.channels {
        channel(name, source, units_needed, f);
    }
    columns(layout, f);
}

fn text(text: &Text, f: &mut Findings) {
    let delimiter = text.delimiter.as_str();
    if delimiter != "tab" && delimiter.chars().count() != 1 {
        f.fault(text.delimiter.spot, format!("delimiter `{delimiter}` is not one character"), "expected one, or `tab`");
    } else if !delimiter.is_ascii()
        || matches!(delimiter, "\"" | "\n" | "\r")
        || delimiter.chars().all(char::is_alphanumeric) && delimiter != "tab"
    {
        f.fault(
            text.delimiter.spot,
            format!("`{delimiter}` can't separate fields"),
            "expected a mark like `,` or `;`, or `tab`",
        );
    }
    let mark = match text.decimal {
        Decimal::Point => ".",
        Decimal::Comma => ",",
    };
    if delimiter == mark {
        f.fault_with_hint(
            text.delimiter.spot,
            "the delimiter is also the decimal mark",
            format!("numbers are written with `{mark}` as decimal mark"),
            "exports with a decimal comma mostly separate fields by `;` or `tab`",
        );
    }
    lines(text, f);
}

fn lines(text: &Text, f: &mut Findings) {
    let header = &text.header_line;
    let named = [
        ("header_line", Some(header)),
        ("units_line", text.units_line.as_ref()),
        ("data_line", text.data_line.as_ref()),
    ];
    for (key, line) in named.iter().filter_map(|(k, l)| l.map(|l| (k, l))) {
        if line.value == 0 {
            f.fault(line.spot, format!("`{key}` is 0"), "lines are counted from 1");
        }
    }
    if let Some(units) = &text.units_line
        && units.value == header.value
    {
        f.fault(
            units.spot,
            "the units stand in the header's own line",
            format!("`header_line` is {} too", header.value),
        );
    }
    let last = text.units_line.as_ref().map_or(header.value, |u| u.value.max(header.value));
    if let Some(data) = &text.data_line
        && data.value != 0
        && data.value <= last
    {
        f.fault(data.spot, "the data start above the header or units", format!("expected {} or later", last + 1));
    }
}

fn time(time: &TimeSource, units_needed: bool, f: &mut Findings) {
    match time {
        TimeSource::Column(c) => {
            f.not_empty("the time column", &c.column);
            match &c.unit {
                Some(unit) => drop(fits("the time column", unit, Dimension::Time, f)),
                None if units_needed => no_unit("the time column", &c.column, Dimension::Time, f),
                None => {}
            }
        }
        TimeSource::Clock(c) => {
            f.not_empty("the clock column", &c.column);
            if StrftimeItems::new(&c.format).any(|i| matches!(i, Item::Error)) {
                f.fault(c.format.spot, "this is no clock format", "expected one like `%H:%M:%S%.f`");
            }
        }
        TimeSource::Rate(rate) => {
            f.within("the sampling rate", rate, (0.1, 100_000.0), "Hz");
        }
    }
}

fn fits(what: &str, unit: &Located<String>, dimension: Dimension, f: &mut Findings) -> bool {
    match units::unit_of(unit, dimension) {
        Ok(_) => true,
        Err(e) => {
            f.fault(unit.spot, format!("wrong unit of {what}"), e.to_string());
            false
        }
    }
}

fn no_unit(what: &str, at: &Located<String>, dimension: Dimension, f: &mut Findings) {
    f.fault_with_hint(
        at.spot,
        format!("{what} has no unit"),
        format!("expected a `unit` of {}, like `{}`", dimension.label(), dimension.si()),
        "where the file has a line of units, name it: `text: { units_line: 2 }`",
    );
}

fn channel(name: &str, source: &Located<Source>, units_needed: bool, f: &mut Findings) {
    f.not_empty(&format!("the column of channel `{name}`"), &source.column);
    let what = format!("channel `{name}`");
    let dimension = match channels::find(name) {
        Some(known) => canonical(known, source, f),
        None => own(name, source, f),
    };
    let Some(dimension) = dimension else { return };
    match &source.unit {
        Some(unit) => drop(fits(&what, unit, dimension, f)),
        None if units_needed => no_unit(&what, &source.column, dimension, f),
        None => {}
    }
}

fn canonical(known: &channels::Channel, source: &Located<Source>, f: &mut Findings) -> Option<Dimension> {
    if source.quantity.is_some_and(|q| q != known.dimension) {
        f.fault(
            source.spot,
            format!("channel `{}` always measures {}", known.name, known.dimension.label()),
            "leave `quantity` out, or use a name of your own",
        );
        return None;
    }
    Some(known.dimension)
}

/// A channel under the user's own name: the name must be usable as a column of a table, and the dimension known.
fn own(name: &str, source: &Located<Source>, f: &mut Findings) -> Option<Dimension> {
    let word = name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    let near = units::nearest(name, channels::CHANNELS.iter().map(|c| c.name));
    if !word {
        let label = near
            .map_or_else(|| "expected small letters, digits and `_`".to_owned(), |n| format!("did you mean `{n}`?"));
        f.fault(source.spot, format!("channel name `{name}` is not in snake case"), label);
    }
    if TAKEN.contains(&name) {
        f.fault(source.spot, format!("`{name}` is the name of something that a stage makes"), "expected another name");
    }
    let dimension = source.dimension(name);
    let by_unit = |u: &Located<String>| UNITS.iter().filter(|x| x.symbol == u.trim()).count();
    match (&source.unit, source.quantity) {
        (_, Some(_)) => {}
        (Some(unit), None) if by_unit(unit) > 1 => {
            f.fault(
                unit.spot,
                format!("unit `{}` of channel `{name}` has two meanings", unit.value),
                "say what is measured with `quantity`",
            );
            return None;
        }
        _ if dimension.is_none() => {
            let hint = near.map_or_else(
                || "`quantity` is one of the dimensions, like `pressure`".to_owned(),
                |n| format!("or did you mean the channel `{n}`?"),
            );
            f.fault_with_hint(
                source.spot,
                format!("what channel `{name}` measures is not known"),
                "expected a `quantity`, or a known `unit`",
                &hint,
            );
        }
        _ => {}
    }
    dimension
}

/// One column feeds one channel: two channels with the same numbers are a slip of the pen.
fn columns(layout: &Layout, f: &mut Findings) {
    let mut seen: BTreeMap<&str, &Located<String>> = BTreeMap::new();
    let mut all: Vec<_> = layout.channels.values().map(|s| &s.column).collect();
    all.sort_by_key(|c| (c.spot.line, c.spot.column));
    for column in all.into_iter().filter(|c| !c.trim().is_empty()) {
        if let Some(first) = seen.insert(column.trim(), column) {
            f.fault(
                column.spot,
                format!("column `{}` is read as two channels", column.value),
                format!("already named in line {}", first.spot.line),
            );
        }
    }
}
