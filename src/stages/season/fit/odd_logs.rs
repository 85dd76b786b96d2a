//! Does a log agree with what the season says of its configuration? A session that is named for a sensor does not say which
//! of its logs is at fault, and where two rows of the run sheet were exchanged every sensor looks wrong and none is.

mod exchanged;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rayon::prelude::*;

use super::SeasonFit;
use super::evidence::{self, Observation};
use super::rows::{LEFT_OUT, OUTLIER, mostly_outliers};
use super::screen::{self, UNLIKE, WINDOWS};
use crate::numerics::spread::{MEDIAN_ABS, median};
use crate::stages::season::SeasonTables;
use crate::stages::window::Window;
use crate::table::flags::{LEFT_AND_RIGHT_DISAGREE, UNLIKE_ITS_CONFIGURATION};

/// Relative difference under which a log is never called odd: weather, fuel and wakes explain as much (common practice, no
/// source).
const FAR: f64 = 0.12;
/// Standard deviations, as the season's logs scatter, by which it must stand out in one quantity at least.
const SURELY: f64 = 6.0;
/// The same within which it must agree with another configuration, in every quantity, to be taken for that one's.
const AGREES: f64 = 3.0;
/// A wrong row of the run sheet is told from less, by a log that is the more like another configuration: from so large a
/// difference, so many standard deviations, and within so many of the other (set by trial on generated seasons).
const FAR_LIKE_ANOTHER: f64 = 0.06;
const SURELY_LIKE_ANOTHER: f64 = 4.0;
const AGREES_CLOSELY: f64 = 1.5;
/// Logs from which their scatter is known.
const LOGS: usize = 6;
/// Windows from which it is known how much those of one log scatter.
const WINDOWS_TO_SCATTER: usize = 8;
/// Straights that all quantities must be off on to put it down to the log: on fewer it was a gust, or a car ahead (set by
/// trial: of a thousand sound logs of a minute ten were called odd for one straight, of which they had one or two).
const STRAIGHTS: usize = 4;
/// So many times as much as in the usual log, and as that quantity of the log which does so least, the windows of a log
/// scatter where a sensor is read wrongly in some of them: two columns exchanged make it 12, wakes and gusts, which put all
/// quantities off, up to 3 (set by trial on generated seasons).
const RESTLESS: f64 = 6.0;
const BESIDE_OTHERS: f64 = 2.0;

/// What one log says of one quantity: the slope over effective v² by its own windows, its standard error, and how far a
/// window is usually from it, where there are enough to tell.
struct Told {
    quantity: usize,
    slope: f64,
    error: f64,
    scatter: Option<f64>,
    windows: usize,
    /// Those of little weight, and the straights that they lie on.
    outliers: usize,
    straights: usize,
}

/// One log, or the part of it that ran one configuration.
struct Part<'a> {
    log: &'a str,
    session: usize,
    configuration: usize,
    told: Vec<Told>,
}

/// Logs that do not fit the configuration that the run sheet names, and in words how.
pub fn odd_logs(fit: &SeasonFit, windows: &[Window]) -> BTreeMap<String, String> {
    let season = Season::new(fit, windows);
    let mut out: BTreeMap<String, String> = BTreeMap::new();
    let exchanged = season.exchanged();
    for part in &season.parts {
        let own = season.held(part, part.configuration);
        if exchanged.contains_key(part.log) {
            // Said of both below: by itself each would be taken for another's fault.
        } else if let Some((words, other)) = season.wrong_row(part, &own) {
            let of_other = || format!("one of the two is wrong, see `{}`", part.log);
            other.into_iter().for_each(|other| _ = out.entry(other.to_owned()).or_insert_with(of_other));
            out.insert(part.log.to_owned(), words);
        } else if let Some((words, other)) = season.far(part, &own) {
            // The fit rests on the one that scatters less, which need not be right.
            let of_other = || format!("one of the two is wrong, see `{}`", part.log);
            other.into_iter().for_each(|other| _ = out.entry(other.to_owned()).or_insert_with(of_other));
            out.insert(part.log.to_owned(), words);
        } else if let Some(words) = season.apart(part).or_else(|| season.restless(part)) {
            out.insert(part.log.to_owned(), words);
        }
    }
    out.extend(exchanged);
    out
}

