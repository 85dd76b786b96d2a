//! What one block alone determines. Where a direction of the coefficients has leverage one in a block, that block's
//! residual is zero along it and CR2 leaves it out: no other block shows how it scatters from block to block. Here
//! is how much of a contrast hangs on such directions, and what a common factor of the whole block would do to it.

use std::collections::BTreeMap;

use nalgebra::DVector;

use super::{Inference, Products, Rows, SINGLE};

/// Share of a contrast's variance under which nothing hangs on a single block.
const NEGLIGIBLE: f64 = 1e-6;

/// The part of a contrast that single blocks determine alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Blind {
    /// Its share of the contrast's variance under the working model, 0 to 1.
    pub share: f64,
    /// Its HC3 variance from the scatter of the rows inside the blocks, rows of one group summed.
    pub within: f64,
    /// Per block and kind of row: change of the contrast if all that the block measured of that kind were larger by
    /// the factor 1 + 1.
    pub common: BTreeMap<(usize, usize), f64>,
}

impl Blind {
    /// Whether a share is more than rounding.
    pub fn counts(share: f64) -> bool {
        share > NEGLIGIBLE
    }
    /// Whether any of the contrast hangs on single blocks.
    pub fn any(&self) -> bool {
        Self::counts(self.share)
    }
    /// Whether all of it does.
    pub fn all(&self) -> bool {
        self.share > 1.0 - NEGLIGIBLE
    }
}

impl Inference {
    /// Share of the contrast's variance that single blocks determine alone: [`Blind::share`] for a fraction of its cost.
    pub fn share_alone(&self, contrast: &DVector<f64>) -> f64 {
        let ml = &self.bread * contrast;
        let of_block = |(columns, products): (&Vec<usize>, &Products)| {
            let alone = &products.alone;
            let row = |k: usize| columns.iter().enumerate().map(|(j, c)| alone[(k, j)] * ml[*c]).sum::<f64>();
            (0..alone.nrows()).map(|k| row(k).powi(2)).sum::<f64>()
        };
        let sum: f64 = self.columns.iter().zip(&self.products).map(of_block).sum();
        let total = contrast.dot(&ml);
        if total > 0.0 { sum / total } else { 0.0 }
    }
}

impl Rows {
    /// Whether the block determines any direction of the coefficients alone.
    pub fn tell_alone(&self) -> bool {
        self.adjust.d.iter().any(|d| *d == -1.0)
    }
}

impl Inference {
    /// The blind part of ℓ'β. `rows`: blocks by their number, those at least that tell something alone
    /// ([`Rows::tell_alone`]). `groups` and `kinds`: one entry per row of every block; rows without a kind count as one of
    /// their own.
    pub fn blind<'a>(
        &self,
        rows: impl Iterator<Item = (usize, &'a Rows)>,
        contrast: &DVector<f64>,
        groups: &[Vec<usize>],
        kinds: &[Vec<usize>],
    ) -> Blind {
        let ml = &self.bread * contrast;
        let total = contrast.dot(&ml);
        let mut out = Blind::default();
        if total.is_nan() || total <= 0.0 {
            return out;
        }
        for (g, Rows { z, columns, adjust, whitener, whitened, leverage, .. }) in rows {
            let local = |v: &DVector<f64>| DVector::from_iterator(columns.len(), columns.iter().map(|c| v[*c]));
            let lone = adjust.d.map(|d| if d == -1.0 { 1.0 } else { 0.0 });
            if lone.iter().all(|d| *d == 0.0) {
                continue;
            }
            let b = &adjust.u * (adjust.u.transpose() * (z * local(&ml))).component_mul(&lone);
            let share = b.norm_squared() / total;
            if share <= NEGLIGIBLE * NEGLIGIBLE {
                continue;
            }
            out.share += share;
            // Rows of several kinds may err together: what counts is what each observation itself weighs.
            let (pull, fitted) = (whitener.pulled(&b), whitener.raw(&(z * local(&self.beta))));
            for (i, (b, fitted)) in pull.iter().zip(fitted.iter()).enumerate() {
                let kind = kinds.get(g).and_then(|k| k.get(i)).copied().unwrap_or(usize::MAX);
                *out.common.entry((g, kind)).or_default() += b * fitted;
            }
            let groups = groups.get(g).map_or(&[][..], Vec::as_slice);
            let mut sums = vec![0.0; groups.iter().copied().max().map_or(0, |m| m + 1)];
            for (i, group) in groups.iter().enumerate().take(z.nrows()) {
                sums[*group] += b[i] * whitened[i] / (1.0 - leverage[i].min(SINGLE));
            }
            out.within += sums.iter().map(|s| s * s).sum::<f64>();
        }
        out
    }
}

