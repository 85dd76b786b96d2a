//! Windows in other air than the model knows: behind another car, in a gust, on the wrong side of a shower. There all
//! forces of a window are off by one and the same factor, which no quantity shows clearly by itself and all of them
//! together do. Such a window is taken out of the fit by degrees; Huber's weights, which look at each quantity alone
//! and never let go entirely, would let a season with many wakes read too little of everything.

use std::ops::Range;

use rayon::prelude::*;

use super::Solver;
use crate::numerics::spread::{MEDIAN_ABS, median};

/// The factor of a window, over its standard error as the season's windows scatter, up to which the window counts
/// whole …
const WHOLE: f64 = 4.0;
/// … and from which on it counts for nothing: a three-part weight after Hampel (J. American Statistical Association 69,
/// 1974). Both set by simulation: no window of a usual season suffers, and wakes of a tenth to a third of the air
/// speed leave no bias (study, cases `usual` and `drafting`).
const NOTHING: f64 = 6.5;
/// The same once the gusts of every session are known by itself: what a window stands out from is known better then.
const AMONG_GUSTS: f64 = 2.5;
const BEYOND_GUSTS: f64 = 5.0;
/// What is left of it, so that an outing of wakes alone still has a zero.
const FLOOR: f64 = 1e-4;
/// Share of a window's squared residuals that the factor must explain: where one quantity alone is off, it is the
/// sensor's fault and not the air's.
const EXPLAINED: f64 = 0.5;
/// Groups that are worked on as one.
const FEW_GROUPS: usize = 256;
/// Windows from which their scatter is known.
const FEWEST: usize = 10;

/// What all quantities of some windows say together.
#[derive(Clone, Copy)]
struct Common {
    /// The relative change that they share, in the best weighting, over its standard error under the model.
    t: f64,
    /// Share of the quantities' own such figures, squared, that it explains.
    explained: f64,
}

impl Solver<'_> {
    /// Weighs every window by how well the factor that all its quantities share agrees with one: in the window itself,
    /// and on the whole straight that it lies on, where a wake shows that a slow window alone would hide.
    ///
    /// Once gusts are known a window has to stand out from those of its own session; what was out of the fit before stays
    /// out, or the gusts would grow by the wakes let in.
    pub(super) fn look_for_wakes(&mut self) {
        let mut weights = vec![(1.0, 0.0); self.clean.len()];
        if !self.gusts.variance.is_empty() {
            weights = self.clean.iter().copied().zip(self.falls.iter().copied()).collect();
        }
        self.weigh(&self.order.windows, &mut weights);
        self.weigh(&self.order.straights, &mut weights);
        (self.clean, self.falls) = weights.into_iter().unzip();
    }

    /// Lowers the weights, and what their fall takes, of groups of rows whose common factor is far out.
    fn weigh(&self, groups: &[Range<usize>], weights: &mut [(f64, f64)]) {
        let sums = || vec![(0.0, 0.0); self.quantities];
        let found: Vec<Option<Common>> = groups
            .par_iter()
            .with_min_len(FEW_GROUPS)
            .map_init(sums, |sums, of| self.common(of.clone(), sums))
            .collect();
        let mut sizes: Vec<f64> = found.iter().flatten().map(|c| c.t.abs()).collect();
        if sizes.len() < FEWEST {
            return;
        }
        let (whole, nothing) = if self.gusts.variance.is_empty() || self.gusts.of_all {
            (WHOLE, NOTHING)
        } else {
            (AMONG_GUSTS, BEYOND_GUSTS)
        };
        let scale = median(&mut sizes) / MEDIAN_ABS;
        if scale.is_nan() || scale <= 0.0 {
            return;
        }
        for (of, found) in groups.iter().zip(found) {
            let Some(found) = found.filter(|f| f.explained >= EXPLAINED) else { continue };
            let size = found.t.abs() / scale;
            let weight = ((nothing - size) / (nothing - whole)).clamp(FLOOR, 1.0);
            let falls = if size > whole && size < nothing { size / (nothing - whole) } else { 0.0 };
            for given in weights[of.clone()].iter_mut().filter(|given| weight < given.0) {
                *given = (weight, falls);
            }
        }
    }

    /// `None` with less than two quantities. `sums`: room for as many figures as there are quantities.
    fn common(&self, of: Range<usize>, sums: &mut [(f64, f64)]) -> Option<Common> {
        sums.fill((0.0, 0.0));
        let mut gust = 0.0;
        let session = (of.start < self.order.len()).then(|| self.order.session(of.start))?;
        let wind = self.wind[session];
        for i in of {
            let (r, variance) = (self.residual[i], self.variance(i));
            let force = self.beta[self.slope(i)] * self.observation(i).x(wind);
            let sum = sums.get_mut(self.order.quantity(i))?;
            sum.0 += force * r / variance;
            sum.1 += force * force / variance;
            gust += force * self.gusts.levers[i] / variance;
        }
        let told = || sums.iter().filter(|s| s.1 > 0.0);
        if told().count() < 2 {
            return None;
        }
        let (cross, signal) = told().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
        let each: f64 = told().map(|s| s.0 * s.0 / s.1).sum();
        let gusts = self.gusts.variance.get(session).copied().unwrap_or(0.0);
        let t = cross / (signal + gusts * gust * gust).sqrt();
        (t.is_finite() && each > 0.0).then(|| Common { t, explained: cross * cross / signal / each })
    }
}
