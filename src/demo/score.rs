//! Holds the written `fits` of a simulated season against its truth.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use nalgebra::{DMatrix, DVector};

use super::aero::Forces;
use super::truth::{ConfigurationTruth, Truth};
use crate::error::Fatal;
use crate::table::parquet_file;
use crate::table::rows::FitRow;

/// Largest error that passes: this share of the force, or [`SMALLEST`], whichever is more.
const SHARE: f64 = 0.015;
/// Smallest error that counts, N.
const SMALLEST: f64 = 15.0;
/// A part whose true effect is larger than this must come out with its sign and in its place, N.
const CLEAR: f64 = 100.0;

/// A quantity with a true force: its name in the tables and where it stands in [`Forces`].
type Known = (&'static str, fn(&Forces) -> f64);
const QUANTITIES: [Known; 3] = [("front_downforce", |f| f.front), ("rear_downforce", |f| f.rear), ("drag", |f| f.drag)];

/// One comparison of an estimate with its truth, N at the reference speed.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Configuration.
    pub configuration: String,
    /// Quantity.
    pub quantity: &'static str,
    /// True force.
    pub truth: f64,
    /// Estimate and its 95 % interval; `None` where the tables have none.
    pub estimate: Option<(f64, f64, f64)>,
}

impl Line {
    /// Estimate less truth.
    pub fn error(&self) -> Option<f64> {
        self.estimate.map(|e| e.0 - self.truth)
    }
    /// Near enough to the truth.
    pub fn passes(&self) -> bool {
        self.error().is_some_and(|e| e.abs() <= (SHARE * self.truth.abs()).max(SMALLEST))
    }
    /// The interval holds the truth.
    pub fn covers(&self) -> bool {
        self.estimate.is_some_and(|(_, low, high)| (low..=high).contains(&self.truth))
    }
}

/// A part's effect from the estimates, against the truth, N at the reference speed.
#[derive(Clone, Debug, PartialEq)]
pub struct PartLine {
    /// Part, or `wing step`.
    pub part: String,
    /// Quantity.
    pub quantity: &'static str,
    /// True effect.
    pub truth: f64,
    /// Effect by least squares over the configurations; `None` where they do not tell it.
    pub estimate: Option<f64>,
}

/// The whole comparison.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Score {
    /// Per configuration and quantity.
    pub lines: Vec<Line>,
    /// Per part and quantity.
    pub parts: Vec<PartLine>,
    /// What failed, in words.
    pub failures: Vec<String>,
}

/// Reads the truth of a season.
///
/// # Errors
/// When the file can't be read or is no truth.
pub fn read_truth(path: &Path) -> Result<Truth, Fatal> {
    let text = fs::read_to_string(path).map_err(|source| Fatal::Io {
        what: "can't read the truth",
        path: path.to_owned(),
        source,
    })?;
    serde_json::from_str(&text).map_err(|e| Fatal::Table { path: path.to_owned(), detail: e.to_string() })
}

/// Where the truth of these tables is looked for: beside the folder of tables, then in it.
pub fn usual_truth(tables: &Path) -> PathBuf {
    let beside = tables.parent().unwrap_or(Path::new(".")).join("truth.json");
    let inside = tables.join("truth.json");
    if !beside.exists() && inside.exists() { inside } else { beside }
}

/// Reads the `fits` table of the season from a folder of tables.
///
/// # Errors
/// When it can't be read.
pub fn read_fits(tables: &Path, season: &str) -> Result<Vec<FitRow>, Fatal> {
    parquet_file::read(&parquet_file::place(tables, "fits", season))
}

/// Holds fits against the truth. Configurations that the season never ran are left out.
pub fn score(truth: &Truth, fits: &[FitRow]) -> Score {
    let ran = |c: &&ConfigurationTruth| truth.sessions.iter().any(|s| s.configurations.contains(&c.name));
    let ran: Vec<&ConfigurationTruth> = truth.configurations.iter().filter(ran).collect();
    let mut lines = Vec::new();
    for c in &ran {
        for (quantity, force) in QUANTITIES {
            let fit = fits.iter().find(|f| f.configuration == c.name && f.quantity == quantity);
            let estimate = fit.and_then(|f| at_reference(truth, f));
            lines.push(Line { configuration: c.name.clone(), quantity, truth: force(&c.force), estimate });
        }
    }
    let parts = QUANTITIES.iter().flat_map(|(q, force)| effects(truth, &ran, &lines, q, *force)).collect();
    let mut score = Score { lines, parts, failures: Vec::new() };
    score.failures = failures(&score);
    score
}

