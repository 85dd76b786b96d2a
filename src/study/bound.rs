//! The Cramér–Rao bound of the windows used: the standard error of the best estimator that knows how everything
//! scatters. What it knows is what the simulator put in: gusts, which all quantities of a window share and the windows
//! of a straight in part, sensor gains of a session, and each window's own scatter, which is taken from a twin of the
//! season without wind and gains; zeros, wind and coefficients are unknown to it.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::{ROBUST, defect};
use crate::demo::Season;
use crate::error::Fatal;
use crate::numerics::blocked::{self, Block, BlockedFit};
use crate::stages::SeasonCx;
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::evidence::Observation;
use crate::stages::season::fit::{Fit, SeasonFit};
use crate::stages::window::Window;

/// Correlation time of the simulator's gusts, s.
const GUSTS: f64 = 10.0;
/// The bound.
pub struct Bound {
    fit: Option<BlockedFit>,
}

/// What the simulator put into one session.
#[derive(Clone, Copy, Default)]
struct Put {
    /// Standard deviation of a component of the gusts, m/s.
    gusts: f64,
    /// Relative standard deviation of its sensors' gains.
    gain: f64,
}

impl Bound {
    /// Of a season's windows; `calm` are those of its twin without wind and gains.
    ///
    /// # Errors
    /// Where the plain fit that it starts from can't be made.
    pub fn of(season: &Season, tables: &SeasonTables, calm: &SeasonTables, cx: &SeasonCx) -> Result<Self, Fatal> {
        let text = ROBUST.replace("\"wind\"", "\"method\": \"ordinary\", \"let_in\": [], \"wind\"");
        let fit: Fit = serde_json::from_str(&text).map_err(defect)?;
        let windless: Fit = serde_json::from_str(&text.replace("estimate", "none")).map_err(defect)?;
        let kinds: Vec<&str> = fit.windows.iter().map(|k| k.value.as_str()).collect();
        let coasting = kinds.iter().position(|k| *k == "coastdown");
        let own = OwnScatter::of(&windless.solve(calm, cx));
        let fit = fit.solve(tables, cx);
        let put: Vec<Put> = fit.evidence.sessions.iter().map(|(event, session)| put(season, event, session)).collect();
        let made = fit.blocks();
        let blocks: Vec<Block> = made.iter().flat_map(|made| (0..made.count()).map(|g| made.make(g))).collect();
        let whole = |g: usize| whitened(&fit, (&blocks[g], g), tables, put[g], &own, coasting);
        let blocks: Option<Vec<Block>> = (0..blocks.len()).into_par_iter().map(whole).collect();
        let width = fit.model.fit.as_ref().map_or(0, |f| f.beta.len());
        Ok(Self { fit: blocks.and_then(|b| blocked::fit(&b, width).ok()) })
    }

    /// Least standard error of a contrast with this gradient; `None` where nothing could be fitted.
    pub fn se(&self, gradient: &DVector<f64>) -> Option<f64> {
        let fit = self.fit.as_ref()?;
        // Regressors that were let in come last; the bound knows them.
        let n = fit.beta.len();
        (n <= gradient.len()).then(|| fit.model_variance(&gradient.rows(0, n).into_owned()).sqrt())
    }
}

fn put(season: &Season, event: &str, session: &str) -> Put {
    let found = season.sessions.iter().find(|s| s.event == event && s.session == session);
    found.map_or(Put::default(), |s| Put {
        gusts: season.scenario.gusts * (0.15 * s.weather.wind_speed() + 0.2),
        gain: season.scenario.session_gain_sd,
    })
}

/// Force per headwind, N per m/s, of an observation of a row's coefficient.
fn lever(fit: &SeasonFit, i: usize) -> f64 {
    let o = &fit.evidence.observations[i];
    let c = fit.coefficient(o.configuration, o.quantity).map_or(0.0, |c| c.value);
    if o.heading == (0.0, 0.0) { 0.0 } else { c * o.slope(fit.model.wind[o.session].wind) }
}

/// How windows scatter for themselves, from a season without wind and gains.
struct OwnScatter {
    /// Variance by quantity, kind of window and class of speed: the harmonic mean over the windows, whose information it
    /// keeps.
    variance: BTreeMap<(usize, usize, usize), f64>,
    /// Correlation of two quantities of one window, by kind: a bump moves both axles.
    correlation: BTreeMap<(usize, usize, usize), f64>,
}

/// Effective v² from one class of speed to the next, (m/s)².
const CLASS: f64 = 600.0;

