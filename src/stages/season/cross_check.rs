//! `cross_check`: second opinions on every fit, from evidence and estimators that it did not use.
//!
//! * `straight`: all straight running (window stage `straight`) with load transfer and vertical curvature as
//!   regressors of the whole season, in the place of the steady windows. It carries more information and leans
//!   less on the car file; what it says of m·h/L and of the effective mass is the table `regressors`,
//!   beside the driveline's loss that the fit itself found in the windows of coasting.
//! * `coast_integral`: coasting stretches as wholes, speed over time against the closed form of A + C·v² (the
//!   analysis of 40 CFR 1066 and SAE J2263), in the mean headwind that was measured or that the fit knows. In a steady
//!   headwind the speed through the air follows the same law. Stretches in more than 5 m/s beside a measured air
//!   speed are left out; with `wind: none` still air is assumed.

use std::collections::BTreeMap;

use nalgebra::DVector;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SeasonTables;
use super::answers::{fitted, need_fit, unit_of};
use super::fit::estimate::{Derived, Estimate};
use super::fit::{Fit, LetIn, SeasonFit};
use super::regressors::{CAR_FILE_KNOWN_TO, regressors};
use crate::error::Fatal;
use crate::located::Located;
use crate::numerics::distributions::{t_p_value, t_quantile};
use crate::numerics::multiple::holm;
use crate::numerics::shown::with_half;
use crate::stages::window::Window;
use crate::stages::window::straight::STRAIGHT;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::rows::{CrossCheckRow, RegressorRow};
use crate::units::Ratio;

/// Second opinions on every fit, from evidence and estimators that it did not use.
///
/// All straight running in the place of steady windows (window stage `straight`), with load transfer and vertical
/// curvature as unknowns; and coasting stretches as wholes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrossCheck {
    /// Level of the test that calls two estimates at odds.
    #[serde(default = "level")]
    pub level: Located<Ratio>,
    /// Two estimates agree where the 95 % interval of their difference lies within this share of the fit's value.
    #[serde(default = "within")]
    pub within: Located<Ratio>,
    /// How well the car file's CG height, wheelbase and mass are known: a smaller difference from what the logs say
    /// is no finding. (A few per cent for a CG height is common practice, no source.)
    #[serde(default = "car_file_known_to")]
    pub car_file_known_to: Located<Ratio>,
}

fn within() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.05))
}

fn car_file_known_to() -> Located<Ratio> {
    Located::nowhere(Ratio::si(CAR_FILE_KNOWN_TO))
}

fn level() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.01))
}

impl SeasonStage for CrossCheck {
    fn check(&self, _input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        if !(1e-6..=0.5).contains(&self.level.get()) {
            cx.fault(self.level.spot, "a level that no test has", "for example `0.01`");
        }
        for share in [&self.within, &self.car_file_known_to] {
            if !(0.0..=0.5).contains(&share.get()) {
                cx.fault(share.spot, "a share from 0 to 50 % is meant", "for example `3 %`");
            }
        }
    }

    fn wants_road_load(&self) -> bool {
        true
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "cross_check")?;
        let mut rows = Vec::new();
        tables.regressors = regressors(fit, tables, cx, self.car_file_known_to.get());
        if let Some(other) = straight(tables, fit, cx) {
            rows.extend(self.straight_rows(fit, &other));
            // What both let in is told from the windows that the fit rests on.
            let known = |r: &RegressorRow| {
                tables.regressors.iter().any(|k| (&k.quantity, &k.regressor) == (&r.quantity, &r.regressor))
            };
            let untold = told_by_coasting(fit).and_then(|q| fit.quantities.get(q));
            let more: Vec<RegressorRow> = regressors(&other, tables, cx, self.car_file_known_to.get())
                .into_iter()
                .filter(|r| !known(r) && Some(&r.quantity) != untold)
                .collect();
            tables.regressors.extend(more);
        }
        rows.extend(self.coast_rows(fit, &tables.windows));
        for r in &mut rows {
            r.unit = unit_of(&r.quantity, &tables.quantities, &tables.units);
            (r.reference_speed, r.reference_density) = (fit.speed, fit.density);
        }
        self.judge(&mut rows);
        rows.sort_by(|a, b| (&a.estimator, &a.quantity).cmp(&(&b.estimator, &b.quantity)));
        tables.cross_checks = rows;
        Ok(())
    }
}

