//! Outings of a log, and which run-sheet row each stretch belongs to.

use std::ops::Range;

use crate::config::run_sheet::RunRow;
use crate::error::LogFault;
use crate::table::frame::Segment;

/// An outing counts when the car moved faster than this many times the standing speed (common practice, no source) …
const MOVED: f64 = 5.0;
/// … for this long, s (common practice, no source).
const MOVED_FOR: f64 = 5.0;
/// Longest time that a car is taken to drive on in while its speed is missing, s: a lap, not a stop in the garage (common
/// practice, no source).
const OUT_OF_SIGHT: f64 = 60.0;
/// Times closer than this are the same, s.
const SAME: f64 = 1e-6;

/// What tells outings apart.
#[derive(Clone, Copy, Debug)]
pub struct Rules {
    /// Speed below which the car stands, m/s.
    pub standing: f64,
    /// Standing, or without any record, for this long ends an outing, s.
    pub stop: f64,
    /// Points per second.
    pub rate: f64,
}

/// The outings: from the first to the last moving point of each. A car whose speed alone is missing, for no longer than a lap,
/// while it is well under way before and after and other channels go on, drives on; in any other gap it may have stood.
pub fn find(speed: &[f64], recorded: impl Fn(usize) -> bool, rules: Rules) -> Vec<Range<usize>> {
    let stop = rules.stop * rules.rate;
    let stood = |pause: Range<usize>| {
        let of = speed.get(pause.clone()).unwrap_or_default();
        let under_way =
            |point: Option<usize>| point.and_then(|i| speed.get(i)).is_some_and(|v| *v > MOVED * rules.standing);
        let drove = of.len() as f64 <= OUT_OF_SIGHT * rules.rate
            && of.iter().all(|v| v.is_nan())
            && under_way(pause.start.checked_sub(1))
            && under_way(Some(pause.end));
        if drove { pause.filter(|point| !recorded(*point)).count() } else { of.len() }
    };
    let mut all: Vec<Range<usize>> = Vec::new();
    for (point, _) in speed.iter().enumerate().filter(|(_, v)| **v >= rules.standing) {
        match all.last_mut() {
            Some(last) if ((point - last.end) as f64) < stop || (stood(last.end..point) as f64) < stop => {
                last.end = point + 1
            }
            _ => all.push(point..point + 1),
        }
    }
    let fast = |range: &Range<usize>| {
        let moving = speed.get(range.clone()).unwrap_or_default();
        moving.iter().filter(|v| **v > MOVED * rules.standing).count() as f64 >= MOVED_FOR * rules.rate
    };
    all.retain(fast);
    all
}

/// The part of each outing that each run-sheet row asks for. Where two rows ask for the same points, the
/// first one has them.
///
/// # Errors
/// `NotInRunSheet` without rows, `NoRun` where none of them meets an outing.
pub fn assign(outings: &[Range<usize>], runs: &[RunRow], rate: f64, points: usize) -> Result<Vec<Segment>, LogFault> {
    if runs.is_empty() {
        return Err(LogFault::NotInRunSheet);
    }
    let mut segments = Vec::new();
    for (run, row) in runs.iter().enumerate() {
        // From and to are half open, so that runs that meet share no point.
        let point = |t: f64| ((t - SAME) * rate).ceil().max(0.0) as usize;
        let from = row.from.map_or(0, |t| point(t.get()));
        let to = row.to.map_or(points, |t| point(t.get())).min(points);
        for (number, outing) in (1..).zip(outings) {
            if row.outing.is_some_and(|wanted| wanted != number) {
                continue;
            }
            let wanted = from.max(outing.start)..to.min(outing.end);
            for free in without(wanted, &segments) {
                segments.push(Segment { start: free.start, end: free.end, outing: number, run, ..Default::default() });
            }
        }
    }
    if segments.is_empty() {
        return Err(LogFault::NoRun { detail: no_run(outings.len(), runs, points as f64 / rate) });
    }
    segments.sort_by_key(|s| s.start);
    Ok(segments)
}

/// A log shorter than this, s, is no run: the unit of its time is another.
const NO_RUN: f64 = 5.0;

