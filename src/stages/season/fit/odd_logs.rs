//! Does a log agree with what the season says of its configuration? A session that is named for a sensor does not say which
//! of its logs is at fault, and where two rows of the run sheet were exchanged every sensor looks wrong and none is.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rayon::prelude::*;

use super::SeasonFit;
use super::evidence::{self, Observation};
use super::screen::{self, UNLIKE, WINDOWS};
use crate::numerics::spread::{MEDIAN_ABS, median};
use crate::stages::window::Window;
use crate::table::flags::{LEFT_AND_RIGHT_DISAGREE, UNLIKE_ITS_CONFIGURATION};

/// Relative difference under which a log is never called odd: weather, fuel and wakes explain as much (common practice, no
/// source).
const FAR: f64 = 0.12;
/// Standard deviations, as the season's logs scatter, by which it must stand out in one quantity at least.
const SURELY: f64 = 6.0;
/// The same within which it must agree with another configuration, in every quantity, to be taken for that one's.
const AGREES: f64 = 3.0;
/// Logs from which their scatter is known.
const LOGS: usize = 6;

/// What one log says of one quantity: the slope over effective v² by its own windows, and its standard error.
struct Told {
    quantity: usize,
    slope: f64,
    error: f64,
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
    let parts = parts(fit, windows);
    let factor = |part: &Part, told: &Told, configuration: usize| -> Option<(f64, f64)> {
        let solved = fit.model.fit.as_ref()?;
        let column = *fit.model.column.get(&(configuration, told.quantity))?;
        // The session's own say on the coefficient is taken off.
        let expected = solved.beta[column] - solved.influence.get(part.session).map_or(0.0, |own| own[column]);
        Some((told.slope / expected, told.error / expected.abs())).filter(|f| f.0.is_finite() && f.1.is_finite())
    };
    let spread: Vec<Option<f64>> = (0..fit.quantities.len())
        .map(|q| {
            let of_part = |part: &Part| {
                let told = part.told.iter().find(|t| t.quantity == q)?;
                factor(part, told, part.configuration).map(|f| (f.0 - 1.0).abs())
            };
            let mut off: Vec<f64> = parts.iter().filter_map(of_part).collect();
            (off.len() >= LOGS).then(|| median(&mut off) / MEDIAN_ABS)
        })
        .collect();
    let held = |part: &Part, configuration: usize| -> Vec<Held> {
        let one = |told: &Told| {
            let ((factor, error), spread) = (factor(part, told, configuration)?, spread[told.quantity]?);
            Some(Held { quantity: told.quantity, factor, off: (factor - 1.0).abs() / error.hypot(spread) })
        };
        part.told.iter().filter_map(one).collect()
    };
    let mut out: BTreeMap<String, String> = BTreeMap::new();
    for part in &parts {
        let own = held(part, part.configuration);
        let Some(worst) = own.iter().filter(|h| h.is_odd()).max_by(|a, b| a.off.total_cmp(&b.off)) else { continue };
        let name = |k: usize| fit.evidence.configurations.get(k).map_or("", |c| c.name.as_str());
        let figure = fit.quantities.get(worst.quantity).map_or("", String::as_str);
        let says = format!(
            "{} is {:.2} times what the season says of `{}`",
            figure.replace('_', " "),
            worst.factor,
            name(part.configuration)
        );
        let others = (0..fit.evidence.configurations.len()).filter(|k| *k != part.configuration);
        let fits = |k: &usize| {
            let held = held(part, *k);
            held.len() == own.len() && held.len() > 1 && held.iter().all(|h| h.off < AGREES)
        };
        let like: Vec<String> = others.filter(fits).map(|k| format!("`{}`", name(k))).collect();
        let beside: BTreeSet<&str> =
            parts.iter().filter(|p| p.configuration == part.configuration).map(|p| p.log).collect();
        let beside: Vec<&str> = beside.into_iter().filter(|log| *log != part.log).collect();
        let words = if !like.is_empty() {
            format!("{says}, as if {} had run: is its row of the run sheet another log's?", like.join(" or "))
        } else if (worst.factor - 1.0).abs() <= UNLIKE {
            continue;
        } else if let [other] = beside.as_slice() {
            // The fit rests on the one that scatters less, which need not be right.
            let of_other = format!("one of the two is wrong, see `{}`", part.log);
            out.entry((*other).to_owned()).or_insert(of_other);
            format!("{says}, which rests on `{other}`: one of the two is wrong")
        } else {
            format!("{says}, {}", screen::suspicion(worst.factor, figure))
        };
        out.insert(part.log.to_owned(), words);
    }
    out
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
    fn is_odd(&self) -> bool {
        self.off > SURELY && (self.factor - 1.0).abs() > FAR
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
        Some(((*names.get(log)?, session, configuration), Told { quantity: *quantity, slope, error }))
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
    use super::*;
    use crate::stages::season::SeasonTables;
    use crate::stages::season::fit::tests::{ROBUST, Season, make, solve};

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
        assert!(found["s3.csv#0"].contains("what the season says of `c2`, as if `c0` had run"), "{found:?}");
        assert!(found["s3.csv#2"].contains("what the season says of `c0`, as if `c2` had run"), "{found:?}");
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
