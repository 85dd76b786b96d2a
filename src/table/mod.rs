//! Tables: the samples of a log in memory (`frame`), the rows of the written tables (`rows`, `verdicts`),
//! what their flags mean (`flags`), and Parquet in and out (`parquet_file`).

pub mod flags;
pub mod frame;
pub mod parquet_file;
pub mod row;
pub mod rows;
pub mod switch;
pub mod verdicts;
