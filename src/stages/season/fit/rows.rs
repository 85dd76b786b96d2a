//! What the fit found, as rows of the written tables.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::doubts::Doubts;
use super::estimate::Estimate;
use super::evidence::Observation;
use super::model::{Pair, SessionWind};
use super::screen::{self, Finding};
use super::{SeasonFit, Wind, Zero};
use crate::error::Fatal;
use crate::stages::season::SeasonTables;
use crate::stages::window::{Measure, Window};
use crate::table::parquet_file::{self, Encode, Origin};
use crate::table::row::Text;
use crate::table::rows::{AgreementRow, ConfigurationRow, FitRow, WindRow, WindowRow};

/// Verdict on a session that is not used.
pub const LEFT_OUT: &str = "left_out";
/// Robust weight under which a window is called an outlier.
const OUTLIER: f64 = 0.5;
/// Standard error over prior spread above which a wind component counts as not identified.
const WIND_IDENTIFIED: f64 = 1.5;

/// The table `windows`, made while it is encoded, piece by piece: all its rows would take more memory than the rest of a
/// season.
pub struct WindowTable<'a>(pub &'a SeasonTables);

/// Windows of a piece.
const PIECE: usize = 500;

impl Encode for WindowTable<'_> {
    fn encoded(&self, folder: &Path, origin: &Origin) -> Result<(PathBuf, Vec<u8>), Fatal> {
        let tables = self.0;
        let n = if tables.model.is_some() { tables.windows.len() } else { 0 };
        let piece = |k: usize| {
            let of = k * PIECE..((k + 1) * PIECE).min(n);
            tables.model.as_ref().map(|fit| windows(fit, tables, of)).unwrap_or_default()
        };
        parquet_file::encoded_in_pieces(folder, origin, n.div_ceil(PIECE), piece)
    }
}

/// Rows of `windows` for some of the season's windows: every quantity, fitted or not.
pub(super) fn windows(fit: &SeasonFit, tables: &SeasonTables, of: Range<usize>) -> Vec<WindowRow> {
    let all = &fit.evidence.observations;
    let mut next = all.partition_point(|o| o.window < of.start);
    let mut out = Vec::with_capacity(of.len() * tables.quantities.len());
    let texts = |of: &[String]| -> Vec<Text> { of.iter().map(|text| text.as_str().into()).collect() };
    let (quantities, units) = (texts(&tables.quantities), texts(&tables.units));
    let mut names = Names::default();
    for (i, w) in tables.windows.iter().enumerate().take(of.end).skip(of.start) {
        names.turn_to(w);
        for (q, m) in w.measures.iter().enumerate() {
            let Some(m) = m else { continue };
            // Observations stand in the order of the windows and their quantities.
            let found = all.get(next).filter(|o| (o.window, o.quantity) == (i, q)).map(|o| (next, o));
            next += usize::from(found.is_some());
            let mut row = window(fit, w, m, found);
            (row.quantity, row.unit) = (Text::clone(&quantities[q]), Text::clone(&units[q]));
            names.put(&mut row, flags_of(fit, w, found.map(|(_, o)| o)));
            out.push(row);
        }
    }
    out
}

/// What the rows of neighbouring windows are called, made once for all that share it.
#[derive(Default)]
struct Names {
    log: Text,
    event: Text,
    session: Text,
    outing: Text,
    configuration: Text,
    kind: Text,
    flags: Text,
}

impl Names {
    fn turn_to(&mut self, w: &Window) {
        let texts = [&mut self.log, &mut self.event, &mut self.session, &mut self.outing, &mut self.configuration];
        for (text, now) in texts.into_iter().zip([&w.log, &w.event, &w.session, &w.outing, &w.configuration]) {
            renew(text, now);
        }
        renew(&mut self.kind, w.kind);
    }

    fn put(&mut self, row: &mut WindowRow, flags: String) {
        renew(&mut self.flags, &flags);
        row.log = Text::clone(&self.log);
        row.event = Text::clone(&self.event);
        row.session = Text::clone(&self.session);
        row.outing = Text::clone(&self.outing);
        row.configuration = Text::clone(&self.configuration);
        row.kind = Text::clone(&self.kind);
        row.flags = Text::clone(&self.flags);
    }
}

