//! Cluster (pairs) bootstrap: whole clusters are drawn with replacement and the statistic is computed anew, so that
//! whatever ties the rows of a cluster together is kept. The draws of a replicate depend on the seed and its number
//! alone: the same result on any number of threads.
//!
//! Source: A. C. Cameron, J. Gelbach, D. Miller, Review of Economics and Statistics 90 (2008) 414-427 (pairs cluster
//! bootstrap). With few clusters the percentile interval is too short; the t interval with the clusters' degrees of
//! freedom is less so.

use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

use super::distributions::{DistributionError, t_two_sided};

/// How often and from which seed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BootstrapParams {
    /// Number of replicates.
    pub replicates: usize,
    /// Seed of the draws.
    pub seed: u64,
    /// Share of replicates that must succeed for the result to stand.
    pub least_success: f64,
}

impl Default for BootstrapParams {
    fn default() -> Self {
        Self { replicates: 1999, seed: 1, least_success: 0.9 }
    }
}

/// The draws, with the evidence for them.
#[derive(Clone, Debug, PartialEq)]
pub struct Bootstrap {
    /// One row per replicate that succeeded, in the order of the replicates; one column per statistic.
    pub draws: DMatrix<f64>,
    /// Number of clusters drawn from.
    pub clusters: usize,
    /// Replicates without a value, e.g. because a needed configuration was in no drawn cluster.
    pub failed: usize,
}

/// Why there is no bootstrap, or no interval.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BootstrapError {
    /// Nothing to resample.
    #[error("{clusters} cluster; resampling needs at least two")]
    TooFewClusters { clusters: usize },
    /// Too few replicates asked for.
    #[error("{replicates} replicates; at least two are needed")]
    TooFewReplicates { replicates: usize },
    /// The statistic could not be computed too often: the clusters that succeed are no fair sample.
    #[error("{failed} of {replicates} replicates had no value")]
    TooManyFailures { failed: usize, replicates: usize },
    /// The statistic changed its length from one replicate to the next.
    #[error("the statistic gave {given} values where it gave {expected} before")]
    Lengths { expected: usize, given: usize },
    /// No such statistic.
    #[error("statistic {statistic} of {count}")]
    NoStatistic { statistic: usize, count: usize },
    /// A level or degrees of freedom without a quantile.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// Draws clusters with replacement and computes `statistic` from the number of times each was drawn. The statistic
/// returns `None`, or a value that is not finite, where it has none; those replicates are counted as failed.
///
/// # Errors
/// See [`BootstrapError`].
pub fn cluster_bootstrap<S>(clusters: usize, params: BootstrapParams, statistic: S) -> Result<Bootstrap, BootstrapError>
where
    S: Fn(&[u32]) -> Option<Vec<f64>> + Sync,
{
    if clusters < 2 {
        return Err(BootstrapError::TooFewClusters { clusters });
    }
    let replicates = params.replicates;
    if replicates < 2 {
        return Err(BootstrapError::TooFewReplicates { replicates });
    }
    let values: Vec<Option<Vec<f64>>> = (0..replicates)
        .into_par_iter()
        .map(|replicate| statistic(&draw(clusters, params.seed, replicate)))
        .map(|value| value.filter(|v| v.iter().all(|x| x.is_finite())))
        .collect();
    let good: Vec<&Vec<f64>> = values.iter().flatten().collect();
    let failed = replicates - good.len();
    let needed = params.least_success * replicates as f64;
    let Some(expected) = good.first().map(|v| v.len()).filter(|_| good.len() >= 2 && good.len() as f64 >= needed)
    else {
        return Err(BootstrapError::TooManyFailures { failed, replicates });
    };
    if let Some(other) = good.iter().find(|v| v.len() != expected) {
        return Err(BootstrapError::Lengths { expected, given: other.len() });
    }
    let draws = DMatrix::from_row_iterator(good.len(), expected, good.iter().flat_map(|v| v.iter().copied()));
    Ok(Bootstrap { draws, clusters, failed })
}

