//! Does a session agree with the others? A stuck, slipping or mislabelled sensor gives a whole session the
//! same wrong factor. Each session's data are held against what the other sessions say of the same
//! configurations; a session far out, or whose own windows contradict each other as no other session's do, is named and
//! left out, never deleted.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::SeasonFit;
use super::evidence::Observation;
use super::model::Pair;
use crate::numerics::spread::{MEDIAN_ABS, median};
use crate::units::{Dimension, UNITS, Unit};

/// A factor this far from one is wrong whatever the others' spread: no weather or fuel explains it
/// (common practice, no source).
const FAR: f64 = 0.12;
/// And it must stand out from the sessions' own spread by this many robust standard deviations
/// (common practice, no source).
const SPREADS: f64 = 5.0;
/// A factor that is less certain than this, and by so many times than that of the usual session, tells of a sensor that
/// failed for part of the session or reads some windows rightly and others not (set by simulation: study, faults).
const UNCERTAIN: f64 = 0.02;
const TIMES: f64 = 5.0;
/// Share by which a session must read a configuration unlike the middle of all to be outvoted by them: wakes and gusts do
/// less to the windows of a session, a sensor that fails or is read in a wrong unit does more (common practice, no source).
pub(super) const UNLIKE: f64 = 0.3;
/// Share of the smaller by which two sessions must read a configuration apart to contradict each other: weather, fuel and a
/// sensor that was calibrated anew do less (common practice, no source).
const APART: f64 = 0.2;
/// Sessions that must share configurations before one can be called the odd one out.
const SESSIONS: usize = 3;
/// Windows of a session, or of a log, that a factor is taken from.
pub(super) const WINDOWS: usize = 5;

/// Suspicions of a session whose windows contradict each other, and of one whose factor is that of no two units.
pub(super) const RESTLESS: &str = "as if the sensor were right in some windows and wrong in others";
pub(super) const NO_UNIT: &str = "a factor that no unit explains";

/// One session and quantity against the other sessions.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Session index.
    pub session: usize,
    /// Quantity index.
    pub quantity: usize,
    /// The session's response to effective v² over that of the other sessions.
    pub factor: f64,
    /// Standard error from the session's own windows.
    pub factor_se: f64,
    /// Robust spread of the factors of all sessions.
    pub spread: f64,
    /// Windows.
    pub windows: usize,
    /// Whether its windows agree far less among themselves than those of other sessions do.
    pub restless: bool,
    /// Whether it is too far out to be used.
    pub implausible: bool,
}

impl Finding {
    /// What would explain the factor, as far as a unit can; nothing of a session that agrees. `quantity`: its name; `all`:
    /// all quantities of the session have nearly this factor.
    pub fn suspicion(&self, quantity: &str, all: bool) -> String {
        if !self.implausible {
            return String::new();
        }
        if self.restless {
            return RESTLESS.to_owned();
        }
        suspicion(self.factor, quantity, all)
    }
}

/// What would explain a factor of a quantity, as far as a unit can; forces of the axles come from lengths (dampers) or forces
/// (load cells), the resistance from torques. `all`: all quantities have nearly this factor, as only the speed gives it.
pub(super) fn suspicion(factor: f64, quantity: &str, all: bool) -> String {
    if factor.abs() < 0.1 {
        return "as if the sensor did not move".to_owned();
    }
    if factor < 0.0 {
        return "as if the sign were turned".to_owned();
    }
    let axle = ["front_downforce", "rear_downforce"].contains(&quantity);
    if axle && (factor - 0.5).abs() < 0.12 {
        return "as if one of two sensors did not move".to_owned();
    }
    let near = |ratio: f64| alike(factor, ratio);
    let known: &[Dimension] = match quantity {
        "front_downforce" | "rear_downforce" => &[Dimension::Length, Dimension::Force],
        "resistance" => &[Dimension::Torque],
        // Of another channel only its table says what it measures.
        _ => &[Dimension::Pressure],
    };
    // All forces are held against the square of the speed: too large a speed makes all of them too small.
    for (a, b) in pairs(&[Dimension::Speed]) {
        let ratio = (b.scale / a.scale).powi(2);
        if all && !(0.7..=1.3).contains(&ratio) && near(ratio) {
            return format!("as if a speed in {} were read as {}, which all quantities would show", b.symbol, a.symbol);
        }
    }
    for (a, b) in pairs(known) {
        let ratio = a.scale / b.scale;
        if !(0.7..=1.3).contains(&ratio) && near(ratio) {
            return format!("as if values in {} were read as {}", b.symbol, a.symbol);
        }
    }
    NO_UNIT.to_owned()
}

