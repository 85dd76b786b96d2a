//! A block as its rows are: few places of each not zero, and the same ones in every step.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::{Block, Together};
use crate::numerics::lanes::sum;

/// Where the values of a block's rows stand. Many rows have theirs in the same places: they are of one shape.
#[derive(Clone, Debug, Default)]
pub struct Layout {
    /// Shared columns that are not zero in this block: their indices.
    pub columns: Vec<usize>,
    /// Columns that are the block's own.
    pub nuisance: usize,
    /// Places of every shape, one shape after the other: the block's own columns first, then X's, then y.
    places: Vec<u32>,
    /// Where those of a shape end.
    ends: Vec<u32>,
    /// Per row its shape, and the four that its values begin with; the end of all behind them.
    shapes: Vec<u32>,
    starts: Vec<u32>,
    /// Rows shape by shape, and where those of a shape end.
    by_shape: Vec<u32>,
    shape_ends: Vec<u32>,
    /// Where the products of a shape's values with each other begin, were they written down shape after shape; see
    /// [`Layout::stride`].
    products: Vec<usize>,
}

impl Layout {
    /// `shapes`: per shape its places in ascending order, the last that of y; `rows`: per row its shape.
    pub fn new(columns: Vec<usize>, nuisance: usize, shapes: &[Vec<u32>], rows: Vec<u32>) -> Self {
        debug_assert!(shapes.iter().all(|places| places.is_sorted()));
        let mut out =
            Self { columns, nuisance, shapes: rows, starts: vec![0], products: vec![0], ..Default::default() };
        let mut products = 0;
        for places in shapes {
            out.places.extend_from_slice(places);
            out.ends.push(out.places.len() as u32);
            products += places.len() * Self::stride(places.len());
            out.products.push(products);
        }
        let mut counts = vec![0; shapes.len()];
        let mut end = 0;
        for shape in &out.shapes {
            end += shapes.get(*shape as usize).map_or(0, |places| Self::fours(places.len())) as u32;
            out.starts.push(end);
            counts[*shape as usize] += 1;
        }
        let mut next = Vec::with_capacity(shapes.len());
        let mut end = 0;
        for count in counts {
            next.push(end);
            end += count;
            out.shape_ends.push(end);
        }
        out.by_shape.resize(out.shapes.len(), 0);
        for (row, shape) in out.shapes.iter().enumerate() {
            let next = &mut next[*shape as usize];
            out.by_shape[*next as usize] = row as u32;
            *next += 1;
        }
        out
    }

    /// Fours that hold so many values.
    fn fours(values: usize) -> usize {
        values.div_ceil(4)
    }

    /// Length of a line of products of so many values: they go four at a time.
    pub(super) fn stride(values: usize) -> usize {
        4 * Self::fours(values)
    }

    /// The rows of a shape.
    pub(super) fn rows_of(&self, shape: usize) -> &[u32] {
        let start = if shape == 0 { 0 } else { self.shape_ends[shape - 1] };
        &self.by_shape[start as usize..self.shape_ends[shape] as usize]
    }

    /// The first of the fours that the values of a row stand in.
    pub(super) fn first_four(&self, row: u32) -> usize {
        self.starts[row as usize] as usize
    }

    /// Shapes.
    pub(super) fn shapes(&self) -> usize {
        self.ends.len()
    }

    /// The shape of a row.
    pub fn shape(&self, row: usize) -> usize {
        self.shapes[row] as usize
    }

    /// Where those of a shape stand among all shapes' places.
    pub(super) fn range(&self, shape: usize) -> Range<usize> {
        let start = if shape == 0 { 0 } else { self.ends[shape - 1] };
        start as usize..self.ends[shape] as usize
    }

    /// The places of a shape.
    pub(super) fn places(&self, shape: usize) -> &[u32] {
        &self.places[self.range(shape)]
    }

    /// Those of all shapes.
    pub(super) fn all_places(&self) -> usize {
        self.places.len()
    }

    /// Where the products of a shape's values stand, see [`Layout::stride`]; of all shapes, how many there are.
    pub(super) fn products(&self, shape: usize) -> Range<usize> {
        self.products[shape]..self.products[shape + 1]
    }

    pub(super) fn all_products(&self) -> usize {
        self.products.last().copied().unwrap_or(0)
    }

    /// Where the values of a row stand, and the zeros that fill its last four up.
    pub(super) fn values(&self, row: usize) -> Range<usize> {
        4 * self.starts[row] as usize..4 * self.starts[row + 1] as usize
    }

