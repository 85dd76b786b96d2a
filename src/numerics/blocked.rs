//! Weighted least squares over blocks (clusters) with nuisance columns that live inside one block, and
//! cluster-robust inference on the columns that all blocks share.
//!
//! A block is one session. Its nuisance columns (sensor zeros of its outings, its wind) are projected
//! out inside the block by QR (Frisch–Waugh–Lovell); the shared columns are then solved by a QR of the
//! blocks' triangular factors, so that memory is one block plus p². The covariance is CR2 (Bell &
//! McCaffrey 2002; Pustejovsky & Tipton, J. Business & Economic Statistics 36, 2018) with Satterthwaite
//! degrees of freedom for every contrast, under the working model "independent, variance 1/weight".

mod adjust;
mod basis;
pub mod blind;
mod innovations;
mod normal;
mod pooled;
pub mod restricted;
mod sparse;
mod together;
pub mod wald;
mod whiten;

use std::borrow::Cow;

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use self::adjust::Adjust;
pub use self::normal::Steps;
pub use self::pooled::Pooled;
pub use self::sparse::{Filling, Layout, Sparse};
pub use self::together::Together;
use self::whiten::{Whitened, Whitener, triangle};

/// One cluster: rows of observations.
#[derive(Clone, Debug)]
pub struct Block {
    /// Shared columns that are not zero in this block: their indices.
    pub columns: Vec<usize>,
    /// n × columns.len().
    pub x: DMatrix<f64>,
    /// n × m nuisance columns, of full rank.
    pub nuisance: DMatrix<f64>,
    /// Observations, n.
    pub y: DVector<f64>,
    /// Weights (1/variance of what each observation has of its own), n.
    pub w: DVector<f64>,
    /// Rows whose errors beside that are correlated.
    pub together: Vec<Together>,
}

/// Why the shared columns can't be solved.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BlockedError {
    /// A value is NaN or infinite.
    #[error("block {block} holds a value that is not finite")]
    NotFinite { block: usize },
    /// A shared column carries nothing that the nuisance columns and the other shared ones do not.
    #[error("shared columns {columns:?} are not identified")]
    NotIdentified { columns: Vec<usize> },
    /// No observation at all.
    #[error("no observations")]
    Empty,
}

/// What the fit found, as small as the coefficients are: all that contrasts of them need.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Inference {
    /// Shared coefficients, p.
    pub beta: DVector<f64>,
    /// (Z'Z)⁻¹ of the whitened, projected shared columns, p × p.
    pub bread: DMatrix<f64>,
    /// Nuisance coefficients of every block.
    pub nuisance: Vec<DVector<f64>>,
    /// Their variances under the working model, the shared columns' uncertainty included.
    pub nuisance_variance: Vec<DVector<f64>>,
    /// Shared columns of every block.
    pub columns: Vec<Vec<usize>>,
    /// Squared lengths of these columns, whitened and projected.
    pub squares: Vec<DVector<f64>>,
    /// Per block M Z' A e: its influence on the coefficients after CR2's adjustment, p.
    pub influence: Vec<DVector<f64>>,
    /// What CR2's adjustment of every block makes of its columns.
    products: Vec<Products>,
}

/// The same with all that was found row by row.
#[derive(Clone, Debug, Default)]
pub struct BlockedFit {
    inference: Inference,
    /// Rows of every block.
    pub rows: Vec<Rows>,
}

/// What was found of the rows of one block.
#[derive(Clone, Debug)]
pub struct Rows {
    /// Shared columns of the block.
    columns: Vec<usize>,
    /// Residuals in the units of y.
    pub residuals: DVector<f64>,
    /// Whitened, projected shared columns (n × columns.len()).
    z: DMatrix<f64>,
    /// CR2's adjustment.
    adjust: Adjust,
    /// Whitened residuals.
    whitened: DVector<f64>,
    /// How the rows were whitened.
    whitener: Whitener,
    /// Leverage of every row on all coefficients, those of the block in them.
    leverage: DVector<f64>,
}

impl std::ops::Deref for BlockedFit {
    type Target = Inference;
    fn deref(&self) -> &Inference {
        &self.inference
    }
}

/// The shared coefficients of all blocks.
#[derive(Clone, Debug)]
pub struct Solution {
    /// Coefficients, p.
    pub beta: DVector<f64>,
    /// (Z'Z)⁻¹ of the whitened, projected columns, p × p.
    pub bread: DMatrix<f64>,
}

/// A row of more leverage than this stands for itself alone: its residual is rounding.
const SINGLE: f64 = 1.0 - 1e-6;
/// Smallest share of a shared column that must survive the projection.
const IDENTIFIED: f64 = 1e-9;

