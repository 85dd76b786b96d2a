//! What the fit found, as rows of the written tables.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rayon::prelude::*;

use super::doubts::Doubts;
use super::estimate::Estimate;
use super::evidence::Observation;
use super::model::{Pair, SessionWind};
use super::screen::{self, Finding};
use super::{SeasonFit, Zero};
use crate::stages::season::SeasonTables;
use crate::stages::window::Window;
use crate::table::flags::{DIVISOR_NOT_RESOLVED, MOSTLY_OUTLIERS};
use crate::table::rows::{AgreementRow, ConfigurationRow, FitRow, WindRow};

/// Verdict on a session that is not used.
pub const LEFT_OUT: &str = "left_out";
/// Robust weight under which a window is called an outlier.
pub(super) const OUTLIER: f64 = 0.5;
/// Windows from which it tells something that most of them are outliers.
const ENOUGH: usize = 10;
/// Share of them from which the number is no longer theirs: a sensor that fails half-way makes it 0.6 to 0.9, wakes and
/// gusts up to 0.5 (set by trial on generated seasons).
const MOST: f64 = 0.6;

/// Whether so many of these windows are outliers that a sensor must have failed on the way.
pub(super) fn mostly_outliers(outliers: usize, windows: usize) -> bool {
    windows >= ENOUGH && outliers as f64 > MOST * windows as f64
}
/// Standard error over prior spread above which a wind component counts as not identified.
const WIND_IDENTIFIED: f64 = 1.5;

/// Whether an observation was to have its zero from the standing car, and the car did not stand. The resistance has
/// no such zero.
pub(super) fn zero_not_static(fit: &SeasonFit, o: &Observation) -> bool {
    let asked = fit.options.as_ref().is_some_and(|f| f.zero == Zero::StaticSegment);
    asked && !o.zeroed && fit.quantities.get(o.quantity).is_some_and(|q| q != "resistance")
}

/// Rows of `agreement`.
pub fn agreement(fit: &SeasonFit) -> Vec<AgreementRow> {
    let of_all = |f: &Finding| {
        let mut of_session = fit.findings.iter().filter(|other| other.session == f.session);
        of_session.clone().count() > 1 && of_session.all(|other| screen::alike(other.factor, f.factor))
    };
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
            suspicion: f.suspicion(fit.quantities.get(f.quantity).map_or("", String::as_str), of_all(f)),
        }
    };
    let mut rows: Vec<AgreementRow> = fit.findings.iter().map(one).collect();
    // A sensor that fails takes one quantity with it.
    for of_session in rows.chunk_by_mut(|a, b| (&a.event, &a.session) == (&b.event, &b.session)) {
        let unexplained = |r: &AgreementRow| [screen::RESTLESS, screen::NO_UNIT].contains(&r.suspicion.as_str());
        if of_session.len() > 2 && of_session.iter().all(unexplained) {
            of_session.iter_mut().for_each(|r| r.suspicion = OTHER_AIR.to_owned());
        }
    }
    rows
}

/// What takes all quantities of a session at once.
const OTHER_AIR: &str = "as all quantities of this session: other air than the rest ran in, as in the wake of other \
    cars, or its speed, rather than a sensor";

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
    let mut of_pair: Vec<(usize, &Observation)> = rows
        .iter()
        .map(|i| (*i, &fit.evidence.observations[*i]))
        .filter(|(_, o)| !fit.evidence.left_out.contains(&(o.session, o.quantity)))
        .collect();
    of_pair.sort_by_key(|(_, o)| o.outing);
    let sessions: BTreeSet<usize> = of_pair.iter().map(|(_, o)| o.session).collect();
    let speed = |f: fn(f64, f64) -> f64| of_pair.iter().filter_map(|(_, o)| speeds.get(o.window).copied()).reduce(f);
    let weight = &fit.model.weight;
    let (mut outings, mut residual, mut total, mut weights) = (0, 0.0, 0.0, 0.0);
    for of_outing in of_pair.chunk_by(|a, b| a.1.outing == b.1.outing) {
        outings += 1;
        let w: f64 = of_outing.iter().map(|(i, _)| weight[*i]).sum();
        let mean = of_outing.iter().map(|(i, o)| weight[*i] * o.y).sum::<f64>() / w;
        for (i, o) in of_outing.iter().filter(|(i, _)| weight[*i] > 0.0) {
            residual += weight[*i] * fit.model.residual[*i].powi(2);
            total += weight[*i] * (o.y - mean).powi(2);
            weights += weight[*i];
        }
    }
    Count {
        windows: of_pair.len(),
        outliers: of_pair.iter().filter(|(i, _)| fit.model.robust[*i] < OUTLIER).count(),
        outings,
        sessions: sessions.len(),
        speeds: speed(f64::min).zip(speed(f64::max)),
        r2: (total > 0.0).then(|| 1.0 - residual / total),
        rmse: (weights > 0.0).then(|| (residual / weights).sqrt()),
    }
}

/// The observations behind every configuration and quantity, each in the order of the evidence.
struct Behind(BTreeMap<Pair, Vec<usize>>);

impl Behind {
    fn new(fit: &SeasonFit) -> Self {
        Self(screen::grouped(fit, |o| Some((o.configuration, o.quantity))).into_iter().collect())
    }

    fn pair(&self, pair: Pair) -> &[usize] {
        self.0.get(&pair).map_or(&[], Vec::as_slice)
    }