/// What a log of so many outings and seconds has in the place of what its rows ask for.
fn no_run(outings: usize, runs: &[RunRow], seconds: f64) -> String {
    let drove = match outings {
        0 => "the car never drove".to_owned(),
        1 => "has 1 outing".to_owned(),
        n => format!("has {n} outings"),
    };
    let lasts = format!("the log lasts {} s and {drove}", seconds.round());
    let beyond = |row: &&RunRow| row.outing.is_some_and(|wanted| wanted as usize > outings);
    match runs.iter().find(beyond) {
        _ if seconds < NO_RUN => format!("{lasts}: is the unit of its time right?"),
        Some(row) if outings > 0 => {
            format!("{lasts}; line {} asks for outing {}", row.spot.line, row.outing.unwrap_or_default())
        }
        _ if runs.iter().any(|row| row.from.is_some() || row.to.is_some()) => {
            format!("{lasts}; `from` and `to` count from its first sample")
        }
        _ => lasts,
    }
}

/// Seconds about the end of a row's part in which the car stood if somebody worked on it.
const ABOUT: f64 = 5.0;

/// Whether the car became another one while it drove: a row of another configuration begins where, in the same outing, one
/// ends, and the car does not stand there.
pub fn changed_while_driving(segments: &[Segment], runs: &[RunRow], speed: &[f64], rules: Rules) -> bool {
    let configuration = |s: &Segment| runs.get(s.run).map(|row| row.configuration.as_str());
    let about = (ABOUT * rules.rate) as usize;
    segments.windows(2).any(|pair| {
        let [a, b] = pair else { return false };
        let between = a.end.saturating_sub(about)..(b.start + about).min(speed.len());
        let stood = || speed.get(between).unwrap_or_default().iter().any(|v| v.is_nan() || *v < rules.standing);
        a.outing == b.outing && configuration(a) != configuration(b) && !stood()
    })
}

