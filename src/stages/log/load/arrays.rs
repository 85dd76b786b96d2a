//! Columns of typed files (Parquet, Arrow IPC): any numeric width to `f64`, times to seconds.

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Field, Float64Type, Int64Type, Schema, TimeUnit};

use super::clock::Clock;
use super::columns::{self, Found, Header, HeaderColumn, Map, Time};
use super::samples::Samples;
use crate::config::layout::Layout;
use crate::error::LogFault;

/// The header that a schema is. The unit of a column is its metadata `unit`, where it has one.
pub fn header(schema: &Schema) -> Header {
    let column = |f: &std::sync::Arc<Field>| HeaderColumn {
        name: f.name().trim().to_owned(),
        unit: f.metadata().get("unit").map(|u| u.trim().to_owned()).filter(|u| !u.is_empty()),
        seconds: ticks(f.data_type()).is_some(),
    };
    Header { columns: schema.fields().iter().map(column).collect(), line: None, units_line: None }
}

/// Seconds per tick of a type that is itself a time.
fn ticks(kind: &DataType) -> Option<f64> {
    let unit = match kind {
        DataType::Timestamp(u, _) | DataType::Duration(u) | DataType::Time32(u) | DataType::Time64(u) => u,
        _ => return None,
    };
    Some(match unit {
        TimeUnit::Second => 1.0,
        TimeUnit::Millisecond => 1e-3,
        TimeUnit::Microsecond => 1e-6,
        TimeUnit::Nanosecond => 1e-9,
    })
}

/// Collects the needed columns, batch by batch.
pub struct Collector<'a> {
    layout: &'a Layout,
    map: Map<'a>,
    samples: Samples<'a>,
    /// Column in the file of each column of a batch.
    projection: Vec<usize>,
    clock: Option<Clock<'a>>,
    /// First tick of a time column that is a time by type: differences are taken in whole ticks, so that
    /// nanoseconds since 1970 lose nothing.
    epoch: Option<i64>,
}

impl<'a> Collector<'a> {
    /// For a file with this schema.
    ///
    /// # Errors
    /// As [`columns::locate`]; `WrongLayout` where a needed column holds no numbers.
    pub fn new(schema: &Schema, layout: &'a Layout, needed: &[String]) -> Result<Self, LogFault> {
        let map = columns::locate(&header(schema), layout, needed)?;
        let mut clock = None;
        let kind = |index: usize| schema.fields().get(index).map_or(&DataType::Null, |f| f.data_type());
        let mut projection: Vec<usize> = map.channels.iter().map(|c| c.index).collect();
        match map.time {
            Time::Rate(_) => {}
            Time::Elapsed { index, .. } => {
                if !(kind(index).is_numeric() || ticks(kind(index)).is_some()) {
                    return Err(no_number(layout, "time", map.time_column, kind(index)));
                }
                projection.push(index);
            }
            Time::Clock { index, format } => {
                if ticks(kind(index)).is_none() {
                    if !kind(index).is_string() {
                        return Err(no_number(layout, "time", map.time_column, kind(index)));
                    }
                    clock = Clock::new(format);
                }
                projection.push(index);
            }
        }
        let plain = |k: &DataType| match k {
            DataType::Dictionary(_, value) => value.is_numeric(),
            k => k.is_numeric() || matches!(k, DataType::Boolean | DataType::Null),
        };
        if let Some(c) = map.channels.iter().find(|c| !plain(kind(c.index))) {
            return Err(no_number(layout, c.channel, &c.source.column, kind(c.index)));
        }
        projection.sort_unstable();
        projection.dedup();
        let samples = Samples::new(&map, 0);
        Ok(Self { layout, map, samples, projection, clock, epoch: None })
    }

    /// The columns that a reader should read, in file order.
    pub fn projection(&self) -> Vec<usize> {
        self.projection.clone()
    }