    /// All quantities of a configuration.
    fn configuration(&self, k: usize) -> impl Iterator<Item = &[usize]> {
        self.0.range((k, 0)..(k + 1, 0)).map(|(_, rows)| rows.as_slice())
    }
}

/// Rows of `fits`: every configuration of the run sheet and every quantity; where there is no number the
/// flags say why.
pub fn fits(fit: &SeasonFit, tables: &SeasonTables) -> Vec<FitRow> {
    let speeds: Vec<f64> = tables.windows.iter().map(|w| w.speed).collect();
    let all: Vec<(usize, &String)> =
        (0..fit.evidence.configurations.len()).flat_map(|k| fit.reported.iter().map(move |n| (k, n))).collect();
    let doubts = Doubts::of(fit);
    let behind = Behind::new(fit);
    all.par_iter().map(|(k, name)| fit_row(&doubts, tables, &behind, &speeds, *k, name)).collect()
}

/// `speeds`: of all windows, m/s.
fn fit_row(doubts: &Doubts, tables: &SeasonTables, behind: &Behind, speeds: &[f64], k: usize, name: &str) -> FitRow {
    let fit = doubts.fit();
    let measured = super::Fit::measured(name);
    let q = tables.quantities.iter().position(|n| n == measured).unwrap_or(usize::MAX);
    let rows = behind.pair((k, q));
    let c = count(fit, speeds, rows);
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
    let mut flags = log_flags(fit, tables, rows);
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
            // An axle may well carry next to nothing; no car is pushed.
            let least = if ["drag", "resistance"].contains(&name) { e.value } else { e.interval.1 };
            if least < 0.0 && ["front_downforce", "rear_downforce", "drag", "resistance"].contains(&name) {
                flags.insert("below_zero");
            }
            flags.extend(outside(fit, c.speeds).then_some("speed_outside_of_windows"));
            flags.extend(doubts.air_speed());
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
            flags.extend(mostly_outliers(c.outliers, c.windows).then_some(MOSTLY_OUTLIERS));
            if rows.iter().any(|i| zero_not_static(fit, &fit.evidence.observations[*i])) {
                flags.insert("zero_not_static");
            }
            if !fit.model.converged {
                flags.insert("iteration_not_settled");
            }
        }
        None => {
            let why = fit.model.dropped.get(&(k, q)).copied();
            let nothing = c.windows == 0 && doubts.left_out(name, &[k]).is_none();
            let others = || behind.configuration(k).any(|rows| !rows.is_empty());
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
    let (doubts, behind) = (Doubts::of(fit), Behind::new(fit));
    let one = |k: usize| configuration_row(&doubts, tables, &behind, k);
    (0..fit.evidence.configurations.len()).into_par_iter().map(one).collect()
}

/// Remarks on the logs behind some observations.
fn log_flags<'a>(fit: &SeasonFit, tables: &'a SeasonTables, rows: &[usize]) -> BTreeSet<&'a str> {
    let mut out = BTreeSet::new();
    let mut last: Option<&Window> = None;
    for w in rows.iter().filter_map(|i| tables.windows.get(fit.evidence.observations[*i].window)) {
        // Neighbours share their remarks.
        if !last.is_some_and(|last| Arc::ptr_eq(&last.stretch, &w.stretch)) {
            out.extend(w.flags.iter().map(String::as_str));
        }
        last = Some(w);
    }
    out
}

fn configuration_row(doubts: &Doubts, tables: &SeasonTables, behind: &Behind, k: usize) -> ConfigurationRow {
    let fit = doubts.fit();
    let c = &fit.evidence.configurations[k];
    let mut flags: BTreeSet<&str> = behind.configuration(k).flat_map(|rows| log_flags(fit, tables, rows)).collect();
    // All that the row holds is made of what efficiency is.
    if behind.configuration(k).next().is_some() {
        flags.extend(doubts.about("efficiency", &[k]));
    }
    let seen = || behind.configuration(k).flatten().map(|i| &fit.evidence.observations[*i]);
    let mut windows: Vec<usize> = seen().map(|o| o.window).collect();
    windows.sort_unstable();
    windows.dedup();
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
                flags.extend(fit.divisor_not_resolved(k, name).then_some(DIVISOR_NOT_RESOLVED));
                flags.extend((e.interval.1 < 0.0).then_some("below_zero"));
                (Some(e.value), Some(e.se), Some(e.interval.0), Some(e.interval.1))
            }
            None => {
                flags.insert(match name {
                    "drag" => "no_drag",
                    // Made of both: which of them lacks was said.
                    "efficiency" => return (None, None, None, None),
                    _ => "no_downforce",
                });
                (None, None, None, None)
            }
        }
    };
    let mut row = ConfigurationRow {
        configuration: c.name.clone(),
        parts: c.parts_joined(),
        wing_position: c.wing_position,
        reference_speed: fit.speed,
        reference_density: fit.density,
        windows: windows.len() as i64,
        sessions: seen().map(|o| o.session).collect::<BTreeSet<_>>().len() as i64,
        ..Default::default()
    };
    (row.downforce, row.downforce_se, row.downforce_lo95, row.downforce_hi95) = get("downforce", v2);
    (row.drag, row.drag_se, row.drag_lo95, row.drag_hi95) = get("drag", v2);
    (row.balance, row.balance_se, row.balance_lo95, row.balance_hi95) = get("balance", 1.0);
    (row.efficiency, row.efficiency_se, row.efficiency_lo95, row.efficiency_hi95) = get("efficiency", 1.0);
    row.flags = flags.into_iter().collect::<Vec<_>>().join(",");
    row
}
