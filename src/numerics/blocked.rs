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
mod normal;
mod pooled;
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
pub use self::sparse::Sparse;
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
    /// Residuals in the units of y, per block.
    pub residuals: Vec<DVector<f64>>,
    /// Whitened, projected shared columns of every block (n × columns.len()).
    pub z: Vec<DMatrix<f64>>,
    /// CR2's adjustment of every block.
    adjust: Vec<Adjust>,
    /// Whitened residuals per block.
    pub whitened: Vec<DVector<f64>>,
    /// Per block, how its rows were whitened.
    whiteners: Vec<Whitener>,
    /// Leverage of every row on all coefficients, those of the block in them.
    leverage: Vec<DVector<f64>>,
}

impl std::ops::Deref for BlockedFit {
    type Target = Inference;
    fn deref(&self) -> &Inference {
        &self.inference
    }
}

impl From<BlockedFit> for Inference {
    /// The rows are let go.
    fn from(fit: BlockedFit) -> Self {
        fit.inference
    }
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
    fit_each(blocks.len(), |g| Cow::Borrowed(&blocks[g]), p)
}

/// The same for `count` blocks that are made one at a time and let go: with every zero written out they are large.
///
/// # Errors
/// As [`fit`].
pub fn fit_each<'a>(
    count: usize,
    block: impl Fn(usize) -> Cow<'a, Block> + Sync,
    p: usize,
) -> Result<BlockedFit, BlockedError> {
    let whitened = whitened(count, block, true)?;
    if whitened.iter().all(|w| w.y.is_empty()) {
        return Err(BlockedError::Empty);
    }
    let (beta, bread) = solve(&whitened, p)?;
    let inferred: Vec<Inferred> = whitened.par_iter().map(|w| Inferred::new(w, &beta, &bread)).collect();
    let mut out = BlockedFit { inference: Inference { beta, bread, ..Default::default() }, ..Default::default() };
    for (w, i) in whitened.into_iter().zip(inferred) {
        out.inference.columns.push(w.columns);
        out.inference.influence.push(i.influence);
        out.inference.nuisance.push(i.nuisance);
        out.inference.nuisance_variance.push(i.nuisance_variance);
        out.inference.squares.push(DVector::from_fn(w.z.ncols(), |j, _| w.z.column(j).norm_squared()));
        out.inference.products.push(i.products);
        out.residuals.push(i.residuals);
        out.leverage.push(i.leverage);
        out.whitened.push(i.whitened);
        out.z.push(w.z);
        out.whiteners.push(w.whitener);
        out.adjust.push(i.adjust);
    }
    Ok(out)
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
        if let Some(found) = self.estimate(count, fill, p, variances) {
            return Ok(found);
        }
        let blocks: Vec<&Sparse> = self.blocks().collect();
        if blocks.iter().all(|b| b.len() == 0) { Err(BlockedError::Empty) } else { by_factors(&blocks, p) }
    }
}

/// The estimates by the factorisation that [`fit`] rests on.
fn by_factors(blocks: &[&Sparse], p: usize) -> Result<Estimates, BlockedError> {
    let whitened = whitened(blocks.len(), |g| Cow::Owned(blocks[g].dense()), false)?;
    let (beta, _) = solve(&whitened, p)?;
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
    influence: DVector<f64>,
    nuisance: DVector<f64>,
    nuisance_variance: DVector<f64>,
    residuals: DVector<f64>,
    whitened: DVector<f64>,
    leverage: DVector<f64>,
    adjust: Adjust,
    products: Products,
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
    fn new(w: &Whitened, beta: &DVector<f64>, bread: &DMatrix<f64>) -> Self {
        let local = w.local(beta);
        let e = &w.y - &w.z * &local;
        let own = select(bread, &w.columns, &w.columns);
        let adjust = Adjust::new(&w.z, &own);
        let score = w.z.tr_mul(&adjust.apply(&e));
        let wide = DMatrix::from_fn(bread.nrows(), w.columns.len(), |i, j| bread[(i, w.columns[j])]);
        let through = &w.z * &own;
        Self {
            influence: wide * score,
            nuisance: w.nuisance_coefficients(&local),
            nuisance_variance: w.nuisance_variance(&own),
            residuals: w.whitener.raw(&e),
            whitened: e,
            leverage: through.component_mul(&w.z).column_sum() + &w.leverage,
            products: Products::new(&w.z, &adjust),
            adjust,
        }
    }
}

/// Blocks whose triangles are put into one at a time.
const TOGETHER: usize = 16;

/// Stacks the blocks' triangular factors, checks every column, solves.
fn solve(whitened: &[Whitened], p: usize) -> Result<(DVector<f64>, DMatrix<f64>), BlockedError> {
    // What a column was before the projection tells whether what is left is more than rounding.
    let (mut before, mut after) = (vec![0.0; p], vec![0.0; p]);
    for w in whitened {
        for (j, c) in w.columns.iter().enumerate() {
            before[*c] += w.before[j];
            after[*c] += w.z.column(j).norm_squared();
        }
    }
    let weak: Vec<usize> = (0..p).filter(|c| after[*c].is_nan() || after[*c] <= IDENTIFIED * before[*c]).collect();
    if !weak.is_empty() {
        return Err(BlockedError::NotIdentified { columns: weak });
    }
    let scale: Vec<f64> = after.iter().map(|s| s.sqrt()).collect();
    // Some blocks at a time, in their order, so that the result is the same with any number of threads and the work
    // and the memory grow as the blocks do.
    let each: Vec<DMatrix<f64>> =
        whitened.par_chunks(TOGETHER).map(|whitened| triangle(stacked(whitened, &scale))).collect();
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
    Ok((beta, bread))
}

/// The triangles of some blocks over one another, in all shared columns and the observations behind them.
fn stacked(whitened: &[Whitened], scale: &[f64]) -> DMatrix<f64> {
    let p = scale.len();
    let told = whitened.iter().filter(|w| !w.columns.is_empty() && w.z.nrows() > 0);
    let triangles: Vec<(&Whitened, DMatrix<f64>)> = told.map(|w| (w, w.triangle())).collect();
    let mut out = DMatrix::zeros(triangles.iter().map(|t| t.1.nrows()).sum(), p + 1);
    let mut at = 0;
    for (w, t) in &triangles {
        for (j, c) in w.columns.iter().enumerate() {
            for i in 0..t.nrows() {
                out[(at + i, *c)] = t[(i, j)] / scale[*c];
            }
        }
        out.view_mut((at, p), (t.nrows(), 1)).copy_from(&t.column(w.columns.len()));
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
        for (z, a) in fit.z.iter().zip(&fit.adjust) {
            let b = a.apply(&(z * DVector::from_element(1, m)));
            let zb = z.transpose() * &b;
            trace += b.norm_squared() - zb[0] * m * zb[0];
        }
        assert!((trace - fit.model_variance(&l)).abs() < 1e-12);
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
