//! Definition files: pipeline, car, layout, run sheet. With `located.rs` the only user of YAML.
//! Every fault of a file is an [`issue::Issue`] with its place; all of them are collected before any log is opened.
//!
//! Text becomes typed definitions in `yaml` and `run_csv` (`wording` puts the parser's faults in our
//! words); `check` holds what was read to physical sense; `read` does both for everything a pipeline names.

pub mod car;
pub mod check;
mod figures_csv;
pub mod issue;
pub mod layout;
pub mod log_names;
pub mod odd_car;
pub mod pipeline;
pub mod read;
pub mod run_csv;
pub mod run_sheet;
pub mod slips;
mod text;
mod wording;
mod yaml;

/// A definition from its text, for tests of what uses definitions.
#[cfg(test)]
pub fn from_text<T: serde::de::DeserializeOwned>(text: &str) -> T {
    serde_yaml::from_str(text).unwrap()
}
