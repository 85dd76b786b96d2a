//! Does every row of the run sheet make sense, and do the rows agree with each other?

use std::cmp::Reverse;
use std::collections::BTreeMap;

use super::{Findings, short};
use crate::config::log_names::{Index, is_pattern, names as names_log};
use crate::config::run_sheet::{RunRow, RunSheet};
use crate::located::Located;
use crate::units::Ratio;

/// Share of the car's mass that its fuel can be (common practice, no source): more is a slip of the pen, and would be
/// taken for downforce that is not there.
const FUEL_OF_MASS: f64 = 0.3;
/// Relative humidity that open air has at least (common practice, no source): less is a share under the sign of a
/// percentage, and makes the air, and with it every force, more than half a percent too dense.
const DRIEST: f64 = 0.02;

/// Holds the fuel of every row against the mass of the car, kg.
pub fn fuel(sheet: &RunSheet, mass: f64, f: &mut Findings) {
    let most = FUEL_OF_MASS * mass;
    for fuel in sheet.rows.iter().filter_map(|row| row.fuel.as_ref()).filter(|fuel| fuel.get() > most) {
        f.fault(
            fuel.spot,
            format!("`fuel` of {} kg is more than this car carries", fuel.get()),
            format!("expected less than {most:.0} kg, three tenths of the mass in the car file"),
        );
    }
}

/// Furthest wing position that is believed (common practice, no source).
const MOST_STEPS: f64 = 1e4;

/// Checks a run sheet.
pub fn check(sheet: &RunSheet, f: &mut Findings) {
    if sheet.rows.is_empty() {
        f.fault(Default::default(), "the run sheet has no rows", "expected one per log or time range");
    }
    for row in &sheet.rows {
        names(row, f);
        times(row, f);
        weather(row, f);
        if let Some(wing) = row.wing_position.filter(|w| w.is_nan() || w.abs() > MOST_STEPS) {
            f.fault(
                row.spot,
                format!("wing position {wing} can't be one"),
                "steps or degrees, as the team counts them",
            );
        }
        if let Some(fuel) = &row.fuel {
            f.within("`fuel`", fuel, (0.0, 500.0), "kg");
        }
        if let Some(fuel) = &row.fuel_per_hour {
            f.within("`fuel_per_hour`", fuel, (0.0, 2000.0), "kg");
        }
    }
    too_dry(&sheet.rows, f);
    same_configuration(&sheet.rows, f);
    overlaps(&sheet.rows, f);
}

fn names(row: &RunRow, f: &mut Findings) {
    f.not_empty("`log`", &row.log);
    f.not_empty("`configuration`", &row.configuration);
    let event = "expected a name in this row, that of the meeting or test";
    let session =
        "expected a name in this row: a session is what ran in one weather, a morning say, whose wind is told as one";
    for (key, text, label) in [("event", &row.event, event), ("session", &row.session, session)] {
        if text.trim().is_empty() {
            f.fault(row.spot, format!("`{key}` is empty"), label);
        }
    }
    let texts = [row.log.as_str(), row.configuration.as_str(), &row.event, &row.session];
    if let Some(text) = texts.into_iter().find(|t| t.contains(char::is_control)) {
        // Names are printed as they stand.
        f.fault(row.spot, format!("{text:?} holds a control character"), "a name is plain text: type it anew");
    }
    if let Some(date) = &row.date
        && date.parse::<chrono::NaiveDate>().is_err()
    {
        f.fault(date.spot, format!("`{}` is no date", date.value), "expected ISO 8601, for example 2031-05-17");
    }
    if let Err(e) = glob::Pattern::new(&row.log) {
        f.fault(row.log.spot, format!("`{}` is no file name or pattern", row.log.value), e.msg);
    }
    if row.log.contains(['/', '\\']) {
        f.fault(row.log.spot, "`log` holds a folder", "expected the file name alone; the pipeline says where logs are");
    }
    if row.outing == Some(0) {
        f.fault(row.spot, "`outing` is 0", "outings are counted from 1");
    }
    for (i, part) in row.parts.iter().enumerate() {
        if part.is_empty() || part.contains(|c: char| c.is_whitespace() || matches!(c, '+' | ',' | ';')) {
            f.fault(
                row.configuration.spot,
                format!("part `{part}` is not one word"),
                "in CSV, parts are separated by `+`",
            );
        } else if row.parts.iter().take(i).any(|p| p == part) {
            f.fault(row.configuration.spot, format!("part `{part}` is named twice"), "in this row");
        }
    }
}

