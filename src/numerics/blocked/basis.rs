//! Orthonormal basis of a block's nuisance columns. Most of them are zeros of outings, and each row belongs to one outing:
//! the columns of one family touch no row of another family's, so that they are orthogonal to them as they stand and few
//! have to be made orthogonal at a time. Only the columns behind them (gains, the wind) reach through the whole block.

use std::ops::Range;

use multiversion::multiversion;
use nalgebra::{Cholesky, DMatrix, DVector};

use crate::numerics::lanes::dot;

/// Q and R of the nuisance columns.
#[derive(Clone, Debug)]
pub(super) struct Basis {
    /// Families of leading columns whose rows lie apart.
    families: Vec<Family>,
    /// The other columns of Q, in all rows.
    dense: Family,
    /// R, m × m, upper triangular.
    pub(super) r: DMatrix<f64>,
}

/// Columns of Q that are zero outside of some rows.
#[derive(Clone, Debug)]
struct Family {
    rows: Range<usize>,
    columns: Range<usize>,
    /// Rows by columns.
    q: DMatrix<f64>,
}

impl Family {
    /// Of some of all columns; their part of R goes to its place.
    fn new(rows: Range<usize>, columns: Range<usize>, all: &DMatrix<f64>, r: &mut DMatrix<f64>) -> Self {
        let of_family = all.view((rows.start, columns.start), (rows.len(), columns.len())).into_owned();
        let (q, triangle) = orthonormal(of_family);
        r.view_mut((columns.start, columns.start), triangle.shape()).copy_from(&triangle);
        Self { rows, columns, q }
    }
}

/// Rows in which a column is not zero, from the first to the last.
fn reach(column: &[f64]) -> Range<usize> {
    let first = column.iter().position(|v| *v != 0.0).unwrap_or(0);
    first..column.iter().rposition(|v| *v != 0.0).map_or(first, |last| last + 1)
}

/// Leading columns by the rows that they reach, as long as these lie apart from those of all families before the last.
fn families(columns: &DMatrix<f64>) -> Vec<(Range<usize>, Range<usize>)> {
    let mut out: Vec<(Range<usize>, Range<usize>)> = Vec::new();
    for (c, column) in columns.as_slice().chunks_exact(columns.nrows().max(1)).enumerate() {
        let rows = reach(column);
        let meets = |(of, _): &(Range<usize>, Range<usize>)| rows.start < of.end && of.start < rows.end;
        let before = out.len().saturating_sub(1);
        if rows.is_empty() || out.iter().take(before).any(meets) {
            break;
        }
        match out.last_mut() {
            Some(last) if meets(last) => {
                last.0 = last.0.start.min(rows.start)..last.0.end.max(rows.end);
                last.1.end = c + 1;
            }
            _ => out.push((rows, c..c + 1)),
        }
    }
    out
}

impl Basis {
    /// Of whitened nuisance columns, n × m.
    pub(super) fn new(columns: DMatrix<f64>) -> Self {
        let (n, m) = columns.shape();
        let mut r = DMatrix::zeros(m, m);
        let of_family = |(rows, of): (Range<usize>, Range<usize>)| Family::new(rows, of, &columns, &mut r);
        let families: Vec<Family> = families(&columns).into_iter().map(of_family).collect();
        let own = families.last().map_or(0, |f| f.columns.end);
        let dense = Family { rows: 0..n, columns: own..own, q: DMatrix::zeros(n, 0) };
        let mut out = Self { families, dense, r };
        if own < m {
            // What rounding left of the families is removed by the second turn (Kahan: twice is enough).
            let (once, through) = out.projected(columns.columns(own, m - own).into_owned());
            let (again, _) = out.projected(once);
            let (q, triangle) = orthonormal(again);
            out.r.view_mut((0, own), (own, m - own)).copy_from(&through);
            out.r.view_mut((own, own), triangle.shape()).copy_from(&triangle);
            out.dense = Family { rows: 0..n, columns: own..m, q };
        }
        out
    }

    fn all(&self) -> impl Iterator<Item = &Family> {
        self.families.iter().chain(std::iter::once(&self.dense))
    }

    /// Squared lengths of Q's rows: the leverage of every row on the nuisance coefficients.
    pub(super) fn leverage(&self) -> DVector<f64> {
        let mut out = DVector::zeros(self.dense.rows.len());
        for family in self.all() {
            for column in family.q.column_iter() {
                out.as_mut_slice()[family.rows.clone()].iter_mut().zip(column.iter()).for_each(|(l, q)| *l += q * q);
            }
        }
        out
    }

