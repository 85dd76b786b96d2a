//! The season's model: value = zero + coefficient·effective v² for every configuration and quantity,
//! with the wind of a session as two unknowns that all its quantities share. Iterates weights, robust
//! weights and wind (Gauss–Newton) around the blocked least squares.

mod assemble;
mod gains;
mod gusts;
mod order;
mod own_scatter;
mod settled;
mod steps;
mod wakes;

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DVector;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use self::assemble::Places;
pub use self::gains::Gain;
use self::gusts::Gusts;
use self::order::Order;
pub use self::settled::Blocks;
use self::settled::{Settled, State};
use super::evidence::{Evidence, Observation};
use super::{Fit, LetIn, Weights, Wind, Zero};
use crate::numerics::blocked::{BlockedError, Inference, Rows, Solution};

/// Standard deviation of a wind component before the logs speak, m/s, where the run sheet names no wind:
/// a mean wind beyond 10 m/s is seldom run in (common practice, no source).
const WIND_PRIOR: f64 = 5.0;
/// The same around the wind that the run sheet names: a mast elsewhere, another hour.
const SHEET_PRIOR: f64 = 3.0;
/// With fewer windows of a kind than this their spread is taken from all windows of the quantity.
const FEWEST_OF_A_KIND: usize = 10;
/// Rows that are worth a thread of their own where little is done with each.
const MANY: usize = 2048;
/// A configuration and a quantity, by index.
pub type Pair = (usize, usize);

/// What was found for the wind of one session.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionWind {
    /// Components of the direction it comes from, north and east, m/s.
    pub wind: (f64, f64),
    /// Their standard errors; `None` where the wind was not estimated.
    pub standard_error: Option<(f64, f64)>,
}

/// The fitted season.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Model {
    /// Shared column of the coefficient of a configuration and quantity.
    pub column: BTreeMap<Pair, usize>,
    /// Shared column of a regressor that was let in, by regressor and quantity.
    pub let_in: BTreeMap<(LetIn, usize), usize>,
    /// Why a configuration and quantity have no coefficient.
    #[serde(with = "reasons")]
    pub dropped: BTreeMap<Pair, &'static str>,
    /// The blocked fit, on pseudo-values where robust; `None` when nothing could be fitted.
    pub fit: Option<Inference>,
    /// Of what its blocks are made again, see [`Model::blocks`].
    settled: Option<Settled>,
    /// Observations behind the rows of each block, for grouping.
    pub rows: Vec<Vec<usize>>,
    /// Wind per session.
    pub wind: Vec<SessionWind>,
    /// Standard deviation of the headwind about it per session, m/s; empty where no wind is estimated.
    pub gusts: Vec<f64>,
    /// Correlation time of the gusts along a straight, s.
    pub gust_memory: f64,
    /// Per session what the sensors of its quantities read too much; none where that is not looked for.
    pub gains: Vec<Vec<Gain>>,
    /// Between-window variance per quantity, gusts included.
    pub between: Vec<f64>,
    /// Final weight of every observation, robust weight included; 0 for dropped ones.
    pub weight: Vec<f64>,
    /// Robust weight alone.
    pub robust: Vec<f64>,
    /// Residual of every observation; NaN for dropped ones.
    pub residual: Vec<f64>,
    /// Regressor of every observation at the final wind.
    pub x: Vec<f64>,
    /// Iterations used.
    pub iterations: usize,
    /// Whether the iteration settled.
    pub converged: bool,
}

/// Fits the season: the model, and beside it what `keep` takes of the rows of every session; it is told their observations,
/// in the order of the rows.
pub fn fit<T: Send>(
    evidence: &Evidence,
    quantities: usize,
    options: &Fit,
    keep: impl Fn(&[usize], &Solution, Rows) -> T + Sync,
) -> (Model, Vec<T>) {
    let mut dropped = too_few(evidence, options);
    let mut unusable = BTreeSet::new();
    loop {
        let mut solver = Solver::new(evidence, quantities, options, &dropped, &unusable);
        let solved = solver.iterate().and_then(|()| {
            solver.infer(|g, solution, rows| {
                let observations: Vec<usize> = solver.order.observations(solver.order.sessions[g].clone()).collect();
                keep(&observations, solution, rows)
            })
        });
        match solved {
            Ok((fit, kept)) => {
                let settled = Settled::of(&solver, &unusable);
                return (solver.finish(fit, dropped, settled), kept);
            }
            Err(BlockedError::NotIdentified { columns }) if !columns.is_empty() => {
                let before = dropped.len() + unusable.len();
                unusable.extend(solver.let_in.iter().filter(|(_, c)| columns.contains(c)).map(|(k, _)| *k));
                for (pair, c) in &solver.column {
                    let zero = c + solver.column.len();
                    let own_zero = options.zero == Zero::PerConfiguration && columns.contains(&zero);
                    if columns.contains(c) || own_zero {
                        dropped.insert(*pair, NEVER_VARIES);
                    }
                }
                if dropped.len() + unusable.len() == before {
                    return (solver.nothing(dropped), Vec::new());
                }
            }
            Err(_) => return (solver.nothing(dropped), Vec::new()),
        }
    }
}

