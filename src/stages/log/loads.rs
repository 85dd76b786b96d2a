//! `loads`: downforce of each axle from damper travel or from load cells.
//!
//! Columns made: `front_downforce` and `rear_downforce` (N, positive down), sample by sample, after the
//! load transfer, what the links carry and the fuel burnt are taken out (see [`crate::physics::transfer`]
//! for the free bodies and the signs). The zero of the sensors is left in: the intercept of the fit takes
//! it. Fuel is referred to what was aboard when the corner weights were taken.
//!
//! Beside them, for the highest loads: `wheel_load_fl` to `wheel_load_rr` (N), the change of each wheel's
//! load since the sensors' zero, half of what the links of its axle carry included; nothing taken out.
//! Bars that couple the two wheels of an axle carry load past the dampers that no channel shows. And
//! `fuel_aboard` (kg).
//!
//! Stands after `resistance` where the car file has an `anti_squat`: without the drive force, what the
//! rear links carry of the drag is missing in the rear downforce (flag `link_force_of_drive_unknown`).

mod links;
mod sides;
mod wheels;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::changes::{BRAKED, Pair};
use super::state::{DAMPERS, fuel, mass, specific_force};
use crate::config::car::{CORNERS, Driven};
use crate::error::LogFault;
use crate::located::Spot;
use crate::physics::transfer::{Axles, Geometry, Longitudinal, fuel_weight};
use crate::stages::{CheckCx, LogCx, LogStage, Schema};
use crate::table::flags::{
    FRONT_LOAD_UNLIKE_TRANSFER, LEFT_AND_RIGHT_DISAGREE, LOADS_OUT_OF_STEP, REAR_LOAD_UNLIKE_TRANSFER,
};
use crate::table::frame::LogFrame;
use crate::units::Dimension;

/// Change of each wheel's load, in the order of [`CORNERS`].
pub const WHEEL_LOADS: [&str; CORNERS.len()] = ["wheel_load_fl", "wheel_load_fr", "wheel_load_rl", "wheel_load_rr"];

/// Downforce of each axle, cleared of load transfer, of what the links carry and of the fuel burnt.
///
/// Makes `front_downforce` and `rear_downforce`, the wheel loads `wheel_load_fl` to `wheel_load_rr`, and
/// `fuel_aboard`. Stands after `resistance` where the car file has an `anti_squat`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Loads {
    /// What measures the wheel loads.
    pub from: Sensors,
}

/// What measures the wheel loads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sensors {
    /// Damper travel, through springs and motion ratios of the car file.
    Dampers,
    /// Load cells that give the whole force at the wheel, links included.
    LoadCells,
    /// Load cells in the push or pull rods, scaled to the force at the wheel: like the springs, they don't
    /// see what the other links carry.
    RodCells,
}

impl Sensors {
    fn channels(self) -> [&'static str; 4] {
        match self {
            Self::Dampers => DAMPERS,
            Self::LoadCells | Self::RodCells => ["load_fl", "load_fr", "load_rl", "load_rr"],
        }
    }
    /// Whether the links carry force past the sensors.
    fn blind_to_links(self) -> bool {
        self != Self::LoadCells
    }
}

impl LogStage for Loads {
    fn check(&self, mut input: Schema, cx: &mut CheckCx) -> Schema {
        for channel in self.from.channels() {
            cx.need(&input, channel);
        }
        if !input.has("accel_x") {
            cx.need(&input, "acceleration");
        }
        if self.from.blind_to_links() && cx.car.driven == Driven::Front && cx.car.anti_squat.get() != 0.0 {
            let message = "the car file has an `anti_squat`, but `driven: front`";
            cx.fault(Spot::default(), message, "it is the share that the links of a driven rear axle carry");
        }
        WHEEL_LOADS.iter().for_each(|name| cx.makes(&mut input, name, Dimension::Force));
        cx.makes(&mut input, "fuel_aboard", Dimension::Mass);
        cx.makes(&mut input, "front_downforce", Dimension::Force);
        cx.makes(&mut input, "rear_downforce", Dimension::Force);
        input
    }

    fn reads(&self) -> Vec<&str> {
        let mut all = self.from.channels().to_vec();
        all.extend(["speed", "accel_x", "accel_y", "grade", "fuel_used"]);
        if self.from != Sensors::Dampers {
            all.extend(DAMPERS); // they level the accelerometer
        }
        if self.from.blind_to_links() {
            all.extend(["brake_pressure", "clutch", "gear", "wheel_torque_rl", "wheel_torque_rr"]);
        }
        all
    }

