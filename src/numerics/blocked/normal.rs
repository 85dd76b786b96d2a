//! The estimates by normal equations: what a step of an iteration needs, at a fraction of the cost of the factorisation
//! that inference rests on. Rows are taken as they are, few places of each not zero; rows that err together change the
//! sums by a matrix as small as the number of the states that act on them (Woodbury's identity).
//!
//! Normal equations square the condition number. Where a pivot says that this would cost more than a few digits, the
//! answer is `None` and the factorisation has to do.

use std::ops::Range;

use multiversion::multiversion;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

use super::sparse::{Layout, Sparse};
use super::together::Chain;
use super::{AT_HAND, Estimates, IDENTIFIED};

/// Least share of a column that others must leave for its pivot to be trusted.
const TRUSTED: f64 = 1e-8;

/// The equations of blocks, in the room that they had in the step before. Some of the blocks stand beside them
/// (the first few dozen); the others are filled once for their equations and once for what these leave, each time in the same few
/// places: all of them at once would be larger than all else that a step needs.
#[derive(Clone, Debug, Default)]
pub struct Steps {
    blocks: Vec<Equations>,
}

#[derive(Clone, Debug, Default)]
struct Equations {
    step: Step,
    /// The block, where it is at hand.
    block: Option<Sparse>,
}

