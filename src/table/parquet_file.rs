//! Parquet in and out. Tables go through [`Switch`]: a reader sees the old file or the new one, never half of one.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use arrow_schema::{ArrowError, DataType, SchemaRef};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::arrow::arrow_writer::{ArrowColumnWriter, compute_leaves};
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::ColumnPath;
use rayon::prelude::*;

use super::row::Row;
use super::rows::SCHEMA_VERSION;
use super::switch::Switch;
use crate::error::Fatal;

/// What every file says about its origin, as key-value metadata.
#[derive(Clone, Debug, Default)]
pub struct Origin {
    /// Season: also the partition.
    pub season: String,
    /// Fingerprint of everything that the numbers depend on besides the logs.
    pub fingerprint: String,
}

/// Where a table's file of a season lies: `<tables>/<table>/season=<season>/<table>.parquet`.
pub fn place(tables: &Path, table: &str, season: &str) -> PathBuf {
    tables.join(table).join(format!("season={season}")).join(format!("{table}.parquet"))
}

/// The rows of one table, whatever table it is.
pub trait Encode: Sync {
    /// The file of one season: its place below the folder of the tables, its bytes.
    ///
    /// # Errors
    /// When the rows can't be brought into the table's form.
    fn encoded(&self, tables: &Path, origin: &Origin) -> Result<(PathBuf, Vec<u8>), Fatal>;
}

impl<R: Row + Sync> Encode for Vec<R> {
    fn encoded(&self, tables: &Path, origin: &Origin) -> Result<(PathBuf, Vec<u8>), Fatal> {
        encoded(tables, origin, self)
    }
}

fn encoded<R: Row>(tables: &Path, origin: &Origin, rows: &[R]) -> Result<(PathBuf, Vec<u8>), Fatal> {
    in_pieces::<R>(tables, origin, std::iter::once(vec![R::batch(rows)]))
}

/// Encodes a table of so many pieces, of which no more are in memory than there are threads to make them. Where the
/// pieces end does not depend on the threads, so that the bytes do not.
///
/// # Errors
/// When the rows can't be brought into the table's form.
pub fn encoded_in_pieces<R: Row>(
    tables: &Path,
    origin: &Origin,
    pieces: usize,
    piece: impl Fn(usize) -> Vec<R> + Sync,
) -> Result<(PathBuf, Vec<u8>), Fatal> {
    let at_once = rayon::current_num_threads().max(1);
    let some = |first: usize| {
        let these = first..(first + at_once).min(pieces);
        these.into_par_iter().map(|k| R::batch(&piece(k))).collect()
    };
    in_pieces::<R>(tables, origin, (0..pieces).step_by(at_once).map(some))
}

fn in_pieces<R: Row>(
    tables: &Path,
    origin: &Origin,
    batches: impl Iterator<Item = Vec<Result<RecordBatch, ArrowError>>>,
) -> Result<(PathBuf, Vec<u8>), Fatal> {
    let encoded = columns_side_by_side(Arc::new(R::schema()), properties::<R>(origin), batches);
    let path = place(Path::new(""), R::TABLE, &origin.season);
    match encoded {
        Ok(bytes) => Ok((path, bytes)),
        Err(e) => Err(Fatal::Table { path: tables.join(path), detail: e.to_string() }),
    }
}

/// The file of these batches, its columns encoded side by side: the table of windows is most of what a night writes.
fn columns_side_by_side(
    schema: SchemaRef,
    properties: WriterProperties,
    batches: impl Iterator<Item = Vec<Result<RecordBatch, ArrowError>>>,
) -> Result<Vec<u8>, ParquetError> {
    let most = properties.max_row_group_row_count().unwrap_or(usize::MAX);
    let writer = ArrowWriter::try_new(Vec::new(), schema.clone(), Some(properties))?;
    let (mut file, factory) = writer.into_serialized_writer()?;
    let (mut columns, mut rows, mut groups) = (Vec::new(), 0, 0);
    for batch in batches.flatten() {
        let batch = batch?;
        let more = batch.num_rows();
        // Groups end between pieces, whatever the threads, so that the bytes do not depend on these.
        if rows + more > most && rows > 0 {
            finish(&mut file, std::mem::take(&mut columns))?;
            (rows, groups) = (0, groups + 1);
        }
        if more > 0 && columns.is_empty() {
            columns = factory.create_column_writers(groups)?;
        }
        rows += more;
        // No table has nested columns: one writer stands for each.
        columns.par_iter_mut().enumerate().try_for_each(|(i, column)| {
            compute_leaves(schema.field(i), batch.column(i))?.iter().try_for_each(|leaf| column.write(leaf))
        })?;
    }
    if !columns.is_empty() {
        finish(&mut file, columns)?;
    }
    file.into_inner()
}