/// What the logs of a season say, each for itself.
struct Season<'a> {
    fit: &'a SeasonFit,
    parts: Vec<Part<'a>>,
    /// Per quantity how much the logs scatter about what the season says, relative to it, and how much the windows of the
    /// usual log do; `None` where few tell.
    spread: Vec<Option<f64>>,
    usual: Vec<Option<f64>>,
    /// Per configuration and quantity the sessions with a log of it, and how much each of these tells: one over the square of
    /// its standard error.
    known: BTreeMap<(usize, usize), Vec<(usize, f64)>>,
}

impl<'a> Season<'a> {
    fn new(fit: &'a SeasonFit, windows: &'a [Window]) -> Self {
        let mut out = Self { fit, parts: parts(fit, windows), spread: vec![], usual: vec![], known: BTreeMap::new() };
        for part in &out.parts {
            for told in part.told.iter().filter(|t| t.error > 0.0) {
                let of = out.known.entry((part.configuration, told.quantity)).or_default();
                of.push((part.session, told.error.powi(-2)));
            }
        }
        let middle = |mut all: Vec<f64>| (all.len() >= LOGS).then(|| median(&mut all));
        for q in 0..fit.quantities.len() {
            let told = || out.parts.iter().filter_map(|part| Some((part, part.told.iter().find(|t| t.quantity == q)?)));
            let off =
                |(part, told): (&Part, &Told)| out.factor(part, told, part.configuration).map(|f| (f.0 - 1.0).abs());
            let (spread, usual) = (
                middle(told().filter_map(off).collect()).map(|m| m / MEDIAN_ABS),
                middle(told().filter_map(|(_, t)| t.scatter).collect()).filter(|m| *m > 0.0),
            );
            out.spread.push(spread);
            out.usual.push(usual);
        }
        out
    }

    fn configuration(&self, k: usize) -> &str {
        self.fit.evidence.configurations.get(k).map_or("", |c| c.name.as_str())
    }

    fn figure(&self, quantity: usize) -> String {
        self.fit.quantities.get(quantity).map_or_else(String::new, |name| name.replace('_', " "))
    }

    /// What a part says over what the other sessions say of a configuration, and the standard error of that.
    fn factor(&self, part: &Part, told: &Told, configuration: usize) -> Option<(f64, f64)> {
        let model = &self.fit.model;
        let (solved, column) = (model.fit.as_ref()?, *model.column.get(&(configuration, told.quantity))?);
        // The session's own say on the coefficient is taken off.
        let expected = solved.beta[column] - solved.influence.get(part.session).map_or(0.0, |own| own[column]);
        let error = told.error.hypot(self.error_without(part.session, (configuration, told.quantity)));
        Some((told.slope / expected, error / expected.abs())).filter(|f| f.0.is_finite() && f.1.is_finite())
    }

    /// Standard error of what the logs of the other sessions say of a configuration's quantity; nothing where each of them has
    /// too few windows to tell by itself.
    fn error_without(&self, session: usize, pair: (usize, usize)) -> f64 {
        let of = self.known.get(&pair).map_or(&[][..], Vec::as_slice);
        let told: f64 = of.iter().filter(|of| of.0 != session).map(|of| of.1).sum();
        if told > 0.0 { told.sqrt().recip() } else { 0.0 }
    }

    /// All quantities of a part held against a configuration.
    fn held(&self, part: &Part, configuration: usize) -> Vec<Held> {
        let one = |told: &Told| {
            let ((factor, error), spread) = (self.factor(part, told, configuration)?, self.spread[told.quantity]?);
            Some(Held { quantity: told.quantity, factor, off: (factor - 1.0).abs() / error.hypot(spread) })
        };
        part.told.iter().filter_map(one).collect()
    }

    fn says(&self, part: &Part, worst: &Held) -> String {
        let (figure, configuration) = (self.figure(worst.quantity), self.configuration(part.configuration));
        format!("{figure} is {:.2} times what the season says of `{configuration}`", worst.factor)
    }