/// Solves the blocks for `p` shared columns.
///
/// # Errors
/// See [`BlockedError`]; `NotIdentified` names the columns to drop.
pub fn fit(blocks: &[Block], p: usize) -> Result<BlockedFit, BlockedError> {
    let whitened = whitened(blocks.len(), |g| Cow::Borrowed(&blocks[g]), true)?;
    let solution = solve(&whitened.par_iter().map(Told::by).collect::<Vec<_>>(), p)?;
    let each: Vec<(Inferred, Rows)> = whitened.into_par_iter().map(|w| Inferred::new(w, &solution)).collect();
    let (inferred, rows): (Vec<_>, _) = each.into_iter().unzip();
    Ok(BlockedFit { inference: Inference::of(solution, inferred), rows })
}

/// Blocks that stay in memory between two looks at each, where the others are made again: a few dozen cost little room, and
/// are most of a usual season.
const AT_HAND: usize = 64;

/// The same for `count` blocks, most of which are in memory only while a thread is at work on them: these
/// are made twice, once to be solved with the others and once for what the coefficients leave of them. `keep` takes what
/// it needs of that.
///
/// # Errors
/// As [`fit`].
pub fn fit_each<'a, T: Send>(
    count: usize,
    block: impl Fn(usize) -> Cow<'a, Block> + Sync,
    p: usize,
    keep: impl Fn(usize, &Solution, Rows) -> T + Sync,
) -> Result<(Inference, Vec<T>), BlockedError> {
    let whitened = |g: usize| Whitened::new(&block(g), true).ok_or(BlockedError::NotFinite { block: g });
    let first = |g: usize| {
        let w = whitened(g)?;
        Ok((Told::by(&w), (g < AT_HAND).then_some(w)))
    };
    let first: Vec<Result<(Told, Option<Whitened>), BlockedError>> = (0..count).into_par_iter().map(first).collect();
    let (told, at_hand): (Vec<_>, Vec<_>) = first.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().unzip();
    let solution = solve(&told, p)?;
    let second = |(g, at_hand): (usize, Option<Whitened>)| {
        let w = at_hand.map_or_else(|| whitened(g), Ok)?;
        let (inferred, rows) = Inferred::new(w, &solution);
        Ok((inferred, keep(g, &solution, rows)))
    };
    let second: Vec<Result<(Inferred, T), BlockedError>> = at_hand.into_par_iter().enumerate().map(second).collect();
    let (inferred, kept): (Vec<_>, _) = second.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().unzip();
    Ok((Inference::of(solution, inferred), kept))
}

/// The estimates alone, without what inference needs: a step of an iteration.
#[derive(Clone, Debug)]
pub struct Estimates {
    /// Shared coefficients, p.
    pub beta: DVector<f64>,
    /// Nuisance coefficients of every block.
    pub nuisance: Vec<DVector<f64>>,
    /// Residuals in the units of y, per block.
    pub residuals: Vec<DVector<f64>>,
    /// Per block the inverse of the rows' covariance times the residuals.
    pub pulls: Vec<DVector<f64>>,
    /// Per block the variances of the nuisance coefficients, were the shared ones known; empty where nobody asked.
    pub variances: Vec<DVector<f64>>,
}

impl Steps {
    /// Solves `count` blocks, which `fill` fills, as [`fit`] does, for the estimates alone; `variances`: those of the
    /// nuisance coefficients too.
    ///
    /// # Errors
    /// As [`fit`].
    pub fn solve(
        &mut self,
        count: usize,
        fill: impl Fn(usize, &mut Sparse) + Sync,
        p: usize,
        variances: bool,
    ) -> Result<Estimates, BlockedError> {
        if let Some(found) = self.estimate(count, &fill, p, variances) {
            return Ok(found);
        }
        by_factors(count, fill, p)
    }
}

/// The estimates by the factorisation that [`fit`] rests on.
fn by_factors(count: usize, fill: impl Fn(usize, &mut Sparse) + Sync, p: usize) -> Result<Estimates, BlockedError> {
    let block = |g: usize| {
        let mut b = Sparse::default();
        fill(g, &mut b);
        Cow::Owned(b.dense())
    };
    let whitened = whitened(count, block, false)?;
    let Solution { beta, .. } = solve(&whitened.par_iter().map(Told::by).collect::<Vec<_>>(), p)?;
    let of_block = |w: &Whitened| {
        let local = w.local(&beta);
        let e = &w.y - &w.z * &local;
        let nuisance = (w.nuisance_coefficients(&local), w.nuisance_variances());
        (nuisance, (w.whitener.raw(&e), w.whitener.pulled(&e)))
    };
    let ((nuisance, variances), (residuals, pulls)) = whitened.par_iter().map(of_block).unzip();
    Ok(Estimates { beta, nuisance, residuals, pulls, variances })
}

