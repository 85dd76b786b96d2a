//! Definition files: pipeline, car, layout, run sheet. The only user of YAML. Every fault of a file
//! is an [`issue::Issue`] with its place; all of them are collected before any log is opened.

pub mod car;
pub mod issue;
pub mod layout;
pub mod pipeline;
pub mod read;
pub mod run_sheet;

/// A definition from its text, for tests of what uses definitions.
#[cfg(test)]
pub fn from_text<T: serde::de::DeserializeOwned>(text: &str) -> T {
    serde_yaml::from_str(text).unwrap()
}
