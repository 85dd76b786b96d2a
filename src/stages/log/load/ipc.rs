//! Apache Arrow IPC, file or stream: only the needed columns.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use arrow_array::RecordBatch;
use arrow_ipc::reader::{FileReader, StreamReader};
use arrow_schema::{ArrowError, SchemaRef};

use super::arrays::Collector;
use super::binary::{self, guarded};
use super::samples::Samples;
use crate::config::layout::Layout;
use crate::error::LogFault;

/// Begins and ends the file format.
const MAGIC: &[u8] = b"ARROW1";
/// Ends a stream: continuation mark and length 0.
const END_OF_STREAM: &[u8] = &[0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0];

type Batches = Box<dyn Iterator<Item = Result<RecordBatch, ArrowError>>>;

/// Reads an Arrow IPC export.
///
/// # Errors
/// `Empty`, `Truncated` where its end is missing, `WrongLayout`, `MissingChannel`, `WrongUnit`, `Unreadable`.
pub fn read<'a>(path: &Path, layout: &'a Layout, needed: &[String]) -> Result<Samples<'a>, LogFault> {
    check(path, layout)?;
    guarded(|| {
        let (schema, _) = open(path, None)?;
        let mut collector = Collector::new(&schema, layout, needed)?;
        let (_, batches) = open(path, Some(collector.projection()))?;
        for batch in batches {
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
    check(path, layout)?;
    guarded(|| Collector::new(&open(path, None)?.0, layout, needed).map(drop))
}

fn check(path: &Path, layout: &Layout) -> Result<(), LogFault> {
    if is_file_format(path) {
        return binary::check_ends(path, layout, MAGIC, "Arrow IPC", |tail| tail.ends_with(MAGIC));
    }
    // A stream begins with a continuation mark.
    let mark = END_OF_STREAM.get(..4).unwrap_or_default();
    binary::check_ends(path, layout, mark, "Arrow IPC", |tail| tail.ends_with(END_OF_STREAM))
}

fn is_file_format(path: &Path) -> bool {
    binary::first_bytes(path, MAGIC.len()).is_ok_and(|b| b == MAGIC)
}

/// Schema and all columns of a file of unknown layout.
///
/// # Errors
/// `Truncated`, `Unreadable`.
pub fn batches(path: &Path) -> Result<(SchemaRef, Vec<RecordBatch>), LogFault> {
    guarded(|| {
        let (schema, batches) = open(path, None)?;
        let batches = batches.map(|b| b.map_err(|e| binary::fault(&e.to_string())));
        Ok((schema, batches.collect::<Result<_, _>>()?))
    })
}

/// Schema and batches of the file, with some of the columns or all.
fn open(path: &Path, projection: Option<Vec<usize>>) -> Result<(SchemaRef, Batches), LogFault> {
    let file = File::open(path).map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
    let file = BufReader::new(file);
    let fault = |e: ArrowError| binary::fault(&e.to_string());
    if is_file_format(path) {
        let reader = FileReader::try_new(file, projection).map_err(fault)?;
        return Ok((reader.schema(), Box::new(reader)));
    }
    let reader = StreamReader::try_new(file, projection).map_err(fault)?;
    Ok((reader.schema(), Box::new(reader)))
}
