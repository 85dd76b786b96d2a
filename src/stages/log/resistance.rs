//! `resistance`: drive force less what the gradient takes; the window adds what acceleration takes.
//!
//! Columns made: `drive_force` (N, tractive force at the contact patches, driving positive),
//! `net_drive` (N, drive force − m·g·sin θ) and `effective_mass` (kg, rotating parts counted). With the
//! slope of speed over a window, resistance = net_drive − effective_mass·dv/dt, both weighted alike in time (see
//! [`crate::stages::window::select`]).
//!
//! Stands before `loads` where the car file has an `anti_squat`: the rear links carry a share of the drive force.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::changes::{BRAKED, Pair};
use super::state::{DAMPERS, coasting, column, fuel, levelled, mass, sine_of_grade};
use crate::config::car::{Car, Driven};
use crate::error::LogFault;
use crate::located::{Located, Spot};
use crate::stages::{CheckCx, LogCx, LogStage, Schema};
use crate::table::flags::{TORQUE_OUT_OF_STEP, TORQUE_UNLIKE_ACCELERATION};
use crate::table::frame::LogFrame;
use crate::units::{Dimension, G, Ratio};

/// Resistance to motion, from wheel or shaft torque, or from coasting.
///
/// Makes `drive_force`, `net_drive` (less what the gradient takes) and `effective_mass`: with the slope of speed
/// over a window they give the resistance, from which `fit` takes the drag.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Resistance {
    /// Where the drive force comes from.
    pub from: DriveForce,
    /// How the gradient is known.
    #[serde(default)]
    pub gradient: Gradient,
    /// Smallest clutch pedal travel that opens the clutch.
    #[serde(default = "clutch")]
    pub clutch: Located<Ratio>,
}

/// Common practice, no source.
fn clutch() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.9))
}

/// Where the drive force comes from. Where the clutch is open or the gear is neutral and no wheel torque
/// is measured, it is minus the `coasting_loss` of the car file, whichever is chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DriveForce {
    /// Torque at the driven wheels, over the tyre radius.
    WheelTorque,
    /// Torque of the shaft into the final drive, times its ratio and efficiency, over the tyre radius.
    ShaftTorque,
    /// None: only coasting windows say anything.
    Coasting,
}

/// How the gradient is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Gradient {
    /// From the `grade` channel.
    Channel,
    /// From the accelerometer: specific force along x less the change of speed. An accelerometer on the
    /// body also feels the body's own pitch: a tenth of a degree counts like a grade of 0.17 %, and the
    /// part of it that grows with v² would end up in the drag. With dampers in the log it is taken out, but
    /// for the tyres' deflection; without them the log is flagged `body_pitch_unseen`.
    Accelerometer,
    /// The road is level.
    #[default]
    Level,
}

/// The wheels of an axle, with their torque channels.
const FRONT: [&str; 2] = ["wheel_torque_fl", "wheel_torque_fr"];
const REAR: [&str; 2] = ["wheel_torque_rl", "wheel_torque_rr"];

