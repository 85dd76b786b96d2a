//! `expected`: does the track agree with the figures of the wind tunnel or of CFD?
//!
//! Every figure is held against the track by itself, and against one common factor of all figures of its
//! kind: a tunnel that reads 4 % more than the track everywhere is one finding, not twenty.

pub mod figure;
mod rows;
mod scale;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::figure::{Figure, FigureError, Reference};
use super::SeasonTables;
use super::answers::{DERIVED, fitted, need_fit, unit_of};
use super::fit::SeasonFit;
use super::fit::estimate::Derived;
use super::limits::{NO_SHARE, dimension};
use crate::config::issue::Issue;
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::numerics::distributions::t_p_value;
use crate::numerics::shown::with_half;
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::units::{self, Dimension, Ratio};

/// Agreement with the figures of a wind tunnel or of CFD, each by itself and all of a kind with one common factor.
///
/// A part's figure is held against the configurations that differ by this part alone; table `parts` takes its value from all
/// configurations, so that the two may differ within their intervals.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Expected {
    /// File of figures, CSV or YAML.
    #[serde(default)]
    pub file: Option<Located<String>>,
    /// Figures.
    #[serde(default)]
    pub figures: Vec<Located<Figure>>,
    /// A difference of no more than this share of the figure counts as agreement.
    #[serde(default = "within")]
    pub within: Located<Ratio>,
    /// Read from `file` when the definitions are read.
    #[serde(skip)]
    pub read: Vec<Located<Figure>>,
}

fn within() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.05))
}

/// A figure that both sides have.
#[derive(Clone, Debug)]
pub struct Held {
    /// Index among the figures.
    figure: usize,
    /// Track's value at the reference.
    track: Derived,
    /// Figure at the reference.
    expected: f64,
    /// Its standard error; 0 where taken as exact.
    outside_se: f64,
}

impl SeasonStage for Expected {
    fn check(&self, input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        if self.file.is_none() && self.figures.is_empty() {
            cx.fault(Spot::default(), "`expected` has no figures", "name a `file`, or list them under `figures`");
        }
        if !(0.0..1.0).contains(&self.within.get()) {
            cx.fault(self.within.spot, "agreement within such a share means nothing", "for example `5 %`");
        }
        let all: Vec<&Located<Figure>> = self.all().collect();
        for (i, figure) in all.iter().enumerate() {
            check_figure(figure, input, cx);
            let same = |o: &&&Located<Figure>| {
                (&o.configuration, &o.part, &o.quantity) == (&figure.configuration, &figure.part, &figure.quantity)
            };
            if all.iter().take(i).any(|o| same(&o)) {
                let message = format!("`{}` has two figures for `{}`", figure.subject(), figure.quantity.value);
                fault(cx, figure, figure.spot, &message, "the second one");
            }
        }
    }

    fn run(&self, tables: &mut SeasonTables, _cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "expected")?;
        let units: Vec<String> = self.all().map(|f| unit_of(&f.quantity, &tables.quantities, &tables.units)).collect();
        let (expected, scales) = self.rows(fit, &units);
        self.put_beside(fit, &mut tables.configurations);
        (tables.expected, tables.expected_scale) = (expected, scales);
        Ok(())
    }
}

impl Expected {
    /// Every figure, those of the file first.
    fn all(&self) -> impl Iterator<Item = &Located<Figure>> {
        self.read.iter().chain(&self.figures)
    }
}

/// A fault of a figure, in the file where it stands.
fn fault(cx: &mut CheckCx, figure: &Figure, spot: Spot, message: &str, label: &str) {
    match &figure.file {
        Some(file) => cx.issues.push(Issue::at(file, spot, message, label)),
        None => cx.fault(spot, message, label),
    }
}

fn check_figure(figure: &Located<Figure>, input: &Schema, cx: &mut CheckCx) {
    check_subject(figure, cx);
    let quantity = &figure.quantity;
    let Some(dimension) = dimension(quantity, input) else {
        let names = DERIVED.iter().copied().chain(input.0.iter().map(|k| k.name.as_str()));
        let label =
            units::nearest(quantity, names).map_or("no stage makes it".to_owned(), |n| format!("did you mean `{n}`?"));
        fault(cx, figure, quantity.spot, &format!("unknown quantity `{}`", quantity.value), &label);
        return;
    };
    match figure.at_reference(dimension, Reference { speed: 1.0, density: 1.0 }) {
        Ok(c) if c.value == 0.0 && figure.part.is_none() => {
            fault(cx, figure, figure.stated.spot, "an expected figure of zero", "expected a value");
        }
        Ok(c) if quantity.value == "balance" && !(-1.0..=1.0).contains(&c.value) => {
            fault(cx, figure, figure.stated.spot, "wrong value of an expected figure", NO_SHARE);
        }
        Ok(_) => {}
        Err(FigureError::Value(label)) => {
            fault(cx, figure, figure.stated.spot, "wrong value of an expected figure", &label)
        }
        Err(FigureError::Uncertainty(label)) => {
            let spot = figure.uncertainty.as_ref().map_or(figure.spot, |u| u.spot);
            fault(cx, figure, spot, "wrong uncertainty of an expected figure", &label);
        }
        Err(FigureError::NeedsAir) => {
            let label = if dimension == Dimension::Force { "or give an area, like `0.58 m2`" } else { "this figure" };
            fault(cx, figure, figure.stated.spot, "the figure needs `at` and `density`", label);
        }
    }
    let speed = figure.at.as_ref().and_then(|v| Some((v.spot, stated::speed_fault(v.get())?)));
    let density = figure.density.as_ref().and_then(|d| Some((d.spot, stated::density_fault(d.get())?)));
    for (spot, (message, hint)) in speed.into_iter().chain(density) {
        fault(cx, figure, spot, message, hint);
    }
}