impl Steps {
    /// Fills the blocks and solves them; `None` where the equations are too close to singular, or a value is not finite.
    pub(super) fn estimate(
        &mut self,
        count: usize,
        fill: impl Fn(usize, &mut Sparse) + Sync,
        p: usize,
        variances: bool,
    ) -> Option<Estimates> {
        self.blocks.resize_with(count, Default::default);
        self.blocks.iter_mut().take(AT_HAND).for_each(|e| _ = e.block.get_or_insert_default());
        let formed = |(room, scratch): &mut (Sparse, Scratch), (g, e): (usize, &mut Equations)| {
            let b = e.block.as_mut().unwrap_or(room);
            fill(g, b);
            e.step.form(b, scratch).is_some()
        };
        let sound: Vec<bool> = self.blocks.par_iter_mut().enumerate().map_init(Default::default, formed).collect();
        if sound.contains(&false) {
            return None;
        }
        let (mut whole, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
        let mut before = vec![0.0; p];
        for Equations { step, .. } in &self.blocks {
            for (j, c) in step.columns.iter().enumerate() {
                before[*c] += step.before[j];
                let left = step.reduced(j);
                // Both of a column's places, in whichever order the block has them; y stands behind them.
                for (d, v) in step.columns[j..].iter().zip(left) {
                    whole[(*c.max(d), *c.min(d))] += v;
                }
                right[*c] += left[step.columns.len() - j];
            }
        }
        whole.fill_upper_triangle_with_lower_triangle();
        let scale: Vec<f64> = whole.diagonal().iter().map(|v| v.sqrt()).collect();
        // What the factorisation would refuse is left to it to name.
        if (0..p).any(|c| whole[(c, c)].is_nan() || whole[(c, c)] <= IDENTIFIED * before[c]) {
            return None;
        }
        let scaled = DMatrix::from_fn(p, p, |i, j| whole[(i, j)] / (scale[i] * scale[j]));
        let solved = trusted(scaled)?.solve(&DVector::from_fn(p, |i, _| right[i] / scale[i]));
        let beta = DVector::from_fn(p, |i, _| solved[i] / scale[i]);
        let of_block = |room: &mut Sparse, (g, Equations { step, block }): (usize, &Equations)| {
            let b = block.as_ref().unwrap_or_else(|| {
                fill(g, room);
                room
            });
            let columns = &b.layout.columns;
            let local = DVector::from_iterator(columns.len(), columns.iter().map(|c| beta[*c]));
            let nuisance = step.nuisance(&local);
            let residuals = residuals(b, &local, &nuisance);
            let pulls = step.pulls(b, &residuals);
            let variances = if variances { step.variances() } else { DVector::zeros(0) };
            ((nuisance, variances), (residuals, pulls))
        };
        let of_blocks = self.blocks.par_iter().enumerate().map_init(Sparse::default, of_block);
        let ((nuisance, variances), (residuals, pulls)) = of_blocks.unzip();
        let estimates = Estimates { beta, nuisance, residuals, pulls, variances };
        estimates.beta.iter().all(|v| v.is_finite()).then_some(estimates)
    }
}

/// The factor of a matrix whose pivots leave enough of its diagonal.
fn trusted(m: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    let diagonal = m.diagonal();
    let factor = Cholesky::new(m)?;
    let l = factor.l_dirty();
    (0..diagonal.len()).all(|i| l[(i, i)].powi(2) > TRUSTED * diagonal[i]).then_some(factor)
}

/// What the coefficients leave of the observations.
fn residuals(b: &Sparse, local: &DVector<f64>, nuisance: &DVector<f64>) -> DVector<f64> {
    // y's own place last: what is left is y less all else.
    let all: Vec<f64> = nuisance.iter().chain(local.iter()).map(|v| -v).chain(std::iter::once(1.0)).collect();
    let mut out = DVector::zeros(b.len());
    let mut of_shape = Vec::new();
    for shape in 0..b.layout.shapes() {
        of_shape.clear();
        of_shape.extend(b.layout.places(shape).iter().map(|place| all[*place as usize]));
        for row in b.layout.rows_of(shape) {
            let (_, values) = b.row(*row as usize);
            out[*row as usize] = of_shape.iter().zip(values).map(|(of_place, v)| of_place * v).sum();
        }
    }
    out
}

/// The normal equations of one block, its nuisance columns eliminated.
#[derive(Clone, Debug, Default)]
struct Step {
    /// Shared columns of the block.
    columns: Vec<usize>,
    /// Per group of rows that err together the factor of what its states are told.
    chains: Vec<Chain>,
    /// Nuisance columns, m.
    own: usize,
    /// All columns: nuisance, shared, y.
    all: usize,
    /// [N X y]'Σ⁻¹[N X y] after m steps of Cholesky's elimination, the lower triangle column by column: the factor L of
    /// N'Σ⁻¹N, below it L⁻¹N'Σ⁻¹[X y] turned, and [X y]'Σ⁻¹[X y] with the nuisance columns projected out.
    eliminated: Vec<f64>,
    /// Squares of the shared columns, weighted, before anything was taken from them.
    before: Vec<f64>,
}

impl Step {
    /// Makes the equations of a block in the room of those that were.
    fn form(&mut self, b: &Sparse, scratch: &mut Scratch) -> Option<()> {
        if !b.is_finite() {
            return None;
        }
        let layout = &*b.layout;
        let (m, all) = (layout.nuisance, layout.observed() + 1);
        (self.own, self.all) = (m, all);
        self.columns.clone_from(&layout.columns);
        self.eliminated.clear();
        self.eliminated.resize(all * all, 0.0);
        scratch.sums.clear();
        scratch.sums.resize(layout.all_products(), 0.0);
        add_rows(layout, b.values(), &b.w, &mut scratch.sums);
        for shape in 0..layout.shapes() {
            let places = layout.places(shape);
            let lines = scratch.sums[layout.products(shape)].chunks_exact(Layout::stride(places.len()));
            for (a, (place, line)) in places.iter().zip(lines).enumerate() {
                let column = &mut self.eliminated[*place as usize * all..][..all];
                places[a..].iter().zip(&line[a..]).for_each(|(other, sum)| column[*other as usize] += sum);
            }
        }
        self.before.clear();
        self.before.extend((m..all - 1).map(|j| self.eliminated[j * all + j]));
        self.take_together(b, scratch)?;
        eliminate(&mut self.eliminated, all, m)
    }

    /// Takes from the sums what rows that err together do not tell; `None` where that is not finite or out of range.
    fn take_together(&mut self, b: &Sparse, scratch: &mut Scratch) -> Option<()> {
        self.chains.clear();
        scratch.begin(self.all, &b.layout);
        for t in b.together.iter() {
            let rows = t.first..t.first + t.acts.len();
            let chain = Chain::new(t, b.w.get(rows.clone())?)?;
            scratch.touch(&b.layout, rows, &mut self.eliminated);
            // D'W[N X y] of the places that these rows touch, state by state.
            let stride = scratch.stride();
            scratch.through.clear();
            scratch.through.resize(t.kept.len() * stride, 0.0);
            for (i, (state, act)) in t.acts.iter().enumerate() {
                let weighted = b.w[t.first + i] * act;
                let of_state = &mut scratch.through[state * stride..][..stride];
                let (shape, values) = b.row(t.first + i);
                let index = &scratch.index[b.layout.range(shape)];
                index.iter().zip(values).for_each(|(at, v)| of_state[*at as usize] += weighted * v);
            }
            chain.forward(&mut scratch.through, stride);
            multiply(&scratch.through, stride, &mut scratch.products);
            self.chains.push(chain);
        }
        scratch.put(&mut self.eliminated);
        Some(())
    }

