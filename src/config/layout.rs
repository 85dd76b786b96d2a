//! The layout: how one kind of export is read. No layout ships for any product; the user writes it,
//! or has it drafted from a file.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::de::{Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize};

use crate::channels;
use crate::located::Located;
use crate::units::{self, Dimension, Frequency};

/// A layout file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// What this layout is called in messages.
    pub name: String,
    /// File format; by default told from the file name's ending.
    #[serde(default)]
    pub format: Format,
    /// How the text is read; only for `csv`.
    #[serde(default)]
    pub text: Text,
    /// Where the time comes from.
    pub time: TimeSource,
    /// Canonical channel name, or a name of your own, and the column it is read from.
    #[serde(deserialize_with = "with_key_places")]
    pub channels: BTreeMap<String, Located<Source>>,
}

/// Reads the channels; the place of each is that of its name.
fn with_key_places<'de, D: Deserializer<'de>>(de: D) -> Result<BTreeMap<String, Located<Source>>, D::Error> {
    struct Channels;
    impl<'de> Visitor<'de> for Channels {
        type Value = BTreeMap<String, Located<Source>>;
        fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
            f.write_str("key: value pairs")
        }
        fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
            let mut out = BTreeMap::new();
            while let Some(name) = map.next_key::<Located<String>>()? {
                let value = map.next_value::<Source>()?;
                out.insert(name.value, Located { value, spot: name.spot });
            }
            Ok(out)
        }
    }
    de.deserialize_map(Channels)
}

/// File format.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// By the ending: `.parquet`, `.arrow`/`.ipc`/`.feather`, anything else is text.
    #[default]
    ByEnding,
    /// Delimited text.
    Csv,
    /// Apache Parquet.
    Parquet,
    /// Apache Arrow IPC file or stream.
    Ipc,
}

/// How delimited text is read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Text {
    /// One character between fields; `tab` for a tabulator.
    pub delimiter: Located<String>,
    /// Decimal mark.
    pub decimal: Decimal,
    /// Character encoding.
    pub encoding: Encoding,
    /// Line of the channel names, from 1. Everything above it is preamble and skipped.
    pub header_line: Located<u32>,
    /// Line of the units, from 1, if the file has one.
    pub units_line: Option<Located<u32>>,
    /// First line of data; by default the line after header and units.
    pub data_line: Option<Located<u32>>,
    /// Texts that mean "not measured", besides an empty field.
    pub missing: Vec<String>,
}

impl Default for Text {
    fn default() -> Self {
        Self {
            delimiter: Located::nowhere(",".to_owned()),
            decimal: Decimal::Point,
            encoding: Encoding::Utf8,
            header_line: Located::nowhere(1),
            units_line: None,
            data_line: None,
            missing: Vec::new(),
        }
    }
}

/// Decimal mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decimal {
    /// `1.5`
    Point,
    /// `1,5`
    Comma,
}

/// Character encoding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Encoding {
    /// UTF-8, with or without byte order mark.
    Utf8,
    /// ISO 8859-1 (read as its superset windows-1252, as the WHATWG encoding standard does).
    Latin1,
}

/// Where the time of a sample comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "snake_case")]
pub enum TimeSource {
    /// A column of elapsed time.
    Column(TimeColumn),
    /// A column of clock time; passing midnight goes on into the next day.
    Clock(ClockColumn),
    /// No time column: samples at a fixed rate.
    Rate(Located<Frequency>),
}

/// A column of elapsed time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TimeColumn {
    /// Column name in the file.
    pub column: Located<String>,
    /// Unit, where the file has no units line.
    #[serde(default)]
    pub unit: Option<Located<String>>,
}

/// A column of clock time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClockColumn {
    /// Column name in the file.
    pub column: Located<String>,
    /// Format in the notation of POSIX strftime, `%.f` for a fraction of a second.
    #[serde(default = "clock_format")]
    pub format: Located<String>,
}

fn clock_format() -> Located<String> {
    Located::nowhere("%H:%M:%S%.f".to_owned())
}

/// Where a channel is read from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Column name in the file.
    pub column: Located<String>,
    /// Unit; goes before the file's units line. One of the two must say it.
    #[serde(default)]
    pub unit: Option<Located<String>>,
    /// What the channel measures; only for names of your own, canonical channels have it fixed.
    #[serde(default)]
    pub quantity: Option<Dimension>,
    /// Turns the sign, where the logger's direction is the other way round.
    #[serde(default)]
    pub reversed: bool,
    /// The log is set aside without this channel. Turn off for channels that only some logs have.
    #[serde(default = "yes")]
    pub required: bool,
}

fn yes() -> bool {
    true
}

impl Source {
    /// What the channel `name` measures: fixed for a canonical channel; else its `quantity`, or what its
    /// unit measures. `None` where neither says it.
    pub fn dimension(&self, name: &str) -> Option<Dimension> {
        let by_unit = || self.unit.as_ref().and_then(|u| units::any(u)).map(|u| u.dimension);
        channels::find(name).map(|c| c.dimension).or(self.quantity).or_else(by_unit)
    }
}