/// Flags of pairs without a coefficient: with too few windows, whose speed is always the same, or that came to nothing
/// with all others.
const TOO_FEW: &str = "too_few_windows";
const NEVER_VARIES: &str = "speed_never_varies";
const NOT_SOLVABLE: &str = "not_solvable";

/// These flags written down and read back.
mod reasons {
    use std::collections::BTreeMap;

    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{NEVER_VARIES, NOT_SOLVABLE, Pair, TOO_FEW};

    pub fn serialize<S: Serializer>(dropped: &BTreeMap<Pair, &'static str>, s: S) -> Result<S::Ok, S::Error> {
        dropped.serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<BTreeMap<Pair, &'static str>, D::Error> {
        let known = |flag: &str| [TOO_FEW, NEVER_VARIES, NOT_SOLVABLE].into_iter().find(|known| *known == flag);
        let read = BTreeMap::<Pair, String>::deserialize(d)?.into_iter();
        read.map(|(pair, why)| Some((pair, known(&why)?)))
            .collect::<Option<_>>()
            .ok_or(D::Error::custom("unknown flag"))
    }
}

/// Pairs with fewer windows than the zeros of their outings, or the one that all of them share, the slope and one to spare.
fn too_few(evidence: &Evidence, options: &Fit) -> BTreeMap<Pair, &'static str> {
    let quantities = evidence.observations.iter().map(|o| o.quantity + 1).max().unwrap_or(0);
    let mut count: Vec<(usize, Vec<usize>)> = vec![Default::default(); evidence.configurations.len() * quantities];
    for o in evidence.observations.iter().filter(|o| !evidence.left_out.contains(&(o.session, o.quantity))) {
        let (n, outings) = &mut count[o.configuration * quantities + o.quantity];
        *n += 1;
        // Those of one outing follow each other.
        if !o.zeroed && outings.last() != Some(&o.outing) {
            outings.push(o.outing);
        }
    }
    let few = |(at, (n, mut outings)): (usize, (usize, Vec<usize>))| {
        outings.sort_unstable();
        outings.dedup();
        let zeros = if options.zero == Zero::PerConfiguration { outings.len().min(1) } else { outings.len() };
        (n > 0 && n < zeros + 2).then_some(((at / quantities, at % quantities), TOO_FEW))
    };
    count.into_iter().enumerate().filter_map(few).collect()
}

/// Shared columns before those of the regressors that were let in.
fn width(options: &Fit, column: &BTreeMap<Pair, usize>) -> usize {
    match options.zero {
        Zero::PerOuting | Zero::StaticSegment => column.len(),
        Zero::PerConfiguration => 2 * column.len(),
    }
}

/// Columns for the regressors asked for, quantity by quantity, where they vary at all.
fn let_in_columns(
    evidence: &Evidence,
    options: &Fit,
    column: &BTreeMap<Pair, usize>,
    unusable: &BTreeSet<(LetIn, usize)>,
) -> BTreeMap<(LetIn, usize), usize> {
    let mut out = BTreeMap::new();
    let quantities: BTreeSet<usize> = column.keys().map(|p| p.1).collect();
    for regressor in &options.let_in {
        let varies = evidence.observations.iter().any(|o| o.regressors[regressor.index()] != 0.0);
        for q in quantities.iter().filter(|q| varies && !unusable.contains(&(*regressor, **q))) {
            out.insert((*regressor, *q), 0);
        }
    }
    let first = width(options, column);
    for (i, c) in out.values_mut().enumerate() {
        *c = first + i;
    }
    out
}

/// Classes of speed.
const CLASSES: usize = 3;