    fn run(&self, mut log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault> {
        let mut wheels = match self.from {
            Sensors::Dampers => wheels::from_dampers(&mut log, cx.car)?,
            Sensors::LoadCells | Sensors::RodCells => wheels::from_cells(&log, self.from.channels())?,
        };
        let [fl, fr, rl, rr] = wheels.each_ref();
        if [(fl, fr), (rl, rr)].iter().any(|(left, right)| sides::disagree(&log, left, right)) {
            log.flag(LEFT_AND_RIGHT_DISAGREE);
        }
        let felt = specific_force(&mut log, cx.car)?;
        // Braking shifts load from the rear to the front.
        let shift: Vec<f64> = (0..felt.len().min(fl.len())).map(|i| rl[i] + rr[i] - fl[i] - fr[i]).collect();
        if in_pair(&log, &shift, &felt).is_some_and(|pair| pair.out_of_step()) {
            log.flag(LOADS_OUT_OF_STEP);
        }
        let fuel = fuel(&mut log, cx);
        let masses: Vec<f64> = fuel.iter().map(|f| mass(cx.car, *f)).collect();
        let links =
            if self.from.blind_to_links() { Some(links::Links::of(&mut log, cx.car, &masses, &felt)) } else { None };
        let geometry = Geometry {
            cg_height: cx.car.cg_height.get(),
            wheelbase: cx.car.wheelbase.get(),
            anti_dive: cx.car.anti_dive.get(),
            anti_squat: cx.car.anti_squat.get(),
        };
        let (at_weighing, share) = (cx.car.fuel.at_corner_weights.get(), cx.car.fuel.front_share.get());
        let n = log.len();
        let (mut front, mut rear) = (Vec::with_capacity(n), Vec::with_capacity(n));
        let samples = felt.iter().copied().zip(masses.iter().zip(&fuel)).enumerate();
        for (i, (specific_force, (mass, aboard))) in samples {
            let (rear_drive, braking) = links.as_ref().map_or((0.0, 0.0), |l| l.at(i));
            let along = Longitudinal { mass: *mass, specific_force, rear_drive, braking };
            let springs = axles(wheels.each_ref().map(|w| w.get(i).copied().unwrap_or(f64::NAN)));
            let change = match links {
                Some(_) => geometry.wheel_loads_from_springs(springs, &along),
                None => springs,
            };
            let force = geometry.from_wheel_loads(change, &along);
            let gone = fuel_weight(at_weighing - aboard, share);
            front.push(force.front + gone.front);
            rear.push(force.rear + gone.rear);
            let by_links = [change.front - springs.front, change.rear - springs.rear].map(|f| 0.5 * f);
            for (wheel, carried) in wheels.iter_mut().zip([0, 0, 1, 1].map(|axle: usize| by_links[axle])) {
                if let Some(load) = wheel.get_mut(i) {
                    *load += carried;
                }
            }
        }
        // What is left of the transfer where it was taken off: none, if springs and geometry are the car's. What the links
        // carry of forces that nobody logged is no fault of theirs.
        let transfer = cx.car.mass.get() * geometry.cg_height / geometry.wheelbase;
        let (drive_known, braking_seen) = links.as_ref().map_or((true, true), |l| (l.drive_known, l.braking_seen));
        let least = if braking_seen { f64::NEG_INFINITY } else { -BRAKED };
        let left = |force: &[f64]| Some(in_pair(&log, force, &felt)?.per_acceleration(least)? / transfer);
        let front_left = left(&front);
        let rear_left = if drive_known { left(&rear) } else { None };
        if front_left.is_some_and(|left| left.abs() > UNLIKE) {
            log.flag(FRONT_LOAD_UNLIKE_TRANSFER);
        }
        if rear_left.is_some_and(|left| left.abs() > UNLIKE) {
            log.flag(REAR_LOAD_UNLIKE_TRANSFER);
        }
        (log.car.front_transfer, log.car.rear_transfer) = (front_left.map(|l| 1.0 - l), rear_left.map(|l| 1.0 + l));
        for (name, values) in WHEEL_LOADS.iter().zip(wheels) {
            log.set(name, Dimension::Force, values);
        }
        log.set("fuel_aboard", Dimension::Mass, fuel);
        log.set("front_downforce", Dimension::Force, front);
        log.set("rear_downforce", Dimension::Force, rear);
        Ok(log)
    }
}

/// Share of the load transfer that may be left or taken off too much: CG height, links and what friction in the dampers hides
/// are off by less (common practice, no source); a spring in another unit or a motion ratio upside down by more.
const UNLIKE: f64 = 0.3;

/// A load of this log beside what the car feels along x.
fn in_pair(log: &LogFrame, load: &[f64], felt: &[f64]) -> Option<Pair> {
    Pair::new(log.get("speed")?, load, felt, log.rate)
}

/// Sums of the two wheels of each axle, from the four corners in the order of [`CORNERS`].
fn axles(corners: [f64; CORNERS.len()]) -> Axles {
    let [fl, fr, rl, rr] = corners;
    Axles { front: fl + fr, rear: rl + rr }
}

#[cfg(test)]
mod tests;