    /// What is left of a shared column (or of y, behind them) and of those behind it.
    fn reduced(&self, j: usize) -> &[f64] {
        let j = self.own + j;
        &self.eliminated[j * self.all + j..(j + 1) * self.all]
    }

    /// The column of L of a nuisance column from its pivot on, and what stands below L.
    fn factor(&self, j: usize) -> (&[f64], &[f64]) {
        let column = &self.eliminated[j * self.all..(j + 1) * self.all];
        (&column[j..self.own], &column[self.own..])
    }

    /// Nuisance coefficients given the shared ones.
    fn nuisance(&self, local: &DVector<f64>) -> DVector<f64> {
        let mut out = DVector::zeros(self.own);
        for j in (0..self.own).rev() {
            let (factor, across) = self.factor(j);
            let told: f64 = across.iter().zip(local.iter()).map(|(a, l)| a * l).sum();
            let later: f64 = factor.iter().zip(out.iter().skip(j)).skip(1).map(|(l, x)| l * x).sum();
            out[j] = (across[local.len()] - told - later) / factor[0];
        }
        out
    }

    /// Variances of the nuisance coefficients given the shared ones: squared lengths of the columns of L⁻¹.
    fn variances(&self) -> DVector<f64> {
        let mut unit = vec![0.0; self.own];
        DVector::from_fn(self.own, |j, _| {
            unit.fill(0.0);
            unit[j] = 1.0;
            for i in j..self.own {
                let (factor, _) = self.factor(i);
                unit[i] /= factor[0];
                let here = unit[i];
                if here != 0.0 {
                    unit[i + 1..].iter_mut().zip(&factor[1..]).for_each(|(u, l)| *u -= here * l);
                }
            }
            unit[j..].iter().map(|u| u * u).sum()
        })
    }