/// Effective v² that parts the windows of each kind into as many slow, middling and fast ones.
fn speed_limits(evidence: &Evidence) -> Vec<(f64, f64)> {
    let kinds = evidence.observations.iter().map(|o| o.kind + 1).max().unwrap_or(0);
    let of_kind = |k: usize| {
        let mut v: Vec<f64> = evidence.observations.iter().filter(|o| o.kind == k).map(|o| o.v2).collect();
        let mut at = |share: usize| {
            let place = v.len() * share / CLASSES;
            if place < v.len() { *v.select_nth_unstable_by(place, f64::total_cmp).1 } else { 0.0 }
        };
        (at(1), at(2))
    };
    (0..kinds).map(of_kind).collect()
}

struct Solver<'a> {
    evidence: &'a Evidence,
    options: &'a Fit,
    quantities: usize,
    column: BTreeMap<Pair, usize>,
    let_in: BTreeMap<(LetIn, usize), usize>,
    /// The observations that take part. What follows is said of its rows.
    order: Order,
    wind: Vec<(f64, f64)>,
    prior: Vec<((f64, f64), f64)>,
    /// Between-window variance by quantity and kind of window, see [`Solver::cell`].
    between: Vec<f64>,
    /// Per cell: factor on the squares of the standard errors where they are larger than what shows beside the gusts,
    /// which they count in part.
    overstated: Vec<f64>,
    /// Cells of a quantity: kinds of window by classes of speed.
    kinds: usize,
    /// Effective v² between the classes of each kind, wind aside.
    limits: Vec<(f64, f64)>,
    robust: Vec<f64>,
    /// Per row the root of its variance under the model, its own and that between windows.
    deviations: Vec<f64>,
    beta: DVector<f64>,
    residual: Vec<f64>,
    /// What is left of the residual beside the gusts.
    own: Vec<f64>,
    gusts: Gusts,
    /// Coefficients and winds of the last step that looked at spreads.
    spread: State,
    /// Per session the gains of its quantities; none where they are not looked for.
    gains: Vec<Vec<Gain>>,
    /// What the gusts add to the loss.
    gust_loss: f64,
    share: Vec<f64>,
    iterations: usize,
    converged: bool,
    /// Share of the usual curvature k/|u| that outlying windows get. Huber's own step (all of it) is slow where most
    /// windows of an outing are outliers, whose true curvature is zero: the same score over a lower curvature leads to
    /// the same solution in a fraction of the steps. Where the loss is bounded by a quadratic, half of the bound's
    /// curvature is enough for a step downhill; less is a gamble, of which a part is taken where the whole fails.
    curvature: f64,
    /// Where the values of each session's block go.
    places: Vec<Places>,
    /// Shared column of every row's coefficient.
    slopes: Vec<u32>,
    /// Per row its cell, see [`Solver::cell`], and the rows of every cell.
    cells: Vec<u32>,
    by_cell: Vec<Vec<u32>>,
    /// Per row: what the fall of that weight takes from the derivative of its score.
    falls: Vec<f64>,
    /// Per row: how far its window is believed to have run in the air that the model knows, see [`wakes`].
    clean: Vec<f64>,
}

impl Model {
    /// The shared columns of a quantity, rising.
    pub fn columns_of(&self, quantity: usize) -> Vec<usize> {
        let slopes = self.column.iter().filter(|((_, q), _)| *q == quantity).map(|(_, c)| *c);
        let zeros = slopes.clone().filter(|_| self.has_intercepts()).map(|c| c + self.column.len());
        let let_in = self.let_in.iter().filter(|((_, q), _)| *q == quantity).map(|(_, c)| *c);
        let mut out: Vec<usize> = slopes.chain(zeros).chain(let_in).collect();
        out.sort_unstable();
        out
    }

    /// The gain of a quantity in a session.
    pub fn gain(&self, session: usize, quantity: usize) -> Option<Gain> {
        self.gains.get(session)?.iter().find(|g| g.quantity == quantity).copied()
    }

    /// The zero of a configuration and quantity, where the configuration has one for all its outings.
    pub fn intercept(&self, pair: Pair) -> Option<f64> {
        let fit = self.fit.as_ref()?;
        let column = self.column.get(&pair)? + self.column.len();
        self.has_intercepts().then(|| fit.beta[column])
    }

    /// Whether configurations have zeros of their own: shared columns behind all slopes, in the same order.
    fn has_intercepts(&self) -> bool {
        self.fit.as_ref().is_some_and(|fit| fit.beta.len() == 2 * self.column.len() + self.let_in.len())
    }
}

