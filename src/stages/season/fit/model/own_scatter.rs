//! What every quantity scatters for itself, beside the gusts that it shares with the others.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::{FEWEST_OF_A_KIND, MANY, Solver};
use crate::numerics::spread::{MEDIAN_ABS, median};
use crate::stages::season::fit::Method;

/// A quantity tells its own scatter beside the gusts unless it has nearly all the say on them.
const OWN_SHARE: f64 = 0.05;
/// Variance over that of the best pair of quantities from which a quantity tells nothing of the air.
const DEAF: f64 = 25.0;

impl Solver<'_> {
    /// Residuals less what the gusts of their windows explain, as large as they would be had they not had a say in that:
    /// the scatter that a quantity has for itself.
    pub(super) fn own_scatter(&self) -> Vec<f64> {
        let headwinds = if self.gusts.variance.is_empty() { Vec::new() } else { self.headwinds() };
        let of = |(i, residual): (usize, &f64)| {
            let Some(h) = headwinds.get(self.order.window(i)) else { return *residual };
            let lever = self.gusts.levers[i];
            let left = 1.0 - lever * lever * self.robust[i] / self.variance(i) * h.variance;
            if h.quantities < 2 || left < OWN_SHARE { self.own[i] } else { (residual - lever * h.value) / left.sqrt() }
        };
        self.residual.par_iter().enumerate().with_min_len(MANY).map(of).collect()
    }

    /// Per cell the variance that its quantity has for itself, as headwind, (m/s)²: differences of two quantities' headwinds
    /// are free of gusts, and three pairs of three quantities tell the three apart (Grubbs, J. American Statistical
    /// Association 43, 1948; from memory). `None` where there are less than three or too few windows.
    pub(super) fn apart(&self) -> Vec<Option<f64>> {
        let mut out = vec![None; self.between.len()];
        if self.gusts.variance.is_empty() {
            return out;
        }
        let headwinds = self.told();
        let classes: Vec<Vec<(usize, f64)>> =
            (0..self.kinds).into_par_iter().map(|class| self.told_apart(&headwinds[class])).collect();
        for (class, told) in classes.into_iter().enumerate() {
            for (q, variance) in told {
                out[q * self.kinds + class] = Some(variance);
            }
        }
        out
    }

    /// The headwind that every quantity tells for itself, per kind and class of window: a row of as many as there are
    /// quantities for every window with at least three of them; NaN where one tells none.
    fn told(&self) -> Vec<Vec<f64>> {
        let mut out = vec![Vec::new(); self.kinds];
        for rows in &self.order.windows {
            let told: &mut Vec<f64> = &mut out[self.cells[rows.start] as usize % self.kinds];
            let start = told.len();
            told.resize(start + self.quantities, f64::NAN);
            let mut count = 0;
            for r in rows.clone().filter(|r| self.gusts.levers[*r] != 0.0 && self.clean[*r] > 0.5) {
                told[start + self.order.quantity(r)] = self.residual[r] / self.gusts.levers[r];
                count += 1;
            }
            if count < 3 {
                told.truncate(start);
            }
        }
        out
    }

    /// The quantities of some windows that can be told apart, with the variance that each has for itself.
    fn told_apart(&self, headwinds: &[f64]) -> Vec<(usize, f64)> {
        let mut pairs: BTreeMap<(usize, usize), f64> = BTreeMap::new();
        for a in 0..self.quantities {
            for b in a + 1..self.quantities {
                let windows = headwinds.chunks_exact(self.quantities);
                let both = windows.map(|told| told[a] - told[b]).filter(|d| !d.is_nan()).collect();
                if let Some(variance) = self.scatter(both, (self.share[a] * self.share[b]).sqrt()) {
                    pairs.insert((a, b), variance);
                }
            }
        }
        let best = |q: usize| {
            let of_q = pairs.iter().filter(|((a, b), _)| *a == q || *b == q);
            of_q.map(|(_, v)| *v).fold(f64::INFINITY, f64::min)
        };
        let least = pairs.values().copied().fold(f64::INFINITY, f64::min);
        // A quantity that hardly feels the air would drown the others' differences in its own; one that tells nothing
        // has no pair.
        let kept: Vec<usize> =
            (0..self.quantities).filter(|q| best(*q) <= DEAF * least && best(*q).is_finite()).collect();
        let pair = |a: usize, b: usize| pairs.get(&(a.min(b), a.max(b))).copied();
        let n = kept.len() as f64;
        let sums: Option<Vec<f64>> =
            kept.iter().map(|a| kept.iter().filter(|b| *b != a).map(|b| pair(*a, *b)).sum()).collect();
        let Some(sums) = sums.filter(|_| n > 2.0) else { return Vec::new() };
        let all = sums.iter().sum::<f64>() / (2.0 * (n - 1.0));
        kept.into_iter().zip(sums).map(|(q, sum)| (q, ((sum - all) / (n - 2.0)).max(0.0))).collect()
    }

    /// Variance of values about zero, by their median size where the fit is robust; `None` for a few.
    fn scatter(&self, mut values: Vec<f64>, share: f64) -> Option<f64> {
        let n = values.len();
        if n < FEWEST_OF_A_KIND {
            return None;
        }
        if self.options.method == Method::Robust {
            values.iter_mut().for_each(|v| *v = v.abs());
            Some((median(&mut values) / MEDIAN_ABS).powi(2) / share)
        } else {
            Some(values.iter().map(|v| v * v).sum::<f64>() / n as f64 / share)
        }
    }
}
