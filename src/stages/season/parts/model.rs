//! The season's windows against parts: coefficient of a configuration = base + Σ parts present + slope·wing.
//!
//! Weighted least squares of the windows with the blocks that `fit` solved last (pseudo-values, weights, zeros), columns
//! x·1(configuration) replaced by x·1(term). That tells the errors. The values are those of each quantity by itself, with wind
//! and gusts as `fit` found them: sought again with the terms of all quantities, they would take up what does not add in one
//! and put it into the others.

use std::borrow::Cow;
use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::terms::{Combination, Terms};
use crate::numerics::blocked::blind::Blind;
use crate::numerics::blocked::restricted::Group;
use crate::numerics::blocked::{self, Block, Inference, Pooled, Rows, Solution};
use crate::numerics::distributions::t_quantile;
use crate::numerics::null_space::{NullSpace, NullSpaceParams, null_space};
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::estimate::{Derived, Estimate, combined, divisor, summed};
use crate::stages::season::fit::evidence::Configuration;
use crate::stages::season::fit::scatter::{self, OfSession, Scatter};

/// The terms of one measured quantity.
#[derive(Clone, Debug, Default)]
pub struct Design {
    /// Configurations that are fitted and can be placed, by index.
    pub used: Vec<usize>,
    /// Unknown of every term; `None` for those that the kept ones contain.
    pub columns: Vec<Option<usize>>,
    /// What can't be told apart; `None` where no configuration is used.
    pub space: Option<NullSpace>,
}

/// The fitted parts.
#[derive(Clone, Debug, Default)]
pub struct PartsFit {
    /// The columns.
    pub terms: Terms,
    /// Measured quantities, as in the season's fit.
    pub quantities: Vec<String>,
    /// Per measured quantity.
    pub designs: Vec<Design>,
    /// Configurations of the run sheet.
    pub configurations: Vec<Configuration>,
    /// The solved blocks; the values of the unknowns are those of each quantity by itself.
    pub fit: Option<Inference>,
    /// Covariance of these values under the working model.
    by_themselves: DMatrix<f64>,
    /// Rows of the sessions that tell something alone, by their number.
    lone: Vec<(usize, Rows)>,
    /// Per block and row, the window it belongs to.
    pub windows_of_rows: Vec<Vec<usize>>,
    /// Per block and row, the quantity that it measures.
    quantities_of_rows: Vec<Vec<usize>>,
    /// What all sessions show of the scatter of coefficients.
    pooled: Option<Pooled>,
    /// Scatter from session to session.
    pub scatter: Scatter,
    /// What a whole session errs by.
    of_session: OfSession,
    /// Rolling resistance coefficient of the car.
    pub rolling_resistance: f64,
    /// Reference speed, m/s.
    pub speed: f64,
    /// Reference density, kg/m³.
    pub density: f64,
}

/// Why a figure is not known.
#[derive(Clone, Debug, PartialEq)]
pub enum Gap {
    /// The quantity is not measured or could not be fitted at all.
    NotMeasured,
    /// The terms that would be needed are tied to others: those with a weight in the wish, by name.
    NotSeparable(Vec<String>),
}

