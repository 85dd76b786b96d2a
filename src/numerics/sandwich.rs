//! Cluster-robust covariances of a least-squares fit, and the degrees of freedom that go with them.
//!
//! Written in the coordinates of the orthonormal basis `Q` of √W·X. With `Q_g` the rows of cluster g and
//! `G_g = Q_gᵀQ_g` (p × p), every correction needs only `G_g`, however long the cluster is, because
//! `Q_gᵀ (I − Q_gQ_gᵀ)^k = (I − G_g)^k Q_gᵀ`. So the score of a cluster is `(I − G_g)^k · Q_gᵀ ẽ_g` with the weighted
//! residuals ẽ, and k = 0 (CR1), −1/2 (CR2), −1 (CR3). Directions in which a cluster has leverage one (an intercept
//! of its own) have no residual; the power is a pseudo-inverse there.
//!
//! Sources: R. Bell, D. McCaffrey, Survey Methodology 28 (2002) 169-181; J. Pustejovsky, E. Tipton, J. Business &
//! Economic Statistics 36 (2018) 672-683; J. MacKinnon, H. White, J. Econometrics 29 (1985) 305-325 (HC1 to HC3). The
//! working model is: rows independent, variance 1/weight. Where weights differ inside a cluster this CR2 is that of
//! the whitened problem; it fulfils the same condition (the expected covariance is exact under the working model) as
//! the form of Pustejovsky and Tipton and equals it when weights are constant inside each cluster.

use nalgebra::{DMatrix, DVector};

use super::least_squares::LeastSquares;

/// Leverage closer to one than this counts as one: the cluster alone determines that direction.
const FULL_LEVERAGE: f64 = 1e-10;

/// Iterations of the eigenvalue decomposition per column before it is given up.
const EIGEN_ITERATIONS_PER_COLUMN: usize = 200;

/// How residuals are corrected for what the fit took from them. With every row its own cluster these are HC1, HC2
/// and HC3.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Correction {
    /// No correction of residuals; the factor G/(G−1)·(n−1)/(n−p) of Stata. Too small with few clusters.
    Cr1,
    /// Exact under the working model: the default where there are several clusters.
    Cr2,
    /// Residuals of a fit without the cluster (leave one out). On the safe side. Without a factor: the delete-one-cluster
    /// jackknife about the full fit is (G−1)/G times this.
    Cr3,
}

impl Correction {
    /// The power k of I − G_g.
    fn power(self) -> f64 {
        match self {
            Self::Cr1 => 0.0,
            Self::Cr2 => -0.5,
            Self::Cr3 => -1.0,
        }
    }
}

/// A cluster-robust covariance, with the evidence for it.
#[derive(Clone, Debug)]
pub struct Sandwich {
    /// Covariance of the coefficients.
    pub covariance: DMatrix<f64>,
    /// The correction used.
    pub correction: Correction,
    /// Number of clusters with a row of positive weight.
    pub clusters: usize,
    /// Clusters that alone determine some direction: they say nothing about its scatter.
    pub saturated: usize,
    /// Per cluster, in the order of their ids.
    parts: Vec<Part>,
    r_inverse: DMatrix<f64>,
}

/// One cluster's part, from the eigenvectors V and eigenvalues t of G_g.
#[derive(Clone, Debug)]
struct Part {
    /// (I − G_g)^k.
    adjustment: DMatrix<f64>,
    /// G_g (I − G_g)^k.
    reach: DMatrix<f64>,
    /// (I − G_g)^k (G_g − G_g²) (I − G_g)^k, formed from the eigenvalues: G_g − G_g² as a difference has no digits
    /// left where the leverage is near one.
    own: DMatrix<f64>,
    saturated: bool,
}

/// Why there is no cluster-robust covariance, or no degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SandwichError {
    /// Not one cluster id per row.
    #[error("{given} cluster ids for {rows} rows")]
    Lengths { rows: usize, given: usize },
    /// Scatter between clusters can't be seen.
    #[error("{clusters} cluster; scatter between clusters needs at least two")]
    TooFewClusters { clusters: usize },
    /// The decomposition did not settle.
    #[error("the leverage of cluster {cluster} could not be decomposed")]
    NoConvergence { cluster: usize },
    /// A contrast that is not finite, all zero, or not one entry per coefficient.
    #[error("the contrast is not one finite number per coefficient, some not zero")]
    BadContrast,
    /// No cluster has a residual in the direction of the contrast.
    #[error("every cluster alone determines this contrast or takes no part in it; its scatter can't be seen")]
    NoEvidence,
}

