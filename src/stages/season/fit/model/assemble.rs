//! The linearised model as blocks: a row for every observation of a session, plain or as the pseudo-value whose least
//! squares are the robust fit.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Solver;
use crate::numerics::blocked::{Block, Filling, Layout, Sparse};
use crate::numerics::spread::huber_psi;
use crate::stages::season::fit::evidence::Observation;
use crate::stages::season::fit::{Method, Zero};

/// Where the values of a session's rows go; the same in every step.
#[derive(Clone, Debug, Default)]
pub(super) struct Places {
    /// Rows of the observations, then those of the priors.
    layout: Arc<Layout>,
    /// Zeros of outings, or none.
    pub(super) zeros: usize,
    /// Of the observations' rows.
    shapes: Vec<Shape>,
}

/// What the values of a row are. An outing has a few kinds of them, a season hundreds of thousands of rows.
#[derive(Clone, Debug)]
struct Shape {
    /// Shared column of the coefficient.
    slope: usize,
    zero: ZeroOf,
    /// Whether its session has a gain of its quantity.
    gain: bool,
    /// Regressors that were let in.
    let_in: Vec<usize>,
}

/// What makes rows of one quantity and session of one shape: coefficient, outing, whether its zero is known, regressors
/// that are not zero.
type Alike = (usize, usize, bool, [bool; 4]);

/// The zero of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum ZeroOf {
    /// Shared, one per configuration.
    Shared,
    /// The block's own, one per outing: which.
    Own(u32),
    /// Taken off already.
    Known,
}

/// What the rows of a block stand for.
#[derive(Clone, Copy)]
pub(super) enum Rows<'a> {
    /// The observations, outlying ones with a lower weight.
    Weighted,
    /// Pseudo-values whose plain weighted fit is the robust one; per cell the mean of ψ'.
    Pseudo(&'a [f64]),
}

