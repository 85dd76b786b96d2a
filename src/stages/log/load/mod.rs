//! `load`: reads the exports as the layout says.
//!
//! `files` finds the logs. A text file goes through `head` (names and units), `columns` (which are needed) and
//! the first of three readers that can do it: `plain` (numbers between separators, `decimal`), `text` (polars) and,
//! where that one might hide something, `careful`, which says exactly what is wrong. `parquet` and `ipc` share
//! `arrays`. `samples` checks the time; `sanity`, `range` and `stuck` refuse what no car can have measured.

mod arrays;
mod binary;
mod careful;
mod clock;
pub(crate) mod columns;
mod decimal;
mod files;
pub(crate) mod head;
pub(crate) mod ipc;
pub(crate) mod parquet;
mod plain;
mod range;
mod samples;
mod sanity;
mod shape;
mod stuck;
mod text;

pub(crate) use arrays::raw_columns;
pub use files::{discover, format_of, header_check, leads_nowhere};
pub(crate) use range::check as in_range;

use std::cell::Cell;
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::config::layout::{Format, Layout};
use crate::config::log_names::names;
use crate::error::LogFault;
use crate::located::Located;
use crate::stages::{CheckCx, Known, LogCx, LogStage, Schema};
use crate::table::frame::LogFrame;

/// Reads logger exports: text, Parquet or Arrow IPC, as a layout file says.
///
/// A log that can't be read, or holds what no car can have measured, is set aside with its reason in the table
/// `logs`. Only the channels that some later stage needs are read.
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
    pub layouts: Vec<(String, Layout)>,
}

impl Load {
    /// The layout of a log.
    ///
    /// # Errors
    /// `WrongLayout` where no pattern matches its name.
    pub fn layout_of(&self, log: &str) -> Result<&Layout, LogFault> {
        let found = self.resolved.layouts.iter().find(|(pattern, _)| names(pattern, log));
        found.map(|(_, layout)| layout).ok_or_else(|| LogFault::WrongLayout {
            line: None,
            layout: self.layout.value.clone(),
            detail: "no layout's pattern matches the file name".to_owned(),
        })
    }
}

/// Reads the needed channels of one file, without judging their values.
///
/// # Errors
/// The faults of the file and of its time; see [`LogFault`].
pub fn read(path: &Path, layout: &Layout, needed: &[String]) -> Result<LogFrame, LogFault> {
    let samples = match format_of(path, layout) {
        Format::Parquet => parquet::read(path, layout, needed)?,
        Format::Ipc => ipc::read(path, layout, needed)?,
        Format::Csv | Format::ByEnding => {
            let bytes = std::fs::read(path).map_err(|e| LogFault::Unreadable { detail: e.to_string() })?;
            text::read(&bytes, layout, needed)?
        }
    };
    samples.into_frame(&layout.name)
}

impl LogStage for Load {
    fn check(&self, mut input: Schema, cx: &mut CheckCx) -> Schema {
        if self.logs.is_empty() {
            cx.fault(self.layout.spot, "`load` has no file pattern under `logs`", "add one, like `[\"logs/*.csv\"]`");
        }
        for pattern in self.logs.iter().chain(self.layouts.iter().map(|l| &l.logs)) {
            if let Err(e) = glob::Pattern::new(pattern) {
                cx.fault(pattern.spot, format!("`{}` is no file pattern", pattern.value), e.msg);
            }
        }
        for (_, layout) in &self.resolved.layouts {
            for (name, source) in &layout.channels {
                // A channel of unknown dimension is a fault of the layout file, reported there.
                let Some(dimension) = source.dimension(name) else { continue };
                let everywhere = |l: &Layout| l.channels.get(name).is_some_and(|s| s.required);
                let optional = !self.resolved.layouts.iter().all(|(_, l)| everywhere(l));
                match input.find(name) {
                    Some(known) if known.dimension != dimension => {
                        let (a, b) = (known.dimension.label(), dimension.label());
                        let message = format!("channel `{name}` is a {a} in one layout and a {b} in another");
                        cx.fault(self.layout.spot, message, "name one of them otherwise");
                    }
                    Some(_) => {}
                    None => {
                        let (name, made_by, made_at) = (name.clone(), cx.stage, cx.spot);
                        input.0.push(Known { name, dimension, made_by, made_at, optional });
                    }
                }
            }
        }
        input
    }

    fn reads(&self) -> Vec<&str> {
        Vec::new()
    }

    fn run(&self, _log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault> {
        // Not `cx.log`, which is a path where two logs share a file name.
        let name = cx.path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default();
        let layout = self.layout_of(&name)?;
        let mut frame = match cx.bytes.map(Cell::take) {
            Some(bytes) => text::read(&bytes, layout, cx.needed)?.into_frame(&layout.name)?,
            None => read(cx.path, layout, cx.needed)?,
        };
        let required = |name: &str| layout.channels.get(name).is_some_and(|s| s.required);
        sanity::check(&mut frame, required, cx.car)?;
        Ok(frame)
    }
}