/// Whether two factors may have one cause.
pub(super) fn alike(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < 0.15
}

/// Units that can be taken for one another. No damper is logged in miles.
fn pairs(of: &[Dimension]) -> Vec<(&'static Unit, &'static Unit)> {
    let long = |u: &Unit| u.dimension == Dimension::Length && u.scale > 1.0;
    let all: Vec<&'static Unit> = UNITS.iter().filter(|u| of.contains(&u.dimension) && !long(u)).collect();
    let together = |(a, b): &(&'static Unit, &'static Unit)| a.dimension == b.dimension;
    all.iter().flat_map(|a| all.iter().map(|b| (*a, *b))).filter(together).collect()
}

/// Every session and quantity that can be held against others.
pub fn screen(fit: &SeasonFit) -> Vec<Finding> {
    let Some(solved) = &fit.model.fit else { return Vec::new() };
    let sessions_of = super::scatter::sessions_of_columns(&fit.model);
    let key = |o: &Observation| {
        // One that is left out shares them nevertheless, or it would come back for want of others to be held against.
        let itself = usize::from(fit.evidence.left_out.contains(&(o.session, o.quantity)));
        let column = fit.model.column.get(&(o.configuration, o.quantity))?;
        let sessions = sessions_of.get(*column).map_or(0, Vec::len);
        (sessions + itself >= SESSIONS).then_some((o.session, o.quantity))
    };
    let rows = grouped(fit, key);
    let finding = |((session, quantity), rows): &((usize, usize), Vec<usize>)| {
        // The session's own say on the coefficients is taken off first.
        let own = &solved.influence[*session];
        let coefficient = |i: usize| {
            let o = &fit.evidence.observations[i];
            fit.model.column.get(&(o.configuration, o.quantity)).map_or(0.0, |c| solved.beta[*c] - own[*c])
        };
        let (factor, factor_se) = factor(fit, rows, coefficient).filter(|_| rows.len() >= WINDOWS)?;
        Some(Finding {
            session: *session,
            quantity: *quantity,
            factor,
            factor_se,
            spread: 0.0,
            windows: rows.len(),
            restless: false,
            implausible: false,
        })
    };
    let found: Vec<Option<Finding>> = rows.par_iter().map(finding).collect();
    let mut out: Vec<Finding> = found.into_iter().flatten().collect();
    judge(&mut out);
    outvote(&mut out, &outvoted(fit, &sessions_of), &fit.evidence.left_out);
    out
}

/// Sessions that read a quantity of one configuration quite unlike the middle of all sessions that ran it, each by its own
/// windows alone. The fit can't be asked: where few sessions ran a configuration, one that is far out takes the fit along,
/// and a good one looks wrong beside it.
fn outvoted(fit: &SeasonFit, sessions_of: &[Vec<usize>]) -> BTreeSet<(usize, usize)> {
    let of_pair = |((_, quantity), slopes): (&Pair, &Vec<Slope>)| {
        let middle = median(&mut slopes.iter().map(|s| s.slope).collect::<Vec<_>>());
        let out = |s: &&Slope| {
            let off = (s.slope - middle).abs();
            off > UNLIKE * middle.abs() && off > SPREADS * s.error
        };
        let out: Vec<(usize, usize)> = slopes.iter().filter(out).map(|s| (s.session, *quantity)).collect();
        // Most must agree, or it can't be told who is right.
        if slopes.len() >= SESSIONS && 2 * out.len() < slopes.len() { out } else { Vec::new() }
    };
    // One of the sessions may be left out by now.
    let shared = |pair: &Pair| {
        let column = fit.model.column.get(pair);
        column.and_then(|c| sessions_of.get(*c)).map_or(0, Vec::len) + 1 >= SESSIONS
    };
    slopes(fit, shared).iter().flat_map(of_pair).collect()
}