    /// Σ⁻¹ times the residuals.
    fn pulls(&self, b: &Sparse, residuals: &DVector<f64>) -> DVector<f64> {
        let mut out = DVector::from_fn(b.len(), |i, _| b.w[i] * residuals[i]);
        for (t, chain) in b.together.iter().zip(&self.chains) {
            let mut states = vec![0.0; t.kept.len()];
            for ((state, act), pull) in t.acts.iter().zip(out.as_slice().iter().skip(t.first)) {
                states[*state] += act * pull;
            }
            chain.forward(&mut states, 1);
            chain.backward(&mut states);
            for (i, (state, act)) in t.acts.iter().enumerate() {
                out[t.first + i] -= b.w[t.first + i] * act * states[*state];
            }
        }
        out
    }
}

/// Cholesky's elimination of the first `own` of `n` columns, whose lower triangle stands column by column; `None` where a
/// pivot says that the equations are too close to singular. Many zeros of outings have nothing in common: what is zero is
/// passed over.
fn eliminate(a: &mut [f64], n: usize, own: usize) -> Option<()> {
    let diagonal: Vec<f64> = (0..own).map(|j| a[j * n + j]).collect();
    for j in 0..own {
        let (done, rest) = a.split_at_mut((j + 1) * n);
        let column = &mut done[j * n..];
        let pivot = column[j];
        if pivot.is_nan() || pivot <= TRUSTED * diagonal[j] {
            return None;
        }
        let root = pivot.sqrt();
        column[j..].iter_mut().for_each(|v| *v /= root);
        for (c, later) in (j + 1..n).zip(rest.chunks_exact_mut(n)) {
            let by = column[c];
            if by != 0.0 {
                later[c..].iter_mut().zip(&column[c..]).for_each(|(v, l)| *v -= by * l);
            }
        }
    }
    Some(())
}

/// Sums the weighted products of the values of every shape's rows with each other, from the diagonal on. Compiled for
/// newer processors too: most of a step is spent here.
#[multiversion(targets("x86_64+avx2"))]
fn add_rows(layout: &Layout, values: &[f64], w: &[f64], sums: &mut [f64]) {
    let fours = values.as_chunks::<4>().0;
    for shape in 0..layout.shapes() {
        let (rows, stride) = (layout.rows_of(shape), Layout::stride(layout.places(shape).len()));
        let sums = &mut sums[layout.products(shape)];
        // Four lines by four places at a time: so many sums stay where they are while the rows pass by.
        for (a, b) in (0..stride / 4).flat_map(|a| (a..stride / 4).map(move |b| (a, b))) {
            let mut block = [[0.0; 4]; 4];
            for row in rows {
                let (first, w) = (layout.first_four(*row), w[*row as usize]);
                let (lines, places) = (&fours[first + a], &fours[first + b]);
                for (sums, value) in block.iter_mut().zip(lines) {
                    let weighted = w * value;
                    sums.iter_mut().zip(places).for_each(|(sum, v)| *sum += weighted * v);
                }
            }
            for (line, of_line) in sums.chunks_exact_mut(stride).skip(4 * a).zip(block) {
                line[4 * b..4 * b + 4].copy_from_slice(&of_line);
            }
        }
    }
}

/// Adds what the states of one group take to the products of the touched places, `stride` of them a state and a line.
#[multiversion(targets("x86_64+avx2"))]
fn multiply(through: &[f64], stride: usize, products: &mut [f64]) {
    for of_state in through.chunks_exact(stride.max(1)) {
        for (a, (value, line)) in of_state.iter().zip(products.chunks_exact_mut(stride)).enumerate() {
            if *value == 0.0 {
                continue;
            }
            // From the four that hold the diagonal on.
            let from = a / 4;
            let lanes = line.as_chunks_mut::<4>().0[from..].iter_mut().zip(&of_state.as_chunks::<4>().0[from..]);
            lanes.for_each(|(sums, v)| sums.iter_mut().zip(v).for_each(|(sum, v)| *sum += value * v));
        }
    }
}

/// Room for what groups of rows that err together take from the sums. Groups follow each other that touch the same
/// places: those of one outing. What they take is summed before it is put where it belongs.
#[derive(Default)]
struct Scratch {
    all: usize,
    /// Products of the rows' values, shape by shape.
    sums: Vec<f64>,
    /// Per place of the block its index among those that are touched.
    place_of: Vec<u32>,
    touched: Vec<u32>,
    /// The same per place of every shape that is known to touch no others.
    index: Vec<u32>,
    known: Vec<bool>,
    /// Touched places, for every state of a group.
    through: Vec<f64>,
    /// Touched places by touched places, the upper triangle line by line.
    products: Vec<f64>,
}

impl Scratch {
    const NOWHERE: u32 = u32::MAX;

    fn begin(&mut self, all: usize, layout: &Layout) {
        self.all = all;
        self.place_of.clear();
        self.place_of.resize(all, Self::NOWHERE);
        self.index.clear();
        self.index.resize(layout.all_places(), 0);
        self.known.clear();
        self.known.resize(layout.shapes(), false);
        self.touched.clear();
        self.products.clear();
    }

    /// Length of a line of products: they go four at a time.
    fn stride(&self) -> usize {
        self.touched.len().next_multiple_of(4)
    }

    /// Makes room for the places of some rows; where there is one more the others are done with.
    fn touch(&mut self, layout: &Layout, rows: Range<usize>, sums: &mut [f64]) {
        let shapes = || rows.clone().map(|i| layout.shape(i));
        if shapes().all(|shape| self.known[shape]) {
            return;
        }
        let places = || shapes().flat_map(|shape| layout.places(shape));
        if places().any(|p| self.place_of[*p as usize] == Self::NOWHERE) {
            self.put(sums);
            for place in places() {
                let of = &mut self.place_of[*place as usize];
                if *of == Self::NOWHERE {
                    *of = self.touched.len() as u32;
                    self.touched.push(*place);
                }
            }
            self.products.resize(self.touched.len() * self.stride(), 0.0);
        }
        for shape in shapes() {
            if !std::mem::replace(&mut self.known[shape], true) {
                let index = self.index[layout.range(shape)].iter_mut().zip(layout.places(shape));
                index.for_each(|(index, place)| *index = self.place_of[*place as usize]);
            }
        }
    }

