//! Places in a YAML text that the parser does not tell: the key that a value belongs to, and the
//! lines of an entry. Only messages are made from this, never values.

use crate::located::Spot;

/// The key that a node belongs to.
#[derive(Clone, Debug, PartialEq)]
pub struct Owner {
    /// Its name.
    pub key: String,
    /// Where it stands.
    pub spot: Spot,
    /// The node is the key's value itself, not an item of its list.
    pub direct: bool,
    /// The node stands behind its key on the same line.
    pub value: bool,
}

/// Line `number` (from 1) of a text.
pub fn line(text: &str, number: u64) -> Option<&str> {
    let index = usize::try_from(number).ok()?.checked_sub(1)?;
    text.lines().nth(index)
}

/// What stands at a spot; nothing where it is none of the text's.
pub fn at(text: &str, spot: Spot) -> &str {
    let whole = line(text, spot.line).unwrap_or_default();
    let place = |characters: u64| {
        let characters = usize::try_from(characters).unwrap_or(usize::MAX);
        whole.char_indices().nth(characters).map_or(whole.len(), |(i, _)| i)
    };
    let first = spot.column.saturating_sub(1);
    whole.get(place(first)..place(first.saturating_add(spot.length))).unwrap_or_default().trim()
}

/// Characters before the first that is neither space nor list dash; `None` for blank and comment lines.
fn indent(line: &str) -> Option<usize> {
    let mut rest = line;
    loop {
        let trimmed = rest.trim_start_matches(' ');
        match trimmed.strip_prefix("- ").or_else(|| trimmed.strip_prefix('-').filter(|r| r.is_empty())) {
            Some(inner) => rest = inner,
            None => {
                let blank = trimmed.trim().is_empty() || trimmed.starts_with('#');
                return (!blank || rest.len() < line.len()).then(|| line.len() - trimmed.len());
            }
        }
    }
}

/// Characters before the first that is no space.
fn dash_indent(line: &str) -> usize {
    line.len() - line.trim_start_matches(' ').len()
}

fn key_character(c: char) -> bool {
    c.is_alphanumeric() || matches!(c, '_' | '-' | '.')
}

/// The key whose colon ends `before`, with its column.
fn key_before_colon(before: &str, line: u64) -> Option<(String, Spot)> {
    let head = before.trim_end().strip_suffix(':')?.trim_end().trim_end_matches(['"', '\'']);
    let start = head.char_indices().rev().take_while(|(_, c)| key_character(*c)).last()?.0;
    let key = head.get(start..)?;
    let column = before.get(..start)?.chars().count() as u64 + 1;
    Some((key.to_owned(), Spot { line, column, length: key.chars().count() as u64 }))
}

/// The first key of a line, behind its dashes.
fn first_key(text: &str, number: u64) -> Option<(String, Spot)> {
    let l = line(text, number)?;
    let start = indent(l)?;
    let end = l.get(start..)?.find(':')? + start;
    key_before_colon(l.get(..=end)?, number)
}

/// The key that the node at `spot` belongs to: its own where it is a value, that of the mapping or list
/// around it where it is a key or an item.
pub fn owner(text: &str, spot: Spot) -> Option<Owner> {
    let l = line(text, spot.line)?;
    let at = l.char_indices().nth(usize::try_from(spot.column).ok()?.checked_sub(1)?).map_or(l.len(), |(i, _)| i);
    // The place of a value that is not there is the colon.
    let at = if l.get(at..)?.starts_with(':') { at + 1 } else { at };
    let before = l.get(..at)?;
    if let Some((key, spot)) = key_before_colon(before, spot.line) {
        return Some(Owner { key, spot, direct: true, value: true });
    }
    let mut depth = 0_i32;
    for (i, c) in before.char_indices().rev() {
        match c {
            '}' | ']' => depth += 1,
            '{' | '[' if depth > 0 => depth -= 1,
            '{' | '[' => {
                let found = key_before_colon(before.get(..i)?, spot.line);
                return match found {
                    Some((key, spot)) => Some(Owner { key, spot, direct: c == '{', value: false }),
                    None => above(text, spot.line, i, false),
                };
            }
            _ => {}
        }
    }
    let item = before.trim_start().starts_with('-');
    above(text, spot.line, indent(l).unwrap_or(0), !item)
}

