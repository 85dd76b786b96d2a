//! Covariances, degrees of freedom, distributions and what is built on them.

use nalgebra::{DMatrix, DVector};
use squarelaw::numerics::between::{BetweenParams, between_variance};
use squarelaw::numerics::delta;
use squarelaw::numerics::distributions::{f_p_value, t_p_value, t_quantile};
use squarelaw::numerics::f_test::{ModelFit, nested};
use squarelaw::numerics::least_squares::fit;
use squarelaw::numerics::multiple::holm;
use squarelaw::numerics::power::{PowerParams, smallest_detectable};
use squarelaw::numerics::sandwich::{Correction, each_row, sandwich};

use super::fits::small;
use super::{all_close, close, covariance_close, data, design, matrix, numbers, ones, reference, table};

// statsmodels 0.15.0, and the same by hand.
#[test]
fn hc3_and_cr1_against_statsmodels() {
    let (x, y, _, group) = small();
    let found = fit(&x, &y, None).unwrap();
    let hc3 = sandwich(&found, &each_row(12), Correction::Cr3).unwrap();
    all_close(&hc3.standard_errors(), &[36.3685998356692, 0.01989941278959611], 1e-10);
    let cr1 = sandwich(&found, &group, Correction::Cr1).unwrap();
    all_close(&cr1.standard_errors(), &[15.437956354282628, 0.0045560838900002305], 1e-10);
    assert_eq!((cr1.clusters, cr1.saturated), (4, 0));
}

// Grunfeld's data, ten firms: Stata's cluster-robust errors and R sandwich::vcovJK (tests/outside/numerics.py).
#[test]
fn grunfeld_against_stata_and_r() {
    let d = data("grunfeld");
    let expected = &reference()["grunfeld"];
    let x = design(&[d[1].clone(), d[2].clone(), ones(200)]);
    let firm: Vec<usize> = d[3].iter().map(|f| *f as usize).collect();
    let found = fit(&x, &d[0], None).unwrap();
    // Stata held the data in single precision: seven digits.
    all_close(&found.coefficients, &numbers(&expected["b"]), 1e-7);
    all_close(&found.coefficients, &[0.11556215606596, 0.23067848754982, -42.714369016733], 1e-7);
    let cr1 = sandwich(&found, &firm, Correction::Cr1).unwrap();
    all_close(&cr1.standard_errors(), &[0.01589433647768, 0.08496711097464, 20.425202580078], 1e-7);
    // R prints ten digits and has the jackknife's factor.
    let factor = 9.0 / 10.0;
    let cr3 = sandwich(&found, &firm, Correction::Cr3).unwrap();
    covariance_close(&(cr3.covariance * factor), &matrix(&expected["crv3"]), 1e-8);
    let weights = DVector::from_fn(200, |i, _| i as f64 + 1.0);
    let found = fit(&x, &d[0], Some(&weights)).unwrap();
    let cr3 = sandwich(&found, &firm, Correction::Cr3).unwrap();
    covariance_close(&(cr3.covariance * factor), &matrix(&expected["crv3_weighted"]), 1e-8);
}