/// Blocks are worked on side by side and put together in their order: the same numbers with any number of threads.
fn whitened<'a>(
    count: usize,
    block: impl Fn(usize) -> Cow<'a, Block> + Sync,
    exact: bool,
) -> Result<Vec<Whitened>, BlockedError> {
    let each: Vec<Option<Whitened>> = (0..count).into_par_iter().map(|g| Whitened::new(&block(g), exact)).collect();
    each.into_iter().enumerate().map(|(g, w)| w.ok_or(BlockedError::NotFinite { block: g })).collect()
}

/// What one block adds to the fit's inference.
struct Inferred {
    columns: Vec<usize>,
    influence: DVector<f64>,
    nuisance: DVector<f64>,
    nuisance_variance: DVector<f64>,
    squares: DVector<f64>,
    products: Products,
}

impl Inference {
    fn of(solution: Solution, blocks: Vec<Inferred>) -> Self {
        let mut out = Self { beta: solution.beta, bread: solution.bread, ..Default::default() };
        for b in blocks {
            out.columns.push(b.columns);
            out.influence.push(b.influence);
            out.nuisance.push(b.nuisance);
            out.nuisance_variance.push(b.nuisance_variance);
            out.squares.push(b.squares);
            out.products.push(b.products);
        }
        out
    }
}

/// All that degrees of freedom need of a block, no matter how many contrasts are asked for.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Products {
    /// Z'AZ.
    once: DMatrix<f64>,
    /// Z'A²Z.
    twice: DMatrix<f64>,
    /// U'Z of the directions that the block determines alone.
    alone: DMatrix<f64>,
}

impl Products {
    fn new(z: &DMatrix<f64>, adjust: &Adjust) -> Self {
        // A = I + U(D − I)U' with orthonormal U, so that A² = I + U(D² − I)U'.
        let (plain, turned) = (z.tr_mul(z), adjust.u.tr_mul(z));
        let with = |of: &dyn Fn(f64) -> f64| {
            let scaled = DMatrix::from_fn(turned.nrows(), turned.ncols(), |k, j| of(adjust.d[k]) * turned[(k, j)]);
            &plain + turned.tr_mul(&scaled)
        };
        let alone: Vec<usize> = (0..adjust.d.len()).filter(|k| adjust.d[*k] == -1.0).collect();
        Self { once: with(&|d| d), twice: with(&|d| d * (d + 2.0)), alone: turned.select_rows(&alone) }
    }
}

impl Inferred {
    fn new(w: Whitened, solution: &Solution) -> (Self, Rows) {
        let Solution { beta, bread } = solution;
        let local = w.local(beta);
        let e = &w.y - &w.z * &local;
        let own = select(bread, &w.columns, &w.columns);
        let adjust = Adjust::new(&w.z, &own);
        let score = w.z.tr_mul(&adjust.apply(&e));
        let wide = DMatrix::from_fn(bread.nrows(), w.columns.len(), |i, j| bread[(i, w.columns[j])]);
        let through = &w.z * &own;
        let inferred = Self {
            columns: w.columns.clone(),
            influence: wide * score,
            nuisance: w.nuisance_coefficients(&local),
            nuisance_variance: w.nuisance_variance(&own),
            squares: DVector::from_fn(w.z.ncols(), |j, _| w.z.column(j).norm_squared()),
            products: Products::new(&w.z, &adjust),
        };
        let rows = Rows {
            residuals: w.whitener.raw(&e),
            whitened: e,
            leverage: through.component_mul(&w.z).column_sum() + &w.leverage,
            adjust,
            columns: w.columns,
            z: w.z,
            whitener: w.whitener,
        };
        (inferred, rows)
    }
}

/// What one block says of the shared columns.
struct Told {
    columns: Vec<usize>,
    /// Squares of these, weighted, before and after the projection.
    before: Vec<f64>,
    after: Vec<f64>,
    /// The triangle of [Z y]; without rows where there are none.
    triangle: DMatrix<f64>,
    empty: bool,
}

impl Told {
    fn by(w: &Whitened) -> Self {
        let told = !w.columns.is_empty() && w.z.nrows() > 0;
        Self {
            columns: w.columns.clone(),
            before: w.before.clone(),
            after: w.z.column_iter().map(|c| c.norm_squared()).collect(),
            triangle: if told { w.triangle() } else { DMatrix::zeros(0, w.columns.len() + 1) },
            empty: w.y.is_empty(),
        }
    }
}

