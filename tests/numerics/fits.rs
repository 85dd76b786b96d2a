//! Least squares and robust fits.

use nalgebra::{DMatrix, DVector};
use squarelaw::numerics::least_squares::{LeastSquares, fit};
use squarelaw::numerics::robust::{self, Loss, RobustParams};

use super::{all_close, close, data, design, numbers, ones, reference};

fn powers(x: &DVector<f64>, degree: i32) -> DMatrix<f64> {
    DMatrix::from_fn(x.len(), degree as usize + 1, |i, j| x[i].powi(j as i32))
}

#[track_caller]
fn certified(found: &LeastSquares, b: &[f64], se: &[f64], relative: f64) {
    all_close(&found.coefficients, b, relative);
    all_close(&found.standard_errors, se, relative);
}

// NIST Statistical Reference Datasets, linear regression, certified values (15 digits). Data: see tests/data.

#[test]
fn nist_norris() {
    let d = data("norris");
    let found = fit(&design(&[ones(36), d[0].clone()]), &d[1], None).unwrap();
    certified(&found, &[-0.262323073774029, 1.00211681802045], &[0.232818234301152, 0.429796848199937e-3], 1e-12);
    close(found.rmse, 0.884796396144373, 1e-12);
    close(found.r2.unwrap(), 0.999993745883712, 1e-12);
    assert_eq!((found.dof, found.rank), (34, 2));
}

#[test]
fn nist_no_intercept() {
    let x = DMatrix::from_fn(11, 1, |i, _| 60.0 + i as f64);
    let y = DVector::from_fn(11, |i, _| 130.0 + i as f64);
    let found = fit(&x, &y, None).unwrap();
    certified(&found, &[2.07438016528926], &[0.0165289256198347], 1e-13);
    close(found.rmse, 3.56753034006338, 1e-13);
    // About zero, as there is no intercept: 1 − rss/Σy², with rss = 10 · 3.5675…².
    close(found.r2.unwrap(), 1.0 - 127.272727272727 / y.norm_squared(), 1e-13);
    let x = DMatrix::from_column_slice(3, 1, &[4.0, 5.0, 6.0]);
    let found = fit(&x, &DVector::from_vec(vec![3.0, 4.0, 4.0]), None).unwrap();
    certified(&found, &[0.727272727272727], &[0.0420827318078432], 1e-14);
}

#[test]
fn nist_longley() {
    let d = data("longley");
    let x = design(&[ones(16), d[1].clone(), d[2].clone(), d[3].clone(), d[4].clone(), d[5].clone(), d[6].clone()]);
    let found = fit(&x, &d[0], None).unwrap();
    // The scaled condition is 4e4 (the raw one 5e9): about twelve of sixteen digits can be had.
    certified(
        &found,
        &[
            -3482258.63459582,
            15.0618722713733,
            -0.0358191792925910,
            -2.02022980381683,
            -1.03322686717359,
            -0.0511041056535807,
            1829.15146461355,
        ],
        &[
            890420.383607373,
            84.9149257747669,
            0.0334910077722432,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
        ],
        1e-10,
    );
    assert!((1e4..1e5).contains(&found.condition), "{}", found.condition);
}

