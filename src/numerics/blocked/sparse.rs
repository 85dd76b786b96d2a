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
    /// Ends of the rows in `places` and `values`.
    ends: Vec<usize>,
    /// Where the values of a row stand, in ascending order: the block's own columns first, then X's, then y.
    places: Vec<u32>,
    values: Vec<f64>,
}

impl Sparse {
    /// Takes out all rows; the room that they had is kept.
    pub fn clear(&mut self, columns: &[usize], nuisance: usize) {
        self.columns.clear();
        self.columns.extend_from_slice(columns);
        self.nuisance = nuisance;
        self.w.clear();
        self.ends.clear();
        self.places.clear();
        self.values.clear();
        self.together = Arc::default();
    }

    /// Puts a value into the row that is being filled, into a column of the block's own. Those of a row come before its
    /// shared ones, and each in ascending order.
    pub fn own(&mut self, place: usize, value: f64) {
        self.put(place, value);
    }

    /// The same for a shared column, by its place among `columns`.
    pub fn shared(&mut self, place: usize, value: f64) {
        self.put(self.nuisance + place, value);
    }

    fn put(&mut self, place: usize, value: f64) {
        self.places.push(place as u32);
        self.values.push(value);
    }

    /// Ends a row with its observation and weight.
    pub fn end(&mut self, y: f64, w: f64) {
        self.put(self.observed(), y);
        debug_assert!(self.places[self.ends.last().copied().unwrap_or(0)..].is_sorted());
        self.ends.push(self.places.len());
        self.w.push(w);
    }

    /// Rows.
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// Place of y.
    pub(super) fn observed(&self) -> usize {
        self.nuisance + self.columns.len()
    }

    /// What is filled of a row: places and values.
    pub(super) fn row(&self, i: usize) -> (&[u32], &[f64]) {
        let start = if i == 0 { 0 } else { self.ends[i - 1] };
        (&self.places[start..self.ends[i]], &self.values[start..self.ends[i]])
    }

    /// The same, value by value.
    pub(super) fn filled(&self, i: usize) -> impl Iterator<Item = (usize, f64)> {
        let (places, values) = self.row(i);
        places.iter().map(|p| *p as usize).zip(values.iter().copied())
    }

    /// Whether every value is finite.
    pub(super) fn is_finite(&self) -> bool {
        self.values.iter().all(|v| v.is_finite()) && self.w.iter().all(|w| w.is_finite())
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
            for (place, value) in self.filled(i) {
                match place.checked_sub(m) {
                    None => out.nuisance[(i, place)] = value,
                    Some(shared) if shared < k => out.x[(i, shared)] = value,
                    Some(_) => out.y[i] = value,
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
            b.nuisance.row(i).iter().enumerate().filter(|(_, v)| **v != 0.0).for_each(|(j, v)| out.own(j, *v));
            b.x.row(i).iter().enumerate().filter(|(_, v)| **v != 0.0).for_each(|(j, v)| out.shared(j, *v));
            out.end(b.y[i], b.w[i]);
        }
        out.together = Arc::new(b.together.clone());
        out
    }
}
