//! Did the square law hold? A term in the square of effective v², configuration by configuration.

use nalgebra::{DMatrix, DVector};

use super::SeasonFit;
use crate::numerics::blocked::{self, Block, Pooled};
use crate::numerics::distributions::t_p_value;

/// What the added term says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SquareLaw {
    /// p-value of the term.
    pub p_value: f64,
    /// Slope d(value)/d(effective v²) at the reference speed with the term let in.
    pub local_coefficient: f64,
}

/// The measured value of an observation less what the regressors that were let in took of it.
fn cleared(season: &SeasonFit, i: usize) -> f64 {
    let Some(o) = season.evidence.observations.get(i) else { return f64::NAN };
    let Some(fit) = &season.model.fit else { return o.y };
    let taken = season.model.let_in.iter().filter(|((_, q), _)| *q == o.quantity);
    o.y - taken.map(|((regressor, _), column)| fit.beta[*column] * o.regressors[regressor.index()]).sum::<f64>()
}

/// Fits value = zero + c·x + d·x² to one configuration and quantity; `None` where the speeds can't tell.
pub fn square_law(season: &SeasonFit, configuration: usize, quantity: usize) -> Option<SquareLaw> {
    let model = &season.model;
    let scale = season.speed * season.speed;
    let mut blocks = Vec::new();
    for rows in &model.rows {
        let of_pair: Vec<usize> = rows
            .iter()
            .copied()
            .filter(|i| {
                let o = &season.evidence.observations[*i];
                o.configuration == configuration && o.quantity == quantity
            })
            .collect();
        if of_pair.is_empty() {
            continue;
        }
        let mut outings: Vec<usize> = of_pair.iter().map(|i| season.evidence.observations[*i].outing).collect();
        outings.sort_unstable();
        outings.dedup();
        let n = of_pair.len();
        let x = |r: usize| model.x[of_pair[r]] / scale;
        blocks.push(Block {
            columns: vec![0, 1],
            x: DMatrix::from_fn(n, 2, |r, c| x(r).powi(c as i32 + 1)),
            nuisance: DMatrix::from_fn(n, outings.len(), |r, c| {
                f64::from(u8::from(season.evidence.observations[of_pair[r]].outing == outings[c]))
            }),
            y: DVector::from_iterator(n, of_pair.iter().map(|i| cleared(season, *i))),
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
        let left: usize = blocks.iter().map(|b| b.y.len().saturating_sub(b.nuisance.ncols() + 2)).sum();
        (within[(1, 1)], left as f64)
    };
    let p_value = t_p_value(fit.beta[1] / variance.sqrt(), dof.max(1.0)).ok()?;
    Some(SquareLaw { p_value, local_coefficient: (fit.beta[0] + 2.0 * fit.beta[1]) / scale })
}
