//! Names of the run sheet that look like one name written in two ways. No fault: two names may well be as alike as that.
//! But a slip of the pen makes a second car, part or session out of one, whose numbers rest on less than there is.

use std::collections::BTreeMap;

use strsim::damerau_levenshtein;

use super::run_sheet::RunRow;

/// Names shorter than this differ by a letter as a matter of course.
const SHORT: usize = 4;
/// From this length on two letters may be slips, below it one.
const LONG: usize = 8;
/// A slip stands in no more rows than this.
const FEW_ROWS: usize = 2;

/// A name: the line where it stands first, in how many rows.
type Names<'a> = BTreeMap<&'a str, (u64, usize)>;

/// Parts and wing position.
type Car<'a> = (Vec<&'a str>, Option<u64>);

/// What looks like a slip, in words.
pub fn slips(rows: &[RunRow]) -> Vec<String> {
    let (mut configurations, mut parts, mut events) = (Names::new(), Names::new(), Names::new());
    let mut sessions: BTreeMap<&str, Names> = BTreeMap::new();
    for row in rows {
        add(&mut configurations, row.configuration.trim(), row.spot.line);
        row.parts.iter().for_each(|part| add(&mut parts, part, row.spot.line));
        add(&mut events, row.event.trim(), row.spot.line);
        add(sessions.entry(row.event.trim()).or_default(), row.session.trim(), row.spot.line);
    }
    let mut out = one_car(rows);
    let said =
        |a: &str, b: &str| out.iter().any(|text| text.contains(&format!("`{a}`")) && text.contains(&format!("`{b}`")));
    let mut more = Vec::new();
    let of_sessions = sessions.values().map(|names| ("session", names));
    for (what, names) in
        [("configuration", &configurations), ("part", &parts), ("event", &events)].into_iter().chain(of_sessions)
    {
        for (a, b) in pairs(names).filter(|(a, b)| !said(a, b)) {
            let line = |name: &str| names.get(name).map_or(0, |n| n.0);
            more.push(format!(
                "run sheet: {what} `{a}` (line {}) and `{b}` (line {}) are nearly one name: a slip of the pen?",
                line(a),
                line(b)
            ));
        }
    }
    out.extend(more);
    out.extend(wing_unsaid(rows));
    out.extend(joined(&parts));
    out
}

/// Configurations without a wing position where others have one: what parts and wing are worth is found without them.
fn wing_unsaid(rows: &[RunRow]) -> Option<String> {
    let without: BTreeMap<&str, u64> = rows
        .iter()
        .rev()
        .filter(|r| r.wing_position.is_none())
        .map(|r| (r.configuration.trim(), r.spot.line))
        .collect();
    if without.is_empty() || rows.iter().all(|row| row.wing_position.is_none()) {
        return None;
    }
    let named: Vec<String> = without.iter().map(|(name, line)| format!("`{name}` (line {line})")).collect();
    let verb = if named.len() == 1 { "has" } else { "have" };
    Some(format!(
        "run sheet: {} {verb} no wing position, though others do: what parts and wing are worth is found without",
        named.join(", ")
    ))
}

/// Parts whose name is two other parts' with a mark between them.
fn joined(parts: &Names) -> Vec<String> {
    let several = |name: &str| {
        let pieces = || name.split(['/', '|', '&']).map(str::trim);
        pieces().count() > 1 && pieces().all(|part| parts.contains_key(part))
    };
    let said = |(name, (line, _)): (&&str, &(u64, usize))| {
        several(name).then(|| {
            format!("run sheet: part `{name}` (line {line}) reads like several others: parts are joined by `+`")
        })
    };
    parts.iter().filter_map(said).collect()
}

fn add<'a>(names: &mut Names<'a>, name: &'a str, line: u64) {
    names.entry(name).or_insert((line, 0)).1 += 1;
}

/// Configurations of the same parts and wing position; in a run sheet that names no part at all nothing says what they are.
fn one_car(rows: &[RunRow]) -> Vec<String> {
    let mut cars: BTreeMap<Car, (&str, u64)> = BTreeMap::new();
    let mut out = BTreeMap::new();
    if rows.iter().all(|row| row.parts.is_empty()) {
        return Vec::new();
    }
    for row in rows {
        let mut parts: Vec<&str> = row.parts.iter().map(String::as_str).collect();
        parts.sort_unstable();
        let (name, line) = (row.configuration.trim(), row.spot.line);
        let (first, there) = *cars.entry((parts, row.wing_position.map(f64::to_bits))).or_insert((name, line));
        if first != name {
            out.entry((first, name)).or_insert_with(|| {
                format!(
                    "run sheet: configurations `{first}` (line {there}) and `{name}` (line {line}) have the same parts and \
                     wing position: one car under two names is fitted twice from half of the data"
                )
            });
        }
    }
    out.into_values().collect()
}