    /// Values of all rows.
    fn all_values(&self) -> usize {
        4 * self.starts.last().map_or(0, |end| *end as usize)
    }

    /// Place of y.
    pub(super) fn observed(&self) -> usize {
        self.nuisance + self.columns.len()
    }
}

/// One cluster for a step of an iteration; [`Block`] is the same with every zero written out.
#[derive(Clone, Debug, Default)]
pub struct Sparse {
    /// Where the values stand.
    pub layout: Arc<Layout>,
    /// Weights, n.
    pub w: Vec<f64>,
    /// Rows whose errors beside that are correlated.
    pub together: Arc<Vec<Together>>,
    /// Row after row; those of each begin with a four of their own.
    values: Vec<f64>,
}

/// A row that is being filled, value by value in the order of its places.
pub struct Filling<'a> {
    values: &'a mut [f64],
    next: usize,
    w: &'a mut Vec<f64>,
}

impl Filling<'_> {
    /// The next value.
    pub fn put(&mut self, value: f64) {
        self.values[self.next] = value;
        self.next += 1;
    }

    /// Ends the row with its observation and weight.
    pub fn end(mut self, y: f64, w: f64) {
        self.put(y);
        self.values[self.next..].fill(0.0);
        self.w.push(w);
    }
}

impl Sparse {
    /// Takes out all rows, for those of a layout; the room that they had is kept.
    pub fn clear(&mut self, layout: &Arc<Layout>) {
        self.layout = Arc::clone(layout);
        self.w.clear();
        self.w.reserve_exact(layout.shapes.len());
        self.values.resize(layout.all_values(), 0.0);
        self.together = Arc::default();
    }

    /// Begins the next row.
    pub fn begin(&mut self) -> Filling<'_> {
        let values = &mut self.values[self.layout.values(self.w.len())];
        Filling { values, next: 0, w: &mut self.w }
    }

    /// Rows.
    pub(super) fn len(&self) -> usize {
        self.w.len()
    }

    /// All values, row after row.
    pub(super) fn values(&self) -> &[f64] {
        &self.values
    }

    /// A row's shape, and its values with the zeros behind them.
    pub(super) fn row(&self, i: usize) -> (usize, &[f64]) {
        (self.layout.shape(i), &self.values[self.layout.values(i)])
    }

    /// The same, place by place.
    pub(super) fn filled(&self, i: usize) -> impl Iterator<Item = (usize, f64)> {
        let (shape, values) = self.row(i);
        self.layout.places(shape).iter().map(|p| *p as usize).zip(values.iter().copied())
    }

    /// Whether every value is finite.
    pub(super) fn is_finite(&self) -> bool {
        // Nothing times a number is nothing.
        sum(&self.values, |v| v * 0.0) + sum(&self.w, |w| w * 0.0) == 0.0
    }

    /// With every zero written out.
    pub fn dense(&self) -> Block {
        let (n, k, m) = (self.len(), self.layout.columns.len(), self.layout.nuisance);
        let mut out = Block {
            columns: self.layout.columns.clone(),
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
        let (n, m, k) = (b.y.len(), b.nuisance.ncols(), b.x.ncols());
        let value = |i: usize, place: usize| match place.checked_sub(m) {
            None => b.nuisance[(i, place)],
            Some(shared) if shared < k => b.x[(i, shared)],
            Some(_) => b.y[i],
        };
        let places = |i: usize| -> Vec<u32> {
            (0..=m + k).filter(|p| *p == m + k || value(i, *p) != 0.0).map(|p| p as u32).collect()
        };
        let (mut shapes, mut number) = (Vec::new(), BTreeMap::new());
        let mut shape = |i: usize| {
            let places = places(i);
            *number.entry(places.clone()).or_insert_with(|| {
                shapes.push(places);
                shapes.len() as u32 - 1
            })
        };
        let rows = (0..n).map(&mut shape).collect();
        let mut out = Self::default();
        out.clear(&Arc::new(Layout::new(b.columns.clone(), m, &shapes, rows)));
        for i in 0..n {
            let mut row = out.begin();
            places(i).iter().filter(|p| (**p as usize) < m + k).for_each(|p| row.put(value(i, *p as usize)));
            row.end(b.y[i], b.w[i]);
        }
        out.together = Arc::new(b.together.clone());
        out
    }
}
