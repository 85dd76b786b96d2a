//! The linearised model as blocks: a row for every observation of a session, plain or as the pseudo-value whose least
//! squares are the robust fit.

use std::ops::Range;

use super::Solver;
use crate::numerics::blocked::{Block, Sparse};
use crate::numerics::spread::huber_psi;
use crate::stages::season::fit::evidence::Observation;
use crate::stages::season::fit::{Method, Zero};

/// Where the values of a session's rows go; the same in every step.
#[derive(Clone, Debug, Default)]
pub(super) struct Places {
    /// Shared columns that are not zero in the block.
    columns: Vec<usize>,
    /// Zeros of outings, or none.
    pub(super) zeros: usize,
    rows: Vec<Place>,
    /// Places and values of the regressors that were let in, row after row.
    let_in: Vec<(u32, f64)>,
}

/// Where the values of one row go. A large season has hundreds of thousands of them, so that they are kept small.
#[derive(Clone, Debug)]
struct Place {
    /// Place of the coefficient.
    slope: u32,
    zero: ZeroAt,
    gain: Option<u32>,
    /// In [`Places::let_in`].
    let_in: Range<u32>,
}

/// The zero of a row.
#[derive(Clone, Copy, Debug)]
enum ZeroAt {
    /// Shared, one per configuration.
    Shared(u32),
    /// The block's own, one per outing.
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

    /// The shared columns of a session's block.
    pub(super) fn columns_of(&self, g: usize) -> &[usize] {
        &self.places[g].columns
    }

    /// Per cell the mean of ψ': the share of windows that the robust fit leaves whole.
    pub(super) fn unclipped(&self) -> Vec<f64> {
        (0..self.between.len()).map(|cell| self.unclipped_of(cell)).collect()
    }

    fn unclipped_of(&self, cell: usize) -> f64 {
        let of_cell = &self.by_cell[cell];
        let n: f64 = of_cell.iter().map(|i| self.clean[*i]).sum();
        let slope = |i: &usize| if self.robust[*i] >= 1.0 { self.clean[*i] - self.falls[*i] } else { 0.0 };
        let mean = of_cell.iter().map(slope).sum::<f64>() / n.max(f64::MIN_POSITIVE);
        let mean = mean.clamp(0.2, 1.0);
        // Huber's correction for few windows per unknown.
        let used = 1.0 - self.share[cell / self.kinds];
        let spread = mean * (1.0 - mean);
        mean / (1.0 + used * spread / (mean * mean))
    }

    pub(super) fn places_of(&self, g: usize) -> Places {
        let rows = self.order.sessions[g].clone();
        let shared_zeros = self.options.zero == Zero::PerConfiguration;
        let zero_column = |r: usize| self.slopes[r] + self.column.len();
        let mut columns: Vec<usize> = self.slopes[rows.clone()].to_vec();
        if shared_zeros {
            columns.extend(rows.clone().map(zero_column));
        }
        columns.extend(rows.clone().flat_map(|r| self.let_in_of(self.observation(r)).map(|(c, _)| c)));
        columns.sort_unstable();
        columns.dedup();
        let unknown = rows.clone().map(|r| self.observation(r)).filter(|o| !o.zeroed && !shared_zeros);
        let mut zeros: Vec<(usize, usize)> = unknown.map(|o| (o.outing, o.quantity)).collect();
        zeros.sort_unstable();
        zeros.dedup();
        let place = |c: usize| columns.binary_search(&c).unwrap_or(0) as u32;
        let mut let_in = Vec::new();
        let of_row = |r: usize| {
            let (o, first) = (self.observation(r), let_in.len() as u32);
            let_in.extend(self.let_in_of(o).filter(|(_, value)| *value != 0.0).map(|(c, value)| (place(c), value)));
            let zero = match zeros.binary_search(&(o.outing, o.quantity)) {
                _ if shared_zeros => ZeroAt::Shared(place(zero_column(r))),
                Ok(k) => ZeroAt::Own(k as u32),
                Err(_) => ZeroAt::Known,
            };
            let gain = self.gains[g].iter().position(|gain| gain.quantity == o.quantity).map(|k| k as u32);
            Place { slope: place(self.slopes[r]), zero, gain, let_in: first..let_in.len() as u32 }
        };
        let rows = rows.map(of_row).collect();
        Places { zeros: zeros.len(), rows, let_in, columns }
    }