fn renew(text: &mut Text, now: &str) {
    if **text != *now {
        *text = now.into();
    }
}

/// The numbers of a row.
fn window(fit: &SeasonFit, w: &Window, m: &Measure, found: Option<(usize, &Observation)>) -> WindowRow {
    let model = &fit.model;
    WindowRow {
        start: w.start,
        duration: w.duration,
        samples: w.samples as i64,
        mean: m.mean,
        standard_error: m.standard_error,
        speed: w.speed,
        effective_v2: found.map_or(m.v2, |(k, _)| model.x[k]),
        air_density: w.air_density,
        headwind: found.map_or(0.0, |(_, o)| o.headwind(model.wind[o.session].wind)),
        course: w.course,
        accel_x: w.accel_x,
        weight: found.map_or(0.0, |(k, _)| model.weight[k]),
        outlier: found.is_some_and(|(k, _)| model.robust[k] < OUTLIER),
        ..Default::default()
    }
}

/// Remarks on one quantity of a window: those of the log, and what the fit made of it.
fn flags_of(fit: &SeasonFit, w: &Window, found: Option<&Observation>) -> String {
    let mut all: BTreeSet<&str> = w.flags.iter().map(String::as_str).collect();
    if let Some(o) = found {
        all.extend(fit.evidence.left_out.contains(&(o.session, o.quantity)).then_some("session_left_out"));
        all.extend(zero_not_static(fit, o).then_some("zero_not_static"));
        let by_sheet = fit.options.as_ref().is_some_and(|f| f.wind == Wind::RunSheet);
        let unknown = by_sheet && !w.air_speed_measured && (w.sheet_wind.is_none() || w.course.is_none());
        all.extend(unknown.then_some("wind_unknown"));
    }
    all.into_iter().collect::<Vec<_>>().join(",")
}

/// Whether an observation was to have its zero from the standing car, and the car did not stand. The resistance has
/// no such zero.
fn zero_not_static(fit: &SeasonFit, o: &Observation) -> bool {
    let asked = fit.options.as_ref().is_some_and(|f| f.zero == Zero::StaticSegment);
    asked && !o.zeroed && fit.quantities.get(o.quantity).is_some_and(|q| q != "resistance")
}

/// Rows of `agreement`.
pub fn agreement(fit: &SeasonFit) -> Vec<AgreementRow> {
    let one = |f: &Finding| {
        let (event, session) = fit.evidence.sessions.get(f.session).cloned().unwrap_or_default();
        let gain = fit.model.gain(f.session, f.quantity);
        AgreementRow {
            gain: gain.map(|g| g.value),
            gain_sd: gain.map(|g| g.prior.sqrt()),
            event,
            session,
            quantity: fit.quantities.get(f.quantity).cloned().unwrap_or_default(),
            factor: f.factor,
            factor_se: f.factor_se,
            spread: f.spread,
            windows: f.windows as i64,
            verdict: if f.implausible { LEFT_OUT } else { "agrees" }.to_owned(),
            suspicion: f.suspicion(fit.quantities.get(f.quantity).map_or("", String::as_str)),
        }
    };
    fit.findings.iter().map(one).collect()
}

/// Rows of `winds`.
pub fn winds(fit: &SeasonFit) -> Vec<WindRow> {
    let one = |(g, w): (usize, &SessionWind)| {
        let (event, session) = fit.evidence.sessions.get(g).cloned().unwrap_or_default();
        let measured = fit.evidence.measured.get(g).copied().unwrap_or(false);
        let gusts = fit.model.gusts.get(g).copied();
        // Where the air speed was measured throughout, the wind did not enter and nothing is known of it here.
        let wind = (!measured).then_some(w.wind);
        let standard_error = w.standard_error.filter(|_| !measured);
        let (north, east) = w.wind;
        let source = match standard_error {
            _ if measured => "measured",
            Some((n, e)) if n.max(e) > WIND_IDENTIFIED => "not_identified",
            Some(_) => "estimated",
            None if north != 0.0 || east != 0.0 => "run_sheet",
            None => "none",
        };
        WindRow {
            event: event.clone(),
            session: session.clone(),
            speed: wind.map(|(n, e)| n.hypot(e)),
            from: wind.map(|(n, e)| e.atan2(n).rem_euclid(std::f64::consts::TAU)),
            north: wind.map(|w| w.0),
            east: wind.map(|w| w.1),
            north_se: standard_error.map(|s| s.0),
            east_se: standard_error.map(|s| s.1),
            gusts: gusts.filter(|_| standard_error.is_some()),
            source: source.to_owned(),
        }
    };
    fit.model.wind.iter().enumerate().map(one).collect()
}

