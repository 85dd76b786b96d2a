//! Parquet in and out: written beside, synced, renamed.