    /// In words that the log is another configuration's; and the other log where there is only one beside it.
    fn wrong_row(&self, part: &Part, own: &[Held]) -> Option<(String, Option<&str>)> {
        let worst = worst(own, SURELY_LIKE_ANOTHER, FAR_LIKE_ANOTHER)?;
        let within = if self::worst(own, SURELY, FAR).is_some() { AGREES } else { AGREES_CLOSELY };
        let fits = |k: &usize| {
            let held = self.held(part, *k);
            held.len() == own.len() && held.len() > 1 && held.iter().all(|h| h.off < within)
        };
        let others = (0..self.fit.evidence.configurations.len()).filter(|k| *k != part.configuration);
        let like: Vec<String> = others.filter(fits).map(|k| format!("`{}`", self.configuration(k))).collect();
        (!like.is_empty()).then(|| {
            let (says, like) = (self.says(part, worst), like.join(" or "));
            match self.only_beside(part) {
                // Which of them is right the season can't say: what it says of the configuration is the other's word.
                Some(other) => {
                    let which = "the row of one of the two is another log's";
                    (format!("{says}, which rests on `{other}`, as if {like} had run: {which}"), Some(other))
                }
                None => (format!("{says}, as if {like} had run: is its row of the run sheet another log's?"), None),
            }
        })
    }

    /// In words that a sensor, or a unit, is wrong; and the other log where there is only one beside it.
    fn far(&self, part: &Part, own: &[Held]) -> Option<(String, Option<&str>)> {
        let worst = worst(own, SURELY, FAR).filter(|worst| worst.by() > UNLIKE)?;
        let says = self.says(part, worst);
        if let Some(other) = self.only_beside(part) {
            return Some((format!("{says}, which rests on `{other}`: one of the two is wrong"), Some(other)));
        }
        let name = self.fit.quantities.get(worst.quantity).map_or("", String::as_str);
        let all = own.len() > 1 && own.iter().all(|held| screen::alike(held.factor, worst.factor));
        Some((format!("{says}, {}", screen::suspicion(worst.factor, name, all)), None))
    }

    /// The log of the same configuration, where there is only one beside it.
    fn only_beside(&self, part: &Part) -> Option<&str> {
        let of_configuration = self.parts.iter().filter(|p| p.configuration == part.configuration);
        let beside: BTreeSet<&str> = of_configuration.map(|p| p.log).filter(|log| *log != part.log).collect();
        beside.first().copied().filter(|_| beside.len() == 1)
    }

    /// In words that most of its windows are outliers.
    fn apart(&self, part: &Part) -> Option<String> {
        let told = part.told.iter().filter(|t| mostly_outliers(t.outliers, t.windows)).max_by_key(|t| t.outliers)?;
        // Of a session that was left out nothing is weighed.
        let unseen = |t: &Told| self.fit.evidence.left_out.contains(&(part.session, t.quantity));
        let alike = |t: &Told| unseen(t) || 2 * t.outliers > told.outliers;
        let cause = if part.told.len() > 1 && part.told.iter().all(alike) {
            // What the windows of one straight met they met together, and the fit has weighed it as such.
            if told.straights < STRAIGHTS {
                return None;
            }
            "as all quantities do: in other air, behind another car, or with a speed that is wrong at times"
        } else {
            "as if a sensor had shifted, failed or changed its unit on the way"
        };
        let (n, of, figure) = (told.outliers, told.windows, self.figure(told.quantity));
        Some(format!("{n} of {of} windows say something else of the {figure} than the rest, {cause}"))
    }

    /// In words that the windows of one of its quantities scatter far more than those of the usual log do, and than its other
    /// quantities say.
    fn restless(&self, part: &Part) -> Option<String> {
        let times = |t: &Told| Some((t.quantity, t.scatter? / (*self.usual.get(t.quantity)?)?));
        let times: Vec<(usize, f64)> = part.told.iter().filter_map(times).collect();
        let least = times.iter().map(|t| t.1).reduce(f64::min)?;
        let (quantity, most) = times.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        (most > RESTLESS && most > BESIDE_OTHERS * least).then(|| {
            format!(
                "{} scatters {most:.0} times as much from window to window as in the usual log, as if a sensor were \
                 right in some windows and wrong in others or two of its columns were exchanged",
                self.figure(quantity)
            )
        })
    }
}