/// Counts over the observations of one configuration and quantity that take part in the fit.
#[derive(Clone, Debug, Default)]
pub struct Count {
    /// Windows.
    pub windows: usize,
    /// Windows of less than half robust weight.
    pub outliers: usize,
    /// Outings.
    pub outings: usize,
    /// Sessions.
    pub sessions: usize,
    /// Lowest and highest speed.
    pub speeds: Option<(f64, f64)>,
    /// 1 − residual over total sum of squares, within outings.
    pub r2: Option<f64>,
    /// Weighted root mean square residual.
    pub rmse: Option<f64>,
}

/// Counts and goodness of fit of one configuration and quantity, from its observations.
fn count(fit: &SeasonFit, speeds: &[f64], rows: &[usize]) -> Count {
    let of_pair: Vec<(usize, &Observation)> = rows
        .iter()
        .map(|i| (*i, &fit.evidence.observations[*i]))
        .filter(|(_, o)| !fit.evidence.left_out.contains(&(o.session, o.quantity)))
        .collect();
    let outings: BTreeSet<usize> = of_pair.iter().map(|(_, o)| o.outing).collect();
    let sessions: BTreeSet<usize> = of_pair.iter().map(|(_, o)| o.session).collect();
    let speed = |f: fn(f64, f64) -> f64| of_pair.iter().filter_map(|(_, o)| speeds.get(o.window).copied()).reduce(f);
    let weight = &fit.model.weight;
    let (mut residual, mut total, mut weights) = (0.0, 0.0, 0.0);
    for outing in &outings {
        let rows = || of_pair.iter().filter(|(_, o)| o.outing == *outing);
        let w: f64 = rows().map(|(i, _)| weight[*i]).sum();
        let mean = rows().map(|(i, o)| weight[*i] * o.y).sum::<f64>() / w;
        for (i, o) in rows().filter(|(i, _)| weight[*i] > 0.0) {
            residual += weight[*i] * fit.model.residual[*i].powi(2);
            total += weight[*i] * (o.y - mean).powi(2);
            weights += weight[*i];
        }
    }
    Count {
        windows: of_pair.len(),
        outliers: of_pair.iter().filter(|(i, _)| fit.model.robust[*i] < OUTLIER).count(),
        outings: outings.len(),
        sessions: sessions.len(),
        speeds: speed(f64::min).zip(speed(f64::max)),
        r2: (total > 0.0).then(|| 1.0 - residual / total),
        rmse: (weights > 0.0).then(|| (residual / weights).sqrt()),
    }
}

/// Rows of `fits`: every configuration of the run sheet and every quantity; where there is no number the
/// flags say why.
pub fn fits(fit: &SeasonFit, tables: &SeasonTables) -> Vec<FitRow> {
    let speeds: Vec<f64> = tables.windows.iter().map(|w| w.speed).collect();
    let all: Vec<(usize, &String)> =
        (0..fit.evidence.configurations.len()).flat_map(|k| fit.reported.iter().map(move |n| (k, n))).collect();
    let doubts = Doubts::of(fit);
    let of_pairs: BTreeMap<Pair, Vec<usize>> =
        screen::grouped(fit, |o| Some((o.configuration, o.quantity))).into_iter().collect();
    let count = |k: usize, name: &str| {
        let q = tables.quantities.iter().position(|n| n == super::Fit::measured(name));
        let rows = q.and_then(|q| of_pairs.get(&(k, q))).map_or(&[][..], Vec::as_slice);
        count(fit, &speeds, rows)
    };
    all.par_iter().map(|(k, name)| fit_row(&doubts, tables, count(*k, name), *k, name)).collect()
}

