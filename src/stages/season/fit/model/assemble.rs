//! The linearised model as blocks: a row for every observation of a session, plain or as the pseudo-value whose least
//! squares are the robust fit.

use rayon::prelude::*;

use super::Solver;
use crate::numerics::blocked::Sparse;
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
    /// Per row: shared column of the coefficient, its place and that of the configuration's zero, the zero of the
    /// outing.
    rows: Vec<(usize, usize, usize, Option<usize>)>,
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
    /// Fills the blocks of the linearised model, in the room that they have from the step before. `pseudo`: values whose
    /// plain weighted fit is the robust one.
    pub(super) fn fill(&self, blocks: &mut Vec<Sparse>, pseudo: bool) {
        let unclipped: Vec<f64> = (0..self.between.len()).map(|cell| self.unclipped(cell)).collect();
        let rows = if pseudo { Rows::Pseudo(&unclipped) } else { Rows::Weighted };
        blocks.resize_with(self.rows.len(), Sparse::default);
        blocks.par_iter_mut().enumerate().for_each(|(g, b)| self.fill_block(b, g, rows));
    }

    /// Mean of ψ' of a cell: the share of windows that the robust fit leaves whole.
    fn unclipped(&self, cell: usize) -> f64 {
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
        let rows = &self.rows[g];
        let observation = |i: usize| &self.evidence.observations[i];
        let mut columns: Vec<usize> = rows.iter().map(|i| self.slopes[*i]).collect();
        if self.options.zero == Zero::PerConfiguration {
            columns.extend(rows.iter().map(|i| self.slopes[*i] + self.column.len()));
        }
        columns.extend(rows.iter().flat_map(|i| self.let_in_of(observation(*i)).map(|(c, _)| c)));
        columns.sort_unstable();
        columns.dedup();
        let mut zeros: Vec<(usize, usize)> = match self.options.zero {
            Zero::PerOuting | Zero::StaticSegment => {
                let unknown = rows.iter().map(|i| observation(*i)).filter(|o| !o.zeroed);
                unknown.map(|o| (o.outing, o.quantity)).collect()
            }
            Zero::PerConfiguration => Vec::new(),
        };
        zeros.sort_unstable();
        zeros.dedup();
        let place = |c: usize| columns.binary_search(&c).unwrap_or(0);
        let of_row = |i: &usize| {
            let o = observation(*i);
            let column = self.slopes[*i];
            let zero = zeros.binary_search(&(o.outing, o.quantity)).ok();
            (column, place(column), place(column + self.column.len()), zero)
        };
        let rows = rows.iter().map(of_row).collect();
        Places { zeros: zeros.len(), rows, columns }
    }

    fn fill_block(&self, b: &mut Sparse, g: usize, kind: Rows) {
        let (rows, places) = (&self.rows[g], &self.places[g]);
        let wind = self.estimates_wind() && !rows.is_empty();
        let (winds, gains) = (if wind { 2 } else { 0 }, &self.gains[g]);
        b.clear(&places.columns, places.zeros + gains.len() + winds);
        for (r, i) in rows.iter().enumerate() {
            self.fill_row(b, r, *i, g, kind);
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

    pub(super) fn slope_column(&self, o: &Observation) -> usize {
        self.column.get(&(o.configuration, o.quantity)).copied().unwrap_or(0)
    }

    /// Robust weight of an observation in this step.
    pub(super) fn step_weight(&self, i: usize) -> f64 {
        self.robust[i] * if self.robust[i] < 1.0 { self.curvature } else { 1.0 }
    }

    /// What is put onto an outlying observation so that its score stays the same under a lower curvature.
    pub(super) fn shift(&self, i: usize) -> f64 {
        if self.robust[i] < 1.0 && self.curvature < 1.0 {
            // σψ(r/σ) is what is left of the residual beside the gusts, times its weight.
            self.own[i] * (1.0 / self.curvature - 1.0)
        } else {
            0.0
        }
    }

    fn fill_row(&self, b: &mut Sparse, r: usize, i: usize, g: usize, kind: Rows) {
        let (o, places) = (&self.evidence.observations[i], &self.places[g]);
        let (column, at, zero_at, zero) = places.rows[r];
        let wind = self.wind[g];
        b.shared(at, o.x(wind));
        for (column, value) in self.let_in_of(o).filter(|(_, value)| *value != 0.0) {
            b.shared(b.columns.binary_search(&column).unwrap_or(0), value);
        }
        if self.options.zero == Zero::PerConfiguration {
            b.shared(zero_at, 1.0);
        } else if let Some(k) = zero {
            b.own(k, 1.0);
        }
        let (variance, sd) = (self.variances[i], self.deviations[i]);
        let (mut y, mut w) = (o.y, self.clean[i] / variance);
        match kind {
            // y − r + σψ(r/σ)/mean(ψ') with weight mean(ψ')/σ²: its score is that of the robust fit, and its
            // derivative that of the expected ψ, kind of window by kind of window.
            Rows::Pseudo(share) => {
                if self.options.method == Method::Robust {
                    let (res, whole) = (self.own[i], share[self.cells[i]]);
                    y += sd * huber_psi(res / sd) / whole - res;
                    w *= whole;
                }
            }
            Rows::Weighted => {
                y += self.shift(i);
                w *= self.step_weight(i);
            }
        }
        if let Some(k) = self.gain_place(g, o.quantity) {
            b.own(places.zeros + k, self.reads[i]);
        }
        if self.estimates_wind() {
            let s = self.beta[column] * o.slope(wind);
            let (north, east) = (s * o.heading.0, s * o.heading.1);
            let at = places.zeros + self.gains[g].len();
            b.own(at, north);
            b.own(at + 1, east);
            y += north * wind.0 + east * wind.1;
        }
        b.end(y, w);
    }
}