/// A fit's force and interval at the truth's speed and density.
fn at_reference(truth: &Truth, fit: &FitRow) -> Option<(f64, f64, f64)> {
    let to = truth.reference_speed * truth.reference_speed * truth.reference_density / fit.reference_density;
    let nan = f64::NAN;
    let c = fit.coefficient?;
    Some((c * to, fit.coefficient_lo95.unwrap_or(nan) * to, fit.coefficient_hi95.unwrap_or(nan) * to))
}

/// Effects of parts and wing step on one quantity: least squares over the estimated configurations.
fn effects(
    truth: &Truth,
    ran: &[&ConfigurationTruth],
    lines: &[Line],
    quantity: &'static str,
    force: fn(&Forces) -> f64,
) -> Vec<PartLine> {
    let carried = |p: &str| ran.iter().any(|c| c.parts.iter().any(|x| x == p));
    let names: Vec<&str> = truth.parts.iter().map(|p| p.name.as_str()).filter(|p| carried(p)).collect();
    let wing = ran.iter().any(|c| c.wing_position != truth.base_wing);
    let known: Vec<(&ConfigurationTruth, f64)> = ran
        .iter()
        .filter_map(|c| {
            let line = lines.iter().find(|l| l.configuration == c.name && l.quantity == quantity)?;
            Some((*c, line.estimate?.0))
        })
        .collect();
    let columns = 1 + names.len() + usize::from(wing);
    let design = DMatrix::from_fn(known.len(), columns, |row, column| {
        let Some((c, _)) = known.get(row) else { return 0.0 };
        match column.checked_sub(1).map(|i| names.get(i)) {
            None => 1.0,
            Some(Some(name)) => f64::from(u8::from(c.parts.iter().any(|p| p == name))),
            Some(None) => c.wing_position - truth.base_wing,
        }
    });
    let values = DVector::from_iterator(known.len(), known.iter().map(|k| k.1));
    let svd = (!known.is_empty()).then(|| design.svd(true, true));
    let solution = svd.as_ref().and_then(|svd| svd.solve(&values, 1e-9).ok());
    // a column is told when a unit step along it is seen by the configurations: e_j lies in the row space
    let rows = svd.as_ref().and_then(|svd| Some((svd.v_t.as_ref()?, &svd.singular_values)));
    let told = |column: usize| {
        let seen: f64 = rows.map_or(0.0, |(v, values)| {
            v.row_iter()
                .zip(values.iter())
                .filter(|(_, s)| **s > 1e-9)
                .map(|(r, _)| r.get(column).copied().unwrap_or(0.0).powi(2))
                .sum()
        });
        seen > 1.0 - 1e-9
    };
    let estimate = |column: usize| {
        let value = solution.as_ref().and_then(|s| s.get(column)).copied();
        value.filter(|_| told(column))
    };
    let mut out: Vec<PartLine> = Vec::new();
    for (i, name) in names.iter().enumerate() {
        let effect = truth.parts.iter().find(|p| p.name == *name).map_or(0.0, |p| force(&p.effect));
        out.push(PartLine { part: (*name).to_owned(), quantity, truth: effect, estimate: estimate(i + 1) });
    }
    if wing {
        let effect = force(&truth.wing_step);
        let estimate = estimate(1 + names.len());
        out.push(PartLine { part: "wing step".to_owned(), quantity, truth: effect, estimate });
    }
    out
}

fn failures(score: &Score) -> Vec<String> {
    let mut out = Vec::new();
    for l in score.lines.iter().filter(|l| !l.passes()) {
        out.push(match l.error() {
            Some(e) => format!("{} of {} is off by {e:.1} N of {:.1} N", l.quantity, l.configuration, l.truth),
            None => format!("{} of {} has no estimate", l.quantity, l.configuration),
        });
    }
    for p in score.parts.iter().filter(|p| p.truth.abs() > CLEAR) {
        match p.estimate {
            Some(e) if e * p.truth <= 0.0 => {
                out.push(format!("{} of {} has the wrong sign: {e:.1} N for {:.1} N", p.quantity, p.part, p.truth));
            }
            _ => {}
        }
    }
    // two clear parts whose true effects differ by more than both may be off must come in their order
    let clear: Vec<_> =
        score.parts.iter().filter(|p| p.truth.abs() > CLEAR).filter_map(|p| Some((p, p.estimate?))).collect();
    for (i, (p, ep)) in clear.iter().enumerate() {
        for (q, eq) in clear.iter().skip(i + 1).filter(|(q, _)| q.quantity == p.quantity) {
            let apart = p.truth - q.truth;
            if apart.abs() > 2.0 * SMALLEST && (ep - eq) * apart <= 0.0 {
                out.push(format!("{}: {} and {} come out in the wrong order", p.quantity, p.part, q.part));
            }
        }
    }
    out
}

impl Score {
    /// Whether every bar was met.
    pub fn passes(&self) -> bool {
        self.failures.is_empty()
    }

