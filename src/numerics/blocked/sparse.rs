//! A block as its rows are: few places of each not zero.

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::{Block, Together};

/// One cluster for a step of an iteration; [`Block`] is the same with every zero written out.
#[derive(Clone, Debug, Default)]
pub struct Sparse {
    /// Shared columns that are not zero in this block: their indices.
    pub columns: Vec<usize>,
    /// Columns that are the block's own.
    pub nuisance: usize,
    /// Weights, n.
    pub w: Vec<f64>,
    /// Rows whose errors beside that are correlated.
    pub together: Arc<Vec<Together>>,
    /// Ends of the rows in `filled`.
    ends: Vec<usize>,
    /// Place and value: X's columns first, then the block's own, then y.
    filled: Vec<(usize, f64)>,
}

impl Sparse {
    /// Takes out all rows; the room that they had is kept.
    pub fn clear(&mut self, columns: &[usize], nuisance: usize) {
        self.columns.clear();
        self.columns.extend_from_slice(columns);
        self.nuisance = nuisance;
        self.w.clear();
        self.ends.clear();
        self.filled.clear();
        self.together = Arc::default();
    }

    /// Puts a value into the row that is being filled: of a shared column, by its place among `columns`.
    pub fn shared(&mut self, place: usize, value: f64) {
        self.filled.push((place, value));
    }

    /// The same for a column of the block's own.
    pub fn own(&mut self, place: usize, value: f64) {
        self.filled.push((self.columns.len() + place, value));
    }

    /// Ends a row with its observation and weight.
    pub fn end(&mut self, y: f64, w: f64) {
        self.filled.push((self.observed(), y));
        self.ends.push(self.filled.len());
        self.w.push(w);
    }

    /// Rows.
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// Place of y.
    pub(super) fn observed(&self) -> usize {
        self.columns.len() + self.nuisance
    }

    /// What is filled of a row.
    pub(super) fn row(&self, i: usize) -> &[(usize, f64)] {
        let start = if i == 0 { 0 } else { self.ends[i - 1] };
        &self.filled[start..self.ends[i]]
    }

    /// Whether every value is finite.
    pub(super) fn is_finite(&self) -> bool {
        self.filled.iter().all(|(_, v)| v.is_finite()) && self.w.iter().all(|w| w.is_finite())
    }

    /// With every zero written out.
    pub fn dense(&self) -> Block {
        let (n, k, m) = (self.len(), self.columns.len(), self.nuisance);
        let mut out = Block {
            columns: self.columns.clone(),
            x: DMatrix::zeros(n, k),
            nuisance: DMatrix::zeros(n, m),
            y: DVector::zeros(n),
            w: DVector::from_column_slice(&self.w),
            together: self.together.to_vec(),
        };
        for i in 0..n {
            for (place, value) in self.row(i) {
                match place.checked_sub(k) {
                    None => out.x[(i, *place)] = *value,
                    Some(own) if own < m => out.nuisance[(i, own)] = *value,
                    Some(_) => out.y[i] = *value,
                }
            }
        }
        out
    }
}

impl From<&Block> for Sparse {
    fn from(b: &Block) -> Self {
        let mut out = Self::default();
        out.clear(&b.columns, b.nuisance.ncols());
        for i in 0..b.y.len() {
            b.x.row(i).iter().enumerate().filter(|(_, v)| **v != 0.0).for_each(|(j, v)| out.shared(j, *v));
            b.nuisance.row(i).iter().enumerate().filter(|(_, v)| **v != 0.0).for_each(|(j, v)| out.own(j, *v));
            out.end(b.y[i], b.w[i]);
        }
        out.together = Arc::new(b.together.clone());
        out
    }
}
