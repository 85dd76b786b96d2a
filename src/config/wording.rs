//! The parser's faults in our words: which key, what was expected, the nearest right word.

use std::path::Path;

use serde_yaml::Error;

use super::issue::Issue;
use super::text;
use crate::located::Spot;
use crate::stages::{LogStep, SeasonStep, WindowStep};
use crate::units::nearest;

/// Where a fault stands, if the parser says.
pub fn spot(error: &Error) -> Option<Spot> {
    let at = error.location()?;
    Some(Spot { line: at.line(), column: at.column(), length: at.span().len() })
}

/// A fault of the parser as a fault of a file.
pub fn issue(file: &Path, source: &str, error: &Error) -> Issue {
    let at = spot(error).unwrap_or_default();
    if let Some(tab) = tab(source, at.line) {
        return Issue::at(file, tab, "a line is indented by a tab", "YAML takes spaces only");
    }
    let key = text::owner(source, at).filter(|o| o.value).map(|o| o.key);
    let wrong = |label: String| {
        let message = key.as_ref().map_or_else(|| "wrong value".to_owned(), |k| format!("wrong value for `{k}`"));
        Issue::at(file, at, message, label)
    };
    match error.without_snippet() {
        Error::SerdeUnknownField { field, expected, .. } => unknown(file, at, "key", field, expected),
        Error::SerdeUnknownVariant { variant, expected, .. } => {
            variant_issue(file, at, key.as_deref(), variant, expected)
        }
        Error::SerdeMissingField { field, .. } => missing(file, source, at, field),
        Error::DuplicateMappingKey { key, .. } => {
            let name = key.as_deref().unwrap_or("?");
            Issue::at(file, at, format!("key `{name}` is given twice"), "already given above")
        }
        Error::Message { msg, .. } => match text::line(source, at.line).filter(|line| left_open(line)) {
            Some(_) => wrong(msg.clone()).hint("a brace that opens in this line is not closed in it"),
            None => wrong(msg.clone()),
        },
        Error::InvalidScalar { ty, .. } => wrong(format!("expected {}", type_name(ty))),
        Error::SerdeInvalidType { unexpected, expected, .. }
        | Error::SerdeInvalidValue { unexpected, expected, .. } => {
            wrong(format!("expected {}, found {unexpected}", type_name(expected)))
        }
        Error::NullIntoString { .. } => {
            let message =
                key.as_ref().map_or_else(|| "a value is missing".to_owned(), |k| format!("`{k}` has no value"));
            Issue::at(file, at, message, "expected a value here")
        }
        Error::Unexpected { expected, .. } => {
            unexpected(wrong(format!("expected {}", type_name(expected))), key.as_deref(), text::at(source, at))
        }
        Error::Eof { .. } => {
            Issue::whole(file, "the file ends too early").hint("it is empty, or its last entry is not finished")
        }
        Error::MultipleDocuments { .. } => {
            Issue::at(file, at, "the file holds more than one YAML document", "a second document starts here")
        }
        Error::UnknownAnchor { .. } => Issue::at(file, at, "unknown anchor", "no `&` before this line has that name"),
        Error::AliasError { error, locations, .. } => {
            let mut inner = issue(file, source, error);
            let here = locations.reference_location;
            inner.spot = Spot { line: here.line(), column: here.column(), length: here.span().len() };
            inner
        }
        Error::ExternalMessage { msg, .. } => Issue::at(file, at, "this is not valid YAML", msg.clone()),
        other => Issue::at(file, at, "this can't be read", without_place(&other.to_string())),
    }
}

/// An unknown word, with the nearest right one or all of them.
fn unknown(file: &Path, at: Spot, what: &str, word: &str, valid: &[&str]) -> Issue {
    let message = format!("unknown {what} `{word}`");
    if word.chars().all(|c| c.is_ascii_digit()) {
        return Issue::at(file, at, message, format!("the decimal mark is a point, like `0.{word}`"));
    }
    match nearest(word, valid.iter().copied()) {
        Some(near) => Issue::at(file, at, message, format!("did you mean `{near}`?")),
        None => Issue::at(file, at, message, format!("no such {what} here")).hint(format!("expected {}", list(valid))),
    }
}

