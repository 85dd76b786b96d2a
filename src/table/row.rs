//! Typed rows of the written tables: one declaration gives the struct, the Arrow schema with unit and
//! description on every field, and the way to a record batch and back.

use std::collections::HashMap;
use std::sync::Arc;

use arrow_array::{
    Array, ArrayRef, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray, TimestampMicrosecondArray,
};
use arrow_schema::{DataType, Field, Schema, TimeUnit};

/// A point in time, microseconds since 1970-01-01 UTC.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Timestamp(pub i64);

/// Why a table could not be read back.
#[derive(Debug, thiserror::Error)]
pub enum RowError {
    /// A declared column is missing.
    #[error("the table has no column `{0}`")]
    MissingColumn(&'static str),
    /// A column of another type, or a null where none is allowed.
    #[error("column `{0}` holds a value of another type than declared")]
    WrongType(&'static str),
}

/// A Rust type that can be a column.
pub trait Cell: Sized {
    /// Whether a value may be missing.
    const NULLABLE: bool = false;
    /// Arrow type.
    fn data_type() -> DataType;
    /// All values as one array.
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef
    where
        Self: 'a;
    /// The value of one row; `None` when type or null do not fit.
    fn read(array: &dyn Array, row: usize) -> Option<Self>;
}

macro_rules! cell {
    ($rust:ty, $array:ty, $dt:expr, |$v:ident| $out:expr, |$a:ident, $i:ident| $back:expr) => {
        impl Cell for $rust {
            fn data_type() -> DataType {
                $dt
            }
            fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
                Arc::new(cell!(@finish $rust, <$array>::from_iter(values.map(|$v| Some($out)))))
            }
            fn read(array: &dyn Array, $i: usize) -> Option<Self> {
                let $a = array.as_any().downcast_ref::<$array>()?;
                if $a.is_null($i) { None } else { Some($back) }
            }
        }
        impl Cell for Option<$rust> {
            const NULLABLE: bool = true;
            fn data_type() -> DataType {
                $dt
            }
            fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
                Arc::new(cell!(@finish $rust, <$array>::from_iter(values.map(|x| x.as_ref().map(|$v| $out)))))
            }
            fn read(array: &dyn Array, $i: usize) -> Option<Self> {
                let $a = array.as_any().downcast_ref::<$array>()?;
                Some(if $a.is_null($i) { None } else { Some($back) })
            }
        }
    };
    (@finish Timestamp, $array:expr) => { $array.with_timezone("UTC") };
    (@finish $rust:ty, $array:expr) => { $array };
}
cell!(f64, Float64Array, DataType::Float64, |v| *v, |a, i| a.value(i));
cell!(i64, Int64Array, DataType::Int64, |v| *v, |a, i| a.value(i));
cell!(bool, BooleanArray, DataType::Boolean, |v| *v, |a, i| a.value(i));
cell!(String, StringArray, DataType::Utf8, |v| v.as_str(), |a, i| a.value(i).to_owned());

fn utc() -> DataType {
    DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()))
}

impl Cell for Timestamp {
    fn data_type() -> DataType {
        utc()
    }
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
        Arc::new(TimestampMicrosecondArray::from_iter_values(values.map(|t| t.0)).with_timezone("UTC"))
    }
    fn read(array: &dyn Array, row: usize) -> Option<Self> {
        let a = array.as_any().downcast_ref::<TimestampMicrosecondArray>()?;
        (!a.is_null(row)).then(|| Timestamp(a.value(row)))
    }
}

/// One row of a written table.
pub trait Row: Sized {
    /// Folder name of the table.
    const TABLE: &'static str;
    /// What one row is.
    const ABOUT: &'static str;
    /// What every file of the table warns of in its metadata.
    const CAUTION: Option<&'static str>;
    /// Arrow schema; every field carries `unit` and `description`.
    fn schema() -> Schema;
    /// Rows as one batch.
    ///
    /// # Errors
    /// Only if the arrays do not fit the schema, which would be a bug.
    fn batch(rows: &[Self]) -> Result<RecordBatch, arrow_schema::ArrowError>;
    /// Rows out of a batch.
    ///
    /// # Errors
    /// A missing column, another type, a null where none is allowed.
    fn from_batch(batch: &RecordBatch) -> Result<Vec<Self>, RowError>;
}

/// A field with its metadata.
pub fn field<C: Cell>(name: &str, unit: &str, description: &str) -> Field {
    Field::new(name, C::data_type(), C::NULLABLE).with_metadata(HashMap::from([
        ("unit".to_owned(), unit.to_owned()),
        ("description".to_owned(), description.to_owned()),
    ]))
}

/// Declares a table's row: `table_row! { /// doc  pub struct FitRow in "fits" { name: Type, "unit", "description"; … } }`.
#[macro_export]
macro_rules! table_row {
    ($(#[doc = $about:literal])* pub struct $name:ident in $table:literal $(caution $caution:ident)? { $($field:ident: $ty:ty, $unit:literal, $description:literal;)* }) => {
        $(#[doc = $about])*
        #[derive(Clone, Debug, Default, PartialEq)]
        pub struct $name { $(#[doc = $description] pub $field: $ty,)* }

        impl $crate::table::row::Row for $name {
            const TABLE: &'static str = $table;
            const ABOUT: &'static str = concat!($($about),*);
            const CAUTION: Option<&'static str> = {
                let _caution: Option<&'static str> = None;
                $(let _caution = Some($caution);)?
                _caution
            };
            fn schema() -> arrow_schema::Schema {
                arrow_schema::Schema::new(vec![$($crate::table::row::field::<$ty>(stringify!($field), $unit, $description)),*])
            }
            fn batch(rows: &[Self]) -> Result<arrow_array::RecordBatch, arrow_schema::ArrowError> {
                use $crate::table::row::Cell;
                arrow_array::RecordBatch::try_new(
                    std::sync::Arc::new(<Self as $crate::table::row::Row>::schema()),
                    vec![$(<$ty as Cell>::array(rows.iter().map(|r| &r.$field))),*],
                )
            }
            fn from_batch(batch: &arrow_array::RecordBatch) -> Result<Vec<Self>, $crate::table::row::RowError> {
                use $crate::table::row::{Cell, RowError};
                struct Columns<'a> { $($field: &'a arrow_array::ArrayRef,)* }
                let c = Columns { $($field: batch.column_by_name(stringify!($field)).ok_or(RowError::MissingColumn(stringify!($field)))?,)* };
                (0..batch.num_rows()).map(|i| Ok(Self {
                    $($field: <$ty as Cell>::read(c.$field.as_ref(), i).ok_or(RowError::WrongType(stringify!($field)))?,)*
                })).collect()
            }
        }
    };
}