/// Blocks whose triangles are put into one at a time.
const TOGETHER: usize = 16;

/// Stacks the blocks' triangular factors, checks every column, solves.
fn solve(blocks: &[Told], p: usize) -> Result<Solution, BlockedError> {
    if blocks.iter().all(|b| b.empty) {
        return Err(BlockedError::Empty);
    }
    // What a column was before the projection tells whether what is left is more than rounding.
    let (mut before, mut after) = (vec![0.0; p], vec![0.0; p]);
    for b in blocks {
        for (j, c) in b.columns.iter().enumerate() {
            before[*c] += b.before[j];
            after[*c] += b.after[j];
        }
    }
    let weak: Vec<usize> = (0..p).filter(|c| after[*c].is_nan() || after[*c] <= IDENTIFIED * before[*c]).collect();
    if !weak.is_empty() {
        return Err(BlockedError::NotIdentified { columns: weak });
    }
    let scale: Vec<f64> = after.iter().map(|s| s.sqrt()).collect();
    // Some blocks at a time, in their order, so that the result is the same with any number of threads and the work
    // and the memory grow as the blocks do.
    let each: Vec<DMatrix<f64>> = blocks.par_chunks(TOGETHER).map(|some| triangle(stacked(some, &scale))).collect();
    let n: usize = each.iter().map(DMatrix::nrows).sum();
    let mut all = DMatrix::zeros(n.max(p + 1), p + 1);
    let mut at = 0;
    for m in &each {
        all.rows_mut(at, m.nrows()).copy_from(m);
        at += m.nrows();
    }
    let r = all.qr().unpack_r();
    let weak: Vec<usize> = (0..p).filter(|i| r[(*i, *i)].abs() < IDENTIFIED.sqrt()).collect();
    if !weak.is_empty() {
        return Err(BlockedError::NotIdentified { columns: weak });
    }
    let failed = || BlockedError::NotIdentified { columns: Vec::new() };
    let (right, r) = (r.view((0, p), (p, 1)).into_owned(), r.view((0, 0), (p, p)).into_owned());
    let beta = r.solve_upper_triangular(&right).ok_or_else(failed)?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p)).ok_or_else(failed)?;
    let bread = &inverse * inverse.transpose();
    let beta = DVector::from_fn(p, |i, _| beta[(i, 0)] / scale[i]);
    let bread = DMatrix::from_fn(p, p, |i, j| bread[(i, j)] / (scale[i] * scale[j]));
    Ok(Solution { beta, bread })
}

/// The triangles of some blocks over one another, in all shared columns and the observations behind them.
fn stacked(blocks: &[Told], scale: &[f64]) -> DMatrix<f64> {
    let p = scale.len();
    let mut out = DMatrix::zeros(blocks.iter().map(|b| b.triangle.nrows()).sum(), p + 1);
    let mut at = 0;
    for b in blocks {
        let t = &b.triangle;
        for (j, c) in b.columns.iter().enumerate() {
            for i in 0..t.nrows() {
                out[(at + i, *c)] = t[(i, j)] / scale[*c];
            }
        }
        out.view_mut((at, p), (t.nrows(), 1)).copy_from(&t.column(b.columns.len()));
        at += t.nrows();
    }
    out
}

fn select(m: &DMatrix<f64>, rows: &[usize], columns: &[usize]) -> DMatrix<f64> {
    DMatrix::from_fn(rows.len(), columns.len(), |i, j| m[(rows[i], columns[j])])
}

impl Inference {
    /// CR2 covariance of the shared coefficients.
    pub fn covariance(&self) -> DMatrix<f64> {
        let p = self.beta.len();
        self.influence.iter().fold(DMatrix::zeros(p, p), |sum, u| sum + u * u.transpose())
    }

    /// CR2 variance of the contrast ℓ'β.
    pub fn variance(&self, contrast: &DVector<f64>) -> f64 {
        self.influence.iter().map(|u| u.dot(contrast).powi(2)).sum()
    }