/// The cluster-robust covariance of `fit`. `clusters` holds one id per row, any numbers. Rows that are their own
/// cluster each give HC1, HC2 or HC3: see [`each_row`].
///
/// # Errors
/// Ids that don't match the rows, fewer than two clusters, a decomposition that does not converge.
pub fn sandwich(fit: &LeastSquares, clusters: &[usize], correction: Correction) -> Result<Sandwich, SandwichError> {
    let rows = fit.residuals.len();
    if clusters.len() != rows {
        return Err(SandwichError::Lengths { rows, given: clusters.len() });
    }
    let members = members(fit, clusters);
    let count = members.len();
    if count < 2 {
        return Err(SandwichError::TooFewClusters { clusters: count });
    }
    let residuals = fit.weighted_residuals();
    let mut meat = DMatrix::zeros(fit.rank, fit.rank);
    let mut parts = Vec::with_capacity(count);
    for (cluster, rows) in &members {
        let q = fit.q.select_rows(rows);
        let part = part(&q, correction).ok_or(SandwichError::NoConvergence { cluster: *cluster })?;
        let score = &part.adjustment * q.tr_mul(&residuals.select_rows(rows));
        meat += &score * score.transpose();
        parts.push(part);
    }
    if correction == Correction::Cr1 {
        let (g, n) = (count as f64, (fit.dof + fit.rank) as f64);
        meat *= g / (g - 1.0) * (n - 1.0) / fit.dof as f64;
    }
    let covariance = &fit.r_inverse * meat * fit.r_inverse.transpose();
    let saturated = parts.iter().filter(|p| p.saturated).count();
    Ok(Sandwich { covariance, correction, clusters: count, saturated, parts, r_inverse: fit.r_inverse.clone() })
}

/// Cluster ids that make every row its own cluster.
pub fn each_row(rows: usize) -> Vec<usize> {
    (0..rows).collect()
}

/// Rows of positive weight by cluster, in the order of the ids. Rows without weight are no evidence.
fn members(fit: &LeastSquares, clusters: &[usize]) -> Vec<(usize, Vec<usize>)> {
    let mut order: Vec<usize> = (0..clusters.len()).filter(|&i| fit.weights[i] > 0.0).collect();
    order.sort_by_key(|&i| (clusters[i], i));
    order
        .chunk_by(|&a, &b| clusters[a] == clusters[b])
        .filter_map(|chunk| chunk.first().map(|&first| (clusters[first], chunk.to_vec())))
        .collect()
}

fn part(q: &DMatrix<f64>, correction: Correction) -> Option<Part> {
    let eigen = q.tr_mul(q).try_symmetric_eigen(f64::EPSILON, EIGEN_ITERATIONS_PER_COLUMN * q.ncols())?;
    let leverage = eigen.eigenvalues.map(|t| t.clamp(0.0, 1.0));
    let saturated = leverage.iter().any(|t| 1.0 - t < FULL_LEVERAGE);
    let exponent = correction.power();
    let power = |t: f64| match 1.0 - t {
        _ if exponent == 0.0 => 1.0,
        left if left < FULL_LEVERAGE => 0.0,
        left => left.powf(exponent),
    };
    let with = |f: &dyn Fn(f64) -> f64| {
        &eigen.eigenvectors * DMatrix::from_diagonal(&leverage.map(f)) * eigen.eigenvectors.transpose()
    };
    Some(Part {
        adjustment: with(&power),
        reach: with(&|t| t * power(t)),
        own: with(&|t| t * (1.0 - t) * power(t) * power(t)),
        saturated,
    })
}

impl Sandwich {
    /// Robust standard errors of the coefficients.
    pub fn standard_errors(&self) -> DVector<f64> {
        self.covariance.diagonal().map(|v| v.max(0.0).sqrt())
    }

    /// Standard error of Σ contrast·coefficient.
    ///
    /// # Errors
    /// A contrast of the wrong length, all zero or not finite.
    pub fn contrast_se(&self, contrast: &DVector<f64>) -> Result<f64, SandwichError> {
        self.check(contrast)?;
        Ok(contrast.dot(&(&self.covariance * contrast)).max(0.0).sqrt())
    }

