//! Faults of definition files, shown with the line they stand in.

use std::fmt;
use std::ops::Range;
use std::path::{Component, Path, PathBuf};

use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};

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
    /// A fault of a file as a whole.
    pub fn whole(file: &Path, message: impl Into<String>) -> Self {
        Self::at(file, Spot::default(), message, "")
    }
    /// The same with a hint.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// The fault with the line of its file, in the manner of a compiler. The file is read again; where
    /// that fails, the place alone is shown.
    pub fn render(&self, colour: bool) -> String {
        let source = std::fs::read(&self.file).map(|b| String::from_utf8_lossy(&b).into_owned()).unwrap_or_default();
        let source = source.strip_prefix('\u{feff}').unwrap_or(&source);
        self.render_with(source, &shown(&self.file), colour)
    }

    /// The fault shown on a given source text, under a given file name.
    fn render_with(&self, source: &str, path: &str, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut group = Group::with_title(Level::ERROR.primary_title(self.message.as_str()));
        let range = byte_range(source, self.spot);
        let has_line = range.is_some();
        match range {
            Some(range) => {
                let label = (!self.label.is_empty()).then_some(self.label.as_str());
                let mark = AnnotationKind::Primary.span(range).label(label);
                group = group.element(Snippet::source(source).path(path).annotation(mark));
            }
            None => {
                let mut origin = Origin::path(path);
                if let (Ok(line @ 1..), Ok(column)) = (self.spot.line.try_into(), self.spot.column.try_into()) {
                    origin = origin.line(line).char_column(column);
                }
                group = group.element(origin);
                if !self.label.is_empty() {
                    group = group.element(Level::NOTE.message(self.label.as_str()));
                }
            }
        }
        if let Some(hint) = &self.hint {
            group = group.element(Level::HELP.with_name("hint").message(hint.as_str()));
        }
        let text = renderer.render(&[group]);
        // Without a line to show, the renderer has no margin; keep the look of the others.
        if has_line { text } else { text.replace('\n', "\n ") }
    }
}

/// A path as the user would write it: relative to the current folder where it lies below it, without `..`
/// in the middle.
pub fn shown(path: &Path) -> String {
    let tidy = tidy(path);
    let here = std::env::current_dir().map(|d| self::tidy(&d)).unwrap_or_default();
    let short = tidy.strip_prefix(&here).unwrap_or(&tidy);
    if short.as_os_str().is_empty() { ".".to_owned() } else { short.display().to_string() }
}

/// Takes `.` and `name/..` out of a path, by its text alone.
fn tidy(path: &Path) -> PathBuf {
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if matches!(out.components().next_back(), Some(Component::Normal(_))) => {
                out.pop();
            }
            other => out.push(other),
        }
    }
    out
}

/// Byte range of a spot in a source, never past the end of its line; a word where the length is not known.
fn byte_range(source: &str, spot: Spot) -> Option<Range<usize>> {
    let line_index = usize::try_from(spot.line).ok()?.checked_sub(1)?;
    let start_of_line: usize = source.split_inclusive('\n').take(line_index).map(str::len).sum();
    let line = source.split_inclusive('\n').nth(line_index)?.trim_end_matches(['\n', '\r']);
    let column = usize::try_from(spot.column).ok()?.saturating_sub(1);
    let length = match usize::try_from(spot.length).ok()? {
        0 => line.chars().skip(column).take_while(|c| c.is_alphanumeric() || *c == '_').count().max(1),
        known => known,
    };
    let at = |n: usize| line.char_indices().nth(n).map_or(line.len(), |(i, _)| i);
    let (a, b) = (at(column), at(column.saturating_add(length)));
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
    /// Adds all of another list.
    pub fn extend(&mut self, other: Issues) {
        self.0.extend(other.0);
    }
    /// Sorts by place, keeps the files in the order in which they first show, and drops repetitions.
    pub fn sort(&mut self) {
        let mut files: Vec<PathBuf> = Vec::new();
        for issue in &self.0 {
            if !files.contains(&issue.file) {
                files.push(issue.file.clone());
            }
        }
        let place = |i: &Issue| (files.iter().position(|f| *f == i.file), i.spot.line, i.spot.column);
        self.0.sort_by_key(place);
        self.0.dedup();
    }
    /// `Ok` when there is none.
    ///
    /// # Errors
    /// Itself, when any fault was found.
    pub fn into_result(self) -> Result<(), Issues> {
        if self.is_empty() { Ok(()) } else { Err(self) }
    }
    /// All faults and their count, in colour if asked.
    pub fn render(&self, colour: bool) -> String {
        let mut out = String::new();
        for issue in &self.0 {
            out.push_str(&issue.render(colour));
            out.push_str("\n\n");
        }
        let noun = if self.0.len() == 1 { "fault" } else { "faults" };
        out + &format!("{} {noun} in the definitions; nothing was read or written", self.0.len())
    }
}

impl fmt::Display for Issues {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Issues {}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(line: u64, column: u64, length: u64) -> Spot {
        Spot { line, column, length }
    }

    #[test]
    fn the_line_is_marked_and_the_hint_follows() {
        let issue =
            Issue::at(Path::new("car.yaml"), spot(2, 1, 8), "unknown key `wheelbas`", "did you mean `wheelbase`?")
                .hint("keys are lower case");
        let text = issue.render_with("name: GT\nwheelbas: 2.6 m\n", "car.yaml", false);
        insta::assert_snapshot!(text, @r"
        error: unknown key `wheelbas`
         --> car.yaml:2:1
          |
        2 | wheelbas: 2.6 m
          | ^^^^^^^^ did you mean `wheelbase`?
          |
          = hint: keys are lower case
        ");
    }

    #[test]
    fn a_place_without_source_is_still_a_place() {
        let issue = Issue::at(Path::new("gone.yaml"), spot(4, 7, 3), "unknown key `x`", "valid keys are `y`");
        insta::assert_snapshot!(issue.render_with("", "gone.yaml", false), @r"
        error: unknown key `x`
         --> gone.yaml:4:7
          = note: valid keys are `y`
        ");
        let issue = Issue::whole(Path::new("gone.yaml"), "no such file");
        insta::assert_snapshot!(issue.render_with("", "gone.yaml", false), @r"
        error: no such file
         --> gone.yaml
        ");
    }

    #[test]
    fn columns_count_characters_and_stop_at_the_end_of_the_line() {
        let source = "größe: 3\r\nb: 4\n";
        assert_eq!(byte_range(source, spot(1, 8, 99)).map(|r| &source[r]), Some("3"));
        assert_eq!(byte_range(source, spot(2, 1, 1)).map(|r| &source[r]), Some("b"));
        assert_eq!(byte_range(source, spot(9, 1, 1)), None);
        assert_eq!(byte_range(source, spot(0, 0, 0)), None);
    }

    #[test]
    fn paths_lose_their_detours() {
        assert_eq!(tidy(Path::new("a/../b/./c.yaml")), Path::new("b/c.yaml"));
        assert_eq!(tidy(Path::new("../../c.yaml")), Path::new("../../c.yaml"));
        let here = std::env::current_dir().unwrap();
        assert_eq!(shown(&here.join("x").join("..").join("y.yaml")), "y.yaml");
    }

    #[test]
    fn order_is_by_file_then_place_without_repetition() {
        let at = |f: &str, line| Issue::at(Path::new(f), spot(line, 1, 1), "m", "l");
        let mut issues = Issues(vec![at("b", 9), at("a", 2), at("b", 1), at("b", 9)]);
        issues.sort();
        assert_eq!(issues.0, [at("b", 1), at("b", 9), at("a", 2)]);
    }
}