    /// Takes in a batch of the projected columns.
    ///
    /// # Errors
    /// `WrongLayout` where a value is infinite or no clock time; `Unreadable` where a type can't be read.
    pub fn push(&mut self, batch: &RecordBatch) -> Result<(), LogFault> {
        let column = |index: usize| self.projection.binary_search(&index).ok().and_then(|i| batch.columns().get(i));
        let start = self.samples.rows;
        let lost = || LogFault::Unreadable { detail: "a batch lacks a column of the schema".to_owned() };
        match self.map.time {
            Time::Rate(_) => {}
            Time::Elapsed { index, .. } | Time::Clock { index, .. } => {
                let array = column(index).ok_or_else(lost)?;
                let scale = if let Time::Elapsed { scale, .. } = self.map.time { scale } else { 1.0 };
                let times = match (ticks(array.data_type()), &mut self.clock) {
                    (Some(tick), _) => relative(array, tick, &mut self.epoch)?,
                    (None, Some(clock)) => clock_times(array, clock)?,
                    (None, None) => floats(array)?.iter().map(|v| v * scale).collect(),
                };
                self.samples.time.extend(times);
            }
        }
        for (found, values) in self.map.channels.iter().zip(&mut self.samples.values) {
            let new = floats(column(found.index).ok_or_else(lost)?)?;
            if let Some(row) = new.iter().position(|v| v.is_infinite()) {
                return Err(infinite(self.layout, found, start + row + 1));
            }
            values.extend(new.into_iter().map(|v| v * found.scale + found.offset));
        }
        self.samples.rows += batch.num_rows();
        Ok(())
    }

    /// All that was taken in.
    pub fn finish(self) -> Samples<'a> {
        self.samples
    }
}

fn no_number(layout: &Layout, channel: &str, column: &str, kind: &DataType) -> LogFault {
    let detail = format!("column `{column}` of channel `{channel}` holds {kind}, not numbers");
    LogFault::WrongLayout { line: None, layout: layout.name.clone(), detail }
}

fn infinite(layout: &Layout, found: &Found, row: usize) -> LogFault {
    let detail = format!("column `{}` of channel `{}` is infinite in row {row}", found.source.column.value, found.channel);
    LogFault::WrongLayout { line: None, layout: layout.name.clone(), detail }
}

fn unreadable(e: &arrow::error::ArrowError) -> LogFault {
    LogFault::Unreadable { detail: e.to_string() }
}

fn floats(array: &ArrayRef) -> Result<Vec<f64>, LogFault> {
    let cast = cast(array, &DataType::Float64).map_err(|e| unreadable(&e))?;
    let numbers = cast.as_primitive_opt::<Float64Type>().ok_or_else(|| LogFault::Unreadable {
        detail: format!("a column of type {} can't be read as numbers", array.data_type()),
    })?;
    if numbers.null_count() == 0 {
        return Ok(numbers.values().to_vec());
    }
    Ok(numbers.iter().map(|v| v.unwrap_or(f64::NAN)).collect())
}

fn relative(array: &ArrayRef, tick: f64, epoch: &mut Option<i64>) -> Result<Vec<f64>, LogFault> {
    // 32-bit times go to 64 bits by way of 32-bit integers.
    let narrow = matches!(array.data_type(), DataType::Time32(_));
    let array = if narrow { cast(array, &DataType::Int32) } else { Ok(array.clone()) };
    let whole = array.and_then(|a| cast(&a, &DataType::Int64)).map_err(|e| unreadable(&e))?;
    let whole = whole.as_primitive_opt::<Int64Type>().ok_or_else(|| LogFault::Unreadable {
        detail: "the time column can't be read as whole ticks".to_owned(),
    })?;
    let seconds = |v: i64| v.saturating_sub(*epoch.get_or_insert(v)) as f64 * tick;
    Ok(whole.iter().map({
        let mut seconds = seconds;
        move |v| v.map_or(f64::NAN, &mut seconds)
    }).collect())
}

fn clock_times(array: &ArrayRef, clock: &mut Clock) -> Result<Vec<f64>, LogFault> {
    let text = cast(array, &DataType::Utf8).map_err(|e| unreadable(&e))?;
    let text = text.as_string_opt::<i32>().ok_or_else(|| LogFault::Unreadable {
        detail: "the clock column can't be read as text".to_owned(),
    })?;
    Ok(text.iter().map(|t| t.and_then(|t| clock.seconds(t)).unwrap_or(f64::NAN)).collect())
}
