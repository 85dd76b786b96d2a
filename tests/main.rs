//! Integration tests: one binary, one module per subject.

mod bad_logs;
mod definitions;
mod demo_logs;
mod inspect;
mod load;
mod log_kit;
mod schemas;