impl PartsFit {
    /// Fits the parts to what `fit` found.
    pub fn new(season: &SeasonFit, interactions: &[(String, String)]) -> Self {
        let configurations = season.evidence.configurations.clone();
        let terms = Terms::new(&configurations, interactions);
        let rows: Vec<Option<DVector<f64>>> = configurations.iter().map(|c| terms.row(&Combination::of(c))).collect();
        let mut unknowns = 0;
        let (designs, groups): (Vec<Design>, Vec<Group>) = (0..season.quantities.len())
            .map(|q| {
                let (design, group) = placed(season, &terms, &rows, q, unknowns);
                unknowns += group.design.ncols();
                (design, group)
            })
            .unzip();
        let mut out = Self {
            terms,
            quantities: season.quantities.clone(),
            designs,
            configurations,
            windows_of_rows: season.windows_of_rows.clone(),
            quantities_of_rows: season
                .model
                .rows
                .iter()
                .map(|r| scatter::quantities_of_rows(&season.evidence, r))
                .collect(),
            pooled: None,
            scatter: season.scatter,
            of_session: season.of_session.clone(),
            rolling_resistance: season.rolling_resistance,
            speed: season.speed,
            density: season.density,
            fit: None,
            by_themselves: DMatrix::zeros(0, 0),
            lone: Vec::new(),
        };
        let Some(blocks) = season.blocks() else { return out };
        let Some(free) = season.model.fit.as_ref() else { return out };
        let Some(told) = free.told_by_groups(&groups) else { return out };
        let made_of = made_of(&groups);
        let block = |g: usize| Cow::Owned(with_columns(&blocks.make(g), &made_of));
        let keep = |g: usize, solution: &Solution, rows: Rows| {
            let moved = rows.moved(solution, &out.quantities_of_rows[g], season.factors.nrows());
            (rows.grouped(&out.windows_of_rows[g]), (moved, rows.tell_alone().then_some((g, rows))))
        };
        if let Ok((mut fit, kept)) = blocked::fit_each(blocks.count(), block, unknowns, keep) {
            let (each, (moved, lone)): (Vec<_>, (Vec<_>, Vec<_>)) = kept.into_iter().unzip();
            let (within, common) = (fit.sandwich(&each), fit.common_covariance(&moved, &season.factors));
            out.pooled = Some(Pooled { within, common, dof: scatter::dof_of_all(&season.model, season.scatter) });
            // All quantities solved together tell the errors, each by itself the values.
            fit.beta = &told * &free.beta;
            out.by_themselves = &told * &free.bread * told.transpose();
            (out.fit, out.lone) = (Some(fit), lone.into_iter().flatten().collect());
        }
        out
    }

    /// The names of what `contrast` needs of quantity `q` and the season does not tell.
    fn tied(&self, design: &Design, contrast: &DVector<f64>) -> Vec<String> {
        let groups = design.space.iter().flat_map(|s| &s.groups);
        let needed = groups.flat_map(|g| &g.columns).filter(|c| contrast[**c] != 0.0 && **c != 0);
        let mut out: Vec<String> = needed.filter_map(|c| self.terms.terms.get(*c)).map(ToString::to_string).collect();
        out.dedup();
        out
    }

    /// The coefficient of a measured quantity for a contrast of the terms.
    ///
    /// # Errors
    /// It was not measured, or the terms can't be told apart.
    pub fn coefficient(&self, quantity: usize, contrast: &DVector<f64>) -> Result<Derived, Gap> {
        let (Some(fit), Some(design)) = (&self.fit, self.designs.get(quantity)) else { return Err(Gap::NotMeasured) };
        let space = design.space.as_ref().ok_or(Gap::NotMeasured)?;
        if !space.is_estimable(contrast) {
            return Err(Gap::NotSeparable(self.tied(design, contrast)));
        }
        let mut gradient = DVector::zeros(fit.beta.len());
        for (unknown, value) in design.columns.iter().zip(contrast.iter()) {
            if let Some(u) = unknown {
                gradient[*u] = *value;
            }
        }
        Ok(Derived { value: gradient.dot(&fit.beta), gradient })
    }

    /// A named figure for a contrast of the terms; the names are those of [`SeasonFit::named`].
    ///
    /// # Errors
    /// As [`PartsFit::coefficient`], for any quantity that it is made of.
    pub fn named(&self, name: &str, contrast: &DVector<f64>) -> Result<(Derived, Option<&'static str>), Gap> {
        let gap = std::cell::RefCell::new(Gap::NotMeasured);
        let of = |n: &str| {
            let q = self.quantities.iter().position(|q| q == n)?;
            self.coefficient(q, contrast)
                .inspect_err(|e| {
                    if matches!(e, Gap::NotSeparable(_)) {
                        gap.replace(e.clone());
                    }
                })
                .ok()
        };
        let found = combined(name, self.rolling_resistance, &of);
        let gap = gap.into_inner();
        match found {
            // Drag without downforce would be another quantity, not an answer with a remark, where the
            // downforce is there but tied.
            Some((_, Some(_))) if matches!(gap, Gap::NotSeparable(_)) => Err(gap),
            Some(found) => Ok(found),
            None => Err(gap),
        }
    }

    /// Whether a figure is a share of something that its own interval does not tell from nothing, as
    /// [`SeasonFit::divisor_not_resolved`].
    pub fn divisor_not_resolved(&self, name: &str, contrast: &DVector<f64>) -> bool {
        let Some(divisor) = divisor(name) else { return false };
        let of = self.named(divisor, contrast).ok().and_then(|(d, _)| self.estimate(&d));
        of.is_none_or(|e| e.interval.0 <= 0.0 && e.interval.1 >= 0.0)
    }

