//! Integration tests: one binary, one module per subject.

mod load;
mod log_kit;
