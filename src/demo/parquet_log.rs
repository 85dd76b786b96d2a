//! Writes a log as Parquet: one column per channel, nulls where a slow channel has no sample.

use std::io::Write;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float32Array, Float64Array, RecordBatch};
use arrow_schema::{DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::errors::Result;
use parquet::file::properties::WriterProperties;

use super::season::SimLog;

/// Writes a log. Values are rounded as the text exports round them, time in full.
///
/// # Errors
/// What the Parquet writer returns.
pub fn write(log: &SimLog, out: impl Write + Send) -> Result<()> {
    let mut fields = vec![Field::new("Time", DataType::Float64, false)];
    let mut columns: Vec<ArrayRef> = vec![Arc::new(Float64Array::from(log.time.clone()))];
    for c in &log.channels {
        fields.push(Field::new(&c.name, DataType::Float32, true));
        let power = 10_f64.powi(c.decimals as i32);
        let values = c.values.iter().map(|v| v.is_finite().then(|| ((v * power).round() / power) as f32));
        columns.push(Arc::new(values.collect::<Float32Array>()));
    }
    let batch = RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)?;
    let properties = WriterProperties::builder().set_compression(Compression::ZSTD(Default::default())).build();
    let mut writer = ArrowWriter::try_new(out, batch.schema(), Some(properties))?;
    writer.write(&batch)?;
    writer.close()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use parquet::arrow::arrow_reader::ParquetRecordBatchReader;

    use crate::demo::{Scenario, simulate};

    #[test]
    fn parquet_holds_what_was_logged() {
        let season = simulate(&Scenario { sessions: 1, minutes: 0.5, rate: 10.0, ..Scenario::default() });
        let log = season.log(0).unwrap();
        let file = tempfile::NamedTempFile::new().unwrap();
        super::write(&log, file.reopen().unwrap()).unwrap();
        let batch = ParquetRecordBatchReader::try_new(file.reopen().unwrap(), 10_000).unwrap().next().unwrap().unwrap();
        assert_eq!(batch.num_rows(), 300);
        assert_eq!(batch.num_columns(), log.channels.len() + 1);
        let slow = batch.column_by_name("Air Temperature").unwrap();
        assert_eq!(slow.len() - slow.null_count(), 30);
    }
}