#[cfg(test)]
pub(super) mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::super::{Block, BlockedFit, fit};
    use super::Blind;

    fn blind(fit: &BlockedFit, contrast: &DVector<f64>, groups: &[Vec<usize>], kinds: &[Vec<usize>]) -> Blind {
        // Those that tell nothing alone are not missed.
        fit.blind(fit.rows.iter().enumerate().filter(|(_, r)| r.tell_alone()), contrast, groups, kinds)
    }

    /// Column 0 in both blocks, column 1 in the second alone.
    pub fn blocks() -> Vec<Block> {
        let make = |columns: Vec<usize>, x: &[f64], y: &[f64]| Block {
            x: DMatrix::from_column_slice(y.len(), columns.len(), x),
            nuisance: DMatrix::zeros(y.len(), 0),
            y: DVector::from_column_slice(y),
            w: DVector::from_element(y.len(), 1.0),
            together: Vec::new(),
            columns,
        };
        vec![
            make(vec![0], &[1.0, 2.0, 4.0], &[3.0, 5.1, 8.8]),
            make(vec![0, 1], &[1.0, 3.0, 2.0, 0.0, 0.0, 2.0], &[1.5, 6.4, 9.0]),
        ]
    }

    #[test]
    fn what_one_block_alone_tells_is_seen() {
        let fit = fit(&blocks(), 2).unwrap();
        let groups = vec![vec![0, 1, 2], vec![0, 1, 2]];
        let first = blind(&fit, &DVector::from_vec(vec![1.0, 0.0]), &groups, &[]);
        assert!(!first.any() && first.within == 0.0, "{first:?}");
        // β₁ = (9 − 2β₀)/2: row 3 of block 2 alone. A factor on that block's values moves β₁ by 9/2 less what
        // β₀ takes along; the blind direction is row 3, so the change through it is its fitted value over 2.
        let second = blind(&fit, &DVector::from_vec(vec![0.0, 1.0]), &groups, &[]);
        assert!(second.any() && !second.all(), "{second:?}");
        assert!((second.common[&(1, usize::MAX)] - 9.0 / 2.0).abs() < 1e-10, "{second:?}");
        assert_eq!(second.common.len(), 1);
        // Told apart by kind, the parts add up to the same.
        let kinds = vec![vec![0, 0, 0], vec![0, 0, 1]];
        let apart = blind(&fit, &DVector::from_vec(vec![0.0, 1.0]), &groups, &kinds);
        assert!((apart.common[&(1, 0)] + apart.common[&(1, 1)] - 9.0 / 2.0).abs() < 1e-10, "{apart:?}");
    }

    #[test]
    fn the_share_alone_is_that_of_the_whole_answer() {
        let fit = fit(&blocks(), 2).unwrap();
        let groups = vec![vec![0, 1, 2], vec![0, 1, 2]];
        for l in [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [2.0, -0.3]] {
            let l = DVector::from_row_slice(&l);
            let share = blind(&fit, &l, &groups, &[]).share;
            assert!((fit.share_alone(&l) - share).abs() < 1e-9, "{share}");
        }
    }

    #[test]
    fn a_single_block_sees_no_scatter() {
        let mut b = blocks();
        b.remove(0);
        let fit = fit(&b, 2).unwrap();
        let l = DVector::from_vec(vec![1.0, 0.0]);
        let blind = blind(&fit, &l, &[vec![0, 1, 2]], &[vec![7, 7, 7]]);
        assert!(blind.all(), "{blind:?}");
        assert!((blind.common[&(0, 7)] - fit.beta[0]).abs() < 1e-10);
        let grouped = l.dot(&(fit.grouped_covariance(&[vec![0, 1, 2]]) * &l));
        assert!((blind.within - grouped).abs() < 1e-9 * blind.within.max(1e-9));
    }
}
