//! Tests of the `loads` stage: each correction by hand, and what is flagged.

use super::super::testing::{self, Bench};
use super::*;
use crate::units::G;

const NAN: f64 = f64::NAN;
/// h/L of the bench car.
const LEVER: f64 = 0.16;

fn stage(from: Sensors) -> Loads {
    Loads { from }
}

fn forces(log: &LogFrame, i: usize) -> (f64, f64) {
    (log.get("front_downforce").unwrap()[i], log.get("rear_downforce").unwrap()[i])
}

/// A log of dampers, both sides of an axle alike, of a car that feels the specific force `along` while its
/// accelerometer pitches with the body: (rear/0.9 − front/0.8) over 2.5 m, nose up.
fn dampers(front: &[f64], rear: &[f64], along: &[f64], more: &[(&str, &[f64])]) -> LogFrame {
    let pitch = front.iter().zip(rear).map(|(f, r)| (r / 0.9 - f / 0.8) / 2.5);
    let felt: Vec<f64> = along.iter().zip(pitch).map(|(a, p)| a + G * p).collect();
    let mut all = vec![("damper_fl", front), ("damper_fr", front), ("damper_rl", rear), ("damper_rr", rear)];
    all.push(("accel_x", felt.as_slice()));
    all.extend(more);
    testing::log(front.len(), &all)
}

fn close(got: (f64, f64), want: (f64, f64)) {
    assert!((got.0 - want.0).abs() < 1e-6 && (got.1 - want.1).abs() < 1e-6, "{got:?} for {want:?}");
}

#[test]
fn springs_and_transfer_by_hand() {
    let bench = Bench::new("", &["fuel: 0 kg"]);
    let out = bench.run(&stage(Sensors::Dampers), dampers(&[0.01, 0.01], &[0.005, 0.005], &[0.0, 2.0], &[]));
    // 2·0.8·100 N/mm·10 mm and 2·0.9·120 N/mm·5 mm; then 1000 kg·2 m/s²·0.16 = 320 N moved to the rear.
    close(forces(&out, 0), (1600.0, 1080.0));
    close(forces(&out, 1), (1920.0, 760.0));
    assert_eq!(out.flags, ["fuel_burn_unknown"]);
}

#[test]
fn fuel_burnt_is_added_back() {
    // Weighed with 30 kg; 20 kg aboard at the start, 4 kg burnt: 14 kg lighter than weighed, 35 % of it in front.
    let car = "fuel: { at_corner_weights: 30 kg, front_share: 35 % }";
    let bench = Bench::new(car, &["fuel: 20 kg"]);
    let out = bench.run(&stage(Sensors::Dampers), dampers(&[0.0], &[0.0], &[0.0], &[("fuel_used", &[4.0])]));
    close(forces(&out, 0), (14.0 * 0.35 * G, 14.0 * 0.65 * G));
    assert!(out.flags.is_empty());
}

#[test]
fn links_by_drive_force() {
    // At steady speed the drive holds 1500 N of drag, of which the links carry 40 % · 0.16 = 96 N.
    let bench = Bench::new("anti_squat: 40 %\ncoasting_loss: 50 N", &["fuel: 0 kg"]);
    let run = |more: &[(&str, &[f64])]| {
        let out = bench.run(&stage(Sensors::Dampers), dampers(&[0.0], &[0.0], &[0.0], more));
        (forces(&out, 0), out.flags)
    };
    let (got, flags) = run(&[("drive_force", &[1500.0])]);
    close(got, (0.0, 96.0));
    assert_eq!(flags, ["fuel_burn_unknown"]);
    // The same from the torque of the rear wheels.
    close(run(&[("wheel_torque_rl", &[240.0]), ("wheel_torque_rr", &[240.0])]).0, (0.0, 96.0));
    // Coasting: only the loss.
    let (got, flags) = run(&[("clutch", &[1.0])]);
    close(got, (0.0, -50.0 * 0.4 * LEVER));
    assert_eq!(flags, ["fuel_burn_unknown"]);
    // Drive under way, torque unknown: 96 N are missing, and said to be.
    let (got, flags) = run(&[("clutch", &[0.0])]);
    close(got, (0.0, 0.0));
    assert_eq!(flags, ["fuel_burn_unknown", "link_force_of_drive_unknown"]);
}

#[test]
fn coasting_does_not_dive_but_braking_does() {
    let bench = Bench::new("anti_dive: 30 %", &["fuel: 0 kg"]);
    let log = dampers(&[0.0; 2], &[0.0; 2], &[-1.0; 2], &[("brake_pressure", &[0.0, 2e6])]);
    let out = bench.run(&stage(Sensors::Dampers), log);
    close(forces(&out, 0), (-160.0, 160.0));
    close(forces(&out, 1), (-160.0 * 0.7, 160.0));
    // The springs feel nothing here, but half of 30 % · 160 N goes through the links of each front wheel.
    let wheel = |name: &str| out.get(name).unwrap().to_vec();
    assert_eq!((wheel("wheel_load_fl")[0], wheel("wheel_load_rr")), (0.0, vec![0.0; 2]));
    assert!((wheel("wheel_load_fr")[1] - 24.0).abs() < 1e-9);
    assert_eq!(out.flags, ["fuel_burn_unknown"]);
    let unseen = bench.run(&stage(Sensors::Dampers), dampers(&[0.0], &[0.0], &[-1.0], &[]));
    close(forces(&unseen, 0), (-160.0, 160.0));
    assert_eq!(unseen.flags, ["braking_unseen", "fuel_burn_unknown"]);
}