/// Design, response, cluster of each row, and named weights.
pub type Clusters = (DMatrix<f64>, DVector<f64>, Vec<usize>, [(&'static str, DVector<f64>); 3]);

/// Seven unbalanced clusters, one of a single row, one with a column of its own.
pub fn clusters() -> Clusters {
    let d = data("clusters");
    let n = d[0].len();
    let x = design(&[ones(n), d[1].clone(), d[2].clone(), d[3].clone(), d[4].clone()]);
    let weights = [("one", ones(n)), ("w", d[6].clone()), ("cluster_w", d[7].clone())];
    (x, d[5].clone(), d[0].iter().map(|g| *g as usize).collect(), weights)
}

// Naive n_g × n_g matrices in numpy; CR1, HC2, HC3 by statsmodels (tests/outside/numerics.py).
#[test]
fn every_correction_against_full_matrices() {
    let (x, y, group, weights) = clusters();
    let expected = &reference()["sandwich"];
    let contrasts = table(&expected["contrasts"]);
    let cases = expected["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 15);
    for case in cases {
        let name = case["weights"].as_str().unwrap();
        let w = &weights.iter().find(|(n, _)| *n == name).unwrap().1;
        let rows = each_row(y.len());
        let (correction, ids) = match case["correction"].as_str().unwrap() {
            "cr1" => (Correction::Cr1, &group),
            "cr2" => (Correction::Cr2, &group),
            "cr3" => (Correction::Cr3, &group),
            "hc2" => (Correction::Cr2, &rows),
            _ => (Correction::Cr3, &rows),
        };
        let found = fit(&x, &y, Some(w)).unwrap();
        let robust = sandwich(&found, ids, correction).unwrap();
        covariance_close(&robust.covariance, &matrix(&case["covariance"]), 1e-9);
        for (contrast, dof) in contrasts.iter().zip(numbers(&case["dof"])) {
            let contrast = DVector::from_row_slice(contrast);
            close(robust.degrees_of_freedom(&contrast).unwrap(), dof, 1e-7);
        }
        if correction == Correction::Cr2 && ids == &group {
            // The column that one cluster has for itself is in no other cluster's residuals.
            assert_eq!(robust.saturated, 1);
        }
    }
}

#[test]
fn cr3_is_the_jackknife_that_leaves_a_cluster_out() {
    let (x, y, group, weights) = clusters();
    // Without the column of one cluster only, which could not be fitted without it.
    let x = x.remove_column(3);
    for (_, w) in &weights {
        let found = fit(&x, &y, Some(w)).unwrap();
        let mut sum = DMatrix::zeros(4, 4);
        for g in 0..7 {
            let keep: Vec<usize> = (0..y.len()).filter(|&i| group[i] != g).collect();
            let without = fit(&x.select_rows(&keep), &y.select_rows(&keep), Some(&w.select_rows(&keep))).unwrap();
            let change = without.coefficients - &found.coefficients;
            sum += &change * change.transpose();
        }
        // No factor here; the jackknife proper takes (G − 1)/G of this sum.
        let cr3 = sandwich(&found, &group, Correction::Cr3).unwrap();
        covariance_close(&cr3.covariance, &sum, 1e-9);
    }
}

#[test]
fn cr2_is_exact_when_its_working_model_holds() {
    // With equal groups and a mean alone, CR2 is Σ(ḡ − ȳ)²/(G(G−1)) and has G − 1 degrees of freedom.
    let y = DVector::from_row_slice(&[1.0, 4.0, 2.0, 8.0, 5.0, 7.0, 3.0, 9.0]);
    let found = fit(&DMatrix::from_element(8, 1, 1.0), &y, None).unwrap();
    let robust = sandwich(&found, &[5, 5, 1, 1, 9, 9, 2, 2], Correction::Cr2).unwrap();
    let means = [2.5, 5.0, 6.0, 6.0];
    let centre = 4.875;
    let expected: f64 = means.iter().map(|m| (m - centre) * (m - centre)).sum::<f64>() / 12.0;
    close(robust.covariance[(0, 0)], expected, 1e-12);
    close(robust.degrees_of_freedom(&DVector::from_element(1, 1.0)).unwrap(), 3.0, 1e-12);
    let rows = sandwich(&found, &each_row(8), Correction::Cr2).unwrap();
    close(rows.covariance[(0, 0)], found.standard_errors[0].powi(2), 1e-12);
    close(rows.degrees_of_freedom(&DVector::from_element(1, 1.0)).unwrap(), 7.0, 1e-12);
}

// scipy 1.17.1.
#[test]
fn distributions_against_scipy() {
    let expected = &reference()["distributions"];
    for row in table(&expected["t_quantile"]) {
        close(t_quantile(row[0], row[1]).unwrap(), row[2], 1e-10);
    }
    for row in table(&expected["t_p_value"]) {
        close(t_p_value(row[0], row[1]).unwrap(), row[2], 1e-9);
    }
    for row in table(&expected["f_p_value"]) {
        close(f_p_value(row[0], row[1], row[2]).unwrap(), row[3], 1e-9);
    }
}

// statsmodels 0.15.0: multipletests, TTestPower (noncentral t), compare_f_test.
#[test]
fn holm_power_and_f_against_statsmodels() {
    let all = reference();
    let expected = &all["holm"];
    all_close(&holm(&numbers(&expected["p"])).unwrap(), &numbers(&expected["adjusted"]), 1e-14);
    for row in table(&all["power"]["rows"]) {
        // The shifted t is an approximation, low with few degrees of freedom.
        let found = smallest_detectable(1.0, row[0], PowerParams::default()).unwrap();
        let short = 1.0 - found / row[1];
        let allowed = if row[0] < 4.0 {
            0.023
        } else if row[0] < 10.0 {
            0.007
        } else {
            0.001
        };
        assert!(short.abs() < allowed, "{short} at {}", row[0]);
    }
    let expected = &all["f_test"];
    let model = |name: &str| {
        let v = numbers(&expected[name]);
        ModelFit { rss: v[0], dof: v[1] }
    };
    let test = nested(model("small"), model("large")).unwrap();
    close(test.statistic, expected["statistic"].as_f64().unwrap(), 1e-11);
    close(test.p_value, expected["p"].as_f64().unwrap(), 1e-9);
}

// statsmodels 0.15.0 combine_effects (iterated Paule-Mandel); the regression by scipy 1.17.1 brentq.
#[test]
fn paule_mandel_against_statsmodels() {
    let expected = &reference()["between"];
    let y = DVector::from_vec(numbers(&expected["y"]));
    let v = DVector::from_vec(numbers(&expected["v"]));
    let params = BetweenParams { huber_k: None, tolerance: 1e-12 };
    let found = between_variance(&design(&[ones(8)]), &y, &v, params).unwrap();
    close(found.tau2, expected["tau2_mean"].as_f64().unwrap(), 1e-8);
    let line = design(&[ones(8), DVector::from_fn(8, |i, _| i as f64)]);
    let found = between_variance(&line, &y, &v, params).unwrap();
    close(found.tau2, expected["tau2_line"].as_f64().unwrap(), 1e-9);
}

// uncertainties 3.2.3.
#[test]
fn delta_method_against_uncertainties() {
    let expected = &reference()["delta"];
    let v = numbers(&expected["values"]);
    let covariance = matrix(&expected["covariance"]);
    let two = covariance.view((0, 0), (2, 2)).into_owned();
    let share = delta::share(v[0], v[1], &two).unwrap();
    all_close(&[share.value, share.standard_error()], &numbers(&expected["share"]), 1e-12);
    let ratio = delta::sum_over(v[0], v[1], v[2], &covariance).unwrap();
    all_close(&[ratio.value, ratio.standard_error()], &numbers(&expected["sum_over"]), 1e-12);
    close(ratio.denominator_t, 520.0 / 4.0, 1e-12);
}