/// The parts of a range that no segment has yet.
fn without(range: Range<usize>, taken: &[Segment]) -> Vec<Range<usize>> {
    let mut free = if range.is_empty() { Vec::new() } else { vec![range] };
    for t in taken {
        free = free
            .into_iter()
            .flat_map(|r| [r.start..r.end.min(t.start), r.start.max(t.end)..r.end])
            .filter(|r| !r.is_empty())
            .collect();
    }
    free
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::located::{Located, Spot};
    use crate::units::Time;

    const RULES: Rules = Rules { standing: 1.0, stop: 20.0, rate: 10.0 };

    fn row(from: Option<f64>, to: Option<f64>, outing: Option<u32>) -> RunRow {
        let time = |t: Option<f64>| t.map(|t| Located::nowhere(Time::si(t)));
        RunRow {
            log: Located::nowhere("a.csv".to_owned()),
            from: time(from),
            to: time(to),
            outing,
            event: "e".to_owned(),
            session: "s".to_owned(),
            date: None,
            configuration: Located::nowhere("base".to_owned()),
            parts: Vec::new(),
            wing_position: None,
            fuel: None,
            fuel_per_hour: None,
            temperature: None,
            pressure: None,
            humidity: None,
            altitude: None,
            wind_speed: None,
            wind_from: None,
            spot: Spot::default(),
        }
    }

    /// Seconds of each speed, at 10 points a second.
    fn speed(parts: &[(f64, f64)]) -> Vec<f64> {
        parts.iter().flat_map(|(seconds, v)| vec![*v; (seconds * 10.0) as usize]).collect()
    }

    #[test]
    fn standing_long_enough_makes_a_new_outing() {
        let v = speed(&[(5.0, 0.0), (60.0, 40.0), (19.0, 0.2), (60.0, 30.0), (21.0, 0.0), (60.0, 40.0), (5.0, 0.0)]);
        assert_eq!(find(&v, |_| true, RULES), [50..1440, 1650..2250]);
    }

    #[test]
    fn where_nothing_was_recorded_the_car_stood_and_a_push_through_the_garage_is_nothing() {
        let v =
            speed(&[(60.0, 40.0), (30.0, f64::NAN), (30.0, 3.0), (30.0, 0.0), (4.0, 9.0), (40.0, 0.0), (60.0, 40.0)]);
        let gap = 600..900;
        assert_eq!(find(&v, |point| !gap.contains(&point), RULES), [0..600, 1940..2540]);
    }

    #[test]
    fn a_speed_that_is_missing_is_no_stop() {
        let v = speed(&[(60.0, 40.0), (30.0, f64::NAN), (60.0, 40.0)]);
        let found = find(&v, |_| true, RULES);
        assert!(found.len() == 1 && found[0] == (0..1500), "{found:?}");
        assert_eq!(find(&v, |_| false, RULES), [0..600, 900..1500]);
        // For longer than a lap, or where the car crawls, it may have been one: under the roof of a garage satellites are gone.
        for (gap, slow) in [(70.0, 40.0), (30.0, 3.0)] {
            let v = speed(&[(60.0, 40.0), (2.0, slow), (gap, f64::NAN), (60.0, 40.0)]);
            assert_eq!(find(&v, |_| true, RULES).len(), 2, "{gap} {slow}");
        }
        // Beside a stop it is a part of it.
        let v = speed(&[(60.0, 40.0), (15.0, f64::NAN), (10.0, 0.0), (60.0, 40.0)]);
        assert_eq!(find(&v, |_| true, RULES), [0..600, 850..1450]);
    }

    #[test]
    fn rows_take_their_part_and_the_first_row_wins() {
        let outings = [100..500, 700..900];
        let whole = assign(&outings, &[row(None, None, None)], 10.0, 1000).unwrap();
        let s = |start, end, outing, run| Segment { start, end, outing, run, ..Default::default() };
        assert_eq!(whole, [s(100, 500, 1, 0), s(700, 900, 2, 0)]);

        let split = [row(Some(20.0), Some(30.0), None), row(Some(30.0), Some(75.0), None), row(None, None, Some(2))];
        let split = assign(&outings, &split, 10.0, 1000).unwrap();
        assert_eq!(split, [s(200, 300, 1, 0), s(300, 500, 1, 1), s(700, 750, 2, 1), s(750, 900, 2, 2)]);

        let around = [row(Some(20.0), Some(30.0), None), row(None, None, None)];
        let around = assign(&outings[..1], &around, 10.0, 1000).unwrap();
        assert_eq!(around, [s(100, 200, 1, 1), s(200, 300, 1, 0), s(300, 500, 1, 1)]);
    }

    #[test]
    fn nobody_changes_a_wing_at_speed() {
        let v = speed(&[(30.0, 40.0), (5.0, 0.0), (30.0, 40.0)]);
        let outings = find(&v, |_| true, RULES);
        assert_eq!(outings.iter().map(Range::len).collect::<Vec<_>>(), [650]);
        let changed = |at: f64, other: &str| {
            let (first, mut second) = (row(None, Some(at), None), row(Some(at), None, None));
            second.configuration = Located::nowhere(other.to_owned());
            let runs = [first, second];
            let segments = assign(&outings, &runs, 10.0, v.len()).unwrap();
            changed_while_driving(&segments, &runs, &v, RULES)
        };
        assert!(changed(20.0, "wing") && changed(50.0, "wing"));
        assert!(!changed(32.0, "wing") && !changed(28.0, "wing") && !changed(20.0, "base"));
    }

    #[test]
    fn no_row_and_no_meeting_are_faults() {
        let outings = [100..500, 700..900];
        assert_eq!(assign(&outings, &[], 10.0, 1000), Err(LogFault::NotInRunSheet));
        let late = assign(&outings, &[row(Some(95.0), None, None)], 10.0, 1000).unwrap_err();
        let text = "no sample lies in the time ranges of the run sheet (the log lasts 100 s and has 2 outings; `from` and \
            `to` count from its first sample)";
        assert_eq!(late.to_string(), text);
        let third = assign(&outings, &[row(None, None, Some(3))], 10.0, 1000).unwrap_err().to_string();
        assert!(third.ends_with("has 2 outings; line 0 asks for outing 3)"), "{third}");
        let short = assign(&[], &[row(None, None, None)], 1000.0, 1000).unwrap_err().to_string();
        assert!(short.ends_with("the car never drove: is the unit of its time right?)"), "{short}");
    }
}
