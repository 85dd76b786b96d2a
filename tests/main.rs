//! Integration tests: one binary, one module per subject.

mod bad_logs;
mod batch;
mod braking;
mod broken_runs;
mod coastdown;
mod counted_twice;
mod definitions;
mod demo_logs;
mod examples;
mod inspect;
mod load;
mod log_kit;
mod main_job;
mod numerics;
mod odd_nights;
mod parts;
mod said;
mod schemas;
mod season_check;
mod season_kit;
mod settled;
mod static_zero;
mod verdicts;
