//! From the layout's channels to the columns of one file: by name, with unit and sign settled.

use crate::config::layout::{Layout, Source, TimeSource};
use crate::error::LogFault;
use crate::units::{self, Dimension, Unit};

/// One column as the file's header gives it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HeaderColumn {
    /// Name, without quotes and spaces around it.
    pub name: String,
    /// Unit as the file says it.
    pub unit: Option<String>,
    /// The file's own type is a time: its values come out in seconds, whatever the layout says.
    pub seconds: bool,
}

/// The header of one file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Header {
    /// Columns in file order.
    pub columns: Vec<HeaderColumn>,
    /// Line of the names, where the file is text.
    pub line: Option<u64>,
    /// Line of the units, where the file is text and has one.
    pub units_line: Option<u64>,
}

/// A channel with its column: `si = value * scale + offset`.
#[derive(Clone, Copy, Debug)]
pub struct Found<'a> {
    /// Channel name.
    pub channel: &'a str,
    /// What it measures.
    pub dimension: Dimension,
    /// How the layout describes it.
    pub source: &'a Source,
    /// Column in the file, from 0.
    pub index: usize,
    /// SI per unit, sign turned where the layout says so.
    pub scale: f64,
    /// SI value of zero.
    pub offset: f64,
    /// The file's unit, where the layout names another one.
    pub unlike_file: Option<&'static str>,
}

/// Where the time comes from, resolved.
#[derive(Clone, Copy, Debug)]
pub enum Time<'a> {
    /// Elapsed time: column, seconds per unit.
    Elapsed { index: usize, scale: f64 },
    /// Clock time: column, format.
    Clock { index: usize, format: &'a str },
    /// Samples per second.
    Rate(f64),
}

/// The columns of a file that are to be read.
#[derive(Clone, Debug)]
pub struct Map<'a> {
    /// Time.
    pub time: Time<'a>,
    /// Name of the time column, for messages; empty where there is none.
    pub time_column: &'a str,
    /// Channels in the order of the layout.
    pub channels: Vec<Found<'a>>,
}

/// Finds the needed columns of a file.
///
/// # Errors
/// `WrongLayout` where nothing fits or a name stands twice, `MissingChannel` where a required channel has no
/// column, `WrongUnit` where a unit is unknown, missing or measures something else.
pub fn locate<'a>(header: &Header, layout: &'a Layout, needed: &[String]) -> Result<Map<'a>, LogFault> {
    let wanted: Vec<(&str, &Source)> = layout
        .channels
        .iter()
        .map(|(name, source)| (name.as_str(), &source.value))
        .filter(|(name, _)| needed.iter().any(|n| n == name))
        .collect();
    let time_column = match &layout.time {
        TimeSource::Column(c) => c.column.as_str(),
        TimeSource::Clock(c) => c.column.as_str(),
        TimeSource::Rate(_) => "",
    };
    let look = Look { header, layout };
    look.anything(wanted.iter().map(|w| w.1.column.as_str()).chain([time_column]))?;
    let time = match &layout.time {
        TimeSource::Rate(rate) => Time::Rate(rate.get()),
        TimeSource::Clock(c) => Time::Clock { index: look.required("time", &c.column)?, format: &c.format },
        TimeSource::Column(c) => {
            let index = look.required("time", &c.column)?;
            let unit = look.unit("time", index, &c.column, c.unit.as_ref().map(|u| u.as_str()), Dimension::Time)?;
            Time::Elapsed { index, scale: unit.scale }
        }
    };
    let mut channels = Vec::with_capacity(wanted.len());
    for (channel, source) in wanted {
        let index = match look.find(channel, &source.column)? {
            Some(index) => index,
            None if source.required => look.required(channel, &source.column)?,
            None => continue,
        };
        channels.push(look.channel(channel, source, index)?);
    }
    Ok(Map { time, time_column, channels })
}

/// The looked-through header, with what messages need.
struct Look<'a> {
    header: &'a Header,
    layout: &'a Layout,
}