/// The quantity that stands out most of those that do so surely and by a share.
fn worst(own: &[Held], surely: f64, least: f64) -> Option<&Held> {
    own.iter().filter(|h| h.off > surely && h.by() > least).max_by(|a, b| a.off.total_cmp(&b.off))
}

/// A session that was left out for some of its logs, which are named, has no fault of its own to be guessed at.
pub(super) fn point_to_them(tables: &mut SeasonTables) {
    for row in tables.agreement.iter_mut().filter(|row| row.verdict == LEFT_OUT) {
        let of_session = tables.windows.iter().filter(|w| w.event == row.event && w.session == row.session);
        let logs = evidence::distinct(of_session.map(|w| w.log.as_str()));
        let odd: Vec<String> =
            logs.iter().filter(|log| tables.odd_logs.contains_key(**log)).map(|log| format!("`{log}`")).collect();
        if !odd.is_empty() && odd.len() < logs.len() {
            row.suspicion = format!("see its {} {}", if odd.len() == 1 { "log" } else { "logs" }, odd.join(" and "));
        }
    }
}

/// Configurations with windows of a log that is flagged as odd, here or by itself.
pub fn configurations(fit: &SeasonFit, windows: &[Window]) -> BTreeMap<usize, BTreeSet<&'static str>> {
    let mut out: BTreeMap<usize, BTreeSet<&'static str>> = BTreeMap::new();
    for o in &fit.evidence.observations {
        let flags = windows.get(o.window).map_or(&[][..], |w| w.flags.as_slice());
        for flag in [UNLIKE_ITS_CONFIGURATION, LEFT_AND_RIGHT_DISAGREE]
            .into_iter()
            .filter(|flag| flags.iter().any(|f| f == flag))
        {
            out.entry(o.configuration).or_default().insert(flag);
        }
    }
    out
}

/// A quantity of a log held against a configuration.
struct Held {
    quantity: usize,
    factor: f64,
    /// Standard deviations.
    off: f64,
}

impl Held {
    /// By which share it is off.
    fn by(&self) -> f64 {
        (self.factor - 1.0).abs()
    }
}

/// Log, session and configuration.
type Of<'a> = (&'a str, usize, usize);
/// The same, the log by its number.
type Numbers = (usize, usize, usize);

