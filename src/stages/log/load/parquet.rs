//! Apache Parquet: only the needed columns.

use std::fs::File;
use std::path::Path;

use arrow_array::RecordBatch;
use arrow_schema::SchemaRef;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::arrays::Collector;
use super::binary::{self, guarded};
use super::samples::Samples;
use crate::config::layout::Layout;
use crate::error::LogFault;

const MAGIC: &[u8] = b"PAR1";
const ROWS_AT_ONCE: usize = 65_536;

/// Reads a Parquet export.
///
/// # Errors
/// `Empty`, `Truncated` where the footer is missing, `WrongLayout`, `MissingChannel`, `WrongUnit`, `Unreadable`.
pub fn read<'a>(path: &Path, layout: &'a Layout, needed: &[String]) -> Result<Samples<'a>, LogFault> {
    binary::check_ends(path, layout, MAGIC, "Parquet", |tail| tail.ends_with(MAGIC))?;
    guarded(|| {
        let builder = open(path)?;
        let mut collector = Collector::new(builder.schema(), layout, needed)?;
        let mask = ProjectionMask::roots(builder.parquet_schema(), collector.projection());
        let reader = builder
            .with_projection(mask)
            .with_batch_size(ROWS_AT_ONCE)
            .build()
            .map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
        for batch in reader {
            collector.push(&batch.map_err(|e| binary::fault(&e.to_string()))?)?;
        }
        Ok(collector.finish())
    })
}

/// Looks at the schema alone.
///
/// # Errors
/// As [`read`].
pub fn header_check(path: &Path, layout: &Layout, needed: &[String]) -> Result<(), LogFault> {
    binary::check_ends(path, layout, MAGIC, "Parquet", |tail| tail.ends_with(MAGIC))?;
    guarded(|| Collector::new(open(path)?.schema(), layout, needed).map(drop))
}

/// Schema and all columns of a file of unknown layout.
///
/// # Errors
/// `Truncated`, `Unreadable`.
pub fn batches(path: &Path) -> Result<(SchemaRef, Vec<RecordBatch>), LogFault> {
    guarded(|| {
        let builder = open(path)?;
        let schema = builder.schema().clone();
        let reader = builder.build().map_err(|e| binary::fault(&e.to_string()))?;
        let batches = reader.map(|b| b.map_err(|e| binary::fault(&e.to_string())));
        Ok((schema, batches.collect::<Result<_, _>>()?))
    })
}

/// Opens the file and reads its footer.
fn open(path: &Path) -> Result<ParquetRecordBatchReaderBuilder<File>, LogFault> {
    let file = File::open(path).map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
    ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| binary::fault(&e.to_string()))
}
