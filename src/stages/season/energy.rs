//! `energy`: the power that the air takes at a speed, and the speed that a power at the wheels reaches, per
//! configuration, on level road in still air.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SeasonTables;
use super::answers::{Behind, fitted, joined, need_fit};
use super::fit::SeasonFit;
use super::fit::estimate::{Derived, Estimate};
use crate::config::car::Car;
use crate::error::Fatal;
use crate::located::Located;
use crate::physics::road_power::RoadPower;
use crate::physics::tyres::symbol_speed;
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::rows::FitRow;
use crate::table::verdicts::EnergyRow;
use crate::units::{Density, G, Mass, Power, Speed};

/// The power that the air takes at a speed, and the speed that a power at the wheels reaches, on level road in
/// still air.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Energy {
    /// Power at the wheels whose top speed is asked for.
    #[serde(default)]
    pub power: Option<Located<Power>>,
    /// Speed that the powers are given at; the reference speed of the fit where left out.
    #[serde(default)]
    pub at: Option<Located<Speed>>,
    /// Air density of all numbers; the reference density where left out.
    #[serde(default)]
    pub density: Option<Located<Density>>,
    /// Fuel aboard, for the rolling resistance; what was aboard when the corner weights were taken where left out.
    #[serde(default)]
    pub fuel: Option<Located<Mass>>,
}

impl SeasonStage for Energy {
    fn check(&self, input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        cx.need(input, "net_drive");
        if let Some(p) = &self.power
            && !(1e3..=2e6).contains(&p.get())
        {
            cx.fault(p.spot, "a power that no car has at its wheels", "expected 1 kW to 2000 kW");
        }
        stated::check(self.at.as_ref(), self.density.as_ref(), cx);
        if let Some(f) = &self.fuel
            && !(0.0..=500.0).contains(&f.get())
        {
            cx.fault(f.spot, "a fuel load that no car carries", "expected 0 kg to 500 kg");
        }
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "energy")?;
        let fuel = self.fuel.as_ref().map_or(cx.car.fuel.at_corner_weights.get(), |f| f.get());
        let mass = cx.car.mass_with(fuel);
        let symbol = symbol(cx.car);
        let row = |k| remarked(self.row(fit, k, mass), &tables.fits, symbol);
        tables.energy = (0..fit.evidence.configurations.len()).map(row).collect();
        Ok(())
    }
}

/// Speed of the lower speed symbol of the car's tyres, m/s.
fn symbol(car: &Car) -> Option<f64> {
    let tyres = car.tyres.as_ref()?;
    [&tyres.front, &tyres.rear].into_iter().filter_map(|t| symbol_speed(&t.speed_symbol)).reduce(f64::min)
}

/// The row with what the fit's rows say of its numbers, and with the flags of speeds that nobody drove or that the
/// tyres' speed symbol does not cover; the upper end of the top speed counts.
fn remarked(mut row: EnergyRow, fits: &[FitRow], symbol: Option<f64>) -> EnergyRow {
    let mut behind = Behind::of(fits, &row.configuration, "drag");
    behind.look_at(row.speed);
    // An interval without an end goes beyond all of them.
    let open = row.top_speed_lo95.is_some() && row.top_speed_hi95.is_none();
    if open || row.top_speed.into_iter().chain(row.top_speed_hi95).any(|v| behind.outside(v)) {
        behind.flags.insert("speed_outside_of_windows".to_owned());
    }
    let speeds = [row.top_speed, row.top_speed_hi95, Some(row.speed)];
    if symbol.is_some_and(|top| open || speeds.into_iter().flatten().any(|v| v > top + 1e-6)) {
        behind.flags.insert("above_speed_symbol".to_owned());
    }
    behind.flags.extend(row.flags.split(',').filter(|f| !f.is_empty()).map(str::to_owned));
    row.flags = joined(behind.flags);
    row
}

type Four = (Option<f64>, Option<f64>, Option<f64>, Option<f64>);

fn four(e: Option<Estimate>) -> Four {
    e.map_or((None, None, None, None), |e| (Some(e.value), Some(e.se), Some(e.interval.0), Some(e.interval.1)))
}