/// The resistance, where coasting alone tells it: its drive force is then none, so that straight running with the mass as an
/// unknown gives neither, only that nothing is left over.
fn told_by_coasting(fit: &SeasonFit) -> Option<usize> {
    let q = fit.quantities.iter().position(|name| name == "resistance")?;
    let kinds = &fit.options.as_ref()?.windows;
    let coasts = |kind: usize| kinds.get(kind).is_some_and(|k| k.value == "coastdown");
    let mut of = fit.evidence.observations.iter().filter(|o| o.quantity == q).peekable();
    of.peek()?;
    of.all(|o| coasts(o.kind)).then_some(q)
}

/// The same fit with straight running in the place of steady windows; `None` without such windows.
fn straight(tables: &SeasonTables, fit: &SeasonFit, cx: &SeasonCx) -> Option<SeasonFit> {
    if !tables.windows.iter().any(|w| w.kind == STRAIGHT) {
        return None;
    }
    let mut options: Fit = fit.options.clone()?;
    let kind = |k: &str| Located::nowhere(k.to_owned());
    options.windows.retain(|k| k.value != "steady" && k.value != STRAIGHT);
    options.windows.push(kind(STRAIGHT));
    options.let_in.extend([LetIn::Transfer, LetIn::Curvature]);
    options.let_in.sort_unstable();
    options.let_in.dedup();
    Some(options.solve(tables, cx))
}

impl CrossCheck {
    fn straight_rows(&self, fit: &SeasonFit, other: &SeasonFit) -> Vec<CrossCheckRow> {
        let (mut out, untold) = (Vec::new(), told_by_coasting(fit));
        for (k, c) in fit.evidence.configurations.iter().enumerate() {
            for (q, name) in fit.quantities.iter().enumerate().filter(|(q, _)| Some(*q) != untold) {
                let (Some(a), Some(b)) = (fit.coefficient(k, q), other.coefficient(k, q)) else { continue };
                let factor = fit.speed * fit.speed;
                let (a, b) = (a.times(factor), b.times(factor));
                let (Some(main), Some(second)) = (fit.estimate(&a), other.estimate(&b)) else { continue };
                let windows =
                    other.evidence.observations.iter().filter(|o| (o.configuration, o.quantity) == (k, q)).count();
                // What one session alone tells leaves no residual there, and so no influence to pair.
                let alone = [&main, &second].iter().any(|e| e.flags.contains(&"session_scatter_not_visible"));
                // However alike two answers err, their difference errs by no less than their errors differ.
                let least = (main.se - second.se).abs();
                let paired = (!alone).then(|| paired_variance(fit, &a, other, &b).sqrt().max(least));
                out.push(row(&c.name, name, "straight", (&main, &second), paired, windows));
            }
        }
        out
    }

    fn coast_rows(&self, fit: &SeasonFit, windows: &[Window]) -> Vec<CrossCheckRow> {
        let Some(q) = fit.quantities.iter().position(|n| n == "resistance") else { return Vec::new() };
        let mut out = Vec::new();
        for (k, c) in fit.evidence.configurations.iter().enumerate() {
            let mut sessions: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
            for w in windows.iter().filter(|w| w.configuration == c.name) {
                if let Some(c) = w.coast.as_ref().and_then(|c| c.coefficient(fit.headwind_of(w))) {
                    sessions.entry((&w.event, &w.session)).or_default().push(c);
                }
            }
            let stretches: usize = sessions.values().map(Vec::len).sum();
            let means: Vec<f64> = sessions.values().map(|v| v.iter().sum::<f64>() / v.len() as f64).collect();
            let factor = fit.speed * fit.speed;
            let main = fit.coefficient(k, q).and_then(|d| fit.estimate(&d.times(factor)));
            let (Some(main), Some(second)) = (main, mean_of(&means, factor)) else { continue };
            // The fit has read the same stretches piece by piece: the two are no independent evidence, and their
            // difference is surer than this.
            let apart = main.se.hypot(second.se);
            out.push(row(&c.name, "resistance", "coast_integral", (&main, &second), Some(apart), stretches));
        }
        out
    }