impl<'a> Solver<'a> {
    fn new(
        evidence: &'a Evidence,
        quantities: usize,
        options: &'a Fit,
        dropped: &BTreeMap<Pair, &'static str>,
        unusable: &BTreeSet<(LetIn, usize)>,
    ) -> Self {
        let order = Order::new(evidence, quantities, dropped);
        let column: BTreeMap<Pair, usize> =
            order.pairs(evidence).into_iter().enumerate().map(|(c, pair)| (pair, c)).collect();
        let let_in = let_in_columns(evidence, options, &column, unusable);
        let prior: Vec<((f64, f64), f64)> =
            evidence.sheet_wind.iter().map(|w| w.map_or(((0.0, 0.0), WIND_PRIOR), |w| (w, SHEET_PRIOR))).collect();
        let start = |p: &((f64, f64), f64)| if options.wind == Wind::None { (0.0, 0.0) } else { p.0 };
        let n = order.len();
        let limits = speed_limits(evidence);
        let kinds = CLASSES * limits.len().max(1);
        let mut solver = Self {
            evidence,
            options,
            quantities,
            order,
            wind: prior.iter().map(start).collect(),
            prior,
            between: vec![0.0; quantities * kinds],
            overstated: vec![1.0; quantities * kinds],
            kinds,
            limits,
            robust: vec![1.0; n],
            deviations: vec![1.0; n],
            beta: DVector::zeros(column.len()),
            column,
            let_in,
            residual: vec![f64::NAN; n],
            own: vec![f64::NAN; n],
            gusts: Gusts { memory: 1.0, levers: vec![0.0; n], ..Default::default() },
            spread: State::default(),
            gains: Vec::new(),
            gust_loss: 0.0,
            share: Vec::new(),
            iterations: 0,
            converged: false,
            curvature: 1.0,
            places: Vec::new(),
            slopes: Vec::new(),
            cells: Vec::new(),
            by_cell: vec![Vec::new(); quantities * kinds],
            clean: vec![1.0; n],
            falls: vec![0.0; n],
        };
        // Nothing is known of the air yet.
        solver.spread = State::of(&solver);
        let sessions = 0..solver.order.sessions.len();
        solver.gusts.straights = sessions.clone().into_par_iter().map(|g| solver.straights_of(g)).collect();
        solver.gusts.moments = solver.moments();
        let slope = |o: &Observation| solver.column.get(&(o.configuration, o.quantity)).map_or(0, |c| *c as u32);
        let rows = || (0..solver.order.len()).into_par_iter().with_min_len(MANY).map(|r| solver.observation(r));
        (solver.slopes, solver.cells) = rows().map(|o| (slope(o), solver.cell(o) as u32)).unzip();
        solver.cells.iter().enumerate().for_each(|(r, cell)| solver.by_cell[*cell as usize].push(r as u32));
        solver.gains = solver.gains_of_sessions();
        solver.places = sessions.into_par_iter().map(|g| solver.places_of(g)).collect();
        solver.share = (0..quantities).into_par_iter().map(|q| solver.share_left(q)).collect();
        solver
    }