/// What one session reads of a configuration and quantity by its own windows alone.
struct Slope {
    session: usize,
    slope: f64,
    error: f64,
}

/// Of the pairs that are asked for, session by session.
fn slopes(fit: &SeasonFit, wanted: impl Fn(&Pair) -> bool) -> BTreeMap<Pair, Vec<Slope>> {
    let key = |o: &Observation| {
        let pair = (o.configuration, o.quantity);
        wanted(&pair).then_some((pair, o.session))
    };
    let slope = |((pair, session), rows): &((Pair, usize), Vec<usize>)| {
        let (slope, error) = factor(fit, rows, |_| 1.0).filter(|_| rows.len() >= WINDOWS)?;
        Some((*pair, Slope { session: *session, slope, error }))
    };
    let found: Vec<Option<(Pair, Slope)>> = grouped(fit, key).par_iter().map(slope).collect();
    let mut out: BTreeMap<Pair, Vec<Slope>> = BTreeMap::new();
    for (pair, slope) in found.into_iter().flatten() {
        out.entry(pair).or_default().push(slope);
    }
    out
}

/// Observations by a key, in the order of the keys; `None` for those that nobody asks for.
pub(super) fn grouped<K: Ord + Copy>(fit: &SeasonFit, key: impl Fn(&Observation) -> Option<K>) -> Vec<(K, Vec<usize>)> {
    let (mut places, mut out) = (BTreeMap::<K, usize>::new(), Vec::<(K, Vec<usize>)>::new());
    // The quantities of a window follow each other, and mostly have the keys of those of the window before.
    let mut last: Vec<Option<usize>> = vec![None; fit.quantities.len()];
    for (i, o) in fit.evidence.observations.iter().enumerate() {
        let Some(key) = key(o) else { continue };
        let place = match last.get(o.quantity).copied().flatten().filter(|place| out[*place].0 == key) {
            Some(place) => place,
            None => *places.entry(key).or_insert_with(|| {
                out.push((key, Vec::new()));
                out.len() - 1
            }),
        };
        if let Some(last) = last.get_mut(o.quantity) {
            *last = Some(place);
        }
        out[place].1.push(i);
    }
    out.sort_unstable_by_key(|(key, _)| *key);
    out
}

/// Configurations and quantities that two sessions took part in and read quite differently: there is no majority, and the
/// fit follows the session whose windows scatter less.
pub(super) fn contradicted(fit: &SeasonFit) -> BTreeSet<Pair> {
    let takes_part = |s: &&Slope, quantity: usize| !fit.evidence.left_out.contains(&(s.session, quantity));
    let of_pair = |(pair, slopes): (Pair, Vec<Slope>)| {
        let slopes: Vec<&Slope> = slopes.iter().filter(|s| takes_part(s, pair.1)).collect();
        let [a, b] = slopes.as_slice() else { return None };
        let apart = (a.slope - b.slope).abs();
        let differ = apart > APART * a.slope.abs().min(b.slope.abs()) && apart > SPREADS * a.error.hypot(b.error);
        differ.then_some(pair)
    };
    let sessions_of = super::scatter::sessions_of_columns(&fit.model);
    let by_two =
        |pair: &Pair| fit.model.column.get(pair).and_then(|c| sessions_of.get(*c)).is_some_and(|s| s.len() == 2);
    slopes(fit, by_two).into_iter().filter_map(of_pair).collect()
}

/// Leaves these out too. Where one of them still took part, what else looks wrong was held against it, and is looked at
/// again without it.
fn outvote(findings: &mut [Finding], outvoted: &BTreeSet<(usize, usize)>, left_out: &BTreeSet<(usize, usize)>) {
    let took_part: BTreeSet<usize> = outvoted.difference(left_out).map(|(_, quantity)| *quantity).collect();
    for f in findings {
        let this = (f.session, f.quantity);
        if outvoted.contains(&this) {
            f.restless |= !f.implausible;
            f.implausible = true;
        } else if took_part.contains(&f.quantity) {
            f.implausible &= left_out.contains(&this);
        }
    }
}