fn times(row: &RunRow, f: &mut Findings) {
    for end in [&row.from, &row.to].into_iter().flatten() {
        f.within("time in the log", end, (0.0, 48.0), "h");
    }
    if let (Some(from), Some(to)) = (&row.from, &row.to)
        && from.get() >= to.get()
    {
        f.fault(
            to.spot,
            "the time range ends before it starts",
            format!("`from` is {} s, `to` is {} s", from.get(), to.get()),
        );
    }
}

fn weather(row: &RunRow, f: &mut Findings) {
    if let Some(t) = &row.temperature {
        f.within("air temperature", t, (-30.0, 60.0), "degC");
    }
    if let Some(p) = &row.pressure {
        f.within("air pressure", p, (70.0, 110.0), "kPa");
    }
    if let Some(h) = &row.humidity {
        f.within("relative humidity", h, (0.0, 1.0), "1");
    }
    if let Some(h) = &row.altitude {
        f.within("altitude", h, (-450.0, 5000.0), "m");
    }
    if let Some(w) = &row.wind_speed {
        f.within("wind speed", w, (0.0, 25.0), "m/s");
    }
    if let Some(d) = &row.wind_from {
        f.within("wind direction", d, (-360.0, 360.0), "deg");
    }
    match (&row.wind_speed, &row.wind_from) {
        (Some(w), None) if w.get() > 0.0 => {
            f.fault(w.spot, "wind without direction", "`wind_from` is missing in this row")
        }
        (None, Some(d)) => f.fault(d.spot, "wind direction without speed", "`wind_speed` is missing in this row"),
        _ => {}
    }
}

/// Shares under the sign of a percentage; mostly the whole column is written so, and named once.
fn too_dry(rows: &[RunRow], f: &mut Findings) {
    // None at all may be said: dry air, as a standard atmosphere is.
    let dry = |h: &&Located<Ratio>| h.get() > 0.0 && h.get() < DRIEST;
    let dry: Vec<_> = rows.iter().filter_map(|row| row.humidity.as_ref()).filter(dry).collect();
    let Some(first) = dry.first() else { return };
    let more = if dry.len() > 1 { format!("; {} more like it below", dry.len() - 1) } else { String::new() };
    f.fault_with_hint(
        first.spot,
        format!("relative humidity of {} % is drier than any air outdoors", short(100.0 * first.get())),
        format!("expected {} % to 100 %{more}", 100.0 * DRIEST),
        "is it a share in place of a percentage? leave the cell empty where nobody measured it",
    );
}

/// What a row says the car was: parts and wing position.
type Car<'a> = (Vec<&'a String>, Option<u64>);

fn car(row: &RunRow) -> Car<'_> {
    (sorted(&row.parts), row.wing_position.map(f64::to_bits))
}

/// The car that most of some rows describe, the earlier one of two that as many describe: its first row.
fn usual<'a>(rows: &[&'a RunRow]) -> Option<&'a RunRow> {
    let mut cars: BTreeMap<Car, (usize, &RunRow)> = BTreeMap::new();
    rows.iter().for_each(|row| cars.entry(car(row)).or_insert((0, row)).0 += 1);
    cars.into_values().max_by_key(|(n, row)| (*n, Reverse(row.spot.line))).map(|(_, row)| row)
}

