//! Faults of definition files, shown with the line they stand in.

use std::fmt;
use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use crate::located::Spot;

/// One fault: what is wrong, where, and what to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Issue {
    /// What is wrong, in a lower-case sentence.
    pub message: String,
    /// File it stands in.
    pub file: PathBuf,
    /// Place in the file; line 0 where it concerns the whole file.
    pub spot: Spot,
    /// Text under the marked place: what was expected, the nearest right word.
    pub label: String,
    /// What to do, if more is to be said.
    pub hint: Option<String>,
}

impl Issue {
    /// A fault at a place.
    pub fn at(file: &Path, spot: Spot, message: impl Into<String>, label: impl Into<String>) -> Self {
        Self { message: message.into(), file: file.to_owned(), spot, label: label.into(), hint: None }
    }
    /// The same with a hint.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// The fault with the line of its file, in the manner of a compiler.
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let source = std::fs::read_to_string(&self.file).unwrap_or_default();
        let path = self.file.display().to_string();
        let mut group = Level::ERROR.primary_title(self.message.as_str()).elements([] as [Snippet<'_, _>; 0]);
        let range = byte_range(&source, self.spot);
        if let Some(range) = range.clone() {
            group = group.element(
                Snippet::source(source.as_str())
                    .path(path.as_str())
                    .annotation(AnnotationKind::Primary.span(range).label(self.label.as_str())),
            );
        }
        let mut out = renderer.render(&[group]).to_string();
        if range.is_none() {
            out.push_str(&format!("\n  --> {path}"));
            if self.spot.line > 0 {
                out.push_str(&format!(":{}:{}", self.spot.line, self.spot.column));
            }
            if !self.label.is_empty() {
                out.push_str(&format!("\n   = {}", self.label));
            }
        }
        if let Some(hint) = &self.hint {
            out.push_str(&format!("\n   = hint: {hint}"));
        }
        out
    }
}

/// Byte range of a spot in a source, never past the end of its line.
fn byte_range(source: &str, spot: Spot) -> Option<std::ops::Range<usize>> {
    let line_index = usize::try_from(spot.line).ok()?.checked_sub(1)?;
    let start_of_line: usize = source.split_inclusive('\n').take(line_index).map(str::len).sum();
    let line = source.split_inclusive('\n').nth(line_index)?.trim_end_matches(['\n', '\r']);
    let column = usize::try_from(spot.column).ok()?.checked_sub(1)?;
    let at = |n: usize| line.char_indices().nth(n).map_or(line.len(), |(i, _)| i);
    let (a, b) = (at(column), at(column + usize::try_from(spot.length).ok()?.max(1)));
    Some(start_of_line + a..start_of_line + b.max(a))
}

/// All faults found, in the order of file and place.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Issues(pub Vec<Issue>);

impl Issues {
    /// Whether none was found.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
    /// Adds one.
    pub fn push(&mut self, issue: Issue) {
        self.0.push(issue);
    }
    /// `Ok` when there is none.
    ///
    /// # Errors
    /// Itself, when any fault was found.
    pub fn into_result(self) -> Result<(), Issues> {
        if self.is_empty() { Ok(()) } else { Err(self) }
    }
}

impl fmt::Display for Issues {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for issue in &self.0 {
            writeln!(f, "{}\n", issue.render(false))?;
        }
        write!(
            f,
            "{} {} in the definitions; nothing was read or written",
            self.0.len(),
            if self.0.len() == 1 { "fault" } else { "faults" }
        )
    }
}

impl std::error::Error for Issues {}