#[test]
fn nist_pontius() {
    let d = data("pontius");
    let found = fit(&powers(&d[0], 2), &d[1], None).unwrap();
    certified(
        &found,
        &[0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        &[0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        1e-11,
    );
    close(found.rmse, 0.205177424076185e-3, 1e-11);
    // The raw condition is 1.4e13; scaled columns leave a harmless one.
    assert!(found.condition < 100.0, "{}", found.condition);
}

#[test]
fn nist_wampler() {
    let x = DVector::from_fn(21, |i, _| i as f64);
    let exact = DVector::from_fn(21, |i, _| (0..6).map(|k| (i as f64).powi(k)).sum());
    let found = fit(&powers(&x, 5), &exact, None).unwrap();
    // The certified values are 1 and 0; y reaches 3e6 and the scaled condition 4e4.
    for (b, se) in found.coefficients.iter().zip(found.standard_errors.iter()) {
        assert!((b - 1.0).abs() < 1e-8, "{b}");
        assert!(*se < 1e-8, "{se}");
    }
    // Wampler3 is Wampler1 plus these errors (published with the data set); the standard errors are certified.
    let errors = [
        759.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 1838.0, -2048.0, 2048.0, -2048.0, 1838.0,
        -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 759.0,
    ];
    let found = fit(&powers(&x, 5), &(exact + DVector::from_row_slice(&errors)), None).unwrap();
    certified(
        &found,
        &[1.0; 6],
        &[2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312],
        1e-8,
    );
}

pub fn small() -> (DMatrix<f64>, DVector<f64>, DVector<f64>, [usize; 12]) {
    let x = [400.0, 625.0, 900.0, 1225.0, 1600.0, 2025.0, 2500.0, 3025.0, 3600.0, 4225.0, 4900.0, 5625.0];
    let y = [812.0, 1235.0, 1822.0, 2391.0, 3250.0, 4020.0, 5105.0, 5990.0, 7260.0, 8390.0, 9930.0, 11150.0];
    let w = [1.0, 2.0, 1.0, 3.0, 1.0, 2.0, 1.0, 2.0, 1.0, 1.0, 2.0, 1.0];
    let x = design(&[ones(12), DVector::from_row_slice(&x)]);
    (x, DVector::from_row_slice(&y), DVector::from_row_slice(&w), [0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3])
}

// statsmodels 0.15.0, OLS and WLS.
#[test]
fn ordinary_and_weighted_against_statsmodels() {
    let (x, y, w, _) = small();
    let found = fit(&x, &y, None).unwrap();
    certified(&found, &[9.234989582875869, 1.998178796900668], &[39.663059366628076, 0.013018648919945216], 1e-11);
    let found = fit(&x, &y, Some(&w)).unwrap();
    certified(&found, &[-23.87743366200357, 2.008970665275697], &[38.60033927662748, 0.013281676783242711], 1e-11);
    // A common factor of the weights changes no standard error.
    let again = fit(&x, &y, Some(&(&w * 1e-7))).unwrap();
    all_close(&again.standard_errors, found.standard_errors.as_slice(), 1e-12);
    // A row of weight two counts as two rows in the coefficients and in (XᵀWX)⁻¹.
    let twice: Vec<usize> = (0..12).flat_map(|i| std::iter::repeat_n(i, w[i] as usize)).collect();
    let repeated = fit(&x.select_rows(&twice), &y.select_rows(&twice), None).unwrap();
    all_close(&repeated.coefficients, found.coefficients.as_slice(), 1e-11);
    all_close(&repeated.unscaled_covariance, found.unscaled_covariance.as_slice(), 1e-11);
}

// Ezekiel's cars, statsmodels 0.15.0 (tests/outside/numerics.py).
#[test]
fn cars_against_statsmodels() {
    let d = data("cars");
    let expected = &reference()["cars"];
    let found = fit(&design(&[ones(50), d[0].clone()]), &d[1], None).unwrap();
    certified(&found, &numbers(&expected["b"]), &numbers(&expected["se"]), 1e-12);
    certified(&found, &[-17.57909489051096, 3.9324087591240877], &[6.7584401693792415, 0.41551277665712233], 1e-12);
    close(found.r2.unwrap(), expected["r2"].as_f64().unwrap(), 1e-12);
    all_close(&found.leverages, &numbers(&expected["leverages"]), 1e-12);
}

fn tight(loss: Loss) -> RobustParams {
    RobustParams { loss, tolerance: 1e-12, ..RobustParams::default() }
}

// statsmodels 0.15.0 RLM with HuberT(1.345) and the scale by the median about zero.
#[test]
fn huber_against_statsmodels() {
    let (x, mut y, _, _) = small();
    y[5] += 2500.0;
    let found = robust::fit(&x, &y, None, RobustParams::default()).unwrap();
    // That package stops when its criterion moves by less than 1e-8: it has some six digits.
    all_close(&found.fit.coefficients, &[34.90207642803489, 1.9948739659285637], 1e-5);
    assert!(found.robustness[5] < 0.1 && !found.degenerate_scale);
}

// Stackloss: statsmodels 0.15.0 RLM run to 1e-13, and R MASS rlm as published.
#[test]
fn robust_fits_of_stackloss() {
    let d = data("stackloss");
    let x = design(&[ones(21), d[1].clone(), d[2].clone(), d[3].clone()]);
    let found = robust::fit(&x, &d[0], None, tight(Loss::HUBER)).unwrap();
    // R stops earlier.
    all_close(&found.fit.coefficients, &[-41.02653105, 0.82937387, 0.92610818, -0.12784916], 1e-4);
    for (name, loss) in [("huber", Loss::HUBER), ("bisquare", Loss::BISQUARE)] {
        let expected = &reference()["robust"][name];
        let found = robust::fit(&x, &d[0], None, tight(loss)).unwrap();
        all_close(&found.fit.coefficients, &numbers(&expected["b"]), 1e-8);
        close(found.scale, expected["scale"].as_f64().unwrap(), 1e-8);
        all_close(&found.robustness, &numbers(&expected["weights"]), 1e-6);
        let se = found.covariance.unwrap().diagonal().map(f64::sqrt);
        all_close(&se, &numbers(&expected["se_h1"]), 1e-7);
    }
}
