//! Parquet in and out. A table is written beside its place, synced, then renamed over it: a reader
//! sees the old file or the new one, never half of one.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::basic::Compression;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;

use super::row::Row;
use super::rows::SCHEMA_VERSION;
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

/// Writes the rows of one table of one season.
///
/// # Errors
/// When the folder or the file can't be written; the former file is then untouched.
pub fn write<R: Row>(tables: &Path, origin: &Origin, rows: &[R]) -> Result<(), Fatal> {
    let path = place(tables, R::TABLE, &origin.season);
    let table = |e: &dyn std::fmt::Display| Fatal::Table { path: path.clone(), detail: e.to_string() };
    let batch = R::batch(rows).map_err(|e| table(&e))?;
    let bytes = encode(&batch, origin).map_err(|e| table(&e))?;
    replace(&path, &bytes).map_err(|source| Fatal::Io { what: "can't write table", path: path.clone(), source })
}

fn encode(batch: &RecordBatch, origin: &Origin) -> parquet::errors::Result<Vec<u8>> {
    let pairs = [
        ("squarelaw.version", env!("CARGO_PKG_VERSION")),
        ("squarelaw.schema_version", SCHEMA_VERSION),
        ("squarelaw.fingerprint", origin.fingerprint.as_str()),
        ("squarelaw.season", origin.season.as_str()),
    ];
    let pairs = pairs.map(|(k, v)| KeyValue::new(k.to_owned(), v.to_owned()));
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_key_value_metadata(Some(pairs.to_vec()))
        .build();
    let mut out = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut out, batch.schema(), Some(properties))?;
    writer.write(batch)?;
    writer.close()?;
    Ok(out)
}

/// Puts `bytes` in the place of `path`: written beside it, synced, renamed, the folder synced.
///
/// # Errors
/// Any failure of the file system; the former file is then untouched.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    let mut beside = tempfile::Builder::new().prefix(".beside-").tempfile_in(folder)?;
    beside.write_all(bytes)?;
    // A temporary file is private to its owner; a table is read by others.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        beside.as_file().set_permissions(fs::Permissions::from_mode(0o644))?;
    }
    beside.as_file().sync_all()?;
    beside.persist(path).map_err(|e| e.error)?;
    File::open(folder)?.sync_all()
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

/// Appends to what the file already holds, if it is there.
///
/// # Errors
/// As [`read`] and [`write`].
pub fn append<R: Row + Clone>(tables: &Path, origin: &Origin, rows: &[R]) -> Result<(), Fatal> {
    let path = place(tables, R::TABLE, &origin.season);
    let mut all: Vec<R> = if path.exists() { read(&path)? } else { Vec::new() };
    all.extend_from_slice(rows);
    write(tables, origin, &all)
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