impl OwnScatter {
    fn of(calm: &SeasonFit) -> Self {
        let all = &calm.evidence.observations;
        let mut cells: BTreeMap<_, (f64, f64)> = BTreeMap::new();
        let mut windows: BTreeMap<usize, Vec<(&Observation, f64)>> = BTreeMap::new();
        for (i, o) in all.iter().enumerate().filter(|(i, _)| calm.model.weight[*i] > 0.0) {
            let sums = cells.entry(Self::cell(o)).or_default();
            *sums = (sums.0 + calm.model.weight[i], sums.1 + 1.0);
            windows.entry(o.window).or_default().push((o, calm.model.residual[i] * calm.model.weight[i].sqrt()));
        }
        let mut products: BTreeMap<_, (f64, f64, f64)> = BTreeMap::new();
        for (a, x) in windows.values().flatten() {
            for (b, y) in windows[&a.window].iter().filter(|(b, _)| b.quantity != a.quantity) {
                let sums = products.entry((a.kind, a.quantity, b.quantity)).or_default();
                *sums = (sums.0 + x * y, sums.1 + x * x, sums.2 + y * y);
            }
        }
        Self {
            variance: cells.into_iter().map(|(cell, (sum, n))| (cell, n / sum)).collect(),
            correlation: products.into_iter().map(|(of, (xy, xx, yy))| (of, xy / (xx * yy).sqrt())).collect(),
        }
    }

    fn cell(o: &Observation) -> (usize, usize, usize) {
        (o.quantity, o.kind, (o.v2 / CLASS) as usize)
    }

    /// That of the nearest class of speed where its own had no window.
    fn variance(&self, o: &Observation) -> Option<f64> {
        let (quantity, kind, class) = Self::cell(o);
        let alike = self.variance.range((quantity, kind, 0)..=(quantity, kind, usize::MAX));
        alike.min_by_key(|((_, _, c), _)| c.abs_diff(class)).map(|(_, variance)| *variance)
    }

    fn covariance(&self, a: &Observation, b: &Observation) -> Option<f64> {
        if a.window != b.window {
            return Some(0.0);
        }
        let variance = self.variance(a)?;
        if a.quantity == b.quantity {
            return Some(variance);
        }
        let correlation = self.correlation.get(&(a.kind, a.quantity, b.quantity)).copied().unwrap_or(0.0);
        Some(correlation * (variance * self.variance(b)?).sqrt())
    }
}

/// Mean of exp(−|t − s|/τ) over two stretches of time, by its second antiderivative.
fn shared(a: &Window, b: &Window) -> f64 {
    let h = |x: f64| GUSTS * GUSTS * (-x.abs() / GUSTS).exp() + GUSTS * x.abs();
    let ends = |w: &Window| (w.start, w.start + w.duration);
    let ((a0, a1), (b0, b1)) = (ends(a), ends(b));
    (h(a1 - b0) - h(a0 - b0) - h(a1 - b1) + h(a0 - b1)) / (a.duration * b.duration)
}

/// A session's block in coordinates in which its rows are independent with variance one. `None` where its covariance is
/// not positive definite.
fn whitened(
    fit: &SeasonFit,
    (block, g): (&Block, usize),
    tables: &SeasonTables,
    put: Put,
    own: &OwnScatter,
    coasting: Option<usize>,
) -> Option<Block> {
    let rows = &fit.model.rows[g];
    let n = block.y.len();
    let mut covariance = DMatrix::from_diagonal(&block.w.map(|w| 1.0 / w));
    let observation = |r: usize| {
        rows.get(r).map(|i| (&fit.evidence.observations[*i], &tables.windows[fit.evidence.observations[*i].window]))
    };
    // What a sensor's gain is a share of: no torque acts while coasting.
    let gained = |o: &Observation| {
        let torque = fit.quantities[o.quantity] == "resistance";
        if torque && Some(o.kind) == coasting { 0.0 } else { o.y * put.gain }
    };
    let levers: Vec<f64> = rows.iter().map(|i| lever(fit, *i)).collect();
    for a in 0..rows.len() {
        let Some((of, window)) = observation(a) else { continue };
        for b in 0..=a {
            let Some((other, with)) = observation(b) else { continue };
            let mut value = own.covariance(of, other)?;
            if of.outing == other.outing {
                let along = of.heading.0 * other.heading.0 + of.heading.1 * other.heading.1;
                value += levers[a] * levers[b] * put.gusts.powi(2) * along * shared(window, with);
            }
            if of.quantity == other.quantity {
                value += gained(of) * gained(other);
            }
            (covariance[(a, b)], covariance[(b, a)]) = (value, value);
        }
    }
    let lower = covariance.cholesky()?.unpack();
    Some(Block {
        columns: block.columns.clone(),
        x: lower.solve_lower_triangular(&block.x)?,
        nuisance: lower.solve_lower_triangular(&block.nuisance)?,
        y: DVector::zeros(n),
        w: DVector::from_element(n, 1.0),
        together: Vec::new(),
    })
}