#[test]
fn cells_see_links_and_rods_do_not() {
    let bench = Bench::new("anti_squat: 40 %", &["fuel: 0 kg"]);
    let log = testing::log(
        1,
        &[
            ("load_fl", &[100.0]),
            ("load_fr", &[110.0]),
            ("load_rl", &[200.0]),
            ("load_rr", &[220.0]),
            ("accel_x", &[1.0]),
            ("drive_force", &[2500.0]),
        ],
    );
    close(forces(&bench.run(&stage(Sensors::LoadCells), log.clone()), 0), (370.0, 260.0));
    close(forces(&bench.run(&stage(Sensors::RodCells), log), 0), (370.0, 260.0 + 2500.0 * 0.4 * LEVER));
}

#[test]
fn left_and_right_may_be_swapped() {
    let bench = Bench::new("", &["fuel: 0 kg"]);
    let run = |fl: f64, fr: f64| {
        let (fl, fr) = ([fl], [fr]);
        let all: [(&str, &[f64]); 5] =
            [("damper_fl", &fl), ("damper_fr", &fr), ("damper_rl", &[0.0]), ("damper_rr", &[0.0]), ("accel_x", &[0.0])];
        forces(&bench.run(&stage(Sensors::Dampers), testing::log(1, &all)), 0)
    };
    assert_eq!(run(0.002, 0.009), run(0.009, 0.002));
}

const TABLE: &str = "springs: { front: { table: [{ travel: 0 mm, force: 0 N }, { travel: 20 mm, force: 2000 N }, \
                     { travel: 25 mm, force: 4000 N }] }, rear: { rate: 120 N/mm } }";

#[test]
fn a_spring_table_is_not_left_in_silence() {
    let bench = Bench::new(TABLE, &["fuel: 0 kg"]);
    let (mut travel, speed) = (vec![0.01; 40], vec![50.0; 40]);
    travel[7] = 0.026;
    travel[8] = NAN;
    let rear = vec![0.0; 40];
    let felt = vec![0.0; 40];
    let out = bench.run(&stage(Sensors::Dampers), dampers(&travel, &rear, &felt, &[("speed", &speed)]));
    close(forces(&out, 0), (2.0 * 0.8 * 1000.0, 0.0));
    assert!(forces(&out, 7).0.is_nan() && forces(&out, 8).0.is_nan() && forces(&out, 7).1 == 0.0);
    assert_eq!(out.flags, ["fuel_burn_unknown", "spring_table_left"]);

    travel[20] = 0.03;
    travel[21] = -0.001;
    let fault =
        stage(Sensors::Dampers).run(dampers(&travel, &rear, &felt, &[("speed", &speed)]), &bench.cx()).unwrap_err();
    let text = "channel `damper_fl` reads 0.03 m, outside 0 to 0.025 m; is the unit right?";
    assert_eq!((fault.reason(), fault.to_string().as_str()), ("implausible", text));

    // Standing in the garage on jacks is no fault.
    let standing = vec![0.0; 40];
    let parked = dampers(&travel, &rear, &felt, &[("speed", &standing)]);
    assert!(stage(Sensors::Dampers).run(parked, &bench.cx()).is_ok());
}

#[test]
fn check_names_what_is_missing() {
    let bench = Bench::new("", &[]);
    let known = ["damper_fl", "damper_fr", "damper_rl", "speed"];
    let text = bench.check(&stage(Sensors::Dampers), &known).1.join("; ");
    assert!(text.contains("`damper_rr`") && text.contains("`acceleration`") && !text.contains("`damper_rl`"));
    let front = Bench::new("driven: front\nanti_squat: 10 %", &[]);
    let all = ["damper_fl", "damper_fr", "damper_rl", "damper_rr", "accel_x"];
    assert_eq!(
        front.check(&stage(Sensors::Dampers), &all).1,
        ["the car file has an `anti_squat`, but `driven: front`"]
    );
    for from in [Sensors::Dampers, Sensors::LoadCells, Sensors::RodCells] {
        let s = stage(from);
        assert!(bench.check(&s, &s.reads()).1.is_empty());
    }
}

#[test]
fn a_missing_channel_sets_the_log_aside() {
    let bench = Bench::new("", &[""]);
    let log = testing::log(1, &[("damper_fl", &[0.0]), ("accel_x", &[0.0])]);
    assert_eq!(stage(Sensors::Dampers).run(log, &bench.cx()).unwrap_err().reason(), "missing_channel");
    let log = testing::log(1, &[("load_fl", &[0.0]), ("accel_x", &[0.0])]);
    assert_eq!(stage(Sensors::LoadCells).run(log, &bench.cx()).unwrap_err().reason(), "missing_channel");
}