/// An unknown choice: a stage, or one of a few words.
fn variant_issue(file: &Path, at: Spot, key: Option<&str>, word: &str, valid: &[&'static str]) -> Issue {
    let kinds = [
        ("log", "per_log", LogStep::NAMES),
        ("window", "windows", WindowStep::NAMES),
        ("season", "season_wide", SeasonStep::NAMES),
    ];
    if let Some((kind, ..)) = kinds.iter().find(|k| k.2 == valid) {
        let elsewhere = kinds.iter().find(|k| k.2.contains(&word));
        return match elsewhere {
            Some((other, place, _)) => Issue::at(
                file,
                at,
                format!("`{word}` is no {kind} stage"),
                format!("it is a {other} stage and belongs under `{place}`"),
            ),
            None => unknown(file, at, &format!("{kind} stage"), word, valid),
        };
    }
    let message = key.map_or_else(|| format!("`{word}` is not known here"), |k| format!("wrong value for `{k}`"));
    let choices = format!("expected {}", list(valid));
    let issue = match nearest(word, valid.iter().copied()) {
        Some(near) => Issue::at(file, at, message, format!("did you mean `{near}`?")).hint(choices),
        None => Issue::at(file, at, message, choices),
    };
    if valid == ["rate", "table"] {
        issue.hint("a spring is written `{ rate: 120 N/mm }`, or as a `table` of points")
    } else {
        issue
    }
}

fn missing(file: &Path, source: &str, at: Spot, field: &str) -> Issue {
    match text::owner(source, at) {
        Some(o) => {
            let place = if o.direct { o.spot } else { at };
            Issue::at(
                file,
                place,
                format!("missing key `{field}` in `{}`", o.key),
                format!("`{field}` must be given here"),
            )
        }
        None => {
            Issue::whole(file, format!("missing key `{field}`")).hint(format!("add a line `{field}: …` to the file"))
        }
    }
}

/// Keys of which each axle has a value of its own.
const OF_AXLES: [&str; 4] = ["track", "motion_ratio", "tyre_radius", "springs"];

/// A mapping where nothing, or something else, stands.
fn unexpected(issue: Issue, key: Option<&str>, found: &str) -> Issue {
    if !issue.label.starts_with("expected key: value") {
        return issue;
    }
    match key.filter(|key| OF_AXLES.contains(key)) {
        Some(key) if !found.is_empty() => {
            issue.hint(format!("each axle has its own: `{key}: {{ front: {found}, rear: {found} }}`"))
        }
        _ if found.is_empty() => issue.hint("write `{}` where there is nothing to say"),
        _ => issue,
    }
}

/// Whether a line, its comment aside, opens more braces than it closes: what follows is read as a part of its last value.
fn left_open(line: &str) -> bool {
    let said = line.split_once(" #").map_or(line, |(said, _)| said);
    said.matches('{').count() > said.matches('}').count()
}

/// Where a tab stands in the place of the spaces that YAML is indented by, next to the line of a fault: the parser sees it
/// a line too early or too late, or as something else.
fn tab(source: &str, fault: u64) -> Option<Spot> {
    // A blank line and a comment may begin with one.
    let text = |line: &str| !line.trim_start().is_empty() && !line.trim_start().starts_with('#');
    let place = |line: &str| line.find(|c: char| c != ' ').filter(|i| line[*i..].starts_with('\t') && text(line));
    let mut near = (1..).zip(source.lines()).filter(|(number, _)| fault.abs_diff(*number) <= 1);
    let (line, column) = near.find_map(|(number, line)| Some((number, place(line)?)))?;
    Some(Spot { line, column: column as u64 + 1, length: 1 })
}

/// The parser's and the compiler's names of types in words.
fn type_name(name: &str) -> String {
    match name {
        "string scalar" | "string" | "str" | "a string" => "a single value: text or a number".to_owned(),
        "mapping start" | "map" => "key: value pairs".to_owned(),
        "sequence start" | "a sequence" | "sequence" => "a list".to_owned(),
        "bool" | "a boolean" => "`true` or `false`".to_owned(),
        "f32" | "f64" | "float" => "a number".to_owned(),
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number, not negative".to_owned(),
        "i8" | "i16" | "i32" | "i64" => "a whole number".to_owned(),
        other if other.starts_with("struct ") => "key: value pairs".to_owned(),
        other => other.to_owned(),
    }
}

/// `a`, `b` or `c`.
pub fn list(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("`{w}`")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}

/// The parser's text without the place that it repeats at the end.
fn without_place(text: &str) -> String {
    text.rsplit_once(" at line ").map_or(text, |(head, _)| head).to_owned()
}