fn fit_row(doubts: &Doubts, tables: &SeasonTables, c: Count, k: usize, name: &str) -> FitRow {
    let fit = doubts.fit();
    let measured = super::Fit::measured(name);
    let q = tables.quantities.iter().position(|n| n == measured).unwrap_or(usize::MAX);
    let unit = tables.units.get(q).cloned().unwrap_or_else(|| "N".to_owned());
    let mut row = FitRow {
        configuration: fit.evidence.configurations[k].name.clone(),
        quantity: name.to_owned(),
        unit: unit.clone(),
        reference_speed: fit.speed,
        reference_density: fit.density,
        windows: c.windows as i64,
        outliers: c.outliers as i64,
        outings: c.outings as i64,
        sessions: c.sessions as i64,
        speed_min: c.speeds.map(|s| s.0),
        speed_max: c.speeds.map(|s| s.1),
        r2: c.r2,
        rmse: c.rmse,
        between_window_sd: fit.model.between.get(q).map(|t| t.sqrt()).filter(|_| c.windows > 0),
        method: fit.method.clone(),
        ..Default::default()
    };
    let mut flags = log_flags(fit, tables, k, Some(q));
    flags.extend(doubts.left_out(name, &[k]));
    let named = fit.named(k, name);
    if let Some((_, Some(flag))) = &named {
        flags.insert(*flag);
    }
    match named.as_ref().and_then(|(d, _)| fit.estimate(d)) {
        Some(e) => {
            // The drag is made of several fitted quantities and has no zero of its own.
            row.intercept = fit.model.intercept((k, q)).filter(|_| name != "drag");
            put_estimate(&mut row, &e, fit);
            flags.extend(e.flags.iter().copied());
            if e.interval.1 < 0.0 && ["front_downforce", "rear_downforce", "drag", "resistance"].contains(&name) {
                flags.insert("below_zero");
            }
            flags.extend(outside(fit, c.speeds).then_some("speed_outside_of_windows"));
            flags.extend(doubts.at_odds(name));
            flags.extend(doubts.contradicted(name, &[k]));
            let law = fit.bends.get(&(k, q));
            row.local_coefficient =
                law.and_then(|law| local_coefficient(fit, k, name, law.slope(fit.speed * fit.speed)));
            // The drag is made of several fitted quantities; the test is that of the measured one.
            row.square_law_p = law.map(|law| law.p_value);
            if law.is_some_and(|law| law.p_value < 0.01) {
                flags.insert("square_law_doubtful");
            }
            let of_pair = |o: &&Observation| (o.configuration, o.quantity) == (k, q);
            if fit.evidence.observations.iter().filter(of_pair).any(|o| zero_not_static(fit, o)) {
                flags.insert("zero_not_static");
            }
            if !fit.model.converged {
                flags.insert("iteration_not_settled");
            }
        }
        None => {
            let why = fit.model.dropped.get(&(k, q)).copied();
            let nothing = c.windows == 0 && doubts.left_out(name, &[k]).is_none();
            let others = || fit.evidence.observations.iter().any(|o| o.configuration == k);
            flags.insert(match why {
                Some(why) => why,
                None if nothing && others() => "not_measured",
                None if nothing => "no_windows",
                None => "no_interval",
            });
        }
    }
    row.flags = flags.into_iter().collect::<Vec<_>>().join(",");
    row
}

/// Whether the reference speed lies outside of those that ran.
fn outside(fit: &SeasonFit, speeds: Option<(f64, f64)>) -> bool {
    speeds.is_some_and(|(least, most)| fit.speed < least || fit.speed > most)
}

/// Slope at the reference speed of a reported quantity, from that of the measured one: from the resistance what the
/// tyres' rolling takes with the downforce is taken off, as from its coefficient.
fn local_coefficient(fit: &SeasonFit, k: usize, name: &str, measured: f64) -> Option<f64> {
    if name != "drag" {
        return Some(measured);
    }
    let index = |n: &str| fit.quantities.iter().position(|q| q == n);
    let (Some(front), Some(rear)) = (index("front_downforce"), index("rear_downforce")) else { return Some(measured) };
    let slope = |q: usize| Some(fit.bends.get(&(k, q))?.slope(fit.speed * fit.speed));
    let both = slope(front)? + slope(rear)?;
    Some(measured - fit.rolling_resistance * both)
}