impl Energy {
    /// One configuration at a mass in kg.
    pub fn row(&self, fit: &SeasonFit, k: usize, mass: f64) -> EnergyRow {
        let speed = self.at.as_ref().map_or(fit.speed, |v| v.get());
        let density = self.density.as_ref().map_or(fit.density, |d| d.get());
        let mut row = EnergyRow {
            configuration: fit.evidence.configurations.get(k).map(|c| c.name.clone()).unwrap_or_default(),
            speed,
            air_density: density,
            mass,
            power: self.power.as_ref().map(|p| p.get()),
            ..Default::default()
        };
        let mut flags: Vec<&str> = Vec::new();
        let ratio = density / fit.density;
        let weight = fit.rolling_resistance * mass * G;
        match fit.named(k, "drag") {
            Some((drag, flag)) => {
                flags.extend(flag);
                let estimate = fit.estimate(&drag.times(ratio * speed.powi(3)));
                flags.extend(estimate.iter().flat_map(|e| e.flags.iter().copied()));
                (row.drag_power, row.drag_power_se, row.drag_power_lo95, row.drag_power_hi95) = four(estimate);
            }
            None => flags.push("no_drag"),
        }
        // What the tyres' rolling takes with the downforce is inside the resistance's coefficient already.
        if let Some((resistance, _)) = fit.named(k, "resistance") {
            let at = |c: f64| RoadPower { constant: weight, quadratic: ratio * c };
            let total = resistance.times(ratio * speed.powi(3));
            let total = Derived { value: at(resistance.value).at(speed), ..total };
            (row.total_power, row.total_power_se, row.total_power_lo95, row.total_power_hi95) =
                four(fit.estimate(&total));
            if let Some(power) = row.power {
                match at(resistance.value).speed(power) {
                    Some(v) => {
                        let slope = at(resistance.value).speed_by_quadratic(v) * ratio;
                        let top = Derived { value: v, gradient: &resistance.gradient * slope };
                        // The more the resistance, the lower the speed: the ends of its interval are those of the speed's.
                        let ends = fit.estimate(&resistance).map(|e| e.interval);
                        let end = |c: Option<f64>| c.and_then(|c| at(c).speed(power));
                        (row.top_speed, row.top_speed_se, _, _) = four(fit.estimate(&top));
                        row.top_speed_lo95 = end(ends.map(|(_, hi)| hi)).filter(|_| row.top_speed.is_some());
                        row.top_speed_hi95 = end(ends.map(|(lo, _)| lo)).filter(|_| row.top_speed.is_some());
                    }
                    None => flags.push("no_top_speed"),
                }
            }
        }
        flags.sort_unstable();
        flags.dedup();
        row.flags = flags.join(",");
        row
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::season::fit::tests::{PLAIN, Season, make, solve};

    #[test]
    fn powers_and_top_speed_by_hand() {
        let fit = solve(&make(&Season { noise: 1e-6, wind: 0.0, ..Default::default() }, 3), PLAIN, 3);
        let stage: Energy = crate::config::from_text("power: 180 kW\nat: 180 km/h\ndensity: 1.1025 kg/m3");
        let row = stage.row(&fit, 0, 1020.0);
        // Truth of the first configuration: resistance 0.50, downforce 0.95, Crr 0.012; density 0.9 of reference.
        let drag = (0.50 - 0.012 * 0.95) * 0.9 * 50.0f64.powi(3);
        let total = 0.50 * 0.9 * 50.0f64.powi(3) + 0.012 * 1020.0 * 9.80665 * 50.0;
        assert!((row.drag_power.unwrap() / drag - 1.0).abs() < 1e-3, "{row:?}");
        assert!((row.total_power.unwrap() / total - 1.0).abs() < 1e-3, "{row:?}");
        // 0.45 v³ + 120.033 v = 180000: v = 72.474 by hand (0.45·380663 + 8699 = 179998).
        assert!((row.top_speed.unwrap() - 72.474).abs() < 0.05, "{row:?}");
        assert!(row.top_speed_lo95.unwrap() <= row.top_speed.unwrap());
    }

    #[test]
    fn the_interval_of_the_top_speed_is_that_of_the_coefficient() {
        let fit = solve(&make(&Season { session_scatter: 0.03, ..Default::default() }, 8), PLAIN, 3);
        let stage: Energy = crate::config::from_text("power: 180 kW");
        let row = stage.row(&fit, 1, 1000.0);
        let c = fit.estimate(&fit.named(1, "resistance").unwrap().0).unwrap();
        let speed = |c: f64| RoadPower { constant: 0.012 * 1000.0 * G, quadratic: c }.speed(180e3).unwrap();
        // Less drag is more speed; one standard error, to first order.
        let se = 0.5 * (speed(c.value - c.se) - speed(c.value + c.se));
        assert!((row.top_speed_se.unwrap() / se - 1.0).abs() < 0.01, "{row:?} {se}");
    }

    #[test]
    fn speeds_that_nobody_drove_and_no_symbol_covers_are_flagged() {
        let fits = [FitRow {
            configuration: "c0".to_owned(),
            quantity: "drag".to_owned(),
            speed_min: Some(25.0),
            speed_max: Some(60.0),
            flags: "square_law_doubtful".to_owned(),
            ..Default::default()
        }];
        let flags = |speed: f64, top: Option<f64>, symbol: Option<f64>| {
            let row = EnergyRow { configuration: "c0".to_owned(), speed, top_speed: top, ..Default::default() };
            let row = EnergyRow { top_speed_hi95: top.map(|v| v + 1.0), flags: "no_top_speed".to_owned(), ..row };
            remarked(row, &fits, symbol).flags
        };
        assert_eq!(flags(50.0, None, None), "no_top_speed,square_law_doubtful");
        assert_eq!(flags(61.0, None, None), "no_top_speed,speed_outside_of_windows,square_law_doubtful");
        // The upper end of 59.5 ± 1 lies outside.
        assert_eq!(flags(50.0, Some(59.5), None), "no_top_speed,speed_outside_of_windows,square_law_doubtful");
        // W is 270 km/h (five public tables agree).
        let car = crate::config::from_text(crate::stages::season::tyres::tests::CAR);
        let w = symbol(&car);
        assert!((w.unwrap() - 75.0).abs() < 1e-9);
        assert_eq!(
            flags(50.0, Some(74.5), w),
            "above_speed_symbol,no_top_speed,speed_outside_of_windows,square_law_doubtful"
        );
        assert!(!flags(50.0, Some(73.9), w).contains("above_speed_symbol"));
    }
}