    /// The observation of a row.
    fn observation(&self, row: usize) -> &'a Observation {
        &self.evidence.observations[self.order.observation(row)]
    }

    /// (n − p)/n of one quantity: what the fit leaves of the spread.
    fn share_left(&self, q: usize) -> f64 {
        let used = || self.order.of_quantity(q).map(|r| self.observation(r));
        let n = self.order.of_quantity(q).len() as f64;
        let mut zeros: Vec<usize> = used().filter(|o| !o.zeroed).map(|o| self.zero_of(o)).collect();
        zeros.sort_unstable();
        zeros.dedup();
        let slopes = self.column.keys().filter(|p| p.1 == q).count();
        let winds = if self.options.wind == Wind::Estimate { 2 * self.evidence.sessions.len() } else { 0 };
        let slopes = slopes + self.let_in.keys().filter(|k| k.1 == q).count();
        let p = (zeros.len() + slopes) as f64 + winds as f64 / self.quantities.max(1) as f64;
        if n > 0.0 { ((n - p) / n).max(0.05) } else { 1.0 }
    }

    fn zero_of(&self, o: &Observation) -> usize {
        match self.options.zero {
            Zero::PerOuting | Zero::StaticSegment => o.outing,
            Zero::PerConfiguration => o.configuration,
        }
    }

    /// Windows that are taken to scatter alike: those of one quantity and, but for equal weights, of one kind and class of
    /// speed. Held speed and coasting err in ways of their own (torque sensor, driveline loss), by different amounts; what
    /// the air does grows with the speed.
    fn cell(&self, o: &Observation) -> usize {
        match self.options.weights {
            Weights::Equal => o.quantity * self.kinds,
            Weights::Precision => {
                let class = self.limits.get(o.kind).map_or(0, |l| usize::from(o.v2 > l.0) + usize::from(o.v2 > l.1));
                o.quantity * self.kinds + o.kind * CLASSES + class
            }
        }
    }

    /// Takes over what the spreads say of every observation.
    fn set_variances(&mut self) {
        let equal = self.options.weights == Weights::Equal;
        let mut deviations = std::mem::take(&mut self.deviations);
        let solver = &*self;
        let deviation = |r: usize| {
            let (se, cell) = (solver.observation(r).se, solver.cells[r] as usize);
            let own = if equal { 0.0 } else { se * se * solver.overstated[cell] };
            (own + solver.between[cell]).max(f64::MIN_POSITIVE).sqrt()
        };
        let all = deviations.par_iter_mut().enumerate().with_min_len(MANY);
        all.for_each(|(r, to)| *to = deviation(r));
        self.deviations = deviations;
    }

    /// Variance of a row under the model.
    fn variance(&self, row: usize) -> f64 {
        self.deviations[row] * self.deviations[row]
    }

    /// Shared column of a row's coefficient.
    fn slope(&self, row: usize) -> usize {
        self.slopes[row] as usize
    }

    /// Mean between-window variance of a quantity.
    fn between_of(&self, q: usize) -> f64 {
        let of_quantity = self.order.of_quantity(q);
        let of_window = |i: usize| self.between[self.cells[i] as usize] + self.gust_variance(i);
        of_quantity.clone().map(of_window).sum::<f64>() / of_quantity.len().max(1) as f64
    }

    fn estimates_wind(&self) -> bool {
        self.options.wind == Wind::Estimate
    }

    fn width(&self) -> usize {
        width(self.options, &self.column) + self.let_in.len()
    }

    fn finish(self, fit: Inference, dropped: BTreeMap<Pair, &'static str>, settled: Settled) -> Model {
        let estimated = self.estimates_wind();
        let wind = (0..self.order.sessions.len())
            .map(|g| SessionWind {
                wind: self.wind[g],
                standard_error: (estimated && fit.nuisance[g].len() >= 2).then(|| {
                    let v = &fit.nuisance_variance[g];
                    (v[v.len() - 2].sqrt(), v[v.len() - 1].sqrt())
                }),
            })
            .collect();
        Model { fit: Some(fit), ..self.into_model(Some(settled), dropped, wind) }
    }

    fn nothing(self, dropped: BTreeMap<Pair, &'static str>) -> Model {
        let wind = self.wind.iter().map(|w| SessionWind { wind: *w, standard_error: None }).collect();
        self.into_model(None, dropped, wind)
    }

    fn into_model(
        self,
        settled: Option<Settled>,
        mut dropped: BTreeMap<Pair, &'static str>,
        wind: Vec<SessionWind>,
    ) -> Model {
        let fitted = settled.is_some();
        let weight = |r: usize| {
            let own = self.variance(r) / (self.clean[r] * self.robust[r]);
            1.0 / (own + self.gust_variance(r))
        };
        let weight: Vec<f64> = (0..self.order.len()).map(|r| if fitted { weight(r) } else { 0.0 }).collect();
        let robust: Vec<f64> = self.robust.iter().zip(&self.clean).map(|(r, c)| r * c).collect();
        let of_observations =
            |values: &[f64], others| self.order.of_observations(values, self.evidence.observations.len(), others);
        let rows = self.order.sessions.iter().map(|rows| self.order.observations(rows.clone()).collect());
        if !fitted {
            for pair in self.column.keys() {
                dropped.entry(*pair).or_insert(NOT_SOLVABLE);
            }
        }
        let x = self.evidence.observations.iter().map(|o| o.x(self.wind[o.session])).collect();
        let between = (0..self.quantities).map(|q| self.between_of(q)).collect();
        Model {
            column: if fitted { self.column } else { BTreeMap::new() },
            let_in: if fitted { self.let_in } else { BTreeMap::new() },
            dropped,
            fit: None,
            settled,
            rows: rows.collect(),
            wind,
            gusts: self.gusts.variance.iter().map(|v| v.sqrt()).collect(),
            gust_memory: self.gusts.memory,
            gains: if fitted { self.gains } else { Vec::new() },
            between,
            weight: of_observations(&weight, 0.0),
            robust: of_observations(&robust, 1.0),
            residual: of_observations(&self.residual, f64::NAN),
            x,
            iterations: self.iterations,
            converged: self.converged,
        }
    }
}
