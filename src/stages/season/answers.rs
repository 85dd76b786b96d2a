//! What several season stages share: values of the fit at a speed and density, what the fit's own rows say of
//! them, and intervals of differences from numbers that stand outside it.

use std::collections::BTreeSet;

use super::fit::estimate::{Derived, Estimate, summed};
use super::fit::{SeasonFit, Wind};
use crate::error::Fatal;
use crate::located::Spot;
use crate::numerics::distributions::{t_p_value, t_quantile};
use crate::stages::CheckCx;
use crate::stages::window::Window;
use crate::table::rows::FitRow;

/// Demands that `fit` stands before the stage.
pub fn need_fit(before: &[&'static str], cx: &mut CheckCx) {
    if !before.contains(&"fit") {
        let message = format!("stage `{}` needs what `fit` finds", cx.stage);
        cx.fault(Spot::default(), message, "put `fit` before it");
    }
}

/// The fit, which the check made sure of.
///
/// # Errors
/// A defect: the stage ran without one.
pub fn fitted<'a>(model: &'a Option<SeasonFit>, stage: &str) -> Result<&'a SeasonFit, Fatal> {
    model.as_ref().ok_or_else(|| Fatal::Internal(format!("`{stage}` ran without a fit")))
}

/// Names that are made of several fitted quantities, or of `resistance`.
pub const DERIVED: [&str; 4] = ["downforce", "drag", "balance", "efficiency"];

/// SI unit of a named quantity, from the names and units of the measured ones.
pub fn unit_of(name: &str, quantities: &[String], units: &[String]) -> String {
    if SeasonFit::is_ratio(name) {
        return "1".to_owned();
    }
    let at = quantities.iter().position(|q| q == name);
    at.and_then(|i| units.get(i)).cloned().unwrap_or_else(|| "N".to_owned())
}

/// What the rows of `fits` say of the numbers that something is made of.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Behind {
    /// Lowest and highest speed that all of them have windows at, m/s.
    pub speeds: Option<(f64, f64)>,
    /// Their flags.
    pub flags: BTreeSet<String>,
}

impl Behind {
    /// What stands behind a named quantity of a configuration.
    pub fn of(fits: &[FitRow], configuration: &str, name: &str) -> Self {
        let made_of: &[&str] = match name {
            "downforce" | "balance" => &["front_downforce", "rear_downforce"],
            "drag" => &["drag", "resistance"],
            "efficiency" => &["front_downforce", "rear_downforce", "drag", "resistance"],
            other => &[other],
        };
        let rows = fits.iter().filter(|r| r.configuration == configuration && made_of.contains(&r.quantity.as_str()));
        let mut out = Self::default();
        for r in rows {
            // What is said of the reference speed is asked again of the speed in question.
            let of_any_speed = |f: &&str| !f.is_empty() && *f != "speed_outside_of_windows";
            out.flags.extend(r.flags.split(',').filter(of_any_speed).map(str::to_owned));
            if let (Some(low), Some(high)) = (r.speed_min, r.speed_max) {
                out.speeds = Some(out.speeds.map_or((low, high), |(l, h)| (low.max(l), high.min(h))));
            }
        }
        out
    }

    /// Whether a speed lies outside of the windows; no where there are none, since then there is no number.
    pub fn outside(&self, speed: f64) -> bool {
        self.speeds.is_some_and(|(low, high)| !(low..=high).contains(&speed))
    }

    /// Adds `speed_outside_of_windows` where it lies outside.
    pub fn look_at(&mut self, speed: f64) {
        if self.outside(speed) {
            self.flags.insert("speed_outside_of_windows".to_owned());
        }
    }
}

/// Flags as they stand in a table.
pub fn joined(flags: BTreeSet<String>) -> String {
    flags.into_iter().collect::<Vec<_>>().join(",")
}

impl SeasonFit {
    /// Value of a named quantity of a configuration at an air speed (m/s) and density (kg/m³).
    pub fn value_at(&self, configuration: usize, name: &str, speed: f64, density: f64) -> Option<Derived> {
        let (coefficient, _) = self.named(configuration, name)?;
        let factor = if Self::is_ratio(name) { 1.0 } else { density / self.density * speed * speed };
        Some(coefficient.times(factor))
    }

    /// Headwind that the fit found for a session along a course, m/s; 0 where either is not known.
    pub fn headwind(&self, event: &str, session: &str, course: Option<f64>) -> f64 {
        let at = self.evidence.sessions.iter().position(|(e, s)| e == event && s == session);
        match (at.and_then(|i| self.model.wind.get(i)), course) {
            (Some(w), Some(psi)) => w.wind.0 * psi.cos() + w.wind.1 * psi.sin(),
            _ => 0.0,
        }
    }

