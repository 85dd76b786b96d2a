//! Parquet in and out. Tables go through [`Switch`]: a reader sees the old file or the new one, never half of one.

use std::fs::{self, File};
use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::ArrayRef;
use arrow_schema::{ArrowError, DataType, Schema};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::arrow::arrow_writer::{ArrowColumnWriter, compute_leaves};
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::schema::types::ColumnPath;
use rayon::prelude::*;

use super::row::Row;
use super::rows::{self, SCHEMA_VERSION};
use super::switch::{Beside, Switch};
use crate::error::Fatal;

/// What every file says about its origin, as key-value metadata.
#[derive(Clone, Debug, Default)]
pub struct Origin {
    /// Season: also the partition.
    pub season: String,
    /// Fingerprint of everything that the numbers depend on besides the logs.
    pub fingerprint: String,
}

/// Rows of a group: the columns of one are in memory together while they are encoded.
const GROUP: usize = 1 << 16;

/// Where a table's file of a season lies: `<tables>/<table>/season=<season>/<table>.parquet`.
pub fn place(tables: &Path, table: &str, season: &str) -> PathBuf {
    tables.join(table).join(format!("season={season}")).join(format!("{table}.parquet"))
}

/// Whether a file lies where a table of any season does; both paths without links.
pub fn is_table(tables: &Path, file: &Path) -> bool {
    let Ok(below) = file.strip_prefix(tables) else { return false };
    let mut names = below.iter().map(|name| name.to_string_lossy());
    let table = names.next().is_some_and(|name| rows::all().iter().any(|t| t.table == name));
    table && names.next().is_some_and(|name| name.starts_with("season="))
}

/// The rows of one table, whatever table it is.
pub trait Encode: Sync {
    /// The file of one season, written beside its place.
    ///
    /// # Errors
    /// When the rows can't be brought into the table's form, or the file can't be written.
    fn encoded(&self, tables: &Path, origin: &Origin) -> Result<Beside, Fatal>;
}

impl<R: Row + Sync> Encode for Vec<R> {
    fn encoded(&self, tables: &Path, origin: &Origin) -> Result<Beside, Fatal> {
        encoded(tables, origin, self)
    }
}

fn encoded<R: Row>(tables: &Path, origin: &Origin, rows: &[R]) -> Result<Beside, Fatal> {
    let misfit = |e: ArrowError| Fatal::Table { path: place(tables, R::TABLE, &origin.season), detail: e.to_string() };
    let batch = R::batch(rows).map_err(misfit)?;
    encoded_by_columns::<R>(tables, origin, &[rows.len()], |_, column| Ok(Arc::clone(batch.column(column))))
}

/// Encodes a table whose rows nobody holds: `column` makes the values of one column for one of the pieces that the rows
/// come in, `pieces` says how many these are. Columns are made and encoded side by side, no more than a piece of each at a
/// time. Where the pieces end must not depend on the threads, so that the bytes do not.
///
/// # Errors
/// When a column is not of the table's form, or the file can't be written.
pub fn encoded_by_columns<R: Row>(
    tables: &Path,
    origin: &Origin,
    pieces: &[usize],
    column: impl Fn(usize, usize) -> Result<ArrayRef, ArrowError> + Sync,
) -> Result<Beside, Fatal> {
    let place = place(Path::new(""), R::TABLE, &origin.season);
    let to = Beside::begin(tables, &place)?;
    let failed = to.failed();
    columns_side_by_side(to, &R::schema(), properties::<R>(origin), pieces, column).map_err(|e| {
        let misfit = || Fatal::Table { path: tables.join(&place), detail: e.to_string() };
        failed.of_table(tables, &place).unwrap_or_else(misfit)
    })
}

/// The file of these columns; the table of windows is most of what a night writes.
fn columns_side_by_side(
    to: Beside,
    schema: &Schema,
    properties: WriterProperties,
    pieces: &[usize],
    column: impl Fn(usize, usize) -> Result<ArrayRef, ArrowError> + Sync,
) -> Result<Beside, ParquetError> {
    let most = properties.max_row_group_row_count().unwrap_or(usize::MAX);
    let writer = ArrowWriter::try_new(to, Arc::new(schema.clone()), Some(properties))?;
    let (mut file, factory) = writer.into_serialized_writer()?;
    for (number, group) in groups(pieces, most).into_iter().enumerate() {
        let one = |(i, mut writer): (usize, ArrowColumnWriter)| {
            for piece in group.clone() {
                // No table has nested columns: one writer stands for each.
                let leaves = compute_leaves(schema.field(i), &column(piece, i)?)?;
                leaves.iter().try_for_each(|leaf| writer.write(leaf))?;
            }
            writer.close()
        };
        let writers = factory.create_column_writers(number)?;
        let chunks: Vec<_> =
            writers.into_par_iter().enumerate().with_max_len(1).map(one).collect::<Result<_, ParquetError>>()?;
        let mut group = file.next_row_group()?;
        chunks.into_iter().try_for_each(|chunk| chunk.append_to_row_group(&mut group))?;
        group.close()?;
    }
    file.into_inner()
}