/// Torque channels of the driven wheels, with the tyre radius of their axle in m.
fn driven_wheels(car: &Car) -> Vec<(&'static str, f64)> {
    let axle = |names: [&'static str; 2], radius: f64| names.map(|n| (n, radius)).to_vec();
    let (front, rear) = (axle(FRONT, car.tyre_radius.front.get()), axle(REAR, car.tyre_radius.rear.get()));
    match car.driven {
        Driven::Front => front,
        Driven::Rear => rear,
        Driven::Both => [front, rear].concat(),
    }
}

impl LogStage for Resistance {
    fn check(&self, mut input: Schema, cx: &mut CheckCx) -> Schema {
        match self.from {
            DriveForce::WheelTorque => {
                for (channel, _) in driven_wheels(cx.car) {
                    cx.need(&input, channel);
                }
            }
            DriveForce::ShaftTorque => self.check_shaft(&input, cx),
            DriveForce::Coasting => {
                if input.find("clutch").is_none() && input.find("gear").is_none() {
                    let message = "`from: coasting` can't tell coasting without channel `clutch` or `gear`";
                    cx.fault(Spot::default(), message, "neither of them is in the layout");
                }
            }
        }
        match self.gradient {
            Gradient::Channel => drop(cx.need(&input, "grade")),
            Gradient::Accelerometer => {
                cx.need(&input, "accel_x");
                cx.need(&input, "acceleration");
            }
            Gradient::Level => {}
        }
        let open = self.clutch.get();
        if !(open > 0.0 && open <= 1.0) {
            let message = format!("a clutch pedal at {open} does not open the clutch");
            cx.fault(self.clutch.spot, message, "more than 0 and at most 100 %");
        }
        cx.makes(&mut input, "drive_force", Dimension::Force);
        cx.makes(&mut input, "net_drive", Dimension::Force);
        cx.makes(&mut input, "effective_mass", Dimension::Mass);
        input
    }

    fn reads(&self) -> Vec<&str> {
        let mut all = vec!["clutch", "gear", "fuel_used"];
        match self.from {
            DriveForce::WheelTorque => all.extend(FRONT.into_iter().chain(REAR)),
            DriveForce::ShaftTorque => all.push("shaft_torque"),
            DriveForce::Coasting => {}
        }
        match self.gradient {
            Gradient::Channel => all.push("grade"),
            Gradient::Accelerometer => all.extend(["accel_x"].into_iter().chain(DAMPERS)),
            Gradient::Level => {}
        }
        all
    }

    fn run(&self, mut log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault> {
        let drive = self.drive_force(&mut log, cx.car)?;
        let fuel = fuel(&mut log, cx);
        let masses: Vec<f64> = fuel.iter().map(|f| mass(cx.car, *f)).collect();
        // m/s² that the road takes.
        let uphill: Option<Vec<f64>> = match self.gradient {
            Gradient::Level => None,
            Gradient::Channel => Some(column(&log, "grade")?.iter().map(|s| G * sine_of_grade(*s)).collect()),
            Gradient::Accelerometer => {
                let felt = levelled(&mut log, cx.car)?;
                let change = column(&log, "acceleration")?;
                Some(felt.iter().zip(change).map(|(f, a)| f - a).collect())
            }
        };
        let net = match uphill {
            None => drive.clone(),
            Some(up) => drive.iter().zip(&masses).zip(&up).map(|((d, m), u)| d - m * u).collect(),
        };
        if self.gradient == Gradient::Level {
            log.flag("level_road_assumed");
        }
        let factor = cx.car.rotating_mass_factor.get();
        if self.from != DriveForce::Coasting {
            self.hold_against_acceleration(&mut log, &drive, cx.car.mass.get() * factor);
        }
        log.set("drive_force", Dimension::Force, drive);
        log.set("net_drive", Dimension::Force, net);
        log.set("effective_mass", Dimension::Mass, masses.iter().map(|m| m * factor).collect());
        Ok(log)
    }
}

impl Resistance {
    /// Flags a log whose drive force does not go with the acceleration as that of a car of this mass does, kg.
    fn hold_against_acceleration(&self, log: &mut LogFrame, drive: &[f64], mass: f64) {
        let felt = log.get("accel_x").or_else(|| log.get("acceleration"));
        let pair = log.get("speed").zip(felt).and_then(|(speed, felt)| Pair::new(speed, drive, felt, log.rate));
        let Some(pair) = pair else { return };
        let (late, smoothed) = (pair.out_of_step(), pair.felt_is_smoothed(-BRAKED));
        log.car.mass = pair.per_acceleration(-BRAKED).map(|found| found / mass);
        if late {
            log.flag(TORQUE_OUT_OF_STEP);
        } else if smoothed {
            log.flag("speed_late_or_smoothed");
        } else if log.car.mass.is_some_and(|ratio| !of_one_car(ratio)) {
            log.flag(TORQUE_UNLIKE_ACCELERATION);
        }
    }

    fn check_shaft(&self, input: &Schema, cx: &mut CheckCx) {
        cx.need(input, "shaft_torque");
        if cx.car.final_drive.is_none() {
            let message = "`from: shaft_torque` needs `final_drive` in the car file";
            cx.fault(Spot::default(), message, "shaft turns per wheel turn, like `final_drive: 3.9`");
        }
        if cx.car.driven == Driven::Both {
            let message = "`from: shaft_torque` can't be used with `driven: both` in the car file";
            cx.fault(Spot::default(), message, "one shaft does not tell what both axles do; use wheel_torque");
        }
    }

    /// Tractive force at the contact patches, N; missing where nothing tells it.
    fn drive_force(&self, log: &mut LogFrame, car: &Car) -> Result<Vec<f64>, LogFault> {
        let mut force = match self.from {
            DriveForce::WheelTorque => from_wheels(log, car)?,
            DriveForce::ShaftTorque => from_shaft(column(log, "shaft_torque")?, car),
            DriveForce::Coasting => vec![f64::NAN; log.len()],
        };
        let Some(coasts) = coasting(log, self.clutch.get()) else {
            if self.from == DriveForce::Coasting {
                log.flag("coasting_unseen");
            }
            return Ok(force);
        };
        // Torque at the wheel holds the loss already; torque of the shaft does not see what the final
        // drive and the wheel bearings take when nothing drives them.
        let measured = self.from == DriveForce::WheelTorque;
        for (f, coasts) in force.iter_mut().zip(coasts) {
            if coasts && !(measured && f.is_finite()) {
                *f = -car.coasting_loss.get();
            }
        }
        Ok(force)
    }
}

/// Whether force over acceleration and mass is that of one car: sensors, tyres and rotating parts are known to a tenth or
/// so (common practice, no source); pounds-feet read as newton-metres are off by a third.
fn of_one_car(ratio: f64) -> bool {
    (1.0 / 1.18..=1.18).contains(&ratio)
}

/// Sum over the driven wheels of torque over loaded radius, N.
fn from_wheels(log: &LogFrame, car: &Car) -> Result<Vec<f64>, LogFault> {
    let mut force = vec![0.0; log.len()];
    for (channel, radius) in driven_wheels(car) {
        let torque = column(log, channel)?;
        force.iter_mut().zip(torque).for_each(|(f, t)| *f += t / radius);
    }
    Ok(force)
}

/// Shaft torque times final drive and efficiency, over the loaded radius, N. When the wheels drive the
/// shaft, the loss adds to what they must give.
fn from_shaft(torque: &[f64], car: &Car) -> Vec<f64> {
    let radius = if car.driven == Driven::Front { &car.tyre_radius.front } else { &car.tyre_radius.rear };
    let ratio = car.final_drive.as_ref().map_or(f64::NAN, |r| r.get()) / radius.get();
    let efficiency = car.driveline_efficiency.get();
    torque.iter().map(|t| t * ratio * if *t < 0.0 { 1.0 / efficiency } else { efficiency }).collect()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Bench};
    use super::*;

    const NAN: f64 = f64::NAN;

    fn stage(from: DriveForce, gradient: Gradient) -> Resistance {
        Resistance { from, gradient, clutch: clutch() }
    }

    fn get<'a>(log: &'a LogFrame, name: &str) -> &'a [f64] {
        log.get(name).unwrap()
    }

    #[test]
    fn wheel_torque_by_hand() {
        // 480 N·m at 0.32 m: 1500 N. Fuel 20 kg: 1020 kg, times 1.04.
        let bench = Bench::new("coasting_loss: 60 N", &["fuel: 20 kg"]);
        let log = testing::log(
            3,
            &[
                ("wheel_torque_rl", &[240.0, -16.0, NAN]),
                ("wheel_torque_rr", &[240.0, -16.0, NAN]),
                ("clutch", &[0.0, 1.0, 1.0]),
            ],
        );
        let out = bench.run(&stage(DriveForce::WheelTorque, Gradient::Level), log);
        // Coasting: the measured torque counts, else the loss of the car file.
        let drive = get(&out, "drive_force");
        assert!((drive[0] - 1500.0).abs() < 1e-9 && (drive[1] + 100.0).abs() < 1e-9 && drive[2] == -60.0);
        assert_eq!(get(&out, "net_drive"), drive);
        assert!((get(&out, "effective_mass")[0] - 1060.8).abs() < 1e-9);
        assert_eq!(out.flags, ["fuel_burn_unknown", "level_road_assumed"]);
    }

    #[test]
    fn all_wheels_driven() {
        let bench = Bench::new("driven: both", &["fuel: 0 kg"]);
        let one: &[f64] = &[96.0];
        let names = ["wheel_torque_fl", "wheel_torque_fr", "wheel_torque_rl", "wheel_torque_rr"];
        let out =
            bench.run(&stage(DriveForce::WheelTorque, Gradient::Level), testing::log(1, &names.map(|n| (n, one))));
        // 2·96/0.30 + 2·96/0.32 = 640 + 600
        assert!((get(&out, "drive_force")[0] - 1240.0).abs() < 1e-9);
    }

    #[test]
    fn shaft_torque_by_hand() {
        let bench = Bench::new("final_drive: 4\ndriveline_efficiency: 96 %\ncoasting_loss: 60 N", &[""]);
        let log = testing::log(3, &[("shaft_torque", &[125.0, -24.0, 2.0]), ("gear", &[4.0, 4.0, 0.0])]);
        let out = bench.run(&stage(DriveForce::ShaftTorque, Gradient::Level), log);
        // 125·4·0.96/0.32 = 1500; −24·4/0.96/0.32 = −312.5; neutral.
        for (got, want) in get(&out, "drive_force").iter().zip([1500.0, -312.5, -60.0]) {
            assert!((got - want).abs() < 1e-9, "{got} for {want}");
        }
    }

    #[test]
    fn coasting_says_nothing_under_drive() {
        let bench = Bench::new("coasting_loss: 60 N", &[""]);
        let log = testing::log(3, &[("clutch", &[0.0, 0.95, 0.0]), ("gear", &[4.0, 4.0, 0.0])]);
        let out = bench.run(&stage(DriveForce::Coasting, Gradient::Level), log);
        let drive = get(&out, "drive_force");
        assert!(drive[0].is_nan() && drive[1] == -60.0 && drive[2] == -60.0);
        let blind = stage(DriveForce::Coasting, Gradient::Level).run(testing::log(1, &[]), &bench.cx()).unwrap();
        assert!(get(&blind, "drive_force")[0].is_nan() && blind.flags.contains(&"coasting_unseen".to_owned()));
    }

    #[test]
    fn both_gradients_agree() {
        // Coasting up a grade of 2 %, slowed by g·sin θ and a little more.
        let bench = Bench::new("coasting_loss: 60 N", &["fuel: 20 kg"]);
        let sine = 0.02 / (1.0_f64 + 0.0004).sqrt();
        let (felt, slope) = (-0.7, -0.7 - G * sine);
        let log = testing::log(
            1,
            &[("clutch", &[1.0]), ("grade", &[0.02]), ("accel_x", &[felt]), ("acceleration", &[slope])],
        );
        let by = |gradient| {
            let out = bench.run(&stage(DriveForce::Coasting, gradient), log.clone());
            get(&out, "net_drive")[0]
        };
        let want = -60.0 - 1020.0 * 9.80665 * 0.02 / 1.000_199_98;
        assert!((by(Gradient::Channel) - want).abs() < 1e-6, "{}", by(Gradient::Channel));
        assert!((by(Gradient::Accelerometer) - want).abs() < 1e-6);
        // Uphill costs, downhill gives: the sign turns with the grade.
        assert!(by(Gradient::Channel) < by(Gradient::Level));
    }

    #[test]
    fn check_names_what_is_missing() {
        let messages = |bench: &Bench, s: Resistance, known: &[&str]| bench.check(&s, known).1.join("; ");
        let bench = Bench::new("", &[]);
        let text = messages(&bench, stage(DriveForce::WheelTorque, Gradient::Channel), &["wheel_torque_rl"]);
        assert!(text.contains("`wheel_torque_rr`") && text.contains("`grade`") && !text.contains("`wheel_torque_rl`"));
        let text = messages(&bench, stage(DriveForce::ShaftTorque, Gradient::Accelerometer), &["shaft_torque"]);
        assert!(
            text.contains("`final_drive` in the car file")
                && text.contains("`accel_x`")
                && text.contains("`acceleration`")
        );
        let text = messages(&bench, stage(DriveForce::Coasting, Gradient::Level), &["speed"]);
        assert_eq!(text, "`from: coasting` can't tell coasting without channel `clutch` or `gear`");
        let both = Bench::new("driven: both\nfinal_drive: 4", &[]);
        assert!(messages(&both, stage(DriveForce::ShaftTorque, Gradient::Level), &["shaft_torque"]).contains("both"));
        let odd =
            Resistance { clutch: Located::nowhere(Ratio::si(0.0)), ..stage(DriveForce::Coasting, Gradient::Level) };
        assert!(messages(&bench, odd, &["gear"]).contains("does not open the clutch"));
    }

    #[test]
    fn what_it_reads_covers_what_it_needs() {
        for from in [DriveForce::WheelTorque, DriveForce::ShaftTorque, DriveForce::Coasting] {
            for gradient in [Gradient::Channel, Gradient::Accelerometer, Gradient::Level] {
                let s = stage(from, gradient);
                let mut known = s.reads();
                known.push("acceleration");
                assert!(Bench::new("final_drive: 4", &[]).check(&s, &known).1.is_empty());
            }
        }
    }
}