/// Names that may be one, of which one at least is rare.
fn pairs<'a>(names: &'a Names<'a>) -> impl Iterator<Item = (&'a str, &'a str)> {
    let rare = |name: &str| names.get(name).is_some_and(|n| n.1 <= FEW_ROWS);
    let with = move |(i, a): (usize, &&'a str)| {
        let a = *a;
        names
            .keys()
            .skip(i + 1)
            .copied()
            .filter(move |b| (rare(a) || rare(b)) && alike(a, b))
            .map(move |b| (a, b))
            .collect::<Vec<_>>()
    };
    names.keys().enumerate().flat_map(with)
}

fn alike(a: &str, b: &str) -> bool {
    let (n, m) = (a.chars().count(), b.chars().count());
    let most = if n.min(m) < LONG { 1 } else { 2 };
    if n.min(m) < SHORT || n.abs_diff(m) > most {
        return false;
    }
    let (a, b) = (a.to_lowercase(), b.to_lowercase());
    a == b || (!counted(&a, &b) && damerau_levenshtein(&a, &b) <= most)
}

/// Whether two names are told apart on purpose: by a number (`day 1`, `day 2`) or by their last letter (`wing_a`, `wing_b`).
fn counted(a: &str, b: &str) -> bool {
    let letters = |s: &str| s.chars().filter(|c| !c.is_ascii_digit()).collect::<String>();
    let but_last = |s: &str| s.chars().rev().skip(1).collect::<String>();
    letters(a) == letters(b) || (a.chars().count() == b.chars().count() && but_last(a) == but_last(b))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::issue::Issues;
    use crate::config::run_csv;

    fn found(lines: &[&str]) -> Vec<String> {
        let text = format!("log,event,session,configuration,parts,wing_position\n{}\n", lines.join("\n"));
        let mut issues = Issues::default();
        let rows = run_csv::read(Path::new("runs.csv"), &text, &mut issues);
        assert!(issues.is_empty(), "{issues}");
        slips(&rows)
    }

    #[test]
    fn slips_are_seen_and_names_that_are_counted_are_not() {
        let clean =
            ["a.csv,Alder,day 1,base,,3", "b.csv,Alder,day 2,wing_a,big_wing,1", "c.csv,Elder,day 1,wing_b,big_wing,2"];
        // Two events whose names are a letter apart are named; nothing else here is.
        assert_eq!(
            found(&clean),
            ["run sheet: event `Alder` (line 2) and `Elder` (line 4) are nearly one name: a slip of the pen?"]
        );
        let session = found(&["a.csv,E,afternoon,x,,", "b.csv,E,afternon,x,,", "c.csv,F,afternon,x,,"]);
        assert_eq!(session.len(), 1, "{session:?}");
        assert!(session[0].contains("session `afternon` (line 3) and `afternoon` (line 2)"), "{session:?}");
        let part = found(&["a.csv,E,S,x,splitter_extension,", "b.csv,E,S,y,spliter_extension+gurney,"]);
        assert!(part.len() == 1 && part[0].contains("part `spliter_extension`"), "{part:?}");
        // What stands in many rows is meant.
        let many = ["a.csv,E,open,x,,", "b.csv,E,open,x,,", "c.csv,E,open,x,,"];
        let others = many.map(|l| l.replace("open", "oven").replace(".csv", "2.csv"));
        assert_eq!(found(&[&many[..], &others.each_ref().map(String::as_str)[..]].concat()), [""; 0]);
    }

    #[test]
    fn wings_that_are_unsaid_and_parts_joined_by_another_mark_are_named() {
        let all = found(&["a.csv,E,S,base,,3", "b.csv,E,S,high,,", "c.csv,E,S,lip,lip,3"]);
        assert!(all.len() == 1 && all[0].contains("`high` (line 3) has no wing position"), "{all:?}");
        let all = found(&["a.csv,E,S,x,lip,3", "b.csv,E,S,y,strip,3", "c.csv,E,S,z,lip/strip,3"]);
        assert!(all.len() == 1 && all[0].contains("part `lip/strip` (line 4)"), "{all:?}");
        assert_eq!(found(&["a.csv,E,S,x,lip,3", "b.csv,E,S,z,left/right,3"]), [""; 0]);
    }

    #[test]
    fn one_car_under_two_names_is_named_once() {
        let all =
            found(&["a.csv,E,S,sprint,b+a,1", "b.csv,E,S,sprnt,a+b,1", "c.csv,E,S,sprnt,a+b,1", "d.csv,E,S,base,,1"]);
        assert_eq!(all.len(), 1, "{all:?}");
        assert!(all[0].contains("`sprint` (line 2) and `sprnt` (line 3) have the same parts"), "{all:?}");
        // One without parts beside those that have some is a car, too.
        let all = found(&["a.csv,E,S,base,,1", "b.csv,E,S,gurney,,1", "c.csv,E,S,big,strip,1"]);
        assert!(all.len() == 1 && all[0].contains("`base` (line 2) and `gurney` (line 3)"), "{all:?}");
        // Without any parts nothing says that they are one.
        assert_eq!(found(&["a.csv,E,S,low,,", "b.csv,E,S,high,,"]), [""; 0]);
    }
}
