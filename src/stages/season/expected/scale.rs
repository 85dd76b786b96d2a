//! One common factor of the track over the expected figures, and which figures do not follow it.

use super::Held;
use crate::numerics::blocked::Inference;
use crate::numerics::multiple::holm;
use crate::stages::season::answers::{Spread, spread};
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::estimate::{Derived, Estimate};

/// Fewer figures than this can't say which of them stands out.
const FEWEST: usize = 3;

/// The factor of one kind of force.
#[derive(Clone, Debug)]
pub struct Scale {
    /// The factor with its interval.
    pub factor: Estimate,
    /// Indices of the figures that made it.
    pub kept: Vec<usize>,
    /// Indices of the figures that stand out.
    pub out: Vec<usize>,
    /// Deviation of each figure asked about from the factor that the others make.
    pub deviations: Vec<Deviation>,
}

/// A figure against the factor that the others make.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviation {
    /// Index of the figure.
    pub figure: usize,
    /// Track minus factor times expected.
    pub spread: Spread,
    /// Holm-adjusted p-value.
    pub p_holm: f64,
    /// More than chance, and not for sure within the share of the figure that counts as agreement: a deviation too
    /// small to matter is no finding, however sure.
    pub stands_out: bool,
}

fn weight(fit: &SeasonFit, solved: &Inference, h: &Held) -> f64 {
    let scatter = fit.scatter.relative * h.track.value;
    let variance = solved.model_variance(&h.track.gradient) + scatter * scatter + h.outside_se * h.outside_se;
    1.0 / variance.max(f64::MIN_POSITIVE)
}

/// Variance of the factor from how the figures themselves scatter about it (sandwich, times n/(n − 1)): figures that
/// do not follow one factor make it less sure, also where none of them stands out alone.
fn misfit(fit: &SeasonFit, held: &[Held], of: &[usize], factor: f64) -> f64 {
    let Some(solved) = &fit.model.fit else { return 0.0 };
    let n = of.len() as f64;
    let (mut total, mut sum) = (0.0, 0.0);
    for h in of.iter().filter_map(|i| held.get(*i)) {
        let w = weight(fit, solved, h);
        total += w * h.expected * h.expected;
        sum += (w * h.expected * (h.track.value - factor * h.expected)).powi(2);
    }
    if total > 0.0 && n > 1.0 { sum / (total * total) * n / (n - 1.0) } else { 0.0 }
}

/// Weighted regression through zero of the track's figures on the expected ones: Σw·e·y/Σw·e². Weights from each
/// figure's model variance (not from its few sessions, which would weight by luck), the scatter of sessions and
/// the figure's own uncertainty; the interval from the joint covariance.
fn factor(fit: &SeasonFit, held: &[Held], of: &[usize]) -> Option<(Derived, f64)> {
    let solved = fit.model.fit.as_ref()?;
    let mut sum: Option<Derived> = None;
    let (mut total, mut outside) = (0.0, 0.0);
    for h in of.iter().filter_map(|i| held.get(*i)) {
        let w = weight(fit, solved, h);
        let term = h.track.times(w * h.expected);
        sum = Some(sum.map_or(term.clone(), |s| s.plus(&term)));
        total += w * h.expected * h.expected;
        outside += (w * h.expected * h.outside_se).powi(2);
    }
    let factor = sum.filter(|_| total > 0.0)?.times(1.0 / total);
    // What the figures' own uncertainty adds to the variance of the factor.
    let own = outside / (total * total) * factor.value * factor.value;
    Some((factor, own))
}

/// Deviation of one figure from a factor that others made.
fn deviation(fit: &SeasonFit, h: &Held, factor: &(Derived, f64)) -> Option<Spread> {
    let off = h.track.minus(&factor.0.times(h.expected));
    let e = fit.estimate(&off)?;
    let outside = factor.1 * h.expected * h.expected + (factor.0.value * h.outside_se).powi(2);
    spread(e.value, &[(e.se * e.se, e.dof), (outside, f64::INFINITY)])
}

/// Deviations of the figures `asked` from the factor of `kept` without themselves, Holm-adjusted.
fn deviations(fit: &SeasonFit, held: &[Held], kept: &[usize], asked: &[usize], within: f64) -> Vec<Deviation> {
    let one = |i: &usize| {
        let others: Vec<usize> = kept.iter().copied().filter(|k| k != i).collect();
        let (h, factor) = (held.get(*i)?, factor(fit, held, &others)?);
        let near = within * (factor.0.value * h.expected).abs();
        Some((*i, deviation(fit, h, &factor)?, near))
    };
    let found: Vec<(usize, Spread, f64)> = asked.iter().filter_map(one).collect();
    let p: Vec<f64> = found.iter().map(|(_, s, _)| s.p).collect();
    let adjusted = holm(&p).unwrap_or_default();
    let judged = found.into_iter().zip(adjusted).map(|((figure, spread, near), p_holm)| {
        let small = spread.lo >= -near && spread.hi <= near;
        Deviation { figure, spread, p_holm, stands_out: p_holm < 0.05 && !small }
    });
    judged.collect()
}

/// The common factor of the figures `basis`; those that stand out at the 5 % level are left out one by one, the
/// most striking first, while two thirds of them and at least three remain. `asked` are held against it besides.
/// `within`: share of a figure that counts as agreement.
pub fn common(fit: &SeasonFit, held: &[Held], basis: &[usize], asked: &[usize], within: f64) -> Option<Scale> {
    let mut kept = basis.to_vec();
    let mut out = Vec::new();
    let fewest = FEWEST.max((2 * basis.len()).div_ceil(3));
    while kept.len() > fewest {
        let found = deviations(fit, held, &kept, &kept, within);
        let worst = found.iter().filter(|d| d.stands_out).min_by(|a, b| a.spread.p.total_cmp(&b.spread.p));
        let Some(worst) = worst else { break };
        out.push(worst.figure);
        kept.retain(|k| *k != worst.figure);
    }
    let (derived, own) = factor(fit, held, &kept)?;
    let e = fit.estimate(&derived)?;
    let apart = (misfit(fit, held, &kept, e.value) - e.se * e.se - own).max(0.0);
    let few = (kept.len() as f64 - 1.0).max(1.0);
    let s = spread(e.value, &[(e.se * e.se, e.dof), (own, f64::INFINITY), (apart, few)])?;
    let factor = Estimate { value: s.value, se: s.se, interval: (s.lo, s.hi), dof: s.dof, flags: e.flags };
    let mut all = Vec::new();
    if basis.len() >= FEWEST {
        all = deviations(fit, held, &kept, basis, within);
        let others: Vec<usize> = asked.iter().copied().filter(|i| !basis.contains(i)).collect();
        all.extend(deviations(fit, held, &kept, &others, within));
    }
    Some(Scale { factor, kept, out, deviations: all })
}