/// Pieces of so many rows put together to groups of no more than `most`, but for a piece that is larger by itself.
fn groups(pieces: &[usize], most: usize) -> Vec<Range<usize>> {
    let (mut out, mut rows): (Vec<Range<usize>>, usize) = (Vec::new(), 0);
    for (i, more) in pieces.iter().enumerate().filter(|(_, more)| **more > 0) {
        match out.last_mut() {
            Some(group) if rows + more <= most => (group.end, rows) = (i + 1, rows + more),
            _ => {
                out.push(i..i + 1);
                rows = *more;
            }
        }
    }
    out
}

/// Writes the rows of one table of one season beside its place; the switch puts it there.
///
/// # Errors
/// When the folder or the file can't be written.
pub fn write<R: Row>(to: &mut Switch, origin: &Origin, rows: &[R]) -> Result<(), Fatal> {
    to.add(encoded(to.tables(), origin, rows)?)
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
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_max_row_group_row_count(Some(GROUP))
        .set_key_value_metadata(Some(pairs.collect()));
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
    let unread = |source| Fatal::Io { what: "can't read table", path: path.to_owned(), source };
    // To open a pipe would wait for whoever writes to it.
    if !fs::metadata(path).map_err(unread)?.is_file() {
        return Err(table(&"it is no file"));
    }
    let file = File::open(path).map_err(unread)?;
    // What the system refuses (too many open files, say) is no fault of the file.
    let refused = |e: ParquetError| match e {
        ParquetError::External(cause) => match cause.downcast::<io::Error>() {
            Ok(source) if source.raw_os_error().is_some() => unread(*source),
            Ok(source) => table(&source),
            Err(other) => table(&other),
        },
        other => table(&other),
    };
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).and_then(|b| b.build()).map_err(refused)?;
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|e| table(&e))?;
        rows.extend(R::from_batch(&batch).map_err(|e| table(&e))?);
    }
    Ok(rows)
}

/// The rows that the file holds already, if it is there, and these. A former file that can't be read, because it is damaged
/// or another version wrote it, is for [`put_aside`]: beside the new file what is wrong with it.
///
/// # Errors
/// When the former file can't be opened, or the new one can't be written.
pub fn appended<R: Row + Clone>(tables: &Path, origin: &Origin, rows: &[R]) -> Result<(Beside, Option<String>), Fatal> {
    let path = place(tables, R::TABLE, &origin.season);
    let former = if path.exists() { read(&path) } else { Ok(Vec::new()) };
    let (mut all, damage) = match former {
        Ok(former) => (former, None),
        Err(Fatal::Table { detail, .. }) => (Vec::new(), Some(detail)),
        Err(other) => return Err(other),
    };
    all.extend_from_slice(rows);
    Ok((encoded(tables, origin, &all)?, damage))
}

/// Gives a file of rows that can't be read a hidden name, and says so.
///
/// # Errors
/// When it can't be renamed.
pub fn put_aside<R: Row>(tables: &Path, origin: &Origin, damage: &str) -> Result<String, Fatal> {
    let path = place(tables, R::TABLE, &origin.season);
    let named = |n: u32| {
        path.with_file_name(format!(".former-{}{}", R::TABLE, if n > 1 { format!("-{n}") } else { String::new() }))
    };
    // One that was put aside before holds other rows.
    let aside = (1..).map(named).find(|aside| fs::symlink_metadata(aside).is_err()).unwrap_or_else(|| named(1));
    fs::rename(&path, &aside).map_err(|source| Fatal::Io { what: "can't put aside", path: path.clone(), source })?;
    let (path, aside) = (path.display(), aside.display());
    Ok(format!("the rows of former runs in {path} can't be read ({damage}); the file is now {aside}"))
}

/// Appends to what the file already holds, see [`appended`]. Answers a remark where that had to be put aside.
///
/// # Errors
/// As [`appended`] and [`put_aside`].
pub fn append<R: Row + Clone>(to: &mut Switch, origin: &Origin, rows: &[R]) -> Result<Option<String>, Fatal> {
    let (file, damage) = appended(to.tables(), origin, rows)?;
    to.add(file)?;
    damage.map(|damage| put_aside::<R>(to.tables(), origin, &damage)).transpose()
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
