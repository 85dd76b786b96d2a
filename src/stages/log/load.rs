//! `load`: reads the exports as the layout says.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;

/// Reads logger exports.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Load {
    /// File patterns, relative to the pipeline's folder; `*` and `?` as in a shell, `**` for any folders.
    pub logs: Vec<Located<String>>,
    /// Layout file.
    pub layout: Located<String>,
    /// Further layouts for logs that another logger wrote: pattern of the file name, and layout file.
    #[serde(default)]
    pub layouts: Vec<LayoutFor>,
    /// Read from `layout` and `layouts` when the definitions are read.
    #[serde(skip)]
    pub resolved: Resolved,
}

/// A layout for some of the logs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayoutFor {
    /// Pattern of the file name.
    pub logs: Located<String>,
    /// Layout file.
    pub layout: Located<String>,
}

/// The layouts, read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Resolved {
    /// Layout for a file-name pattern; the first that matches counts, the last matches all.
    pub layouts: Vec<(String, crate::config::layout::Layout)>,
}

impl crate::stages::LogStage for Load {
    fn check(&self, input: crate::stages::Schema, _cx: &mut crate::stages::CheckCx) -> crate::stages::Schema {
        input
    }
    fn reads(&self) -> Vec<&str> {
        Vec::new()
    }
    fn run(
        &self,
        log: crate::table::frame::LogFrame,
        _cx: &crate::stages::LogCx,
    ) -> Result<crate::table::frame::LogFrame, crate::error::LogFault> {
        Ok(log)
    }
}
