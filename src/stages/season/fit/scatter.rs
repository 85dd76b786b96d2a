//! What a whole session has in common, pooled over the season: for configurations that one session alone
//! has seen.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

use super::SeasonFit;
use super::evidence::Evidence;
use super::model::Model;

/// Scatter of a coefficient from session to session, relative to the coefficient.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Scatter {
    /// Standard deviation over coefficient.
    pub relative: f64,
    /// Degrees of freedom behind it.
    pub dof: f64,
    /// It is the assumed one: the season can't show it, or shows less.
    pub assumed: bool,
    /// What the season itself shows, 0 included; `None` where too few sessions show anything.
    pub seen: Option<f64>,
}

/// Degrees of freedom given to an assumed scatter: as if seen in a handful of sessions (common practice, no
/// source).
const ASSUMED_DOF: f64 = 4.0;

/// Sessions in which every shared column has rows.
pub fn sessions_of_columns(model: &Model) -> Vec<Vec<usize>> {
    let mut out = vec![Vec::new(); model.fit.as_ref().map_or(0, |f| f.beta.len())];
    if let Some(fit) = &model.fit {
        for (g, columns) in fit.columns.iter().enumerate() {
            for (j, c) in columns.iter().enumerate() {
                // A session whose rows the zeros have used up says nothing about the slope.
                if *c < out.len() && fit.squares[g][j] > 1e-9 / fit.bread[(*c, *c)] {
                    out[*c].push(g);
                }
            }
        }
    }
    out
}

/// Pools the excess of the between-session variance over the within-session one, coefficient by coefficient:
/// relative scatter and degrees of freedom; `None` where no coefficient is seen in two sessions.
pub fn seen(season: &SeasonFit, within: &DMatrix<f64>) -> Option<(f64, f64)> {
    let fit = season.model.fit.as_ref()?;
    let sessions = sessions_of_columns(&season.model);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (c, sessions) in sessions.iter().enumerate().take(season.model.column.len()).filter(|(_, s)| s.len() > 1) {
        let mut l = DVector::zeros(fit.beta.len());
        l[c] = 1.0;
        let n = sessions.len() as f64;
        // The variance of a mean over n sessions, times n, is that of one session.
        let excess = (fit.variance(&l) - l.dot(&(within * &l))) * n;
        if fit.beta[c] != 0.0 {
            sum += (n - 1.0) * excess / fit.beta[c].powi(2);
            weight += n - 1.0;
        }
    }
    // Quantities share their sessions: they are no independent evidence of the scatter.
    let dof = weight / season.quantities.len().max(1) as f64;
    (dof >= 1.0).then(|| ((sum / weight).max(0.0).sqrt(), dof))
}

/// Covariance, quantities × quantities, of the relative error that a whole session has in each: as the season shows it,
/// pooled as in [`seen`], what two quantities share (a gust errs in all forces alike) told from what each has alone. Where
/// the season can't show it, the assumed scatter in each for itself.
pub fn factors(season: &SeasonFit, within: &DMatrix<f64>, scatter: Scatter) -> DMatrix<f64> {
    let n = season.quantities.len();
    let assumed = DMatrix::identity(n, n) * scatter.relative.powi(2);
    let Some(fit) = season.model.fit.as_ref().filter(|_| scatter.seen.is_some()) else { return assumed };
    let excess = fit.covariance() - within;
    let sessions = sessions_of_columns(&season.model);
    let (mut sums, mut weights) = (DMatrix::<f64>::zeros(n, n), DMatrix::<f64>::zeros(n, n));
    for ((configuration, q), c) in &season.model.column {
        for ((_, r), d) in season.model.column.range((*configuration, 0)..=(*configuration, usize::MAX)) {
            let both = sessions[*c].len().min(sessions[*d].len()) as f64;
            let product = fit.beta[*c] * fit.beta[*d];
            if both > 1.0 && product != 0.0 {
                sums[(*q, *r)] += (both - 1.0) * both * excess[(*c, *d)] / product;
                weights[(*q, *r)] += both - 1.0;
            }
        }
    }
    let mean = sums.zip_map(&weights, |sum, weight| if weight > 0.0 { sum / weight } else { 0.0 });
    let sd: Vec<f64> = mean.diagonal().iter().map(|v| v.max(0.0).sqrt()).collect();
    let correlation = DMatrix::from_fn(n, n, |q, r| {
        let product = sd[q] * sd[r];
        let both = if product > 0.0 { (0.5 * (mean[(q, r)] + mean[(r, q)]) / product).clamp(-1.0, 1.0) } else { 0.0 };
        if q == r { 1.0 } else { both }
    });
    // Correlations found one by one may contradict each other: the nearest that do not, of variance one again.
    let eigen = SymmetricEigen::new(correlation);
    let root = &eigen.eigenvectors * DMatrix::from_diagonal(&eigen.eigenvalues.map(|l| l.max(0.0).sqrt()));
    let possible = &root * root.transpose();
    DMatrix::from_fn(n, n, |q, r| sd[q] * sd[r] * possible[(q, r)] / (possible[(q, q)] * possible[(r, r)]).sqrt())
}

/// What a whole session errs by, quantity by quantity and together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OfSession {
    /// Standard deviation of each quantity's relative error, as the season shows it: that of its coefficients from session to
    /// session, and no less than that of its sensors' gains; the assumed one where nothing shows.
    pub seen: Vec<f64>,
    /// The same where no other session can show it: no less than the assumed one, nor than that of all quantities pooled.
    pub alone: Vec<f64>,
    /// Correlations of these errors.
    correlation: DMatrix<f64>,
    /// Degrees of freedom behind the correlations; 0 where they are not known.
    dof: f64,
}