/// A configuration is the set of its parts and its wing position: one name, one car.
fn same_configuration(rows: &[RunRow], f: &mut Findings) {
    let mut of_name: BTreeMap<String, Vec<&RunRow>> = BTreeMap::new();
    for row in rows {
        of_name.entry(row.configuration.trim().to_lowercase()).or_default().push(row);
    }
    let named: BTreeMap<&str, &RunRow> =
        of_name.iter().filter_map(|(name, rows)| Some((name.as_str(), usual(rows)?))).collect();
    for row in rows {
        let name = row.configuration.trim();
        let Some(known) = named.get(name.to_lowercase().as_str()) else { continue };
        if known.configuration.trim() != name {
            f.fault_with_hint(
                row.configuration.spot,
                format!("configuration `{name}` differs in capitals alone from another"),
                format!("`{}` in line {}", known.configuration.trim(), known.spot.line),
                "one car under two names is fitted twice from half of the data: write it alike",
            );
            continue;
        }
        let difference = if sorted(&row.parts) != sorted(&known.parts) {
            format!("parts are `{}`, but `{}` in line {}", row.parts.join("+"), known.parts.join("+"), known.spot.line)
        } else if row.wing_position != known.wing_position {
            let wing = |w: Option<f64>| w.map_or_else(|| "not given".to_owned(), |w| w.to_string());
            let (here, there) = (wing(row.wing_position), wing(known.wing_position));
            format!("wing position is {here}, but {there} in line {}", known.spot.line)
        } else {
            continue;
        };
        f.fault_with_hint(
            row.configuration.spot,
            format!("configuration `{name}` means two different cars"),
            difference,
            "one name stands for one set of parts and one wing position; give the other one its own name",
        );
    }
}

fn sorted(parts: &[String]) -> Vec<&String> {
    let mut out: Vec<_> = parts.iter().collect();
    out.sort();
    out
}

fn overlaps(rows: &[RunRow], f: &mut Findings) {
    let index = Index::new(rows.iter().map(|r| r.log.as_str()));
    for (i, row) in rows.iter().enumerate() {
        // A pattern may name what any other row names; a plain name is looked up.
        let naming = if is_pattern(&row.log) { (0..i).collect() } else { index.of(row.log.trim()) };
        let others = naming.into_iter().take_while(|j| *j < i).filter_map(|j| rows.get(j));
        let same = |other: &&RunRow| may_name_same_log(row, other) && share_time(row, other);
        if let Some(other) = others.into_iter().find(same) {
            f.fault_with_hint(
                row.log.spot,
                format!("two rows claim the same time of log `{}`", row.log.value),
                format!("line {} names it too, as configuration `{}`", other.spot.line, other.configuration.value),
                "give each row its own `from` and `to`, or its own `outing`",
            );
        }
    }
}

/// Two rows that claim the same time, of the rows that name one log. Two patterns of file names can't be
/// compared without the logs themselves; this is for when they are known.
pub fn claimed_twice(rows: &[RunRow]) -> Option<(&RunRow, &RunRow)> {
    rows.iter().enumerate().find_map(|(k, b)| rows.iter().take(k).find(|a| share_time(a, b)).map(|a| (a, b)))
}

fn may_name_same_log(a: &RunRow, b: &RunRow) -> bool {
    names_log(&a.log, b.log.trim()) || names_log(&b.log, a.log.trim())
}