/// The key of the nearest line above that is less indented.
fn above(text: &str, from: u64, inside: usize, direct: bool) -> Option<Owner> {
    let mut inside = inside;
    for number in (1..from).rev() {
        let l = line(text, number)?;
        let Some(found) = indent(l).filter(|i| *i < inside) else { continue };
        if let Some((key, spot)) = first_key(text, number) {
            return Some(Owner { key, spot, direct, value: false });
        }
        inside = found;
    }
    None
}

/// The text with the entry that starts on a line emptied, and the entry's key. `None` where the entry does
/// not end with its lines, so that the rest would not mean what it meant.
pub fn without_entry(text: &str, number: u64) -> Option<(String, Option<String>)> {
    let first = usize::try_from(number).ok()?.checked_sub(1)?;
    let lines: Vec<&str> = text.lines().collect();
    let start = dash_indent(lines.get(first)?);
    let deeper = |l: &&&str| l.trim().is_empty() || dash_indent(l) > start;
    let count = 1 + lines.get(first + 1..)?.iter().take_while(deeper).count();
    let cut = lines.get(first..first + count)?.join("\n");
    let balance = |open, close| cut.matches(open).count() == cut.matches(close).count();
    if !balance('{', '}') || !balance('[', ']') || cut.trim().is_empty() {
        return None;
    }
    let key = if lines.get(first)?.trim_start().starts_with('-') { None } else { first_key(text, number).map(|k| k.0) };
    let kept =
        |(i, l): (usize, &&str)| if (first..first + count).contains(&i) { String::new() } else { (*l).to_owned() };
    let kept: Vec<String> = lines.iter().enumerate().map(kept).collect();
    Some((kept.join("\n") + "\n", key))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "\
name: x
springs:
  front: { rate: 120 N/mm, more: 1 }
  rear:
    table:
      - { travel: 0 mm }
      - travel: 50 mm
        force: 1 N
per_log:
- load: { logs: [a, b] }
- steady:
    speed: 3
";

    fn of(line: u64, column: u64) -> Option<(String, u64, bool, bool)> {
        owner(TEXT, Spot { line, column, length: 0 }).map(|o| (o.key, o.spot.line, o.direct, o.value))
    }

    #[test]
    fn owners() {
        let some = |k: &str, l, d, v| Some((k.to_owned(), l, d, v));
        assert_eq!(of(1, 7), some("name", 1, true, true));
        assert_eq!(of(1, 5), some("name", 1, true, true));
        assert_eq!(of(1, 1), None);
        assert_eq!(of(3, 3), some("springs", 2, true, false));
        assert_eq!(of(3, 18), some("rate", 3, true, true));
        assert_eq!(of(3, 28), some("front", 3, true, false));
        assert_eq!(of(6, 11), some("table", 5, false, false));
        assert_eq!(of(7, 9), some("table", 5, false, false));
        assert_eq!(of(8, 9), some("table", 5, true, false));
        assert_eq!(of(10, 20), some("logs", 10, false, false));
        assert_eq!(of(10, 3), some("per_log", 9, false, false));
        assert_eq!(of(12, 5), some("steady", 11, true, false));
    }

    #[test]
    fn entries_are_emptied_in_place() {
        let (text, key) = without_entry(TEXT, 4).unwrap();
        assert_eq!(key.as_deref(), Some("rear"));
        assert_eq!(text.lines().count(), TEXT.lines().count());
        assert_eq!(line(&text, 8), Some(""));
        assert_eq!(line(&text, 9), Some("per_log:"));
        let (text, key) = without_entry(TEXT, 11).unwrap();
        assert_eq!((key, line(&text, 12)), (None, Some("")));
        assert_eq!(without_entry("a: {\n b: 1 }\n", 2), None);
    }
}