impl OfSession {
    /// As the season shows it, `factors` being what [`factors`] answers.
    pub fn new(season: &SeasonFit, factors: &DMatrix<f64>, scatter: Scatter) -> Self {
        let n = season.quantities.len();
        let of_gain = |q: usize| {
            let gains = (0..season.evidence.sessions.len()).filter_map(|g| season.model.gain(g, q)).map(|g| g.prior);
            gains.fold(f64::INFINITY, f64::min)
        };
        let seen = |q: usize| {
            let gain = Some(of_gain(q)).filter(|v| v.is_finite()).unwrap_or(0.0);
            match scatter.seen {
                Some(_) => factors[(q, q)].max(gain).sqrt(),
                None => scatter.relative.max(gain.sqrt()),
            }
        };
        let seen: Vec<f64> = (0..n).map(seen).collect();
        let correlation = |q: usize, r: usize| {
            let product = (factors[(q, q)] * factors[(r, r)]).sqrt();
            if q == r { 1.0 } else { Some(factors[(q, r)] / product).filter(|c| c.is_finite()).unwrap_or(0.0) }
        };
        Self {
            alone: seen.iter().map(|s| s.max(scatter.relative)).collect(),
            correlation: DMatrix::from_fn(n, n, correlation),
            dof: scatter.seen.map_or(0.0, |_| scatter.dof),
            seen,
        }
    }

    /// Variance of a figure from one session's errors. `pulls`: per quantity, what the figure changes by if all that the session
    /// measured of it were larger by the factor 1 + 1. `sd`: see [`Self::seen`], [`Self::alone`]. What two quantities share (a
    /// gust errs in all forces alike, a sensor in its own) is believed as far as the season shows it; beside that, as if a
    /// handful of sessions had, they err apart or alike, whichever is worse for the figure.
    pub fn variance(&self, pulls: &[f64], sd: &[f64]) -> f64 {
        let errors = DVector::from_iterator(pulls.len(), pulls.iter().zip(sd).map(|(pull, sd)| pull * sd));
        let seen = errors.dot(&(&self.correlation * &errors));
        let unknown = errors.norm_squared().max(errors.sum().powi(2));
        (self.dof * seen + ASSUMED_DOF * unknown) / (self.dof + ASSUMED_DOF)
    }
}

/// Degrees of freedom of what all sessions together show of their scatter: configurations that ran in the same sessions
/// are no further evidence. 0 where they show nothing.
pub fn dof_of_all(model: &Model, scatter: Scatter) -> f64 {
    let sessions = model.rows.iter().filter(|rows| !rows.is_empty()).count() as f64;
    if scatter.seen.is_some() { scatter.dof.min(sessions - 1.0) } else { 0.0 }
}

/// Per row of one session, by their observations, the quantity that it measured; the wind's prior rows have none.
pub fn quantities_of_rows(evidence: &Evidence, rows: &[usize]) -> Vec<usize> {
    rows.iter().map(|i| evidence.observations.get(*i).map_or(usize::MAX, |o| o.quantity)).collect()
}

/// The scatter that the season shows, or the assumed one where that is larger or nothing shows.
pub fn pooled(season: &SeasonFit, within: &DMatrix<f64>, assumed: f64) -> Scatter {
    let Some((relative, dof)) = seen(season, within) else {
        return Scatter { relative: assumed, dof: ASSUMED_DOF, assumed: true, seen: None };
    };
    let seen = (dof >= ASSUMED_DOF).then_some(relative);
    if relative > assumed && dof >= ASSUMED_DOF {
        Scatter { relative, dof, assumed: false, seen }
    } else {
        Scatter { relative: relative.max(assumed), dof: dof.max(ASSUMED_DOF), assumed: relative <= assumed, seen }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(correlation: f64, dof: f64) -> OfSession {
        let correlation = DMatrix::from_row_slice(2, 2, &[1.0, correlation, correlation, 1.0]);
        OfSession { seen: vec![0.01, 0.02], alone: vec![0.02, 0.02], correlation, dof }
    }

    #[test]
    fn what_quantities_share_counts_as_far_as_it_was_seen() {
        // Errors of 6 N and 20 N: apart 436, alike 676, against each other 196 (N²).
        let (sum, difference) = ([600.0, 1000.0], [600.0, -1000.0]);
        let variance = |s: &OfSession, pulls: &[f64]| s.variance(pulls, &s.seen);
        // Where nothing is known the worse of the two holds for every figure.
        let unknown = of(0.0, 0.0);
        assert!(
            (variance(&unknown, &sum) - 676.0).abs() < 1e-9 && (variance(&unknown, &difference) - 436.0).abs() < 1e-9
        );
        // Where it was seen often that is believed.
        let alike = of(1.0, 4000.0);
        assert!((variance(&alike, &sum) - 676.0).abs() < 1e-9);
        assert!((variance(&alike, &difference) - 196.0).abs() < 0.3, "{}", variance(&alike, &difference));
        // Of a handful of sessions half.
        assert!((variance(&of(1.0, 4.0), &difference) - 0.5 * (196.0 + 436.0)).abs() < 1e-9);
        assert!((alike.variance(&[600.0, 0.0], &alike.alone) - 144.0).abs() < 1e-9);
    }
}
