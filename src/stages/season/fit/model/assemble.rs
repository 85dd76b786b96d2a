//! The linearised model as blocks: a row for every observation of a session, plain or as the pseudo-value whose least
//! squares are the robust fit.

use nalgebra::{DMatrix, DVector};

use super::Solver;
use crate::numerics::blocked::Block;
use crate::numerics::spread::huber_psi;
use crate::stages::season::fit::evidence::Observation;
use crate::stages::season::fit::{Method, Zero};

impl Solver<'_> {
    /// The blocks of the linearised model. `pseudo`: values whose plain weighted fit is the robust one.
    pub(super) fn blocks(&self, pseudo: bool) -> Vec<Block> {
        let unclipped: Vec<f64> = (0..self.between.len()).map(|cell| self.unclipped(cell)).collect();
        (0..self.rows.len()).map(|g| self.block(g, pseudo, &unclipped)).collect()
    }

    /// Mean of ψ' of a cell: the share of windows that the robust fit leaves whole.
    fn unclipped(&self, cell: usize) -> f64 {
        let whole = self.of_cell(cell).filter(|i| self.robust[*i] >= 1.0).count() as f64;
        (whole / (self.of_cell(cell).count() as f64).max(1.0)).max(0.2)
    }

    fn block(&self, g: usize, pseudo: bool, unclipped: &[f64]) -> Block {
        let rows = &self.rows[g];
        let observation = |i: usize| &self.evidence.observations[i];
        let mut columns: Vec<usize> = rows.iter().map(|i| self.slope_column(observation(*i))).collect();
        if self.options.zero == Zero::PerConfiguration {
            columns.extend(rows.iter().map(|i| self.slope_column(observation(*i)) + self.column.len()));
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
        let wind = self.estimates_wind() && !rows.is_empty();
        let (extra, m) = if wind { (2, zeros.len() + 2) } else { (0, zeros.len()) };
        let n = rows.len() + extra;
        let mut b = Block {
            x: DMatrix::zeros(n, columns.len()),
            nuisance: DMatrix::zeros(n, m),
            y: DVector::zeros(n),
            w: DVector::zeros(n),
            columns,
        };
        for (r, i) in rows.iter().enumerate() {
            self.fill_row(&mut b, r, *i, g, &zeros, pseudo.then_some(unclipped));
        }
        if wind {
            let ((north, east), sd) = self.prior[g];
            for (k, value) in [north, east].into_iter().enumerate() {
                b.nuisance[(rows.len() + k, zeros.len() + k)] = 1.0;
                b.y[rows.len() + k] = value;
                b.w[rows.len() + k] = 1.0 / (sd * sd);
            }
        }
        b
    }

    /// Columns and values of the regressors that were let in, for one observation.
    fn let_in_of(&self, o: &Observation) -> impl Iterator<Item = (usize, f64)> {
        let (q, a) = (o.quantity, o.accelerations);
        self.let_in.iter().filter(move |((_, of), _)| *of == q).map(move |((r, _), c)| (*c, a[r.index()]))
    }

    pub(super) fn slope_column(&self, o: &Observation) -> usize {
        self.column.get(&(o.configuration, o.quantity)).copied().unwrap_or(0)
    }

    fn fill_row(
        &self,
        b: &mut Block,
        r: usize,
        i: usize,
        g: usize,
        zeros: &[(usize, usize)],
        unclipped: Option<&[f64]>,
    ) {
        let o = &self.evidence.observations[i];
        let (column, wind) = (self.slope_column(o), self.wind[g]);
        let place = |c: usize| b.columns.binary_search(&c).unwrap_or(0);
        let (at, zero_at) = (place(column), place(column + self.column.len()));
        b.x[(r, at)] = o.x(wind);
        for (column, value) in self.let_in_of(o) {
            b.x[(r, place(column))] = value;
        }
        match self.options.zero {
            Zero::PerConfiguration => b.x[(r, zero_at)] = 1.0,
            Zero::PerOuting | Zero::StaticSegment => {
                if let Ok(k) = zeros.binary_search(&(o.outing, o.quantity)) {
                    b.nuisance[(r, k)] = 1.0;
                }
            }
        }
        let variance = self.variance(o);
        let mut y = o.y;
        let mut w = 1.0 / variance;
        match unclipped {
            // y − r + σψ(r/σ)/mean(ψ') with weight mean(ψ')/σ²: its score is that of the robust fit, and its
            // derivative that of the expected ψ, kind of window by kind of window.
            Some(share) => {
                if self.options.method == Method::Robust {
                    let (res, sd, whole) = (self.residual[i], variance.sqrt(), share[self.cell(o)]);
                    y += sd * huber_psi(res / sd) / whole - res;
                    w *= whole;
                }
            }
            None => w *= self.robust[i],
        }
        if self.estimates_wind() {
            let s = self.beta[column] * o.slope(wind);
            let (north, east) = (s * o.heading.0, s * o.heading.1);
            let k = zeros.len();
            b.nuisance[(r, k)] = north;
            b.nuisance[(r, k + 1)] = east;
            y += north * wind.0 + east * wind.1;
        }
        b.y[r] = y;
        b.w[r] = w;
    }
}