/// Expected and measured values of some observations, each less the mean of its outing; and how many outings these are.
fn centred(fit: &SeasonFit, rows: &[usize], coefficient: impl Fn(usize) -> f64) -> (Vec<(f64, f64)>, usize) {
    let point = |i: &usize| {
        let o = &fit.evidence.observations[*i];
        (o.outing, coefficient(*i) * fit.model.x[*i], o.y)
    };
    let mut points: Vec<(usize, f64, f64)> = rows.iter().map(point).collect();
    points.sort_by_key(|p| p.0);
    let (mut out, mut outings) = (Vec::with_capacity(points.len()), 0);
    for points in points.chunk_by(|a, b| a.0 == b.0) {
        let n = points.len() as f64;
        let mean = |f: fn(&(usize, f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / n;
        let (mz, my) = (mean(|p| p.1), mean(|p| p.2));
        out.extend(points.iter().map(|(_, z, y)| (z - mz, y - my)));
        outings += 1;
    }
    (out, outings)
}

/// Slope of the measured on the expected, zeros per outing taken out; and its standard error.
pub(super) fn factor(fit: &SeasonFit, rows: &[usize], coefficient: impl Fn(usize) -> f64) -> Option<(f64, f64)> {
    let (points, outings) = centred(fit, rows, coefficient);
    let (mut zz, mut zy, mut yy) = (0.0, 0.0, 0.0);
    for (z, y) in &points {
        zz += z * z;
        zy += z * y;
        yy += y * y;
    }
    let left = points.len() as f64 - outings as f64 - 1.0;
    if zz <= 0.0 || left < 1.0 {
        return None;
    }
    let r = zy / zz;
    Some((r, ((yy - r * zy).max(0.0) / left / zz).sqrt()))
}

/// The usual distance of a window from the slope of [`factor`]: median over that of a standard normal.
pub(super) fn scatter(fit: &SeasonFit, rows: &[usize], slope: f64) -> f64 {
    let (points, _) = centred(fit, rows, |_| 1.0);
    median(&mut points.iter().map(|(z, y)| (y - slope * z).abs()).collect::<Vec<_>>()) / MEDIAN_ABS
}

fn judge(findings: &mut [Finding]) {
    let quantities: BTreeSet<usize> = findings.iter().map(|f| f.quantity).collect();
    for q in quantities {
        // Where one session has the fit to itself (values so small that they seem exact) all others look wrong: what most
        // sessions say is the measure.
        let mut factors: Vec<f64> = findings.iter().filter(|f| f.quantity == q).map(|f| f.factor).collect();
        let usual = median(&mut factors);
        if factors.len() >= SESSIONS && (usual - 1.0).abs() > FAR && usual > 0.0 {
            for f in findings.iter_mut().filter(|f| f.quantity == q) {
                (f.factor, f.factor_se) = (f.factor / usual, f.factor_se / usual);
            }
        }
        let mut off: Vec<f64> = findings.iter().filter(|f| f.quantity == q).map(|f| (f.factor - 1.0).abs()).collect();
        if off.len() < SESSIONS {
            continue;
        }
        let spread = median(&mut off) / MEDIAN_ABS;
        // In a wrong unit all is larger alike, the scatter too; of few windows a factor is less certain without any fault.
        let mut windows: Vec<f64> = findings.iter().filter(|f| f.quantity == q).map(|f| f.windows as f64).collect();
        let windows = median(&mut windows);
        let uncertainty =
            |f: &Finding| f.factor_se / f.factor.abs().max(1.0) * (f.windows as f64 / windows).min(1.0).sqrt();
        let mut uncertain: Vec<f64> = findings.iter().filter(|f| f.quantity == q).map(uncertainty).collect();
        let uncertain = UNCERTAIN.max(TIMES * median(&mut uncertain));
        for f in findings.iter_mut().filter(|f| f.quantity == q) {
            f.spread = spread;
            let limit = FAR.max(SPREADS * spread).max(3.0 * f.factor_se);
            f.restless = uncertainty(f) > uncertain;
            f.implausible = f.restless || (f.factor - 1.0).abs() > limit;
        }
    }
}