    /// Satterthwaite degrees of freedom of Σ contrast·coefficient under the working model (Bell and McCaffrey 2002;
    /// Pustejovsky and Tipton 2018, eq. 12): the estimated variance is a quadratic form in the errors, and its
    /// 2·mean²/variance is (tr Λ)²/tr Λ² with Λ_gh = δ_gh d_gᵀG_g d_g − d_gᵀG_gG_h d_h,
    /// d_g = (I − G_g)^k R⁻ᵀ c. Often far below the number of clusters less one.
    ///
    /// # Errors
    /// A bad contrast, or one whose scatter no cluster shows.
    pub fn degrees_of_freedom(&self, contrast: &DVector<f64>) -> Result<f64, SandwichError> {
        self.check(contrast)?;
        let direction = self.r_inverse.tr_mul(contrast);
        // The scale of the contrast has no part in the answer, only in the rounding.
        let direction = &direction / direction.norm();
        let (mut trace, mut squares) = (0.0, 0.0);
        let mut earlier = DMatrix::zeros(direction.len(), direction.len());
        for part in &self.parts {
            let v = &part.reach * &direction;
            let diagonal = direction.dot(&(&part.own * &direction)).max(0.0);
            trace += diagonal;
            // Off the diagonal (v_g·v_h)², summed over pairs: a running sum of outer products, no difference of
            // large numbers.
            squares += diagonal * diagonal + 2.0 * v.dot(&(&earlier * &v));
            earlier += &v * v.transpose();
        }
        if trace > FULL_LEVERAGE && squares > 0.0 {
            // Between one and the number of clusters, as Λ has no negative eigenvalue; only rounding puts it elsewhere.
            Ok((trace * trace / squares).clamp(1.0, self.clusters as f64))
        } else {
            Err(SandwichError::NoEvidence)
        }
    }

    fn check(&self, contrast: &DVector<f64>) -> Result<(), SandwichError> {
        let right_length = contrast.len() == self.covariance.nrows();
        let finite = contrast.iter().all(|c| c.is_finite());
        if right_length && finite && contrast.iter().any(|c| *c != 0.0) {
            Ok(())
        } else {
            Err(SandwichError::BadContrast)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::least_squares::fit;

    fn line() -> LeastSquares {
        let x = DMatrix::from_fn(8, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let y = DVector::from_row_slice(&[0.3, 0.8, 2.4, 2.9, 4.2, 4.7, 6.5, 6.8]);
        fit(&x, &y, None).unwrap()
    }

    #[test]
    fn ids_are_labels_only() {
        let fit = line();
        let a = sandwich(&fit, &[0, 0, 1, 1, 2, 2, 3, 3], Correction::Cr2).unwrap();
        let b = sandwich(&fit, &[900, 900, 7, 7, 7000, 7000, 0, 0], Correction::Cr2).unwrap();
        assert!((&a.covariance - &b.covariance).amax() < 1e-15);
        let contrast = DVector::from_row_slice(&[1.0, 3.0]);
        let (da, db) = (a.degrees_of_freedom(&contrast).unwrap(), b.degrees_of_freedom(&contrast).unwrap());
        assert!((da - db).abs() < 1e-12 && da > 1.0 && da < 3.0, "{da}");
    }

    #[test]
    fn one_cluster_shows_no_scatter() {
        let fit = line();
        for ids in [vec![4; 8], vec![]] {
            assert!(sandwich(&fit, &ids, Correction::Cr2).is_err());
        }
        let one = sandwich(&fit, &[4; 8], Correction::Cr3).unwrap_err();
        assert_eq!(one, SandwichError::TooFewClusters { clusters: 1 });
    }

    #[test]
    fn a_contrast_between_clusters_that_each_have_their_own_mean_is_not_seen() {
        let x = DMatrix::from_fn(8, 2, |i, j| f64::from(u8::from((i < 4) == (j == 0))));
        let y = DVector::from_row_slice(&[0.3, 0.8, 2.4, 2.9, 4.2, 4.7, 6.5, 6.8]);
        let fit = fit(&x, &y, None).unwrap();
        let robust = sandwich(&fit, &[0, 0, 0, 0, 1, 1, 1, 1], Correction::Cr2).unwrap();
        assert_eq!(robust.saturated, 2);
        let difference = DVector::from_row_slice(&[1.0, -1.0]);
        assert_eq!(robust.degrees_of_freedom(&difference), Err(SandwichError::NoEvidence));
    }

    #[test]
    fn wrong_contrasts_are_errors() {
        let robust = sandwich(&line(), &each_row(8), Correction::Cr3).unwrap();
        for bad in [vec![0.0, 0.0], vec![1.0], vec![f64::NAN, 1.0]] {
            let bad = DVector::from_vec(bad);
            assert_eq!(robust.degrees_of_freedom(&bad), Err(SandwichError::BadContrast));
            assert_eq!(robust.contrast_se(&bad), Err(SandwichError::BadContrast));
        }
        let slope = DVector::from_row_slice(&[0.0, 2.0]);
        let se = robust.contrast_se(&slope).unwrap();
        assert!((se - 2.0 * robust.standard_errors()[1]).abs() < 1e-15);
    }
}