    /// M − QQ'M, and Q'M.
    pub(super) fn projected(&self, mut m: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
        let n = m.nrows().max(1);
        let mut across = DMatrix::zeros(self.dense.columns.end, m.ncols());
        for (mut to, column) in across.column_iter_mut().zip(m.as_mut_slice().chunks_exact_mut(n)) {
            for family in self.all() {
                let to = &mut to.as_mut_slice()[family.columns.clone()];
                project(family.q.as_slice(), &mut column[family.rows.clone()], to);
            }
        }
        (m, across)
    }
}

/// Takes the part along the columns q from a vector, and answers how long it was along each.
#[multiversion(targets("x86_64+avx2"))]
fn project(q: &[f64], v: &mut [f64], along: &mut [f64]) {
    if v.iter().all(|v| *v == 0.0) {
        return;
    }
    // All lengths first: what is not quite orthogonal is so in every order alike.
    for (along, q) in along.iter_mut().zip(q.chunks_exact(v.len())) {
        *along = dot(q, v);
    }
    for (along, q) in along.iter().zip(q.chunks_exact(v.len())) {
        v.iter_mut().zip(q).for_each(|(v, q)| *v -= along * q);
    }
}

/// Least share of a column that others must leave for the quicker way to its factors.
const APART: f64 = 1e-8;

/// Q and R of columns. Two turns by the Cholesky factor of their products are as exact as reflections are (CholeskyQR2:
/// Yamamoto et al., Electronic Transactions on Numerical Analysis 44, 2015; from memory) and take a fraction of their time;
/// reflections where columns are too close to one another for it.
fn orthonormal(columns: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
    let norms: Vec<f64> = columns.column_iter().map(|c| c.norm()).collect();
    let mut scaled = columns.clone();
    scaled.column_iter_mut().zip(&norms).for_each(|(mut c, norm)| c /= *norm);
    let twice = turned(&scaled).and_then(|(once, first)| turned(&once).map(|(q, second)| (q, second * first)));
    let Some((q, mut r)) = twice else {
        let qr = columns.qr();
        return (qr.q(), qr.r());
    };
    r.column_iter_mut().zip(&norms).for_each(|(mut c, norm)| c *= *norm);
    (q, r)
}

/// Columns over the Cholesky factor R of their products, and R; `None` where they are too close to one another.
fn turned(columns: &DMatrix<f64>) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
    let products = columns.tr_mul(columns);
    let diagonal = products.diagonal();
    let r = Cholesky::new(products)?.unpack().transpose();
    let apart = (0..r.ncols()).all(|i| r[(i, i)] * r[(i, i)] > APART * diagonal[i]);
    let inverse = r.solve_upper_triangular(&DMatrix::identity(r.ncols(), r.ncols())).filter(|_| apart)?;
    Some((columns * inverse, r))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_as_a_plain_factorisation() {
        // Two zeros with rows of their own, a row that belongs to none, two dense columns.
        let n = DMatrix::from_row_slice(
            6,
            4,
            &[
                2.0, 0.0, 1.0, 0.3, 1.0, 0.0, -1.0, 0.1, 3.0, 0.0, 0.5, 2.0, 0.0, 1.0, 4.0, 1.0, 0.0, 2.0, 1.5, -1.0,
                0.0, 0.0, 2.0, 0.7,
            ],
        );
        let basis = Basis::new(n.clone());
        let parts: Vec<_> = basis.families.iter().map(|f| (f.rows.clone(), f.columns.clone())).collect();
        assert_eq!((parts, basis.r.ncols()), (vec![(0..3, 0..1), (3..5, 1..2)], 4));
        let q = basis.projected(DMatrix::identity(6, 6)).1.transpose();
        assert!((q.tr_mul(&q) - DMatrix::identity(4, 4)).norm() < 1e-14);
        assert!((&q * &basis.r - &n).norm() < 1e-13);
        let m = DMatrix::from_fn(6, 3, |i, j| (i * 3 + j) as f64);
        let plain = n.qr().q();
        assert!((basis.projected(m.clone()).0 - (&m - &plain * plain.tr_mul(&m))).norm() < 1e-12);
    }

    #[test]
    fn columns_close_to_one_another_go_by_reflections() {
        let apart = DMatrix::from_fn(40, 4, |i, j| ((i * (j + 2)) as f64).sin() + if j == 3 { 1e3 } else { 0.0 });
        let mut close = apart.clone();
        let copy = apart.column(0) + apart.column(1) * 1e-7;
        close.set_column(2, &copy);
        assert!(turned(&close).is_none());
        for m in [apart, close] {
            let (q, r) = orthonormal(m.clone());
            assert!((q.tr_mul(&q) - DMatrix::identity(4, 4)).norm() < 1e-14);
            assert!((&q * &r - &m).norm() < 1e-14 * m.norm());
            assert!((0..4).all(|i| (0..i).all(|j| r[(i, j)] == 0.0)), "{r}");
        }
    }
}