    /// Verdicts on all rows, p-values adjusted for their number.
    fn judge(&self, rows: &mut [CrossCheckRow]) {
        let p: Vec<f64> = rows.iter().filter_map(|r| r.p_value).collect();
        let mut adjusted = holm(&p).unwrap_or_default().into_iter();
        for r in rows {
            r.p_holm = r.p_value.and_then(|_| adjusted.next());
            let near = self.within.get() * r.fit_value.abs();
            r.verdict = match (r.p_holm, r.difference_lo95, r.difference_hi95) {
                (Some(_), Some(lo), Some(hi)) if lo >= -near && hi <= near => "agrees",
                (Some(p), _, _) if p < self.level.get() => "at odds",
                (Some(_), _, _) => "not resolved",
                (None, _, _) => "not comparable",
            }
            .to_owned();
        }
    }
}

/// A row without its verdict. `difference_se` is `None` where the two can't be held against each other.
fn row(
    configuration: &str,
    quantity: &str,
    estimator: &str,
    (main, second): (&Estimate, &Estimate),
    difference_se: Option<f64>,
    windows: usize,
) -> CrossCheckRow {
    let difference = second.value - main.value;
    let dof = main.dof.min(second.dof).max(1.0);
    let half = difference_se.and_then(|se| Some(t_quantile(0.975, dof).ok()? * se));
    CrossCheckRow {
        configuration: configuration.to_owned(),
        quantity: quantity.to_owned(),
        unit: String::new(),
        estimator: estimator.to_owned(),
        value: second.value,
        value_se: second.se,
        value_lo95: second.interval.0,
        value_hi95: second.interval.1,
        fit_value: main.value,
        fit_se: main.se,
        difference,
        difference_se,
        difference_lo95: half.map(|h| difference - h),
        difference_hi95: half.map(|h| difference + h),
        p_value: difference_se.and_then(|se| t_p_value(difference / se, dof).ok()),
        p_holm: None,
        verdict: String::new(),
        windows: windows as i64,
        reference_speed: 0.0,
        reference_density: 0.0,
    }
}

/// Mean over sessions of a coefficient, times a factor, with its t interval; `None` under two sessions.
fn mean_of(values: &[f64], factor: f64) -> Option<Estimate> {
    let n = values.len() as f64;
    if values.len() < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0) / n;
    let (value, se, dof) = (mean * factor, variance.sqrt() * factor.abs(), n - 1.0);
    let half = t_quantile(0.975, dof).ok()? * se;
    Some(Estimate { value, se, interval: (value - half, value + half), dof, flags: Vec::new() })
}

/// Variance of the difference of two fits' answers: their sessions are the same days, so that what a day did to
/// both drops out. Session by session the influences are subtracted.
fn paired_variance(a: &SeasonFit, da: &Derived, b: &SeasonFit, db: &Derived) -> f64 {
    let influences = |fit: &SeasonFit, gradient: &DVector<f64>| -> BTreeMap<(String, String), f64> {
        let all = fit.model.fit.iter().flat_map(|f| f.influence.iter().map(|u| u.dot(gradient)));
        fit.evidence.sessions.iter().cloned().zip(all).collect()
    };
    let (of_a, mut of_b) = (influences(a, &da.gradient), influences(b, &db.gradient));
    let shared: f64 = of_a.into_iter().map(|(s, u)| (u - of_b.remove(&s).unwrap_or(0.0)).powi(2)).sum();
    shared + of_b.into_values().map(|u| u * u).sum::<f64>()
}