    /// Headwind of a window beyond what its `v_air` knows, m/s: none where the air speed was measured.
    pub fn headwind_of(&self, w: &Window) -> f64 {
        let by_sheet = self.options.as_ref().is_some_and(|f| f.wind == Wind::RunSheet);
        match w.course.filter(|_| !w.air_speed_measured) {
            Some(psi) if by_sheet => w.sheet_wind.map_or(0.0, |(speed, from)| speed * (psi - from).cos()),
            course => self.headwind(&w.event, &w.session, course),
        }
    }
}

/// A number with standard error, interval, degrees of freedom and p-value for zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// The number.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Lower end of the 95 % interval.
    pub lo: f64,
    /// Upper end of the 95 % interval.
    pub hi: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Two-sided p-value for zero.
    pub p: f64,
}

/// A number with independent variances put together, see [`summed`].
pub fn spread(value: f64, variances: &[(f64, f64)]) -> Option<Spread> {
    let (variance, dof) = summed(variances);
    let dof = dof.max(1.0);
    let se = variance.sqrt();
    if !(value.is_finite() && se.is_finite() && se > 0.0) {
        return None;
    }
    let half = se * t_quantile(0.975, dof).ok()?;
    Some(Spread { value, se, lo: value - half, hi: value + half, dof, p: t_p_value(value / se, dof).ok()? })
}

/// An estimate minus a number from outside with its own standard error (0: exact).
pub fn minus_outside(e: &Estimate, outside: f64, outside_se: f64) -> Option<Spread> {
    spread(e.value - outside, &[(e.se * e.se, e.dof), (outside_se * outside_se, f64::INFINITY)])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_behind_a_number_is_the_strictest_of_its_parts() {
        let row = |quantity: &str, speeds: (f64, f64), flags: &str| FitRow {
            configuration: "base".to_owned(),
            quantity: quantity.to_owned(),
            speed_min: Some(speeds.0),
            speed_max: Some(speeds.1),
            flags: flags.to_owned(),
            ..Default::default()
        };
        let mut fits = vec![
            row("front_downforce", (25.0, 60.0), "square_law_doubtful"),
            row("rear_downforce", (30.0, 65.0), "session_scatter_not_visible,square_law_doubtful"),
            row("drag", (20.0, 40.0), "rolling_not_taken_off"),
        ];
        fits.push(FitRow { configuration: "other".to_owned(), ..row("rear_downforce", (35.0, 36.0), "no_windows") });
        let mut b = Behind::of(&fits, "base", "balance");
        assert_eq!(b.speeds, Some((30.0, 60.0)));
        assert!(b.outside(29.0) && !b.outside(30.0) && !b.outside(60.0) && b.outside(60.1));
        b.look_at(45.0);
        assert_eq!(joined(b.flags.clone()), "session_scatter_not_visible,square_law_doubtful");
        b.look_at(70.0);
        assert!(b.flags.contains("speed_outside_of_windows"));
        assert_eq!(Behind::of(&fits, "base", "drag").speeds, Some((20.0, 40.0)));
        assert!(!Behind::of(&fits, "base", "radiator").outside(500.0));
    }

    #[test]
    fn variances_add_with_their_degrees_of_freedom() {
        // 4 with 4 and 12 with 6: 16²/(16/4 + 144/6) = 256/28.
        let s = spread(8.0, &[(4.0, 4.0), (12.0, 6.0)]).unwrap();
        assert!((s.dof - 256.0 / 28.0).abs() < 1e-12 && (s.se - 4.0).abs() < 1e-12);
        // An exact number from outside keeps interval and degrees of freedom: t 0.975 with 5 is 2.570582 (tables).
        let e = Estimate { value: 10.0, se: 2.0, interval: (0.0, 0.0), dof: 5.0, flags: Vec::new() };
        let d = minus_outside(&e, 7.0, 0.0).unwrap();
        assert!((d.dof - 5.0).abs() < 1e-12 && (d.value - 3.0).abs() < 1e-12);
        assert!((d.hi - (3.0 + 2.0 * 2.570_582)).abs() < 1e-5, "{d:?}");
        assert_eq!(spread(1.0, &[(f64::NAN, 1.0)]), None);
        assert_eq!(spread(1.0, &[(0.0, 1.0)]), None);
    }
}