impl Look<'_> {
    /// Refuses a header in which none of the names stands: then the layout is wrong, not a channel missing.
    fn anything<'n>(&self, mut names: impl Iterator<Item = &'n str>) -> Result<(), LogFault> {
        if names.any(|n| self.header.columns.iter().any(|c| c.name == n))
            || matches!(self.layout.time, TimeSource::Rate(_))
        {
            return Ok(());
        }
        let first: Vec<&str> = self.header.columns.iter().take(3).map(|c| c.name.as_str()).collect();
        Err(self.wrong(format!(
            "none of the layout's columns is in the header, which begins `{}`",
            shorten(&first.join(", "))
        )))
    }

    fn wrong(&self, detail: String) -> LogFault {
        LogFault::WrongLayout { line: self.header.line, layout: self.layout.name.clone(), detail }
    }

    fn find(&self, channel: &str, column: &str) -> Result<Option<usize>, LogFault> {
        let mut at = self.header.columns.iter().enumerate().filter(|(_, c)| c.name == column.trim()).map(|(i, _)| i);
        match (at.next(), at.next()) {
            (Some(a), Some(b)) => Err(self.wrong(format!(
                "column `{column}` of channel `{channel}` is ambiguous: it is field {} and field {}",
                a + 1,
                b + 1
            ))),
            (found, _) => Ok(found),
        }
    }

    /// Columns of the file that the layout takes for nothing: one of another channel is no slip of the pen.
    fn unused(&self) -> impl Iterator<Item = &str> {
        let taken = |name: &str| self.layout.channels.values().any(|source| source.column.trim() == name);
        self.header.columns.iter().map(|c| c.name.as_str()).filter(move |name| !taken(name))
    }

    fn required(&self, channel: &str, column: &str) -> Result<usize, LogFault> {
        self.find(channel, column)?.ok_or_else(|| LogFault::MissingChannel {
            channel: channel.to_owned(),
            column: column.to_owned(),
            near: units::nearest(column, self.unused()).map(str::to_owned),
        })
    }

    fn channel<'a>(&self, channel: &'a str, source: &'a Source, index: usize) -> Result<Found<'a>, LogFault> {
        let said = source.unit.as_ref().map(|u| u.as_str());
        let in_file = self.header.columns.get(index).and_then(|c| c.unit.as_deref());
        let dimension = source
            .dimension(channel)
            .or_else(|| in_file.and_then(units::any).map(|u| u.dimension))
            .unwrap_or(Dimension::Ratio);
        let unit = self.unit(channel, index, &source.column, said, dimension)?;
        if source.reversed && unit.offset != 0.0 {
            return Err(self.wrong_unit(channel, &source.column, None, "a temperature can't be reversed".to_owned()));
        }
        let of_file = in_file.and_then(|symbol| units::unit_of(symbol, dimension).ok());
        let unlike_file = of_file.filter(|other| (other.scale, other.offset) != (unit.scale, unit.offset));
        let sign = if source.reversed { -1.0 } else { 1.0 };
        Ok(Found {
            channel,
            dimension,
            source,
            index,
            scale: sign * unit.scale,
            offset: sign * unit.offset,
            unlike_file: unlike_file.map(|other| other.symbol),
        })
    }

    /// The layout's unit goes before the file's. A plain number may go without unit only where it has none.
    fn unit(
        &self,
        channel: &str,
        index: usize,
        column: &str,
        said: Option<&str>,
        dimension: Dimension,
    ) -> Result<Unit, LogFault> {
        let in_file = self.header.columns.get(index);
        if in_file.is_some_and(|c| c.seconds) && dimension == Dimension::Time {
            return Ok(Unit { symbol: "s", dimension, scale: 1.0, offset: 0.0 });
        }
        let from_file = in_file.and_then(|c| c.unit.as_deref());
        let line = if said.is_none() && from_file.is_some() { self.header.units_line } else { None };
        match said.or(from_file) {
            Some(symbol) => {
                units::unit_of(symbol, dimension).map_err(|e| self.wrong_unit(channel, column, line, e.to_string()))
            }
            None if dimension == Dimension::Ratio => Ok(Unit { symbol: "1", dimension, scale: 1.0, offset: 0.0 }),
            None => Err(self.wrong_unit(
                channel,
                column,
                self.header.units_line,
                format!(
                    "no unit, neither in the layout nor in the file; one like in `{}` is needed",
                    dimension.example()
                ),
            )),
        }
    }

    fn wrong_unit(&self, channel: &str, column: &str, line: Option<u64>, detail: String) -> LogFault {
        LogFault::WrongUnit { line, channel: channel.to_owned(), column: column.to_owned(), detail }
    }
}

/// At most 60 characters of a text, for messages.
pub fn shorten(text: &str) -> String {
    if text.chars().count() <= 60 {
        return text.to_owned();
    }
    text.chars().take(57).chain("...".chars()).collect()
}