    /// How much larger the variance of a contrast is where each quantity tells it by itself than where all do together, under
    /// the working model: a little, by the theorem of Gauss and Markov never less than once.
    fn by_itself(&self, fit: &Inference, gradient: &DVector<f64>) -> f64 {
        let (apart, together) = (gradient.dot(&(&self.by_themselves * gradient)), fit.model_variance(gradient));
        if together > 0.0 { (apart / together).max(1.0) } else { 1.0 }
    }

    /// Variance of a contrast of the coefficients, its degrees of freedom, and whether part of it hangs on
    /// single sessions, where the session scatter stands in for what can't be seen.
    pub fn variance(&self, gradient: &DVector<f64>) -> Option<(f64, f64, bool)> {
        let fit = self.fit.as_ref()?;
        let blind = if Blind::counts(fit.share_alone(gradient)) {
            let lone = self.lone.iter().map(|(g, rows)| (*g, rows));
            fit.blind(lone, gradient, &self.windows_of_rows, &self.quantities_of_rows)
        } else {
            Blind::default()
        };
        let (mut variance, mut dof) =
            if blind.any() { (0.0, f64::INFINITY) } else { fit.spread(gradient, self.pooled.as_ref()?) };
        if blind.any() {
            // What single sessions tell has its own scatter; the rest keeps that between sessions.
            if !blind.all() {
                (variance, dof) = (fit.variance(gradient), fit.dof(gradient));
            }
            let common = self.in_common(&blind);
            (variance, dof) = summed(&[(variance, dof), (blind.within + common, self.scatter.dof)]);
        }
        Some((variance * self.by_itself(fit, gradient), dof, blind.any()))
    }

    /// Covariances of two contrasts, in the mould of that variance of a third: (first, both, second).
    pub fn covariances(
        &self,
        first: &DVector<f64>,
        second: &DVector<f64>,
        third: &DVector<f64>,
    ) -> Option<(f64, f64, f64)> {
        let fit = self.fit.as_ref()?;
        let (variance, _, blind) = self.variance(third)?;
        let of = |g: &DVector<f64>| if blind { self.variance(g).map(|v| v.0) } else { Some(fit.variance(g)) };
        let (aa, bb, sum, whole) = (of(first)?, of(second)?, of(&(first + second))?, of(third)?);
        let scale = if whole > 0.0 { variance / whole } else { 1.0 };
        Some((scale * aa, scale * 0.5 * (sum - aa - bb), scale * bb))
    }

    /// The number with its 95 % interval.
    pub fn estimate(&self, derived: &Derived) -> Option<Estimate> {
        let (variance, dof, blind) = self.variance(&derived.gradient)?;
        let dof = if dof > 0.5 { dof.max(1.0) } else { return None };
        let (se, t) = (variance.sqrt(), t_quantile(0.975, dof).ok()?);
        if !(se.is_finite() && derived.value.is_finite()) {
            return None;
        }
        let flags = if blind { vec!["session_scatter_not_visible"] } else { Vec::new() };
        let interval = (derived.value - t * se, derived.value + t * se);
        Some(Estimate { value: derived.value, se, interval, dof, flags })
    }

    /// Variance from what single sessions err by, each alike in all that it measured.
    fn in_common(&self, blind: &Blind) -> f64 {
        let mut by_session: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        for ((session, q), pull) in blind.common.iter().filter(|((_, q), _)| *q < self.quantities.len()) {
            by_session.entry(*session).or_insert_with(|| vec![0.0; self.quantities.len()])[*q] += pull;
        }
        by_session.values().map(|pulls| self.of_session.variance(pulls, &self.of_session.alone)).sum()
    }

    /// The 95 % interval that the same figure from one new session is expected in: what a whole session errs by in every
    /// measured quantity, as the season shows it or as is assumed, is added.
    pub fn new_session(&self, derived: &Derived, estimate: &Estimate) -> Option<(f64, f64)> {
        let fit = self.fit.as_ref()?;
        // ∂figure/∂(a quantity's coefficient) is the derivative by the base's, which every combination has once.
        let pull = |design: &Design| {
            let Some(base) = design.columns.first().copied().flatten() else { return 0.0 };
            if derived.gradient[base] == 0.0 {
                return 0.0;
            }
            design.columns.iter().flatten().map(|c| derived.gradient[*c] * fit.beta[*c]).sum()
        };
        let pulls: Vec<f64> = self.designs.iter().map(pull).collect();
        let scatter = self.of_session.variance(&pulls, &self.of_session.seen);
        // Half-widths in quadrature: never narrower than the mean's, whatever the degrees of freedom of the two.
        let of_mean = 0.5 * (estimate.interval.1 - estimate.interval.0);
        let t = t_quantile(0.975, self.scatter.dof.max(1.0)).ok()?;
        let half = of_mean.hypot(t * scatter.sqrt());
        Some((estimate.value - half, estimate.value + half))
    }
}

