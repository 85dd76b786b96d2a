//! Orthonormal basis of a block's nuisance columns. Most of them are zeros of outings: each row belongs to one at the
//! most, so these columns are orthogonal as they stand and projecting on them is a weighted mean per outing. Only the
//! columns behind them (the wind; zeros, too, where gusts put the rows of several together) need a factorisation.

use nalgebra::{Cholesky, DMatrix, DVector};

/// Q and R of the nuisance columns, the leading columns with rows of their own kept as one entry per row.
#[derive(Clone, Debug)]
pub(super) struct Basis {
    /// Number of leading columns that share no row.
    own: usize,
    /// Per row: the leading column that it belongs to; one more than there are where it belongs to none.
    member: Vec<usize>,
    /// Per row: its entry in that column after norming; 0 where it belongs to none.
    entry: Vec<f64>,
    /// The other columns of Q, n × (m − own).
    dense: DMatrix<f64>,
    /// R, m × m, upper triangular.
    pub(super) r: DMatrix<f64>,
}

impl Basis {
    /// Of whitened nuisance columns, n × m.
    pub(super) fn new(columns: DMatrix<f64>) -> Self {
        let (n, m) = columns.shape();
        let (mut member, mut entry) = (vec![usize::MAX; n], vec![0.0; n]);
        let mut own = 0;
        for c in columns.column_iter() {
            if c.iter().zip(&member).any(|(v, taken)| *v != 0.0 && *taken != usize::MAX) {
                break;
            }
            let norm = c.norm();
            for (i, v) in c.iter().enumerate().filter(|(_, v)| **v != 0.0) {
                (member[i], entry[i]) = (own, v / norm);
            }
            own += 1;
        }
        member.iter_mut().for_each(|k| *k = own.min(*k));
        let mut r = DMatrix::zeros(m, m);
        for (k, c) in columns.column_iter().take(own).enumerate() {
            r[(k, k)] = c.norm();
        }
        let mut out = Self { own, member, entry, dense: DMatrix::zeros(n, 0), r };
        if own < m {
            let rest = if own == 0 { columns } else { columns.columns(own, m - own).into_owned() };
            // What rounding left of the leading columns is removed by the second turn (Kahan: twice is enough).
            let (once, through) = out.projected(rest);
            let (again, _) = out.projected(once);
            let (q, triangle) = orthonormal(again);
            out.r.view_mut((0, own), (own, m - own)).copy_from(&through);
            out.r.view_mut((own, own), triangle.shape()).copy_from(&triangle);
            out.dense = q;
        }
        out
    }

    /// Squared lengths of Q's rows: the leverage of every row on the nuisance coefficients.
    pub(super) fn leverage(&self) -> DVector<f64> {
        let dense = |i: usize| if self.dense.ncols() > 0 { self.dense.row(i).norm_squared() } else { 0.0 };
        DVector::from_fn(self.entry.len(), |i, _| self.entry[i].powi(2) + dense(i))
    }

    /// Q'M for an n × k matrix.
    pub(super) fn across(&self, m: &DMatrix<f64>) -> DMatrix<f64> {
        let mut out = DMatrix::zeros(self.own + self.dense.ncols(), m.ncols());
        let mut sums = vec![0.0; self.own + 1];
        for (column, mut to) in m.column_iter().zip(out.column_iter_mut()) {
            sums.fill(0.0);
            for ((v, k), entry) in column.iter().zip(&self.member).zip(&self.entry) {
                sums[*k] += entry * v;
            }
            to.iter_mut().zip(&sums).take(self.own).for_each(|(to, sum)| *to = *sum);
        }
        if self.dense.ncols() > 0 {
            out.rows_mut(self.own, self.dense.ncols()).copy_from(&self.dense.tr_mul(m));
        }
        out
    }

    /// M − QQ'M, and Q'M.
    pub(super) fn projected(&self, mut m: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
        let across = self.across(&m);
        let mut of = vec![0.0; self.own + 1];
        for (mut column, across) in m.column_iter_mut().zip(across.column_iter()) {
            of.iter_mut().zip(across.iter()).take(self.own).for_each(|(to, from)| *to = *from);
            for ((v, k), entry) in column.iter_mut().zip(&self.member).zip(&self.entry) {
                *v -= entry * of[*k];
            }
        }
        if self.dense.ncols() > 0 {
            m -= &self.dense * across.rows(self.own, self.dense.ncols());
        }
        (m, across)
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
        assert_eq!((basis.own, basis.r.ncols()), (2, 4));
        let q = basis.across(&DMatrix::identity(6, 6)).transpose();
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