    /// Fills a session's block of the linearised model.
    pub(super) fn fill_block(&self, b: &mut Sparse, g: usize, kind: Rows) {
        let (rows, places) = (self.order.sessions[g].clone(), &self.places[g]);
        let wind = self.estimates_wind() && !rows.is_empty();
        let (winds, gains) = (if wind { 2 } else { 0 }, &self.gains[g]);
        b.clear(&places.columns, places.zeros + gains.len() + winds);
        for (place, r) in places.rows.iter().zip(rows) {
            self.fill_row(b, place, r, g, kind);
        }
        if wind {
            let ((north, east), sd) = self.prior[g];
            for (k, value) in [north, east].into_iter().enumerate() {
                b.own(places.zeros + gains.len() + k, 1.0);
                b.end(value, 1.0 / (sd * sd));
            }
        }
        // Last, so that whoever sums rows by window leaves them out: they are no scatter of windows.
        for (k, gain) in gains.iter().enumerate() {
            b.own(places.zeros + k, 1.0);
            b.end(0.0, 1.0 / gain.prior);
        }
        b.together = self.gusts.together.get(g).cloned().unwrap_or_default();
    }

    /// Columns and values of the regressors that were let in, for one observation.
    fn let_in_of(&self, o: &Observation) -> impl Iterator<Item = (usize, f64)> {
        let (q, a) = (o.quantity, o.regressors);
        self.let_in.iter().filter(move |((_, of), _)| *of == q).map(move |((r, _), c)| (*c, a[r.index()]))
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

    fn fill_row(&self, b: &mut Sparse, place: &Place, r: usize, g: usize, kind: Rows) {
        let (places, wind, air) = (&self.places[g], self.wind[g], &self.order.air[r]);
        if let ZeroAt::Own(at) = place.zero {
            b.own(at as usize, 1.0);
        }
        if let Some(k) = place.gain {
            b.own(places.zeros + k as usize, self.reads[r]);
        }
        let mut known = 0.0;
        if self.estimates_wind() {
            let s = self.beta[self.slopes[r]] * air.slope(wind);
            let (north, east) = (s * air.heading.0, s * air.heading.1);
            let at = places.zeros + self.gains[g].len();
            b.own(at, north);
            b.own(at + 1, east);
            known = north * wind.0 + east * wind.1;
        }
        b.shared(place.slope as usize, air.x(wind));
        if let ZeroAt::Shared(at) = place.zero {
            b.shared(at as usize, 1.0);
        }
        for (at, value) in &places.let_in[place.let_in.start as usize..place.let_in.end as usize] {
            b.shared(*at as usize, *value);
        }
        let (variance, sd) = (self.variances[r], self.deviations[r]);
        let (mut y, mut w) = (self.order.y[r], self.clean[r] / variance);
        match kind {
            // y − r + σψ(r/σ)/mean(ψ') with weight mean(ψ')/σ²: its score is that of the robust fit, and its
            // derivative that of the expected ψ, kind of window by kind of window.
            Rows::Pseudo(share) => {
                if self.options.method == Method::Robust {
                    let (res, whole) = (self.own[r], share[self.cells[r]]);
                    y += sd * huber_psi(res / sd) / whole - res;
                    w *= whole;
                }
            }
            Rows::Weighted => {
                y += self.shift(r);
                w *= self.step_weight(r);
            }
        }
        b.end(y + known, w);
    }
}
