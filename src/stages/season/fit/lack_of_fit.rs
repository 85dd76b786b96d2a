//! Did the square law hold? A term in the square of effective v², configuration by configuration.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::evidence::Evidence;
use super::model::{Model, Pair};
use crate::numerics::blocked::{self, Block, Pooled};
use crate::numerics::distributions::t_p_value;

/// Effective v², m²/s², that the regressor is scaled by: 160 km/h. Any other would do; terms about one in size solve best.
const SCALE: f64 = 2000.0;

/// Fit of one configuration and quantity with a term in the square of effective v²: zero + c·x + d·x², x over a fixed scale.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bend {
    /// p-value of d.
    pub p_value: f64,
    linear: f64,
    square: f64,
}

impl Bend {
    /// Slope d(value)/d(effective v²) at an effective v², m²/s².
    pub fn slope(&self, v2: f64) -> f64 {
        (self.linear + 2.0 * self.square * v2 / SCALE) / SCALE
    }
}

/// The measured value of an observation less what the regressors that were let in took of it.
fn cleared(evidence: &Evidence, model: &Model, i: usize) -> f64 {
    let Some(o) = evidence.observations.get(i) else { return f64::NAN };
    let Some(fit) = &model.fit else { return o.y };
    let taken = model.let_in.iter().filter(|((_, q), _)| *q == o.quantity);
    o.y - taken.map(|((regressor, _), column)| fit.beta[*column] * o.regressors[regressor.index()]).sum::<f64>()
}

/// Of every configuration and quantity whose speeds can tell.
pub(super) fn bends(evidence: &Evidence, model: &Model) -> BTreeMap<Pair, Bend> {
    // Per pair the observations of every session that has some.
    let mut of_pairs: BTreeMap<Pair, Vec<(usize, Vec<usize>)>> = BTreeMap::new();
    for (g, i) in model.rows.iter().enumerate().flat_map(|(g, rows)| rows.iter().map(move |i| (g, *i))) {
        let o = &evidence.observations[i];
        let of_pair = of_pairs.entry((o.configuration, o.quantity)).or_default();
        match of_pair.last_mut() {
            Some((last, rows)) if *last == g => rows.push(i),
            _ => of_pair.push((g, vec![i])),
        }
    }
    of_pairs.into_par_iter().filter_map(|(pair, sessions)| Some((pair, bend(evidence, model, &sessions)?))).collect()
}

fn bend(evidence: &Evidence, model: &Model, sessions: &[(usize, Vec<usize>)]) -> Option<Bend> {
    let mut blocks = Vec::new();
    for (_, of_pair) in sessions {
        let mut outings: Vec<usize> = of_pair.iter().map(|i| evidence.observations[*i].outing).collect();
        outings.sort_unstable();
        outings.dedup();
        let n = of_pair.len();
        let x = |r: usize| model.x[of_pair[r]] / SCALE;
        blocks.push(Block {
            columns: vec![0, 1],
            x: DMatrix::from_fn(n, 2, |r, c| x(r).powi(c as i32 + 1)),
            nuisance: DMatrix::from_fn(n, outings.len(), |r, c| {
                f64::from(u8::from(evidence.observations[of_pair[r]].outing == outings[c]))
            }),
            y: DVector::from_iterator(n, of_pair.iter().map(|i| cleared(evidence, model, *i))),
            w: DVector::from_iterator(n, of_pair.iter().map(|i| model.weight[*i])),
            together: Vec::new(),
        });
    }
    let fit = blocked::fit(&blocks, 2).ok()?;
    let term = DVector::from_vec(vec![0.0, 1.0]);
    let rows: Vec<Vec<usize>> = blocks.iter().map(|b| (0..b.y.len()).collect()).collect();
    let within = fit.grouped_covariance(&rows);
    let (variance, dof) = if blocks.len() > 1 {
        // A factor of the whole session bends no curve.
        let pooled = Pooled { common: DMatrix::zeros(2, 2), within, dof: f64::INFINITY };
        fit.spread(&term, &pooled)
    } else {
        // What the windows of one straight met they met together, and no other session shows it.
        let straight = |i: &usize| evidence.straights.get(evidence.observations[*i].window).copied();
        let (_, of_pair) = sessions.first()?;
        let mut seen = BTreeMap::new();
        let groups: Vec<usize> = of_pair
            .iter()
            .enumerate()
            .map(|(r, i)| {
                let next = seen.len();
                *seen.entry((straight(i), straight(i).map_or(r, |_| 0))).or_insert(next)
            })
            .collect();
        let left = seen.len().checked_sub(blocks.first()?.nuisance.ncols() + 2).filter(|left| *left > 0)?;
        (fit.grouped_covariance(&[groups])[(1, 1)], left as f64)
    };
    let p_value = t_p_value(fit.beta[1] / variance.sqrt(), dof.max(1.0)).ok()?;
    Some(Bend { p_value, linear: fit.beta[0], square: fit.beta[1] })
}
