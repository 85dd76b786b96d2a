//! Do the parts simply add? The coefficients of every configuration by themselves against those that the parts
//! give: with more configurations than terms there are combinations of them that must be zero if parts add.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

use super::model::PartsFit;
use super::terms::Combination;
use crate::numerics::blocked::wald::{Wald, WaldError};
use crate::stages::season::fit::SeasonFit;

/// Why additivity can't be tested.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoTest {
    /// The quantity has no coefficients.
    #[error("not fitted")]
    NotFitted,
    /// As many unknowns as configurations.
    #[error(
        "{configurations} configurations of more than one session give {unknowns} unknowns: none is left to hold the sum against; run two parts together as well as apart"
    )]
    NoneToSpare { configurations: usize, unknowns: usize },
    /// Too few sessions.
    #[error("too few sessions: {0}")]
    Sessions(#[from] WaldError),
}

/// Tests that a named quantity (no ratio) of the configurations is the sum of its parts.
///
/// # Errors
/// See [`NoTest`].
pub fn additivity(season: &SeasonFit, parts: &PartsFit, name: &str) -> Result<Wald, NoTest> {
    let fit = season.model.fit.as_ref().ok_or(NoTest::NotFitted)?;
    // A configuration that one session alone has seen shows nothing of its scatter between sessions.
    let alone = |gradient: &DVector<f64>| {
        gradient.iter().enumerate().any(|(i, g)| *g != 0.0 && season.lone.get(i).is_none_or(Option::is_some))
    };
    let mut gradients: Vec<DVector<f64>> = Vec::new();
    let mut rows: Vec<DVector<f64>> = Vec::new();
    for (k, configuration) in parts.configurations.iter().enumerate() {
        let Some(row) = parts.terms.row(&Combination::of(configuration)) else { continue };
        if let Some((derived, _)) = season.named(k, name).filter(|(d, _)| !alone(&d.gradient)) {
            gradients.push(derived.gradient);
            rows.push(row);
        }
    }
    if gradients.is_empty() {
        return Err(NoTest::NotFitted);
    }
    let (n, terms) = (rows.len(), parts.terms.terms.len());
    let design = DMatrix::from_fn(n, terms, |i, j| rows[i][j]);
    let spare = left_null_space(&design);
    if spare.ncols() == 0 {
        return Err(NoTest::NoneToSpare { configurations: n, unknowns: n });
    }
    let contrasts = DMatrix::from_fn(fit.beta.len(), spare.ncols(), |i, s| {
        gradients.iter().enumerate().map(|(k, g)| g[i] * spare[(k, s)]).sum()
    });
    Ok(fit.wald(&contrasts)?)
}

/// Orthonormal combinations of the rows that are zero in every column.
fn left_null_space(x: &DMatrix<f64>) -> DMatrix<f64> {
    if x.nrows() == 0 {
        return DMatrix::zeros(0, 0);
    }
    // Entries are zeros, ones and a few wing steps: the products of the columns lose no digits that count.
    let scaled = DMatrix::from_fn(x.nrows(), x.ncols(), |i, j| {
        let norm = x.column(j).norm();
        if norm > 0.0 { x[(i, j)] / norm } else { 0.0 }
    });
    let eigen = SymmetricEigen::new(&scaled * scaled.transpose());
    let free: Vec<usize> = (0..x.nrows()).filter(|i| eigen.eigenvalues[*i] < 1e-10).collect();
    eigen.eigenvectors.select_columns(&free)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_over() {
        // base, a, b, a+b: one combination, (1, −1, −1, 1)/2.
        let x = DMatrix::from_row_slice(4, 3, &[1., 0., 0., 1., 1., 0., 1., 0., 1., 1., 1., 1.]);
        let spare = left_null_space(&x);
        assert_eq!(spare.ncols(), 1);
        let sign = spare[(0, 0)].signum();
        for (i, expected) in [0.5, -0.5, -0.5, 0.5].into_iter().enumerate() {
            assert!((spare[(i, 0)] * sign - expected).abs() < 1e-12);
        }
        assert_eq!(left_null_space(&DMatrix::identity(3, 3)).ncols(), 0);
    }
}