/// How often each cluster is drawn in one replicate.
fn draw(clusters: usize, seed: u64, replicate: usize) -> Vec<u32> {
    // An odd multiplier spreads neighbouring replicates over the seeds; `seed_from_u64` mixes them further.
    let mut rng = Pcg64Mcg::seed_from_u64(seed ^ (replicate as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let mut counts = vec![0_u32; clusters];
    for _ in 0..clusters {
        if let Some(count) = counts.get_mut(rng.random_range(0..clusters as u64) as usize) {
            *count += 1;
        }
    }
    counts
}

impl Bootstrap {
    fn column(&self, statistic: usize) -> Result<Vec<f64>, BootstrapError> {
        let count = self.draws.ncols();
        if statistic >= count {
            return Err(BootstrapError::NoStatistic { statistic, count });
        }
        let mut values: Vec<f64> = self.draws.column(statistic).iter().copied().collect();
        values.sort_unstable_by(f64::total_cmp);
        Ok(values)
    }

    /// Covariance of the statistics over the replicates.
    pub fn covariance(&self) -> DMatrix<f64> {
        let mut centred = self.draws.clone();
        for mut column in centred.column_iter_mut() {
            let mean = column.mean();
            column.add_scalar_mut(-mean);
        }
        centred.tr_mul(&centred) / (self.draws.nrows() as f64 - 1.0)
    }

    /// Standard deviation of one statistic over the replicates: its bootstrap standard error.
    ///
    /// # Errors
    /// No such statistic.
    pub fn standard_error(&self, statistic: usize) -> Result<f64, BootstrapError> {
        let values = self.column(statistic)?;
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        Ok((values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
    }

    /// Interval between the outer quantiles of the draws.
    ///
    /// # Errors
    /// No such statistic, or a level outside 0 to 1.
    pub fn percentile_interval(&self, statistic: usize, level: f64) -> Result<(f64, f64), BootstrapError> {
        if !(level > 0.0 && level < 1.0) {
            return Err(DistributionError::Probability { probability: level }.into());
        }
        let values = self.column(statistic)?;
        let tail = 0.5 * (1.0 - level);
        Ok((quantile(&values, tail), quantile(&values, 1.0 - tail)))
    }

    /// `estimate` ± t · bootstrap standard error. `dof`: clusters less one unless something better is known.
    ///
    /// # Errors
    /// No such statistic, a level or degrees of freedom without a quantile.
    pub fn t_interval(
        &self,
        statistic: usize,
        estimate: f64,
        dof: f64,
        level: f64,
    ) -> Result<(f64, f64), BootstrapError> {
        let half = t_two_sided(level, dof)? * self.standard_error(statistic)?;
        Ok((estimate - half, estimate + half))
    }
}

/// Quantile of sorted values by linear interpolation between order statistics at (n + 1)·p, kept inside the range
/// (R. Hyndman, Y. Fan, American Statistician 50 (1996), type 6: right for percentile intervals with 999 draws).
fn quantile(sorted: &[f64], probability: f64) -> f64 {
    let at = ((sorted.len() as f64 + 1.0) * probability - 1.0).clamp(0.0, sorted.len() as f64 - 1.0);
    let (below, part) = (at.floor() as usize, at.fract());
    let value = |i: usize| sorted.get(i).or(sorted.last()).copied().unwrap_or(f64::NAN);
    value(below) + part * (value(below + 1) - value(below))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_distr::{Distribution, StandardNormal};

    fn means(clusters: usize, size: usize, seed: u64) -> Vec<f64> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        (0..clusters).map(|_| 10.0 + normal() + (0..size).map(|_| normal()).sum::<f64>() / size as f64).collect()
    }

    fn weighted_mean(values: &[f64], counts: &[u32]) -> f64 {
        values.iter().zip(counts).map(|(v, c)| v * f64::from(*c)).sum::<f64>() / values.len() as f64
    }

    #[test]
    fn standard_error_of_a_mean_is_the_analytic_one() {
        // The bootstrap variance of a mean of G clusters is Σ(x − x̄)²/G² exactly, as the draws go to infinity.
        let values = means(40, 5, 3);
        let params = BootstrapParams { replicates: 20_000, ..BootstrapParams::default() };
        let found = cluster_bootstrap(40, params, |counts| Some(vec![weighted_mean(&values, counts)])).unwrap();
        let mean = values.iter().sum::<f64>() / 40.0;
        let exact = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 1600.0).sqrt();
        // The standard error of a standard deviation of 20 000 draws is 0.5 %.
        assert!((found.standard_error(0).unwrap() / exact - 1.0).abs() < 0.02);
        assert!((found.covariance()[(0, 0)].sqrt() / found.standard_error(0).unwrap() - 1.0).abs() < 1e-12);
        let (low, high) = found.percentile_interval(0, 0.95).unwrap();
        assert!(((high - low) / (2.0 * 1.96 * exact) - 1.0).abs() < 0.05);
        let (low, high) = found.t_interval(0, mean, 39.0, 0.95).unwrap();
        assert!(((high - low) / (2.0 * 2.0227 * exact) - 1.0).abs() < 0.02);
        assert!((0.5 * (low + high) - mean).abs() < 1e-12);
    }

    #[test]
    fn the_same_on_any_number_of_threads() {
        let values = means(12, 3, 9);
        let run =
            || cluster_bootstrap(12, BootstrapParams::default(), |c| Some(vec![weighted_mean(&values, c)])).unwrap();
        let pool = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let one = pool(1).install(run);
        assert_eq!(one, pool(4).install(run));
        let other = BootstrapParams { seed: 2, ..BootstrapParams::default() };
        assert_ne!(one, cluster_bootstrap(12, other, |c| Some(vec![weighted_mean(&values, c)])).unwrap());
    }

    #[test]
    fn draws_are_multinomial() {
        let mut totals = [0_u32; 5];
        for replicate in 0..4000 {
            let counts = draw(5, 77, replicate);
            assert_eq!(counts.iter().sum::<u32>(), 5);
            for (total, count) in totals.iter_mut().zip(counts) {
                *total += count;
            }
        }
        // Expected 4000 with a standard deviation of 57.
        assert!(totals.iter().all(|t| t.abs_diff(4000) < 250), "{totals:?}");
    }

    #[test]
    fn failures_are_counted_and_too_many_are_an_error() {
        let first_drawn = |least: u32| move |c: &[u32]| (c[0] >= least).then(|| vec![f64::from(c[0])]);
        let error = cluster_bootstrap(6, BootstrapParams::default(), first_drawn(1)).unwrap_err();
        // (5/6)⁶ = 0.335 of the replicates lack the first cluster.
        let BootstrapError::TooManyFailures { failed, replicates } = error else { panic!("{error}") };
        assert!((failed as f64 / replicates as f64 - 0.335).abs() < 0.04);
        let lenient = BootstrapParams { least_success: 0.5, ..BootstrapParams::default() };
        let found = cluster_bootstrap(6, lenient, first_drawn(1)).unwrap();
        assert_eq!((found.failed, found.draws.nrows()), (failed, replicates - failed));
        let nan = cluster_bootstrap(6, BootstrapParams::default(), |_| Some(vec![f64::NAN])).unwrap_err();
        assert_eq!(nan, BootstrapError::TooManyFailures { failed: 1999, replicates: 1999 });
        let ragged =
            cluster_bootstrap(6, BootstrapParams::default(), |c| Some(vec![1.0; 1 + c[0] as usize])).unwrap_err();
        assert!(matches!(ragged, BootstrapError::Lengths { .. }));
        let one = cluster_bootstrap(1, BootstrapParams::default(), |_| Some(vec![1.0])).unwrap_err();
        assert_eq!(one, BootstrapError::TooFewClusters { clusters: 1 });
        assert!(matches!(found.standard_error(1), Err(BootstrapError::NoStatistic { statistic: 1, count: 1 })));
        assert!(found.percentile_interval(0, 1.0).is_err());
        assert!(found.t_interval(0, 1.0, 0.2, 0.95).is_err());
    }
}
