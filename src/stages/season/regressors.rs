//! What a fit has let in beside effective v², held against the car file: the table `regressors`.

use nalgebra::DVector;

use super::SeasonTables;
use super::answers::unit_of;
use super::fit::estimate::{Derived, Estimate};
use super::fit::{LetIn, SeasonFit};
use crate::numerics::distributions::t_p_value;
use crate::stages::SeasonCx;
use crate::table::rows::RegressorRow;
use crate::units::G;

/// Share by which the car file's CG height, wheelbase and mass may be off (common practice, no source).
pub const CAR_FILE_KNOWN_TO: f64 = 0.03;
/// Rolling and bearing losses are no better known than to this share of the weight (common practice, no source).
const LOSS_KNOWN_TO: f64 = 0.001;

/// Chance that a sound season's figure is called another one, and sessions below which none is: said every night, it must be
/// rare.
const LEVEL: f64 = 0.001;
const SESSIONS: usize = 3;

/// What the logs say of what a fit has let in: of the load transfer, of the effective mass and of the driveline's loss.
/// `car_file_known_to`: share by which the car file's CG height, wheelbase and mass may be off without a finding.
pub fn regressors(fit: &SeasonFit, tables: &SeasonTables, cx: &SeasonCx, car_file_known_to: f64) -> Vec<RegressorRow> {
    let Some(solved) = &fit.model.fit else { return Vec::new() };
    let car = cx.car;
    let mass = car.mass_with(car.fuel.at_corner_weights.get());
    let transfer = mass * car.cg_height.get() / car.wheelbase.get();
    // How near is near: for the driveline's loss a part of the weight that tyres and bearings also differ by.
    let near = |regressor: &LetIn, figure: f64| match regressor {
        LetIn::Coasting => LOSS_KNOWN_TO * mass * G,
        LetIn::Transfer | LetIn::Curvature | LetIn::Drift => car_file_known_to * figure,
    };
    let mut out = Vec::new();
    for ((regressor, q), column) in &fit.model.let_in {
        let Some(quantity) = fit.quantities.get(*q) else { continue };
        // What the stages have taken off already, and with which sign the rest stands in the measured value.
        let (assumed, sign) = match (regressor, quantity.as_str()) {
            (LetIn::Transfer, "front_downforce") => (Some(transfer), -1.0),
            (LetIn::Transfer, "rear_downforce") => (Some(transfer), 1.0),
            (LetIn::Transfer, "resistance") => (Some(mass * car.rotating_mass_factor.get()), 1.0),
            (LetIn::Coasting, "resistance") if !cx.at_wheels => (Some(car.coasting_loss.get()), 1.0),
            _ => (None, 1.0),
        };
        let mut gradient = DVector::zeros(solved.beta.len());
        gradient[*column] = sign;
        let value = assumed.unwrap_or(0.0) + sign * solved.beta[*column];
        let Some(e) = fit.estimate(&Derived { value, gradient }) else { continue };
        // Torque at the wheels holds the loss already: there coasting reads as driving does.
        let none = (*regressor == LetIn::Coasting && quantity == "resistance").then_some(0.0);
        let enough = fit.evidence.sessions.len() >= SESSIONS;
        let verdict = match assumed.or(none) {
            Some(a) if enough && surely(&e, a) && (value - a).abs() > near(regressor, a) => "differs",
            Some(a) if inside(&e, a, near(regressor, a)) => "agrees",
            Some(_) => "not resolved",
            None => "no figure",
        };
        out.push(RegressorRow {
            unit: match regressor {
                LetIn::Coasting => unit_of(quantity, &tables.quantities, &tables.units),
                LetIn::Drift => format!("{}/min", unit_of(quantity, &tables.quantities, &tables.units)),
                LetIn::Transfer | LetIn::Curvature => {
                    format!("{}.s2/m", unit_of(quantity, &tables.quantities, &tables.units))
                }
            },
            quantity: quantity.clone(),
            regressor: match regressor {
                LetIn::Transfer => "transfer",
                LetIn::Curvature => "curvature",
                LetIn::Coasting => "coasting",
                LetIn::Drift => "drift",
            }
            .to_owned(),
            coefficient: e.value,
            coefficient_se: e.se,
            coefficient_lo95: e.interval.0,
            coefficient_hi95: e.interval.1,
            car_file: assumed,
            verdict: verdict.to_owned(),
        });
    }
    out
}

/// Whether the whole interval lies as near to a value.
fn inside(e: &Estimate, value: f64, near: f64) -> bool {
    e.interval.0 >= value - near && e.interval.1 <= value + near
}

/// Whether it is another value beyond chance.
fn surely(e: &Estimate, value: f64) -> bool {
    t_p_value((e.value - value) / e.se, e.dof.max(1.0)).is_ok_and(|p| p < LEVEL)
}