fn parts<'a>(fit: &SeasonFit, windows: &'a [Window]) -> Vec<Part<'a>> {
    let names: Vec<&str> = evidence::distinct(windows.iter().map(|w| w.log.as_str()));
    // By their numbers: many windows have one name, and it is long to look at.
    let mut numbers = Vec::with_capacity(windows.len());
    for of_log in windows.chunk_by(|a, b| Arc::ptr_eq(&a.stretch, &b.stretch)) {
        let number = of_log.first().and_then(|w| names.binary_search(&w.log.as_str()).ok()).unwrap_or(0);
        numbers.extend(std::iter::repeat_n(number, of_log.len()));
    }
    let key = |o: &Observation| Some(((*numbers.get(o.window)?, o.session, o.configuration), o.quantity));
    let told = |((of, quantity), rows): &((Numbers, usize), Vec<usize>)| {
        let (slope, error) = screen::factor(fit, rows, |_| 1.0).filter(|_| rows.len() >= WINDOWS)?;
        let (log, session, configuration) = *of;
        let scatter = (rows.len() >= WINDOWS_TO_SCATTER).then(|| screen::scatter(fit, rows, slope));
        let outliers = || rows.iter().filter(|i| fit.model.robust[**i] < OUTLIER);
        let straight = |i: &usize| fit.evidence.straights.get(fit.evidence.observations[*i].window);
        let straights = outliers().map(straight).collect::<BTreeSet<_>>().len();
        let told = Told {
            quantity: *quantity,
            slope,
            error,
            scatter,
            windows: rows.len(),
            outliers: outliers().count(),
            straights,
        };
        Some(((*names.get(log)?, session, configuration), told))
    };
    let found: Vec<Option<(Of, Told)>> = screen::grouped(fit, key).par_iter().map(told).collect();
    let mut out: Vec<Part> = Vec::new();
    for ((log, session, configuration), told) in found.into_iter().flatten() {
        match out.last_mut() {
            Some(last) if (last.log, last.session, last.configuration) == (log, session, configuration) => {
                last.told.push(told);
            }
            _ => out.push(Part { log, session, configuration, told: vec![told] }),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::rows;
    use super::*;
    use crate::stages::season::fit::tests::{ROBUST, Season, make, solve};
    use crate::table::flags::MOSTLY_OUTLIERS;

    const QUANTITY: &str = "front_downforce";

    /// Six sessions of three logs each; the first configuration makes a seventh less at the front than the third.
    fn season(seed: u64) -> SeasonTables {
        let mut tables = make(&Season { sessions: 6, windows: 30, noise: 10.0, ..Default::default() }, seed);
        tables.windows.iter_mut().for_each(|w| w.log = w.outing.clone());
        tables
    }

    fn odd(tables: &SeasonTables) -> BTreeMap<String, String> {
        odd_logs(&solve(tables, ROBUST, 3), &tables.windows)
    }

    #[test]
    fn nothing_is_odd_about_good_logs() {
        for seed in 0..10 {
            assert_eq!(odd(&season(seed)), BTreeMap::new(), "{seed}");
        }
    }

    #[test]
    fn exchanged_rows_of_the_run_sheet_are_told_from_sensors() {
        let mut tables = season(11);
        for w in tables.windows.iter_mut().filter(|w| w.session == "s3") {
            w.configuration = match w.configuration.as_str() {
                "c0" => "c2".to_owned(),
                "c2" => "c0".to_owned(),
                other => other.to_owned(),
            };
        }
        let found = odd(&tables);
        assert_eq!(found.keys().collect::<Vec<_>>(), ["s3.csv#0", "s3.csv#2"]);
        let words = "`s3.csv#0` reads like `c0` and `s3.csv#2` like `c2`: were their rows of the run sheet exchanged?";
        assert!(found.values().all(|found| found == words), "{found:?}");
        // One row alone is another's.
        for w in tables.windows.iter_mut().filter(|w| w.log == "s3.csv#2") {
            w.configuration = "c2".to_owned();
        }
        let found = odd(&tables);
        assert_eq!(found.keys().collect::<Vec<_>>(), ["s3.csv#0"]);
        assert!(found["s3.csv#0"].contains("what the season says of `c2`, as if `c0` had run"), "{found:?}");
    }

    #[test]
    fn exchanged_rows_of_configurations_that_few_logs_ran_are_named_and_no_log_is_accused() {
        for seed in 0..6 {
            let mut tables = season(40 + seed);
            // Two logs each, and of either one under the other's name.
            tables.windows.retain(|w| w.configuration == "c1" || ["s1", "s4"].contains(&w.session.as_str()));
            assert_eq!(odd(&tables), BTreeMap::new(), "{seed}");
            for w in tables.windows.iter_mut().filter(|w| w.session == "s4") {
                w.configuration = match w.configuration.as_str() {
                    "c0" => "c2".to_owned(),
                    "c2" => "c0".to_owned(),
                    other => other.to_owned(),
                };
            }
            let found = odd(&tables);
            assert_eq!(found.keys().collect::<Vec<_>>(), ["s1.csv#0", "s1.csv#2", "s4.csv#0", "s4.csv#2"], "{seed}");
            assert!(found.values().all(|words| words.ends_with("exchanged; which, the logs can't tell")), "{found:?}");
        }
    }

    #[test]
    fn of_two_logs_that_differ_either_may_be_wrong() {
        let mut tables = season(13);
        tables.windows.retain(|w| w.configuration != "c2" || w.session.as_str() < "s2");
        for w in tables.windows.iter_mut().filter(|w| w.log == "s0.csv#2") {
            w.measures[0].as_mut().unwrap().mean *= 0.5;
        }
        let found = odd(&tables);
        assert_eq!(found.keys().collect::<Vec<_>>(), ["s0.csv#2", "s1.csv#2"]);
        assert!(found.values().all(|words| words.contains("one of the two is wrong")), "{found:?}");
    }

    #[test]
    fn a_sensor_that_shifts_on_the_way_is_named() {
        let mut tables = season(15);
        // The only log of its configuration: nothing contradicts it but itself.
        tables.windows.retain(|w| w.configuration != "c2" || w.session == "s1");
        let of_log = tables.windows.iter_mut().filter(|w| w.log == "s1.csv#2");
        for (i, w) in of_log.enumerate() {
            w.measures[0].as_mut().unwrap().mean += if i % 3 == 0 { 400.0 } else { 0.0 };
            w.measures[0].as_mut().unwrap().mean -= if i % 3 == 1 { 400.0 } else { 0.0 };
        }
        let fit = solve(&tables, ROBUST, 3);
        let found = odd_logs(&fit, &tables.windows);
        assert_eq!(found.keys().collect::<Vec<_>>(), ["s1.csv#2"]);
        assert!(found["s1.csv#2"].contains(" windows say something else of the front downforce"), "{found:?}");
        let row = rows::fits(&fit, &tables).into_iter().find(|r| r.configuration == "c2" && r.quantity == QUANTITY);
        assert!(row.unwrap().flags.split(',').any(|flag| flag == MOSTLY_OUTLIERS));
    }

    #[test]
    fn a_log_that_is_right_in_some_windows_alone_is_named() {
        let mut tables = season(14);
        // As if another wheel's travel had been read: at times more, at times less.
        for (i, w) in tables.windows.iter_mut().enumerate().filter(|(_, w)| w.log == "s4.csv#1") {
            w.measures[1].as_mut().unwrap().mean *= if i % 2 == 0 { 1.1 } else { 0.9 };
        }
        let found = odd(&tables);
        assert_eq!(found.keys().collect::<Vec<_>>(), ["s4.csv#1"]);
        let words = &found["s4.csv#1"];
        assert!(words.starts_with("rear downforce scatters ") && words.contains("in some windows"), "{words}");
        // Where all quantities do so alike it is no sensor of one of them.
        for (i, w) in tables.windows.iter_mut().enumerate().filter(|(_, w)| w.log == "s4.csv#1") {
            for q in [0, 2] {
                w.measures[q].as_mut().unwrap().mean *= if i % 2 == 0 { 1.1 } else { 0.9 };
            }
        }
        let words = &odd(&tables)["s4.csv#1"];
        assert!(words.ends_with("with a speed that is wrong at times"), "{words}");
    }

    #[test]
    fn a_log_that_met_one_gust_is_not_odd() {
        let tables = season(16);
        let fit = solve(&tables, ROBUST, 3);
        let season = super::Season::new(&fit, &tables.windows);
        let says = |straights: usize, others: usize| {
            let told = |(quantity, outliers): (usize, usize)| Told {
                quantity,
                slope: 1.0,
                error: 0.1,
                scatter: None,
                windows: 12,
                outliers,
                straights,
            };
            let told = [12, others].into_iter().enumerate().map(told).collect();
            season.apart(&Part { log: "s4.csv#1", session: 4, configuration: 1, told })
        };
        assert_eq!(says(3, 12), None);
        assert!(says(4, 12).unwrap().contains("as all quantities do"));
        // A gust moves all of them; a sensor one, on a single straight too.
        assert!(says(1, 2).unwrap().contains("as if a sensor had shifted"));
    }

    #[test]
    fn a_sensor_of_one_log_is_named() {
        let mut tables = season(12);
        for w in tables.windows.iter_mut().filter(|w| w.log == "s2.csv#1") {
            w.measures[0].as_mut().unwrap().mean *= 0.5;
        }
        let found = odd(&tables);
        assert_eq!(found.len(), 1);
        let words = &found["s2.csv#1"];
        assert!(words.starts_with("front downforce is 0.5") || words.starts_with("front downforce is 0.4"), "{words}");
        assert!(words.ends_with("of `c1`, as if one of two sensors did not move"), "{words}");
    }
}