/// Places the configurations of one quantity: its terms, the first of which is the unknown `first`, and what its
/// coefficients are in them. A coefficient that no term stands for (a configuration that can't be placed, a regressor that
/// was let in, an intercept of a configuration) stays as an unknown of its own.
pub(super) fn placed(
    season: &SeasonFit,
    terms: &Terms,
    rows: &[Option<DVector<f64>>],
    q: usize,
    first: usize,
) -> (Design, Group) {
    let of = |k: usize| season.model.column.get(&(k, q)).copied();
    let used: Vec<usize> = (0..rows.len()).filter(|k| of(*k).is_some() && rows[*k].is_some()).collect();
    let coefficients: Vec<usize> = used.iter().filter_map(|k| of(*k)).collect();
    let placed: Vec<&DVector<f64>> = used.iter().filter_map(|k| rows[*k].as_ref()).collect();
    let full = DMatrix::from_fn(placed.len(), terms.terms.len(), |i, j| placed[i][j]);
    let kept = if placed.is_empty() { Vec::new() } else { independent(&full) };
    let mut unknown = vec![None; terms.terms.len()];
    kept.iter().enumerate().for_each(|(at, j)| unknown[*j] = Some(first + at));
    let others = season.model.columns_of(q).into_iter().filter(|c| !coefficients.contains(c));
    let columns: Vec<usize> = coefficients.iter().copied().chain(others).collect();
    let (n, own) = (placed.len(), columns.len() - placed.len());
    let mut design = DMatrix::zeros(columns.len(), kept.len() + own);
    design.view_mut((0, 0), (n, kept.len())).copy_from(&full.select_columns(&kept));
    design.view_mut((n, kept.len()), (own, own)).fill_with_identity();
    let space = if placed.is_empty() { None } else { null_space(&full, NullSpaceParams::default()).ok() };
    (Design { used, columns: unknown, space }, Group { columns, design })
}

/// Columns that the ones before them do not contain.
fn independent(x: &DMatrix<f64>) -> Vec<usize> {
    let mut kept: Vec<usize> = Vec::new();
    for j in 0..x.ncols() {
        let mut tried = kept.clone();
        tried.push(j);
        let rank = null_space(&x.select_columns(&tried), NullSpaceParams::default()).map_or(0, |s| s.rank);
        if rank == tried.len() {
            kept = tried;
        }
    }
    kept
}

/// What each coefficient is made of: unknowns and their factors.
fn made_of(groups: &[Group]) -> BTreeMap<usize, Vec<(usize, f64)>> {
    let mut out = BTreeMap::new();
    let mut first = 0;
    for group in groups {
        for (row, c) in group.design.row_iter().zip(&group.columns) {
            let own = row.iter().enumerate().filter(|(_, by)| **by != 0.0).map(|(j, by)| (first + j, *by));
            out.insert(*c, own.collect());
        }
        first += group.design.ncols();
    }
    out
}

/// The block with its shared columns replaced.
fn with_columns(block: &Block, made_of: &BTreeMap<usize, Vec<(usize, f64)>>) -> Block {
    let turned: Vec<&[(usize, f64)]> =
        block.columns.iter().map(|c| made_of.get(c).map_or(&[][..], Vec::as_slice)).collect();
    let mut columns: Vec<usize> = turned.iter().flat_map(|t| t.iter().map(|(c, _)| *c)).collect();
    columns.sort_unstable();
    columns.dedup();
    let mut x = DMatrix::zeros(block.x.nrows(), columns.len());
    for (j, parts) in turned.iter().enumerate() {
        for (c, factor) in *parts {
            if let Ok(at) = columns.binary_search(c) {
                let mut column = x.column_mut(at);
                column += block.x.column(j) * *factor;
            }
        }
    }
    Block { columns, x, ..block.clone() }
}
