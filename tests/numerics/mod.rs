//! The estimators against outside values: NIST reference data, Stata, R, statsmodels, scipy, naive matrices.

mod blocked;
mod fits;
mod inference;
mod properties;

use std::path::Path;

use nalgebra::{DMatrix, DVector};
use serde_json::Value;

/// A data set of tests/data: its columns by position.
pub fn data(name: &str) -> Vec<DVector<f64>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(format!("{name}.csv"));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    let rows: Vec<Vec<f64>> =
        reader.records().map(|r| r.unwrap().iter().map(|cell| cell.parse().unwrap()).collect()).collect();
    (0..rows[0].len()).map(|j| DVector::from_iterator(rows.len(), rows.iter().map(|r| r[j]))).collect()
}

/// The reference numbers that tests/outside/numerics.py wrote; the source of each stands beside it there.
pub fn reference() -> Value {
    serde_json::from_str(include_str!("../outside/numerics.json")).unwrap()
}

pub fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

pub fn table(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().unwrap().iter().map(numbers).collect()
}

pub fn matrix(value: &Value) -> DMatrix<f64> {
    let rows = table(value);
    DMatrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j])
}

pub fn ones(n: usize) -> DVector<f64> {
    DVector::from_element(n, 1.0)
}

pub fn design(columns: &[DVector<f64>]) -> DMatrix<f64> {
    DMatrix::from_columns(columns)
}

#[track_caller]
pub fn close(value: f64, expected: f64, relative: f64) {
    assert!((value - expected).abs() <= relative * expected.abs(), "{value} against {expected}");
}

#[track_caller]
pub fn all_close<'a>(values: impl IntoIterator<Item = &'a f64>, expected: &[f64], relative: f64) {
    let values: Vec<f64> = values.into_iter().copied().collect();
    assert_eq!(values.len(), expected.len());
    for (value, expected) in values.iter().zip(expected) {
        close(*value, *expected, relative);
    }
}

/// Entry by entry, against the geometric mean of the two variances: covariances near zero have no relative error.
#[track_caller]
pub fn covariance_close(value: &DMatrix<f64>, expected: &DMatrix<f64>, relative: f64) {
    assert_eq!(value.shape(), expected.shape());
    for i in 0..value.nrows() {
        for j in 0..value.ncols() {
            let size = (expected[(i, i)] * expected[(j, j)]).sqrt();
            let (a, b) = (value[(i, j)], expected[(i, j)]);
            assert!((a - b).abs() <= relative * size, "({i}, {j}): {a} against {b}");
        }
    }
}