fn share_time(a: &RunRow, b: &RunRow) -> bool {
    if a.outing.is_some() && b.outing.is_some() && a.outing != b.outing {
        return false;
    }
    let range = |r: &RunRow| {
        let from = r.from.as_ref().map_or(f64::NEG_INFINITY, |t| t.get());
        let to = r.to.as_ref().map_or(f64::INFINITY, |t| t.get());
        (from, to)
    };
    let ((a0, a1), (b0, b1)) = (range(a), range(b));
    a0 < b1 && b0 < a1
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::issue::Issues;
    use crate::config::run_csv;

    fn rows(lines: &[&str]) -> Vec<RunRow> {
        let text = format!("log,outing,from [min],to [min],event,session,configuration\n{}\n", lines.join("\n"));
        let mut issues = Issues::default();
        let rows = run_csv::read(Path::new("runs.csv"), &text, &mut issues);
        assert!(issues.is_empty(), "{issues}");
        rows
    }

    fn faults(lines: &[&str]) -> Vec<String> {
        let mut issues = Issues::default();
        check(&RunSheet { rows: rows(lines) }, &mut Findings::new(Path::new("runs.csv"), &mut issues));
        issues.0.into_iter().map(|i| format!("{}: {}", i.spot.line, i.message)).collect()
    }

    #[test]
    fn the_row_that_stands_alone_is_the_one_that_is_wrong() {
        let text = "log,event,session,configuration,parts,humidity [%]\na.csv,E,S,x,p+r,0.5\nb.csv,E,S,x,p+q,0.6\n\
            c.csv,E,S,x,q+p,61\nd.csv,E,S,y,,0.4\n";
        let mut issues = Issues::default();
        let rows = run_csv::read(Path::new("runs.csv"), text, &mut issues);
        check(&RunSheet { rows }, &mut Findings::new(Path::new("runs.csv"), &mut issues));
        let found: Vec<(u64, &str)> = issues.0.iter().map(|i| (i.spot.line, i.label.as_str())).collect();
        let dry = "expected 2 % to 100 %; 2 more like it below";
        assert_eq!(found, [(2, dry), (2, "parts are `p+r`, but `p+q` in line 3")]);
    }

    #[test]
    fn rows_of_one_log_may_not_share_time() {
        let clean: [&[&str]; 5] = [
            &["a.csv,,,,E,S,x", "b.csv,,,,E,S,y"],
            &["a.csv,,0,10,E,S,x", "a.csv,,10,20,E,S,y"],
            &["a.csv,,,10,E,S,x", "a.csv,,10,,E,S,y"],
            &["a.csv,1,,,E,S,x", "a.csv,2,,,E,S,y"],
            &["a*.csv,,,,E,S,x", "b*.csv,,,,E,S,y"],
        ];
        for lines in clean {
            assert_eq!(faults(lines), Vec::<String>::new(), "{lines:?}");
        }
        let shared: [&[&str]; 5] = [
            &["a.csv,,,,E,S,x", "a.csv,,,,E,S,y"],
            &["a.csv,,0,11,E,S,x", "a.csv,,10,20,E,S,y"],
            &["a.csv,,,,E,S,x", "a.csv,2,,,E,S,y"],
            &["a.csv,1,,,E,S,x", "a.csv,1,,,E,S,y"],
            &["a*.csv,,,,E,S,x", "a1.csv,,5,6,E,S,y"],
        ];
        for lines in shared {
            let found = faults(lines);
            assert_eq!(found.len(), 1, "{lines:?}: {found:?}");
            assert!(found[0].starts_with("3: two rows claim the same time"), "{found:?}");
        }
    }

    #[test]
    fn a_column_that_is_missing_is_one_fault() {
        let mut issues = Issues::default();
        let text = "log,event,session,config\na.csv,E,S,x\nb.csv,E,S,y\n";
        assert!(run_csv::read(Path::new("runs.csv"), text, &mut issues).is_empty());
        let found: Vec<&str> = issues.0.iter().map(|i| i.message.as_str()).collect();
        assert_eq!(found, ["unknown column `config`"]);
    }

    #[test]
    fn patterns_are_held_against_a_known_log() {
        let sheet = rows(&["a*.csv,,,,E,S,x", "*1.csv,,,,E,S,y"]);
        assert_eq!(claimed_twice(&sheet), Some((&sheet[0], &sheet[1])));
        assert_eq!(claimed_twice(&sheet[..1]), None);
        let apart = rows(&["a*.csv,1,,,E,S,x", "*1.csv,2,,,E,S,y"]);
        assert_eq!(claimed_twice(&apart), None);
    }

    #[test]
    fn names_are_held_to_be_names() {
        assert_eq!(faults(&["sub/a.csv,,,,E,S,x"]), ["2: `log` holds a folder"]);
        assert_eq!(faults(&["a[.csv,,,,E,S,x"]), ["2: `a[.csv` is no file name or pattern"]);
        assert_eq!(faults(&["a.csv,0,,,E,S,x"]), ["2: `outing` is 0"]);
        assert_eq!(faults(&["a.csv,,7,3,E,S,x"]), ["2: the time range ends before it starts"]);
    }
}
