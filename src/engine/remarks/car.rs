//! What the logs of a season say together of the car that the car file describes.

use std::ops::RangeInclusive;

use crate::engine::one_log::LogResult;
use crate::plan::Plan;
use crate::stages::LogStep;
use crate::table::flags::{FRONT_LOAD_UNLIKE_TRANSFER, REAR_LOAD_UNLIKE_TRANSFER, TORQUE_UNLIKE_ACCELERATION};
use crate::table::frame::OfItsCar;

/// Logs from which the middle of what they say of their car counts.
const ENOUGH: usize = 3;
/// Within which a sound season lies: that of the generated ones is within 0.03 of one, CG height, links and masses of a real
/// car are known to a tenth or so (common practice, no source).
const TRANSFER: RangeInclusive<f64> = 0.85..=1.15;
const MASS: RangeInclusive<f64> = 0.91..=1.11;

/// A season of which no log tells whether it is that of its car: nobody braked or accelerated, or the samples are too few.
pub(super) fn unheld(results: &[LogResult], plan: &Plan) -> Option<String> {
    let loads = plan.pipeline().per_log.iter().any(|step| matches!(step.value, LogStep::Loads(_)));
    let used = || results.iter().filter_map(|r| r.outcome.as_ref().ok());
    let told = used().any(|p| p.car != OfItsCar::default());
    (loads && !told && used().count() >= ENOUGH).then(|| {
        "no log has enough braking and accelerating, or samples fast enough, to hold springs, sensors and torque against the \
         car file: whole laps at five samples a second and more would, and `cross_check` may"
            .to_owned()
    })
}

/// What the logs say together of their car, where it is near enough for each log by itself and the same in all.
pub(super) fn of_the_car(results: &[LogResult]) -> Vec<String> {
    let used = || results.iter().filter_map(|r| r.outcome.as_ref().ok());
    let middle = |of: &dyn Fn(&OfItsCar) -> Option<f64>, flag: &str| {
        let flagged = used().filter(|p| p.flags.iter().any(|f| f == flag)).count();
        let mut all: Vec<f64> = used().filter_map(|p| of(&p.car)).collect();
        all.sort_unstable_by(f64::total_cmp);
        // What is said of most logs one by one is not said again.
        (all.len() >= ENOUGH && 2 * flagged < all.len()).then(|| (all[all.len() / 2], all.len()))
    };
    let axle = |name: &str, of: &dyn Fn(&OfItsCar) -> Option<f64>, flag: &str| {
        let (ratio, logs) = middle(of, flag).filter(|(ratio, _)| !TRANSFER.contains(ratio))?;
        Some(format!(
            "in {logs} logs braking and accelerating move {ratio:.2} times the load onto the {name} axle that mass, CG height and \
             wheelbase of the car file say: look at springs and motion ratios, sensors and their filters (its downforce is \
             then off by as much), at `anti_dive`, `anti_squat` and `cg_height`; `cross_check` says more"
        ))
    };
    let front = axle("front", &|car| car.front_transfer, FRONT_LOAD_UNLIKE_TRANSFER);
    let rear = axle("rear", &|car| car.rear_transfer, REAR_LOAD_UNLIKE_TRANSFER);
    let mass = middle(&|car| car.mass, TORQUE_UNLIKE_ACCELERATION).filter(|(ratio, _)| !MASS.contains(ratio));
    let mass = mass.map(|(ratio, logs)| {
        format!(
            "in {logs} logs the torque at the wheels asks for a car of {ratio:.2} times the mass of the car file's: look at the \
             unit and calibration of the torque, at `tyre_radius`, `final_drive`, `driveline_efficiency` and `mass`; the drag is \
             off by about as much"
        )
    });
    front.into_iter().chain(rear).chain(mass).collect()
}
