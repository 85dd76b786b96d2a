//! Tables: the samples of a log in memory (`frame`), the rows of the written tables (`rows`, `verdicts`), and
//! Parquet in and out (`parquet_file`).

pub mod frame;
pub mod parquet_file;
pub mod row;
pub mod rows;
pub mod switch;
pub mod verdicts;
