//! Columns of typed files (Parquet, Arrow IPC): any numeric width to `f64`, times to seconds.

use arrow_array::cast::AsArray;
use arrow_array::types::{
    ArrowPrimitiveType, DurationMicrosecondType, DurationMillisecondType, DurationNanosecondType, DurationSecondType,
    Float16Type, Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Int64Type, Time32MillisecondType,
    Time32SecondType, Time64MicrosecondType, Time64NanosecondType, TimestampMicrosecondType, TimestampMillisecondType,
    TimestampNanosecondType, TimestampSecondType, UInt8Type, UInt16Type, UInt32Type, UInt64Type,
};
use arrow_array::{Array, RecordBatch};
use arrow_schema::{DataType, Field, Schema, TimeUnit};

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

/// Every column as it stands in the file; `None` for the values of what is neither number nor time.
pub fn raw_columns(schema: &Schema, batches: &[RecordBatch]) -> Vec<(HeaderColumn, Option<Vec<f64>>)> {
    let values = |index: usize| -> Option<Vec<f64>> {
        let mut epoch = None;
        let mut all = Vec::new();
        for batch in batches {
            let array = batch.columns().get(index)?;
            all.extend(match ticks(array.data_type()) {
                Some(tick) => relative(array, tick, &mut epoch).ok()?,
                None => floats(array).ok()?,
            });
        }
        Some(all)
    };
    header(schema).columns.into_iter().enumerate().map(|(i, column)| (column, values(i))).collect()
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
                if !(is_number(kind(index)) || ticks(kind(index)).is_some()) {
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
        if let Some(c) = map.channels.iter().find(|c| !is_number(kind(c.index))) {
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
    let detail =
        format!("column `{}` of channel `{}` is infinite in row {row}", found.source.column.value, found.channel);
    LogFault::WrongLayout { line: None, layout: layout.name.clone(), detail }
}

fn untyped(array: &dyn Array) -> LogFault {
    LogFault::Unreadable { detail: format!("a column of type {} can't be read", array.data_type()) }
}

/// All values of a primitive array, converted; `None` where it is of another type.
fn each<T: ArrowPrimitiveType, V>(array: &dyn Array, missing: V, convert: impl Fn(T::Native) -> V) -> Option<Vec<V>>
where
    V: Copy,
{
    let array = array.as_primitive_opt::<T>()?;
    Some(array.iter().map(|v| v.map_or(missing, &convert)).collect())
}

/// Whether [`floats`] reads the type.
fn is_number(kind: &DataType) -> bool {
    use DataType::*;
    match kind {
        Boolean | Null | Int8 | Int16 | Int32 | Int64 | UInt8 | UInt16 | UInt32 | UInt64 => true,
        Float16 | Float32 | Float64 => true,
        Dictionary(_, value) => is_number(value),
        _ => false,
    }
}

fn floats(array: &dyn Array) -> Result<Vec<f64>, LogFault> {
    const NAN: f64 = f64::NAN;
    let values = match array.data_type() {
        DataType::Null => Some(vec![NAN; array.len()]),
        DataType::Boolean => {
            array.as_boolean_opt().map(|a| a.iter().map(|v| v.map_or(NAN, |b| f64::from(u8::from(b)))).collect())
        }
        DataType::Int8 => each::<Int8Type, _>(array, NAN, f64::from),
        DataType::Int16 => each::<Int16Type, _>(array, NAN, f64::from),
        DataType::Int32 => each::<Int32Type, _>(array, NAN, f64::from),
        DataType::Int64 => each::<Int64Type, _>(array, NAN, |v| v as f64),
        DataType::UInt8 => each::<UInt8Type, _>(array, NAN, f64::from),
        DataType::UInt16 => each::<UInt16Type, _>(array, NAN, f64::from),
        DataType::UInt32 => each::<UInt32Type, _>(array, NAN, f64::from),
        DataType::UInt64 => each::<UInt64Type, _>(array, NAN, |v| v as f64),
        DataType::Float16 => each::<Float16Type, _>(array, NAN, |v| v.to_f64()),
        DataType::Float32 => each::<Float32Type, _>(array, NAN, f64::from),
        DataType::Float64 => each::<Float64Type, _>(array, NAN, |v| v),
        DataType::Dictionary(..) => match array.as_any_dictionary_opt() {
            None => None,
            Some(dictionary) => {
                let values = floats(dictionary.values())?;
                let valid = |row: usize| dictionary.keys().is_valid(row);
                let key = |(row, key)| if valid(row) { values.get(key).copied().unwrap_or(NAN) } else { NAN };
                Some(dictionary.normalized_keys().into_iter().enumerate().map(key).collect())
            }
        },
        _ => None,
    };
    values.ok_or_else(|| untyped(array))
}

/// Whole ticks of a time by type.
fn whole(array: &dyn Array) -> Option<Vec<Option<i64>>> {
    use DataType::{Duration, Time32, Time64, Timestamp};
    use TimeUnit::{Microsecond, Millisecond, Nanosecond, Second};
    let wide = |v: i32| Some(i64::from(v));
    match array.data_type() {
        Time32(Second) => each::<Time32SecondType, _>(array, None, wide),
        Time32(Millisecond) => each::<Time32MillisecondType, _>(array, None, wide),
        Time64(Microsecond) => each::<Time64MicrosecondType, _>(array, None, Some),
        Time64(Nanosecond) => each::<Time64NanosecondType, _>(array, None, Some),
        Timestamp(Second, _) => each::<TimestampSecondType, _>(array, None, Some),
        Timestamp(Millisecond, _) => each::<TimestampMillisecondType, _>(array, None, Some),
        Timestamp(Microsecond, _) => each::<TimestampMicrosecondType, _>(array, None, Some),
        Timestamp(Nanosecond, _) => each::<TimestampNanosecondType, _>(array, None, Some),
        Duration(Second) => each::<DurationSecondType, _>(array, None, Some),
        Duration(Millisecond) => each::<DurationMillisecondType, _>(array, None, Some),
        Duration(Microsecond) => each::<DurationMicrosecondType, _>(array, None, Some),
        Duration(Nanosecond) => each::<DurationNanosecondType, _>(array, None, Some),
        _ => None,
    }
}

fn relative(array: &dyn Array, tick: f64, epoch: &mut Option<i64>) -> Result<Vec<f64>, LogFault> {
    let ticks = whole(array).ok_or_else(|| untyped(array))?;
    let seconds = |v: Option<i64>| match v {
        Some(v) => v.saturating_sub(*epoch.get_or_insert(v)) as f64 * tick,
        None => f64::NAN,
    };
    Ok(ticks.into_iter().map(seconds).collect())
}

fn clock_times(array: &dyn Array, clock: &mut Clock) -> Result<Vec<f64>, LogFault> {
    let mut seconds = |text: Option<&str>| text.and_then(|t| clock.seconds(t)).unwrap_or(f64::NAN);
    if let Some(text) = array.as_string_opt::<i32>() {
        return Ok(text.iter().map(&mut seconds).collect());
    }
    if let Some(text) = array.as_string_opt::<i64>() {
        return Ok(text.iter().map(&mut seconds).collect());
    }
    let text = array.as_string_view_opt().ok_or_else(|| untyped(array))?;
    Ok(text.iter().map(&mut seconds).collect())
}