    /// Takes it from the sums and forgets the places.
    fn put(&mut self, sums: &mut [f64]) {
        let stride = self.stride().max(1);
        for ((a, place), line) in self.touched.iter().enumerate().zip(self.products.chunks_exact(stride)) {
            for (other, product) in self.touched.iter().zip(line).skip(a) {
                sums[*place.min(other) as usize * self.all + *place.max(other) as usize] -= product;
            }
            self.place_of[*place as usize] = Self::NOWHERE;
        }
        self.known.fill(false);
        self.touched.clear();
        self.products.clear();
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::super::wald::tests::blocks;
    use super::super::{Block, Estimates, Sparse, Together, by_factors};
    use super::{Layout, Steps, add_rows};

    fn estimate(blocks: &[Block], p: usize) -> Option<Estimates> {
        let sparse: Vec<Sparse> = blocks.iter().map(Sparse::from).collect();
        Steps::default().estimate(sparse.len(), |g, b| b.clone_from(&sparse[g]), p, true)
    }

    /// Blocks with rows in threes that err together by two states, and a row without weight to speak of.
    fn correlated(seed: u64) -> Vec<Block> {
        let acts = vec![(0, 0.4), (1, -0.8), (1, 0.1)];
        let mut all = blocks(seed, 6);
        for b in &mut all {
            b.together = (0..b.y.len() / 3)
                .map(|t| Together { first: 3 * t, acts: acts.clone(), kept: vec![0.0, 0.6] })
                .collect();
            b.w[1] = 1e-6;
            b.x[(2, 1)] = 0.0;
        }
        all
    }

    fn factored(blocks: &[Block]) -> Estimates {
        let sparse: Vec<Sparse> = blocks.iter().map(Sparse::from).collect();
        by_factors(sparse.len(), |g, b| b.clone_from(&sparse[g]), 3).unwrap()
    }

    fn near(a: &DVector<f64>, b: &DVector<f64>) {
        assert!((a - b).norm() <= 1e-9 * (a.norm() + b.norm()), "{a} {b}");
    }

    #[test]
    fn the_same_as_by_factorisation() {
        for seed in 0..20 {
            let blocks = correlated(seed);
            let (one, other): (Estimates, Estimates) = (estimate(&blocks, 3).unwrap(), factored(&blocks));
            near(&one.beta, &other.beta);
            for g in 0..blocks.len() {
                near(&one.nuisance[g], &other.nuisance[g]);
                near(&one.residuals[g], &other.residuals[g]);
                near(&one.pulls[g], &other.pulls[g]);
                near(&one.variances[g], &other.variances[g]);
            }
        }
    }

    #[test]
    fn rows_of_every_width_are_summed() {
        for width in 1..=18_u32 {
            let layout = Layout::new(Vec::new(), 0, &[vec![0], (0..width).collect()], vec![1, 0, 1]);
            let row = |k: f64| (0..width).map(move |i| k + f64::from(i * i % 7));
            let values: Vec<f64> = row(1.0).chain([9.0]).chain(row(-3.0)).collect();
            let mut sums = vec![0.0; layout.all_products()];
            let mut padded: Vec<f64> = Vec::new();
            for row in [0..width as usize, width as usize..width as usize + 1, width as usize + 1..values.len()] {
                padded.extend(&values[row]);
                padded.resize(padded.len().next_multiple_of(4), 0.0);
            }
            add_rows(&layout, &padded, &[2.0, 1.0, 0.5], &mut sums);
            assert_eq!(sums[layout.products(0)][0], 81.0);
            let (first, third): (Vec<f64>, Vec<f64>) = (row(1.0).collect(), row(-3.0).collect());
            for (a, line) in sums[layout.products(1)].chunks_exact(Layout::stride(width as usize)).enumerate() {
                for b in a..width as usize {
                    assert_eq!(line[b], 2.0 * first[a] * first[b] + 0.5 * third[a] * third[b], "{width}: {a} {b}");
                }
            }
        }
    }

    #[test]
    fn what_is_nearly_singular_is_left_to_the_factorisation() {
        let mut all = correlated(1);
        for b in &mut all {
            let copied = b.x.column(0) + 1e-6 * b.x.column(1);
            b.x.set_column(2, &copied);
        }
        assert!(estimate(&all, 3).is_none());
        let mut all = correlated(2);
        all[3].y[0] = f64::NAN;
        assert!(estimate(&all, 3).is_none());
        let mut all = correlated(3);
        all[0].together[0].first = 100;
        assert!(estimate(&all, 3).is_none());
    }
}
