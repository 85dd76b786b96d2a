//! Whatever goes in, out comes a finite result or a typed error: never a panic, never a NaN that looks like a number.

use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use squarelaw::numerics::autoregression::Autoregression;
use squarelaw::numerics::between::{BetweenParams, between_variance};
use squarelaw::numerics::least_squares::{LeastSquares, LeastSquaresError, fit};
use squarelaw::numerics::mean::{SeriesParams, mean_and_se, slope_and_se};
use squarelaw::numerics::multiple::holm;
use squarelaw::numerics::null_space::{NullSpaceParams, null_space};
use squarelaw::numerics::robust::{self, Loss, RobustParams};
use squarelaw::numerics::sandwich::{Correction, sandwich};

/// Ordinary values, and now and then the awkward ones.
fn value() -> BoxedStrategy<f64> {
    prop_oneof![
        6 => -1e3..1e3_f64,
        2 => Just(0.0),
        2 => Just(1.0),
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY)],
        1 => prop_oneof![Just(1e-300), Just(-1e-160), Just(1e160), Just(1e300), Just(f64::MIN_POSITIVE), Just(f64::MAX)],
    ]
    .boxed()
}

/// Finite values only, of any size that squares well.
fn finite() -> BoxedStrategy<f64> {
    prop_oneof![6 => -1e3..1e3_f64, 2 => Just(0.0), 2 => Just(1.0), 1 => -1e-9..1e-9_f64, 1 => -1e12..1e12_f64].boxed()
}

/// Values of like size: what counts as zero beside them is never in doubt.
fn plain() -> BoxedStrategy<f64> {
    prop_oneof![3 => (-9_i32..10).prop_map(f64::from), 2 => 1.0..1e3_f64, 1 => Just(0.0), 1 => Just(1.0)].boxed()
}

#[derive(Debug)]
struct Problem {
    x: DMatrix<f64>,
    y: DVector<f64>,
    w: DVector<f64>,
    groups: Vec<usize>,
}

/// A design with, at times, copied, constant and empty columns, and rows that repeat.
fn problem(entry: BoxedStrategy<f64>) -> impl Strategy<Value = Problem> {
    (0_usize..14, 0_usize..5).prop_flat_map(move |(rows, columns)| {
        let cells = prop::collection::vec(entry.clone(), rows * columns);
        let y = prop::collection::vec(entry.clone(), rows);
        let w = prop::collection::vec(prop_oneof![5 => 0.1..10.0_f64, 1 => entry.clone()], rows);
        let groups = prop::collection::vec(0_usize..4, rows);
        let spoil = (0_usize..5, 0_usize..8, 0_usize..8);
        (cells, y, w, groups, spoil).prop_map(move |(cells, y, w, groups, (kind, a, b))| {
            let mut x = DMatrix::from_vec(rows, columns, cells);
            if columns > 0 && rows > 0 {
                match kind {
                    0 => x.set_column(a % columns, &x.column(b % columns).into_owned()),
                    1 => x.column_mut(a % columns).fill(1.0),
                    2 => x.column_mut(a % columns).fill(0.0),
                    3 => x.set_row(a % rows, &x.row(b % rows).into_owned()),
                    _ => {}
                }
            }
            Problem { x, y: DVector::from_vec(y), w: DVector::from_vec(w), groups }
        })
    })
}

fn all_finite<'a>(values: impl IntoIterator<Item = &'a f64>) -> bool {
    values.into_iter().all(|v| v.is_finite())
}