fn check_subject(figure: &Located<Figure>, cx: &mut CheckCx) {
    let runs = cx.runs;
    let (name, known): (&Located<String>, Vec<&str>) = match (&figure.configuration, &figure.part) {
        (Some(c), None) => (c, runs.iter().map(|r| r.configuration.value.as_str()).collect()),
        (None, Some(p)) => (p, runs.iter().flat_map(|r| r.parts.iter().map(String::as_str)).collect()),
        _ => {
            fault(cx, figure, figure.spot, "a figure is for a `configuration` or for a `part`", "expected one of them");
            return;
        }
    };
    if !known.contains(&name.value.as_str()) {
        let near = units::nearest(&name.value, known.iter().copied());
        let label = near.map_or("not in the run sheet".to_owned(), |n| format!("did you mean `{n}`?"));
        fault(cx, figure, name.spot, &format!("no run has `{}`", name.value), &label);
    }
}

/// What the track says of a figure's subject.
pub(super) struct Track {
    /// Its value at the reference.
    value: Derived,
    /// Of a part, pairs of configurations that say quite different things of it, in words.
    at_odds: Option<String>,
    /// The configurations that it is made of.
    of: Vec<usize>,
}

/// The track's value of a figure's subject at the reference; for a part the mean of the differences of all pairs
/// of configurations that only that part tells apart. The text says why there is none.
pub(super) fn of_track(fit: &SeasonFit, figure: &Figure, unit: &str) -> Result<Track, String> {
    let value = |k: usize| fit.value_at(k, &figure.quantity, fit.speed, fit.density);
    let all = &fit.evidence.configurations;
    if let Some(name) = &figure.configuration {
        let k = all.iter().position(|c| c.name == name.value);
        let value = k.and_then(value).ok_or_else(|| format!("no {} could be fitted for it", figure.quantity.value))?;
        return Ok(Track { value, at_odds: None, of: k.into_iter().collect() });
    }
    let part = figure.part.as_ref().map_or("", |p| p.value.as_str());
    let without = |parts: &[String]| {
        let mut rest: Vec<&str> = parts.iter().map(String::as_str).filter(|p| *p != part).collect();
        rest.sort_unstable();
        rest.iter().map(|p| (*p).to_owned()).collect::<Vec<String>>()
    };
    let has = |k: usize| all[k].parts.iter().any(|p| p == part);
    let mut pairs: Vec<(usize, Derived)> = Vec::new();
    let mut of = BTreeSet::new();
    for a in (0..all.len()).filter(|a| has(*a)) {
        for b in (0..all.len()).filter(|b| !has(*b)) {
            if without(&all[a].parts) != without(&all[b].parts) || all[a].wing_position != all[b].wing_position {
                continue;
            }
            let (Some(x), Some(y)) = (value(a), value(b)) else { continue };
            pairs.push((a, x.minus(&y)));
            of.extend([a, b]);
        }
    }
    let sum = pairs.iter().map(|(_, d)| d.clone()).reduce(|sum, d| sum.plus(&d));
    let value = sum.ok_or_else(|| "no two configurations with figures differ by this part alone".to_owned())?;
    Ok(Track {
        value: value.times(1.0 / pairs.len() as f64),
        at_odds: at_odds(fit, &pairs, unit),
        of: of.into_iter().collect(),
    })
}

/// The two pairs that differ most, where they do so beyond chance (5 %, Bonferroni over all two of them).
fn at_odds(fit: &SeasonFit, pairs: &[(usize, Derived)], unit: &str) -> Option<String> {
    let twos = pairs.len() * pairs.len().saturating_sub(1) / 2;
    let mut most: Option<(f64, [&(usize, Derived); 2])> = None;
    for (i, a) in pairs.iter().enumerate() {
        for b in &pairs[i + 1..] {
            let Some(e) = fit.estimate(&a.1.minus(&b.1)) else { continue };
            let p = t_p_value(e.value / e.se, e.dof).unwrap_or(1.0) * twos as f64;
            if p < 0.05 && most.is_none_or(|(least, _)| p < least) {
                most = Some((p, [a, b]));
            }
        }
    }
    let said = |(k, d): &(usize, Derived)| {
        let (lo, hi) = fit.estimate(d)?.interval;
        let unit = if unit == "1" { String::new() } else { format!(" {unit}") };
        let name = &fit.evidence.configurations.get(*k)?.name;
        Some(format!("{}{unit} in `{name}`", with_half(d.value, 0.5 * (hi - lo))))
    };
    let (_, [a, b]) = most?;
    Some(format!("a mean of what does not agree: {} and {}; the part does not simply add", said(a)?, said(b)?))
}