/// Ends a group of rows.
fn finish(file: &mut SerializedFileWriter<Vec<u8>>, columns: Vec<ArrowColumnWriter>) -> Result<(), ParquetError> {
    let chunks: Vec<_> = columns.into_par_iter().map(ArrowColumnWriter::close).collect::<Result<_, _>>()?;
    let mut group = file.next_row_group()?;
    chunks.into_iter().try_for_each(|chunk| chunk.append_to_row_group(&mut group))?;
    group.close().map(drop)
}

/// Writes the rows of one table of one season beside its place; the switch puts it there.
///
/// # Errors
/// When the folder or the file can't be written.
pub fn write<R: Row>(to: &mut Switch, origin: &Origin, rows: &[R]) -> Result<(), Fatal> {
    let (place, bytes) = encoded(to.tables(), origin, rows)?;
    to.add(&place, &bytes)
}

fn properties<R: Row>(origin: &Origin) -> WriterProperties {
    let pairs = [
        ("squarelaw.version", env!("CARGO_PKG_VERSION")),
        ("squarelaw.schema_version", SCHEMA_VERSION),
        ("squarelaw.fingerprint", origin.fingerprint.as_str()),
        ("squarelaw.season", origin.season.as_str()),
    ];
    let caution = R::CAUTION.map(|c| ("squarelaw.caution", c));
    let pairs = pairs.into_iter().chain(caution).map(|(k, v)| KeyValue::new(k.to_owned(), v.to_owned()));
    let mut properties =
        WriterProperties::builder().set_compression(Compression::SNAPPY).set_key_value_metadata(Some(pairs.collect()));
    // Measured values seldom repeat: a dictionary of them is as long as they are.
    for field in R::schema().fields().iter().filter(|f| *f.data_type() == DataType::Float64) {
        properties = properties.set_column_dictionary_enabled(ColumnPath::from(field.name().as_str()), false);
    }
    properties.build()
}

/// Reads all rows of one file.
///
/// # Errors
/// When the file can't be read or is not this table.
pub fn read<R: Row>(path: &Path) -> Result<Vec<R>, Fatal> {
    let table = |e: &dyn std::fmt::Display| Fatal::Table { path: path.to_owned(), detail: e.to_string() };
    let file =
        File::open(path).map_err(|source| Fatal::Io { what: "can't read table", path: path.to_owned(), source })?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).and_then(|b| b.build()).map_err(|e| table(&e))?;
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|e| table(&e))?;
        rows.extend(R::from_batch(&batch).map_err(|e| table(&e))?);
    }
    Ok(rows)
}

/// Appends to what the file already holds, if it is there. A former file that can't be read any more, because it
/// is damaged or another version wrote it, is put aside under a hidden name; the remark says so.
///
/// # Errors
/// As [`write()`].
pub fn append<R: Row + Clone>(to: &mut Switch, origin: &Origin, rows: &[R]) -> Result<Option<String>, Fatal> {
    let path = place(to.tables(), R::TABLE, &origin.season);
    let mut remark = None;
    let mut all: Vec<R> = Vec::new();
    if path.exists() {
        match read(&path) {
            Ok(former) => all = former,
            Err(Fatal::Table { detail, .. }) => {
                let aside = path.with_file_name(format!(".former-{}.parquet", R::TABLE));
                fs::rename(&path, &aside).map_err(|source| Fatal::Io {
                    what: "can't put aside",
                    path: path.clone(),
                    source,
                })?;
                remark = Some(format!(
                    "the rows of former runs in {} can't be read ({detail}); the file is now {}",
                    path.display(),
                    aside.display()
                ));
            }
            Err(other) => return Err(other),
        }
    }
    all.extend_from_slice(rows);
    write(to, origin, &all)?;
    Ok(remark)
}

/// The schema that a written file declares.
///
/// # Errors
/// When the file can't be read.
pub fn schema(path: &Path) -> Result<Arc<arrow_schema::Schema>, Fatal> {
    let file =
        File::open(path).map_err(|source| Fatal::Io { what: "can't read table", path: path.to_owned(), source })?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file)
        .map_err(|e| Fatal::Table { path: path.to_owned(), detail: e.to_string() })?;
    Ok(builder.schema().clone())
}