/// What is at odds with the fit or the car file, in words.
pub fn in_words(rows: &[CrossCheckRow], regressors: &[RegressorRow]) -> Vec<String> {
    let odd = rows.iter().filter(|r| r.verdict == "at odds").map(|r| {
        let half = r.difference_hi95.zip(r.difference_lo95).map(|(hi, lo)| 0.5 * (hi - lo));
        let apart = half.map_or_else(|| format!("{:.0}", r.difference.abs()), |h| with_half(r.difference.abs(), h));
        let way = if r.difference < 0.0 { "less" } else { "more" };
        let (estimator, quantity) = (r.estimator.replace('_', " "), r.quantity.replace('_', " "));
        let (configuration, unit, value) = (&r.configuration, &r.unit, r.fit_value);
        format!("{configuration} {quantity}: {estimator} says {apart} {unit} {way} than the fit's {value:.0} {unit}, at the reference speed")
    });
    let differ = regressors.iter().filter(|r| r.verdict == "differs").map(|r| {
        let value = with_half(r.coefficient, 0.5 * (r.coefficient_hi95 - r.coefficient_lo95));
        let (quantity, file) = (r.quantity.replace('_', " "), r.car_file.unwrap_or(0.0));
        match (r.regressor.as_str(), r.quantity.as_str()) {
            ("coasting", _) if r.car_file.is_some() && r.coefficient_hi95 < 0.0 => format!(
                "coasting asks for a driveline loss of {value} N, which is below zero and can't be: unit of the torque, tyre \
                 radius, speed or mass?"
            ),
            ("coasting", _) if r.car_file.is_none() => format!(
                "coasting reads {value} N more resistance than driving, where both should read the same: the torque sensors' \
                 zero, slopes, a wing that moves, or mass and speed? The fit took what the logs say"
            ),
            ("coasting", _) => format!(
                "coasting asks for a driveline loss of {value} N, the car file says {file:.1} N: the fit took what the logs say"
            ),
            (_, "resistance") => format!(
                "straight running gives an effective mass of {value} kg, the car file {file:.1} kg: mass, tyre radius, unit \
                 of the torque, or speed and acceleration?"
            ),
            _ if r.coefficient_hi95 < 0.0 => format!(
                "straight running moves {value} N onto the {quantity} per m/s2 of acceleration, the wrong way round (the car \
                 file {file:.1}): the sign of its sensors, or the columns of the two axles exchanged?"
            ),
            _ => format!(
                "straight running moves {value} N onto the {quantity} per m/s2 of acceleration, the car file {file:.1}: CG \
                 height, wheelbase, mass, the springs and motion ratios of that axle, or speed and acceleration?"
            ),
        }
    });
    odd.chain(differ).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_at_odds_is_said_with_units_and_causes() {
        let regressor = |regressor: &str, quantity: &str, coefficient: f64| RegressorRow {
            regressor: regressor.to_owned(),
            quantity: quantity.to_owned(),
            coefficient,
            coefficient_lo95: coefficient - 2.0,
            coefficient_hi95: coefficient + 2.0,
            car_file: Some(100.0),
            verdict: "differs".to_owned(),
            ..Default::default()
        };
        let row = CrossCheckRow {
            configuration: "base".to_owned(),
            quantity: "resistance".to_owned(),
            unit: "N".to_owned(),
            estimator: "coast_integral".to_owned(),
            fit_value: 982.0,
            difference: -268.0,
            difference_lo95: Some(-317.0),
            difference_hi95: Some(-219.0),
            verdict: "at odds".to_owned(),
            ..Default::default()
        };
        let agrees = RegressorRow { verdict: "agrees".to_owned(), ..regressor("coasting", "resistance", 101.0) };
        let of = [
            regressor("transfer", "front_downforce", 90.0),
            regressor("transfer", "rear_downforce", -90.0),
            regressor("transfer", "resistance", 1430.0),
            regressor("coasting", "resistance", 80.0),
            regressor("coasting", "resistance", -80.0),
            agrees,
        ];
        let begins = [
            "base resistance: coast integral says 268 ± 49 N less than the fit's 982 N",
            "straight running moves 90.0 ± 2.0 N onto the front downforce per m/s2 of acceleration, the car file 100.0: CG",
            "straight running moves -90.0 ± 2.0 N onto the rear downforce per m/s2 of acceleration, the wrong way round",
            "straight running gives an effective mass of 1430.0 ± 2.0 kg, the car file 100.0 kg: mass, tyre radius",
            "coasting asks for a driveline loss of 80.0 ± 2.0 N, the car file says 100.0 N",
            "coasting asks for a driveline loss of -80.0 ± 2.0 N, which is below zero and can't be",
        ];
        let said = in_words(&[row], &of);
        assert_eq!(said.len(), begins.len());
        said.iter().zip(begins).for_each(|(said, begins)| assert!(said.starts_with(begins), "{said}"));
    }

    #[test]
    fn means_of_sessions() {
        // 1, 2, 4: mean 7/3, variance 7/3, standard error sqrt(7/9); t(0.975; 2) = 4.302652729911275 (R, from memory).
        let e = mean_of(&[1.0, 2.0, 4.0], 3.0).unwrap();
        assert!((e.value - 7.0).abs() < 1e-12 && (e.se - 7.0_f64.sqrt()).abs() < 1e-12);
        assert!((e.interval.1 - e.value - 4.302_652_729_911_275 * 7.0_f64.sqrt()).abs() < 1e-6);
        assert!(mean_of(&[1.0], 1.0).is_none());
    }
}
