//! The solver that the season's fit runs on, held to outside values itself and to the plain estimators, which are.

use nalgebra::{DMatrix, DVector};
use squarelaw::numerics::blocked::{Block, BlockedFit, Sparse, Steps, Together, fit};
use squarelaw::numerics::least_squares;
use squarelaw::numerics::sandwich::{Correction, sandwich};

use super::fits::small;
use super::inference::clusters;
use super::{all_close, close, data, design, matrix, numbers, ones, reference, table};

/// One block for every group, no nuisance columns.
fn blocks(x: &DMatrix<f64>, y: &DVector<f64>, w: &DVector<f64>, group: &[usize]) -> Vec<Block> {
    let last = group.iter().copied().max().unwrap();
    (0..=last)
        .map(|g| {
            let rows: Vec<usize> = (0..y.len()).filter(|i| group[*i] == g).collect();
            Block {
                columns: (0..x.ncols()).collect(),
                x: x.select_rows(&rows),
                nuisance: DMatrix::zeros(rows.len(), 0),
                y: y.select_rows(&rows),
                w: w.select_rows(&rows),
                together: Vec::new(),
            }
        })
        .collect()
}

fn unit(n: usize, i: usize) -> DVector<f64> {
    DVector::from_fn(n, |j, _| f64::from(u8::from(i == j)))
}

/// HC3 standard errors, every row a group of its own.
fn hc3(fit: &BlockedFit, blocks: &[Block]) -> Vec<f64> {
    let rows: Vec<Vec<usize>> = blocks.iter().map(|b| (0..b.y.len()).collect()).collect();
    let p = fit.beta.len();
    let covariance = fit.grouped_covariance(&rows);
    (0..p).map(|i| covariance[(i, i)].sqrt()).collect()
}

// statsmodels 0.15.0: OLS, WLS and HC3.
#[test]
fn against_statsmodels() {
    let (x, y, w, group) = small();
    let plain = blocks(&x, &y, &ones(12), &group);
    let found = fit(&plain, 2).unwrap();
    all_close(&found.beta, &[9.234989582875869, 1.998178796900668], 1e-11);
    all_close(&hc3(&found, &plain), &[36.3685998356692, 0.01989941278959611], 1e-10);
    let weighted = fit(&blocks(&x, &y, &w, &group), 2).unwrap();
    all_close(&weighted.beta, &[-23.87743366200357, 2.008970665275697], 1e-11);
}

// NIST Statistical Reference Datasets, certified values.
#[test]
fn against_nist() {
    let d = data("norris");
    let x = design(&[ones(36), d[0].clone()]);
    let thirds: Vec<usize> = (0..36).map(|i| i % 3).collect();
    let found = fit(&blocks(&x, &d[1], &ones(36), &thirds), 2).unwrap();
    all_close(&found.beta, &[-0.262323073774029, 1.00211681802045], 1e-11);
    let s = 0.884796396144373;
    let se: Vec<f64> = (0..2).map(|i| s * found.model_variance(&unit(2, i)).sqrt()).collect();
    all_close(&se, &[0.232818234301152, 0.429796848199937e-3], 1e-11);
}

// The sandwich is held to full matrices and to the jackknife in `inference`.
#[test]
fn cr2_and_its_degrees_of_freedom_are_those_of_the_sandwich() {
    let (x, y, group, weights) = clusters();
    for (name, w) in weights {
        let plain = least_squares::fit(&x, &y, Some(&w)).unwrap();
        let cr2 = sandwich(&plain, &group, Correction::Cr2).unwrap();
        let found = fit(&blocks(&x, &y, &w, &group), x.ncols()).unwrap();
        all_close(&found.beta, plain.coefficients.as_slice(), 1e-9);
        for i in 0..x.ncols() {
            let l = unit(x.ncols(), i);
            println!("{name} {i}");
            close(found.variance(&l).sqrt(), cr2.contrast_se(&l).unwrap(), 1e-8);
            close(found.dof(&l), cr2.degrees_of_freedom(&l).unwrap(), 1e-6);
        }
    }
}

// statsmodels 0.15.0 GLS with a dense covariance; CR2 by full matrices in numpy (tests/outside/numerics.py).
#[test]
fn rows_that_err_together_against_a_dense_covariance() {
    let (x, y, group, weights) = clusters();
    let w = &weights.iter().find(|(n, _)| *n == "cluster_w").unwrap().1;
    let mut correlated = blocks(&x, &y, w, &group);
    for b in &mut correlated {
        for first in (0..b.y.len().saturating_sub(2)).step_by(3) {
            let of = |i: usize| [1.0, -0.5, 2.0][i] / b.w[first + i].sqrt();
            let acts = (0..3).map(|i| (i, of(i))).collect();
            b.together.push(Together { first, acts, kept: vec![(-0.5_f64).exp(); 3] });
        }
    }
    hold(&correlated, x.ncols(), "correlated");
}

// The same: a gain of every session is a nuisance column with a prior row, and that is a dense covariance too.
#[test]
fn gains_of_blocks_against_a_dense_covariance() {
    let (x, y, group, weights) = clusters();
    let w = &weights.iter().find(|(n, _)| *n == "cluster_w").unwrap().1;
    let expected = &reference()["gained"];
    let mut gained = blocks(&x, &y, w, &group);
    for b in &mut gained {
        let n = b.y.len();
        b.nuisance = DMatrix::from_fn(n + 1, 1, |i, _| if i < n { 2.0 * b.x[(i, 1)] } else { 1.0 });
        b.x = b.x.clone().insert_row(n, 0.0);
        b.y = b.y.clone().insert_row(n, 0.0);
        b.w = b.w.clone().insert_row(n, 1.0 / expected["variance"].as_f64().unwrap());
    }
    hold(&gained, x.ncols(), "gained");
    let gains: Vec<f64> = fit(&gained, x.ncols()).unwrap().nuisance.iter().map(|n| n[0]).collect();
    all_close(&DVector::from_vec(gains), &numbers(&expected["gains"]), 1e-7);
}

/// Holds a fit of the blocks to the outside values of that name.
fn hold(blocks: &[Block], columns: usize, name: &str) {
    let expected = &reference()[name];
    let found = fit(blocks, columns).unwrap();
    all_close(&found.beta, &numbers(&expected["b"]), 1e-9);
    let sparse: Vec<Sparse> = blocks.iter().map(Sparse::from).collect();
    let steps = Steps::default().solve(sparse.len(), |g, b| b.clone_from(&sparse[g]), columns, true).unwrap();
    all_close(&steps.beta, &numbers(&expected["b"]), 1e-7);
    let (model, covariance) = (matrix(&expected["model"]), matrix(&expected["covariance"]));
    for (l, dof) in table(&expected["contrasts"]).iter().zip(numbers(&expected["dof"])) {
        let l = DVector::from_column_slice(l);
        let of = |m: &DMatrix<f64>| l.dot(&(m * &l));
        close(found.model_variance(&l), of(&model), 1e-8);
        close(found.variance(&l), of(&covariance), 1e-8);
        close(found.dof(&l), dof, 1e-6);
    }
}