fn put_estimate(row: &mut FitRow, e: &Estimate, fit: &SeasonFit) {
    let scaled = |f: f64| {
        let (lo, hi) = e.interval;
        (Some(e.value * f), Some(e.se * f), Some(lo * f), Some(hi * f))
    };
    (row.coefficient, row.coefficient_se, row.coefficient_lo95, row.coefficient_hi95) = scaled(1.0);
    (row.value, row.value_se, row.value_lo95, row.value_hi95) = scaled(fit.speed * fit.speed);
    // Over the dynamic pressure at the reference density, ½·ρ·v²: an area for a force, a plain number for a pressure.
    let over_head = scaled(2.0 / fit.density);
    match row.unit.as_str() {
        "N" => (row.area, row.area_se, row.area_lo95, row.area_hi95) = over_head,
        "Pa" => {
            (
                row.pressure_coefficient,
                row.pressure_coefficient_se,
                row.pressure_coefficient_lo95,
                row.pressure_coefficient_hi95,
            ) = over_head;
        }
        _ => {}
    }
    row.degrees_of_freedom = Some(e.dof).filter(|d| d.is_finite());
}

/// Rows of `configurations`.
pub fn configurations(fit: &SeasonFit, tables: &SeasonTables) -> Vec<ConfigurationRow> {
    let doubts = Doubts::of(fit);
    (0..fit.evidence.configurations.len()).into_par_iter().map(|k| configuration_row(&doubts, tables, k)).collect()
}

/// Remarks on the logs behind a configuration, and behind one quantity where one is named.
fn log_flags<'a>(fit: &SeasonFit, tables: &'a SeasonTables, k: usize, quantity: Option<usize>) -> BTreeSet<&'a str> {
    let mine = |o: &&Observation| o.configuration == k && quantity.is_none_or(|q| o.quantity == q);
    let windows = fit.evidence.observations.iter().filter(mine).filter_map(|o| tables.windows.get(o.window));
    windows.flat_map(|w| w.flags.iter().map(String::as_str)).collect()
}

fn configuration_row(doubts: &Doubts, tables: &SeasonTables, k: usize) -> ConfigurationRow {
    let fit = doubts.fit();
    let c = &fit.evidence.configurations[k];
    let of_k = || fit.evidence.observations.iter().filter(|o| o.configuration == k);
    let mut flags = log_flags(fit, tables, k, None);
    // All that the row holds is made of what efficiency is.
    flags.extend(doubts.about("efficiency", &[k]));
    let windows: BTreeSet<usize> = of_k().map(|o| o.window).collect();
    let speed =
        |f: fn(f64, f64) -> f64| windows.iter().filter_map(|w| tables.windows.get(*w)).map(|w| w.speed).reduce(f);
    flags.extend(outside(fit, speed(f64::min).zip(speed(f64::max))).then_some("speed_outside_of_windows"));
    let v2 = fit.speed * fit.speed;
    let mut get = |name: &str, factor: f64| {
        let found = fit.named(k, name).and_then(|(d, flag)| Some((fit.estimate(&d.times(factor))?, flag)));
        match found {
            Some((e, flag)) => {
                flags.extend(e.flags.iter().copied());
                flags.extend(flag);
                flags.extend((e.interval.1 < 0.0).then_some("below_zero"));
                (Some(e.value), Some(e.se), Some(e.interval.0), Some(e.interval.1))
            }
            None => {
                flags.insert(match name {
                    "drag" | "efficiency" => "no_drag",
                    _ => "no_downforce",
                });
                (None, None, None, None)
            }
        }
    };
    let mut row = ConfigurationRow {
        configuration: c.name.clone(),
        parts: c.parts.join(","),
        wing_position: c.wing_position,
        reference_speed: fit.speed,
        reference_density: fit.density,
        windows: windows.len() as i64,
        sessions: of_k().map(|o| o.session).collect::<BTreeSet<_>>().len() as i64,
        ..Default::default()
    };
    (row.downforce, row.downforce_se, row.downforce_lo95, row.downforce_hi95) = get("downforce", v2);
    (row.drag, row.drag_se, row.drag_lo95, row.drag_hi95) = get("drag", v2);
    (row.balance, row.balance_se, row.balance_lo95, row.balance_hi95) = get("balance", 1.0);
    (row.efficiency, row.efficiency_se, row.efficiency_lo95, row.efficiency_hi95) = get("efficiency", 1.0);
    row.flags = flags.into_iter().collect::<Vec<_>>().join(",");
    row
}