    /// Satterthwaite degrees of freedom of that variance; 0 when no block tells anything about it.
    pub fn dof(&self, contrast: &DVector<f64>) -> f64 {
        let ml = &self.bread * contrast;
        // b_g = A_g Z_g M ℓ; z_g = Z_g' b_g (in shared columns); P_gh = δ_gh b_g·b_g − z_g'M z_h as in Pustejovsky &
        // Tipton, eq. 11. Σ_gh (z_g'M z_h)² is the trace of (M Σ z_g z_g')², so that the work grows as the blocks do.
        let p = self.beta.len();
        let (mut trace, mut square) = (0.0, 0.0);
        let mut gram = DMatrix::zeros(p, p);
        for (columns, products) in self.columns.iter().zip(&self.products) {
            let local = DVector::from_iterator(columns.len(), columns.iter().map(|c| ml[*c]));
            let zb = &products.once * &local;
            let (own, mut taken) = (local.dot(&(&products.twice * &local)), 0.0);
            for (j, c) in columns.iter().enumerate() {
                for (k, d) in columns.iter().enumerate() {
                    let product = zb[j] * zb[k];
                    gram[(*c, *d)] += product;
                    taken += self.bread[(*c, *d)] * product;
                }
            }
            trace += own - taken;
            square += own * own - 2.0 * own * taken;
        }
        let turned = &self.bread * gram;
        square += turned.iter().zip(turned.transpose().iter()).map(|(a, b)| a * b).sum::<f64>();
        if square > 0.0 && trace > 0.0 { trace * trace / square } else { 0.0 }
    }

    /// Variance of the contrast under the working model (independent rows of variance 1/weight).
    pub fn model_variance(&self, contrast: &DVector<f64>) -> f64 {
        (contrast.transpose() * &self.bread * contrast)[(0, 0)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two sessions with an intercept each and a shared slope, solved by hand.
    pub(super) fn blocks() -> Vec<Block> {
        let make = |x: &[f64], y: &[f64]| Block {
            columns: vec![0],
            x: DMatrix::from_column_slice(x.len(), 1, x),
            nuisance: DMatrix::from_element(x.len(), 1, 1.0),
            y: DVector::from_column_slice(y),
            w: DVector::from_element(x.len(), 1.0),
            together: Vec::new(),
        };
        vec![make(&[1.0, 2.0, 4.0], &[3.0, 5.1, 8.8]), make(&[1.0, 3.0], &[0.0, 4.4])]
    }

    #[test]
    fn slope_within_blocks() {
        let fit = fit(&blocks(), 1).unwrap();
        // Sums of squares within: x 14/3 + 2, xy by the same deviations.
        let sxx = 14.0 / 3.0 + 2.0;
        let sxy = (1.0 - 7.0 / 3.0) * 3.0 + (2.0 - 7.0 / 3.0) * 5.1 + (4.0 - 7.0 / 3.0) * 8.8 + 4.4;
        assert!((fit.beta[0] - sxy / sxx).abs() < 1e-12);
        assert!((fit.bread[(0, 0)] - 1.0 / sxx).abs() < 1e-12);
        assert!((fit.nuisance[1][0] - (2.2 - 2.0 * fit.beta[0])).abs() < 1e-12);
    }

    #[test]
    fn cr2_is_unbiased_under_the_working_model() {
        // E[CR2] = ℓ'Mℓ when the rows are independent with variance one: the trace of P.
        let fit = fit(&blocks(), 1).unwrap();
        let l = DVector::from_element(1, 1.0);
        let m = fit.bread[(0, 0)];
        let mut trace = 0.0;
        for rows in &fit.rows {
            let b = rows.adjust.apply(&(&rows.z * DVector::from_element(1, m)));
            let zb = rows.z.transpose() * &b;
            trace += b.norm_squared() - zb[0] * m * zb[0];
        }
        assert!((trace - fit.model_variance(&l)).abs() < 1e-12);
    }

    #[test]
    fn blocks_made_one_at_a_time_are_the_same() {
        // Some at hand, some made again.
        let blocks: Vec<Block> = (0..AT_HAND).flat_map(|_| blocks()).collect();
        let whole = fit(&blocks, 1).unwrap();
        let each = |g: usize| Cow::Borrowed(&blocks[g]);
        let (one, rows) = fit_each(blocks.len(), each, 1, |_, _, rows| rows.residuals).unwrap();
        assert_eq!((&one.beta, &one.bread, &one.influence), (&whole.beta, &whole.bread, &whole.influence));
        assert!(rows.iter().zip(&whole.rows).all(|(one, other)| *one == other.residuals));
        let empty = |_: usize| Cow::Borrowed(&blocks[0]);
        assert_eq!(fit_each(0, empty, 1, |_, _, _| ()).unwrap_err(), BlockedError::Empty);
    }

    #[test]
    fn a_column_that_never_varies_is_named() {
        let mut b = blocks();
        for block in &mut b {
            block.x.fill(5.0);
        }
        assert_eq!(fit(&b, 1).unwrap_err(), BlockedError::NotIdentified { columns: vec![0] });
        b[0].y[0] = f64::NAN;
        assert_eq!(fit(&b, 1).unwrap_err(), BlockedError::NotFinite { block: 0 });
    }
}