    /// The comparison as text.
    pub fn text(&self) -> String {
        let mut out = format!(
            "{:<18}{:<17}{:>9}{:>10}{:>9}{:>8}   {:<19}{}\n",
            "configuration", "quantity", "truth N", "estimate", "error N", "error", "95 % interval", "holds the truth"
        );
        for l in &self.lines {
            let _ = write!(out, "{:<18}{:<17}{:>9.1}", l.configuration, l.quantity, l.truth);
            let _ = match (l.estimate, l.error()) {
                (Some((e, low, high)), Some(d)) => writeln!(
                    out,
                    "{e:>10.1}{d:>9.1}{:>7.2}%   {:<19}{}{}",
                    100.0 * d / l.truth,
                    format!("{low:.1} to {high:.1}"),
                    if l.covers() { "yes" } else { "no" },
                    if l.passes() { "" } else { "   OFF" }
                ),
                _ => writeln!(out, "         -        -       -   no estimate"),
            };
        }
        let _ = writeln!(out, "\n{:<20}{:<17}{:>9}{:>10}{:>9}", "part", "quantity", "truth N", "estimate", "error N");
        for p in &self.parts {
            let _ = write!(out, "{:<20}{:<17}{:>9.1}", p.part, p.quantity, p.truth);
            let _ = match p.estimate {
                Some(e) => writeln!(out, "{e:>10.1}{:>9.1}", e - p.truth),
                None => writeln!(out, "         -   not told apart by these configurations"),
            };
        }
        let within = self.lines.iter().filter(|l| l.passes()).count();
        let covered = self.lines.iter().filter(|l| l.covers()).count();
        let n = self.lines.len();
        let _ = writeln!(
            out,
            "\n{within} of {n} within {:.1} % or {SMALLEST:.0} N; {covered} of {n} intervals hold the truth",
            SHARE * 100.0
        );
        for f in &self.failures {
            let _ = writeln!(out, "failed: {f}");
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Scenario, simulate};

    fn truth() -> Truth {
        simulate(&Scenario::default()).truth()
    }

    /// Fits that are the truth, at another reference speed and density.
    fn perfect(truth: &Truth) -> Vec<FitRow> {
        let mut out = Vec::new();
        for c in &truth.configurations {
            for (quantity, force) in QUANTITIES {
                let k = force(&c.force) / truth.reference_speed.powi(2) * 1.17 / truth.reference_density;
                out.push(FitRow {
                    configuration: c.name.clone(),
                    quantity: quantity.to_owned(),
                    coefficient: Some(k),
                    coefficient_lo95: Some(k * 0.99),
                    coefficient_hi95: Some(k * 1.01),
                    reference_speed: 50.0,
                    reference_density: 1.17,
                    ..FitRow::default()
                });
            }
        }
        out
    }

    #[test]
    fn the_truth_passes() {
        let truth = truth();
        let score = score(&truth, &perfect(&truth));
        assert!(score.passes(), "{:?}", score.failures);
        assert_eq!(score.lines.len(), 24);
        assert!(score.lines.iter().all(Line::covers));
        for p in &score.parts {
            assert!((p.estimate.unwrap() - p.truth).abs() < 1e-6, "{p:?}");
        }
        assert!(score.text().contains("24 of 24 within"));
    }

    #[test]
    fn an_error_over_the_bar_fails() {
        let truth = truth();
        let mut fits = perfect(&truth);
        // rear downforce of base, 985 N: 1.4 % are 13.8 N and pass, 1.6 % are 15.8 N and fail
        let mut scale = |by: f64| {
            let rear = fits.iter_mut().find(|f| f.configuration == "base" && f.quantity == "rear_downforce").unwrap();
            for end in [&mut rear.coefficient, &mut rear.coefficient_lo95, &mut rear.coefficient_hi95] {
                *end = end.map(|c| c * by);
            }
            score(&truth, &fits)
        };
        assert!(scale(1.014).passes());
        let s = scale(1.016 / 1.014);
        assert_eq!(s.failures.len(), 1, "{:?}", s.failures);
        assert!(!s.lines[1].covers());
    }

    #[test]
    fn a_missing_configuration_and_a_wrong_sign_fail() {
        let truth = truth();
        let mut fits = perfect(&truth);
        fits.retain(|f| f.configuration != "wet");
        let s = score(&truth, &fits);
        assert!(s.failures.iter().any(|f| f.contains("wet has no estimate")));
        let gurney = fits.iter_mut().find(|f| f.configuration == "gurney" && f.quantity == "rear_downforce").unwrap();
        gurney.coefficient = gurney.coefficient.map(|c| c * 0.6);
        let s = score(&truth, &fits);
        assert!(s.failures.iter().any(|f| f.contains("gurney_strip has the wrong sign")), "{:?}", s.failures);
    }
}