impl Solver<'_> {
    /// A session's block of pseudo-values, whose plain weighted fit is the robust one; `unclipped`: see
    /// [`Solver::unclipped`].
    pub(super) fn pseudo_block(&self, g: usize, unclipped: &[f64]) -> Block {
        let mut b = Sparse::default();
        self.fill_block(&mut b, g, Rows::Pseudo(unclipped));
        b.dense()
    }

    /// Per cell the mean of ψ': the share of windows that the robust fit leaves whole.
    pub(super) fn unclipped(&self) -> Vec<f64> {
        (0..self.between.len()).map(|cell| self.unclipped_of(cell)).collect()
    }

    fn unclipped_of(&self, cell: usize) -> f64 {
        let of_cell = &self.by_cell[cell];
        let n: f64 = of_cell.iter().map(|i| self.clean[*i as usize]).sum();
        let slope = |i: usize| if self.robust[i] >= 1.0 { self.clean[i] - self.falls[i] } else { 0.0 };
        let mean = of_cell.iter().map(|i| slope(*i as usize)).sum::<f64>() / n.max(f64::MIN_POSITIVE);
        let mean = mean.clamp(0.2, 1.0);
        // Huber's correction for few windows per unknown.
        let used = 1.0 - self.share[cell / self.kinds];
        let spread = mean * (1.0 - mean);
        mean / (1.0 + used * spread / (mean * mean))
    }

    pub(super) fn places_of(&self, g: usize) -> Places {
        let rows = self.order.sessions[g].clone();
        let shared_zeros = self.options.zero == Zero::PerConfiguration;
        let zero_column = |slope: usize| slope + self.column.len();
        let mut columns: Vec<usize> = rows.clone().map(|r| self.slope(r)).collect();
        columns.sort_unstable();
        columns.dedup();
        if shared_zeros {
            columns.extend_from_within(..);
            let slopes = columns.len() / 2;
            columns[slopes..].iter_mut().for_each(|c| *c = zero_column(*c));
        }
        columns.extend(rows.clone().flat_map(|r| self.let_in_of(self.observation(r)).map(|(_, c, _)| c)));
        columns.sort_unstable();
        columns.dedup();
        let unknown = rows.clone().map(|r| self.observation(r)).filter(|o| !o.zeroed && !shared_zeros);
        let mut zeros: Vec<(usize, usize)> = unknown.map(|o| (o.outing, o.quantity)).collect();
        zeros.sort_unstable();
        zeros.dedup();
        let (gains, winds) = (&self.gains[g], if self.estimates_wind() && !rows.is_empty() { 2 } else { 0 });
        let nuisance = zeros.len() + gains.len() + winds;
        let place = |c: usize| (nuisance + columns.binary_search(&c).unwrap_or(0)) as u32;
        let observed = (nuisance + columns.len()) as u32;
        let (mut shapes, mut places) = (Vec::new(), Vec::new());
        let mut known: BTreeMap<(usize, ZeroOf, Option<usize>, Vec<usize>), u32> = BTreeMap::new();
        // Rows of a quantity mostly have the shape of the one before.
        let mut last: Vec<Option<(Alike, u32)>> = vec![None; self.quantities];
        let mut of_row = |r: usize| {
            let o = self.observation(r);
            let alike = (self.slope(r), o.outing, o.zeroed, o.regressors.map(|value| value != 0.0));
            if let Some((_, shape)) = last[o.quantity].filter(|(before, _)| *before == alike) {
                return shape;
            }
            let let_in: Vec<(usize, usize, f64)> = self.let_in_of(o).filter(|(_, _, value)| *value != 0.0).collect();
            let zero = match zeros.binary_search(&(o.outing, o.quantity)) {
                _ if shared_zeros => ZeroOf::Shared,
                Ok(k) => ZeroOf::Own(k as u32),
                Err(_) => ZeroOf::Known,
            };
            let gain = gains.iter().position(|gain| gain.quantity == o.quantity);
            let key = (self.slope(r), zero, gain, let_in.iter().map(|(k, ..)| *k).collect());
            let shape = *known.entry(key).or_insert_with_key(|(slope, zero, gain, regressors)| {
                let mut of = Vec::new();
                of.extend(if let ZeroOf::Own(k) = zero { Some(*k) } else { None });
                of.extend(gain.map(|k| (zeros.len() + k) as u32));
                of.extend((0..winds).map(|k| (zeros.len() + gains.len() + k) as u32));
                of.push(place(*slope));
                of.extend(shared_zeros.then(|| place(zero_column(*slope))));
                of.extend(let_in.iter().map(|(_, c, _)| place(*c)));
                of.push(observed);
                places.push(of);
                shapes.push(Shape { slope: *slope, zero: *zero, gain: gain.is_some(), let_in: regressors.clone() });
                places.len() as u32 - 1
            });
            last[o.quantity] = Some((alike, shape));
            shape
        };
        let mut rows: Vec<u32> = rows.map(&mut of_row).collect();
        // The priors': first of the wind, then of the gains.
        let winds = (0..winds).map(|k| zeros.len() + gains.len() + k);
        for own in winds.chain((0..gains.len()).map(|k| zeros.len() + k)) {
            rows.push(places.len() as u32);
            places.push(vec![own as u32, observed]);
        }
        let (zeros, layout) = (zeros.len(), Layout::new(columns, nuisance, &places, rows));
        Places { zeros, layout: Arc::new(layout), shapes }
    }

    /// Fills a session's block of the linearised model.
    pub(super) fn fill_block(&self, b: &mut Sparse, g: usize, kind: Rows) {
        let (rows, places) = (self.order.sessions[g].clone(), &self.places[g]);
        b.clear(&places.layout);
        let wind = self.estimates_wind() && !rows.is_empty();
        for (i, r) in rows.enumerate() {
            self.fill_row(b.begin(), &places.shapes[places.layout.shape(i)], r, g, kind);
        }
        if wind {
            let ((north, east), sd) = self.prior[g];
            for value in [north, east] {
                let mut row = b.begin();
                row.put(1.0);
                row.end(value, 1.0 / (sd * sd));
            }
        }
        // Last, so that whoever sums rows by window leaves them out: they are no scatter of windows.
        for gain in &self.gains[g] {
            let mut row = b.begin();
            row.put(1.0);
            row.end(0.0, 1.0 / gain.prior);
        }
        b.together = self.gusts.together.get(g).cloned().unwrap_or_default();
    }

    /// The regressors that were let in for one observation: which, its column, and its value.
    fn let_in_of(&self, o: &Observation) -> impl Iterator<Item = (usize, usize, f64)> {
        let (q, a) = (o.quantity, o.regressors);
        let of_quantity = self.let_in.iter().filter(move |((_, of), _)| *of == q);
        of_quantity.map(move |((r, _), c)| (r.index(), *c, a[r.index()]))
    }

    /// Robust weight of a row in this step.
    pub(super) fn step_weight(&self, i: usize) -> f64 {
        self.robust[i] * if self.robust[i] < 1.0 { self.curvature } else { 1.0 }
    }

    /// What is put onto an outlying row so that its score stays the same under a lower curvature.
    pub(super) fn shift(&self, i: usize) -> f64 {
        if self.robust[i] < 1.0 && self.curvature < 1.0 {
            // σψ(r/σ) is what is left of the residual beside the gusts, times its weight.
            self.own[i] * (1.0 / self.curvature - 1.0)
        } else {
            0.0
        }
    }

    fn fill_row(&self, mut row: Filling, shape: &Shape, r: usize, g: usize, kind: Rows) {
        let (o, wind) = (self.observation(r), self.wind[g]);
        if let ZeroOf::Own(_) = shape.zero {
            row.put(1.0);
        }
        if shape.gain {
            row.put(self.reads(r, g));
        }
        let mut known = 0.0;
        if self.estimates_wind() {
            let (s, heading) = (self.beta[shape.slope] * o.slope(wind), o.heading);
            let (north, east) = (s * heading.0, s * heading.1);
            row.put(north);
            row.put(east);
            known = north * wind.0 + east * wind.1;
        }
        row.put(o.x(wind));
        if shape.zero == ZeroOf::Shared {
            row.put(1.0);
        }
        if !shape.let_in.is_empty() {
            shape.let_in.iter().for_each(|k| row.put(o.regressors[*k]));
        }
        let (variance, sd) = (self.variance(r), self.deviations[r]);
        let (mut y, mut w) = (o.y, self.clean[r] / variance);
        match kind {
            // y − r + σψ(r/σ)/mean(ψ') with weight mean(ψ')/σ²: its score is that of the robust fit, and its
            // derivative that of the expected ψ, kind of window by kind of window.
            Rows::Pseudo(share) => {
                if self.options.method == Method::Robust {
                    let (res, whole) = (self.own[r], share[self.cells[r] as usize]);
                    y += sd * huber_psi(res / sd) / whole - res;
                    w *= whole;
                }
            }
            Rows::Weighted => {
                y += self.shift(r);
                w *= self.step_weight(r);
            }
        }
        row.end(y + known, w);
    }
}