fn check_fit(fit: &LeastSquares) -> Result<(), TestCaseError> {
    prop_assert!(all_finite(&fit.coefficients) && all_finite(&fit.standard_errors) && all_finite(&fit.residuals));
    prop_assert!(all_finite(&fit.unscaled_covariance) && all_finite(&fit.r_inverse) && all_finite(&fit.q));
    prop_assert!(fit.sigma2.is_finite() && fit.rss.is_finite() && fit.condition.is_finite() && fit.dof > 0);
    prop_assert!(fit.leverages.iter().all(|h| (0.0..=1.0).contains(h)));
    prop_assert!((fit.leverages.sum() - fit.rank as f64).abs() < 1e-6, "{}", fit.leverages.sum());
    prop_assert!(fit.r2.is_none_or(f64::is_finite));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40000, failure_persistence: None, rng_seed: RngSeed::Fixed(13), ..ProptestConfig::default() })]

    #[test]
    fn least_squares_gives_numbers_or_an_error(p in problem(value())) {
        if let Ok(found) = fit(&p.x, &p.y, Some(&p.w)) {
            check_fit(&found)?;
            prop_assert!(p.x.iter().chain(p.y.iter()).chain(p.w.iter()).all(|v| v.is_finite()));
        }
    }

    #[test]
    fn residuals_are_orthogonal_to_the_design(p in problem(finite())) {
        match fit(&p.x, &p.y, Some(&p.w)) {
            Ok(found) => {
                check_fit(&found)?;
                let left = found.q.tr_mul(&found.weighted_residuals());
                let size = p.y.component_mul(&p.w.map(f64::sqrt)).norm();
                prop_assert!(left.norm() <= 1e-12 * found.condition * size, "{} {}", left.norm(), size);
            }
            Err(LeastSquaresError::RankDeficient { rank, columns, aliased }) => {
                prop_assert!(rank < columns && columns == p.x.ncols());
                let named: usize = aliased.iter().map(Vec::len).sum();
                prop_assert!(named >= columns - rank && named <= columns);
            }
            Err(LeastSquaresError::TooFewRows { rows, columns }) => prop_assert!(rows <= columns),
            Err(LeastSquaresError::NoColumns) => prop_assert_eq!(p.x.ncols(), 0),
            Err(LeastSquaresError::BadWeight { weight, .. }) => prop_assert!(weight < 0.0),
            Err(other) => prop_assert!(false, "{other}"),
        }
    }

    #[test]
    fn null_space_accounts_for_every_column(p in problem(plain())) {
        if let Ok(space) = null_space(&p.x, NullSpaceParams::default()) {
            let relations: usize = space.groups.iter().map(|g| g.relations).sum();
            prop_assert_eq!(space.rank + relations, p.x.ncols());
            for group in &space.groups {
                prop_assert!(group.relations <= group.columns.len());
                for &column in &group.columns {
                    let alone = DVector::from_fn(p.x.ncols(), |j, _| f64::from(u8::from(j == column)));
                    prop_assert!(!space.is_estimable(&alone));
                }
            }
            // What the rows themselves say is always known.
            for row in p.x.row_iter().filter(|r| r.amax() > 0.0) {
                prop_assert!(space.is_estimable(&row.transpose()));
            }
        }
    }

    #[test]
    fn covariances_are_finite_and_not_negative(p in problem(finite())) {
        if let Ok(found) = fit(&p.x, &p.y, Some(&p.w)) {
            for correction in [Correction::Cr1, Correction::Cr2, Correction::Cr3] {
                if let Ok(robust) = sandwich(&found, &p.groups, correction) {
                    prop_assert!(all_finite(&robust.covariance));
                    let contrast = DVector::from_element(found.rank, 1.0);
                    prop_assert!(robust.contrast_se(&contrast).unwrap() >= 0.0);
                    if let Ok(dof) = robust.degrees_of_freedom(&contrast) {
                        prop_assert!(dof >= 1.0 - 1e-9 && dof <= robust.clusters as f64 + 1e-6, "{dof}");
                    }
                }
            }
        }
    }

    #[test]
    fn series_give_numbers_or_an_error(series in prop::collection::vec(value(), 0..120), hold in 0_usize..4) {
        let series: Vec<f64> = match hold {
            0 => series.iter().map(|v| v.clamp(-10.0, 10.0)).collect(),
            1 => vec![series.first().copied().unwrap_or(1.0); series.len()],
            2 => series.iter().enumerate().map(|(i, v)| if i % 2 == 0 { f64::NAN } else { *v }).collect(),
            _ => series,
        };
        for found in [mean_and_se(&series, SeriesParams::default()), slope_and_se(0.02, &series, SeriesParams::default())]
            .into_iter()
            .flatten()
        {
            prop_assert!(all_finite(&[found.value, found.standard_error, found.mean, found.deviation]));
            prop_assert!(found.effective_samples > 0.0 && found.effective_samples.is_finite());
            prop_assert!(found.exact || found.standard_error > 0.0);
            prop_assert_eq!(found.samples + found.missing, series.len());
        }
    }

    #[test]
    fn autocorrelations_stay_in_range(reflections in prop::collection::vec(-1.5..1.5_f64, 0..8)) {
        let mut covariance = vec![1.0];
        covariance.extend(reflections);
        let model = Autoregression::from_autocovariance(&covariance).unwrap();
        prop_assert!(model.autocorrelation(200, 1e-6).iter().all(|r| r.is_finite() && r.abs() <= 1.0 + 1e-6));
    }

    #[test]
    fn holm_never_lowers_and_keeps_the_order(p in prop::collection::vec(0.0..=1.0_f64, 0..12)) {
        let adjusted = holm(&p).unwrap();
        for i in 0..p.len() {
            prop_assert!(adjusted[i] >= p[i] && adjusted[i] <= 1.0);
            for j in 0..p.len() {
                prop_assert!(p[i] > p[j] || adjusted[i] <= adjusted[j]);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, failure_persistence: None, rng_seed: RngSeed::Fixed(13), ..ProptestConfig::default() })]

    #[test]
    fn robust_fits_give_numbers_or_an_error(p in problem(value()), bisquare: bool) {
        let loss = if bisquare { Loss::BISQUARE } else { Loss::HUBER };
        if let Ok(found) = robust::fit(&p.x, &p.y, Some(&p.w), RobustParams { loss, ..RobustParams::default() }) {
            check_fit(&found.fit)?;
            prop_assert!(found.robustness.iter().all(|w| (0.0..=1.0).contains(w)));
            prop_assert!(found.scale.is_finite() && found.scale >= 0.0);
            prop_assert!(found.covariance.is_none_or(|c| all_finite(&c)));
        }
    }

    /// Where a few rows determine a column the median residual can shrink without end, and that is an error; with rows
    /// of like leverage it must not be.
    #[test]
    fn hubers_iteration_ends(
        cells in prop::collection::vec(-10.0..10.0_f64, 60),
        y in prop::collection::vec(prop_oneof![3 => -1.0..1.0_f64, 1 => -1e4..1e4_f64, 1 => Just(0.0)], 20),
        columns in 1_usize..4,
        w in prop::collection::vec(0.1..10.0_f64, 20),
    ) {
        let x = DMatrix::from_fn(20, columns, |i, j| cells[20 * j + i]);
        let found = robust::fit(&x, &DVector::from_vec(y), Some(&DVector::from_vec(w)), RobustParams::default());
        prop_assert!(found.is_ok(), "{}", found.unwrap_err());
    }

    #[test]
    fn between_variance_is_a_number_or_an_error(p in problem(finite()), robust: bool) {
        let params = BetweenParams { huber_k: robust.then_some(1.345), ..BetweenParams::default() };
        if let Ok(found) = between_variance(&p.x, &p.y, &p.w, params) {
            prop_assert!(found.tau2.is_finite() && found.tau2 >= 0.0 && found.excess_at_zero.is_finite());
            check_fit(&found.fit)?;
        }
    }
}
