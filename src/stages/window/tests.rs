//! What the window stages make of a log whose runs are not all alike: air speed measured in one and not in the other,
//! braking that no channel shows, a stand before the outing.

use super::coastdown::Coastdown;
use super::select::{Piece, window};
use super::steady::Steady;
use super::straight::Straight;
use super::*;
use crate::config::issue::Issues;
use crate::located::Spot;
use crate::stages::log::air::Air;
use crate::stages::log::air::pressure::tests::log as duct_log;
use crate::stages::log::testing::Bench;
use crate::stages::{CheckCx, Known, LogCx, LogStage, Schema, WindowStage};
use crate::table::frame::{LogFrame, Segment};
use crate::units::Dimension;
use std::collections::BTreeMap;

/// Two runs: one of four headings and with half a second of the pressure missing, one of a single heading.
fn mixed() -> LogFrame {
    let (mut log, _) = duct_log(4, false);
    let mut course = log.get("course").unwrap().to_vec();
    course[4000..].fill(0.0);
    log.set("course", Dimension::Angle, course);
    let mut duct = log.get("duct").unwrap().to_vec();
    duct[1000..1010].fill(f64::NAN);
    log.set("duct", Dimension::Pressure, duct);
    for name in ["accel_y", "acceleration"] {
        log.set(name, Dimension::Acceleration, vec![0.0; log.len()]);
    }
    let part = |start, end, outing| Segment { start, end, outing, ..Default::default() };
    log.segments = vec![part(0, 4000, 1), part(4000, 6000, 2)];
    log
}

#[test]
fn a_mixed_log_is_flagged_run_by_run_and_mixes_in_no_window() {
    let bench = Bench::new("", &["temperature: 20 degC\npressure: 1000 hPa\nhumidity: 0"]);
    let air: Air = crate::config::from_text("air_speed_from: { channel: duct }");
    let log = air.run(mixed(), &bench.cx()).unwrap();
    assert_eq!(log.all_flags(), ["air_speed_from_pressure", "pressure_not_calibrated"]);
    assert!(log.flags.is_empty());
    let (ground, through) = (log.get("speed").unwrap(), log.get("v_air").unwrap());
    assert!(through[1000..1010].iter().all(|v| v.is_nan()), "ground speed was filled in");
    assert_eq!(through[4000..], ground[4000..]);

    let stage: Steady = crate::config::from_text(
        "{ speed: 10..80 m/s, lateral: 1 g, longitudinal: 1 g, lasting: 1..2 s, settle: 0 s }",
    );
    let quantities = ["duct".to_owned()];
    let found = stage.run(&log, &LogCx { quantities: &quantities, ..bench.cx() }).unwrap();
    let lost = found.funnel.rules.iter().find(|r| r.0 == "air_unknown").unwrap().1;
    assert!((lost - 0.5).abs() < 1e-9, "{lost}");
    let (one, two): (Vec<&Window>, Vec<&Window>) = found.windows.iter().partition(|w| w.outing == "a.csv#1");
    assert!(one.len() > 90 && two.len() > 40);
    assert!(one.iter().all(|w| w.air_speed_measured && w.flags == ["air_speed_from_pressure"]));
    assert!(two.iter().all(|w| !w.air_speed_measured && w.flags == ["pressure_not_calibrated"]));
    assert!(one.iter().all(|w| w.start >= 50.5 - 1e-9 || w.start + w.duration <= 50.0 + 1e-9));
}

/// Findings of a stage without a brake channel.
fn unseen(stage: &dyn WindowStage, name: &'static str) -> Vec<String> {
    let bench = Bench::new("", &[]);
    let mut issues = Issues::default();
    let channels = ["speed", "v_air", "density_ratio", "acceleration", "accel_y", "clutch"];
    let known = channels.map(|n| Known {
        name: n.to_owned(),
        dimension: Dimension::Ratio,
        made_by: "load",
        made_at: Spot::default(),
        optional: false,
    });
    let mut cx = CheckCx {
        file: std::path::Path::new("p.yaml"),
        stage: name,
        spot: Spot { line: 3, column: 5, length: 4 },
        car: &bench.car,
        runs: &bench.runs,
        window_stages: &[],
        fitted: &[],
        demanded: &mut BTreeMap::new(),
        issues: &mut issues,
    };
    stage.check(&Schema(known.to_vec()), &mut cx);
    issues.0.into_iter().map(|i| i.message).collect()
}

#[test]
fn braking_must_be_seen_or_bounded() {
    let coast = |more: &str| -> Coastdown {
        crate::config::from_text(&format!("{{ speed: 10..80 m/s, lasting: 2..20 s, settle: 0 s{more} }}"))
    };
    let straight = |more: &str| -> Straight {
        crate::config::from_text(&format!(
            "{{ speed: 10..80 m/s, lateral: 1 g, longitudinal: 2 g, lasting: 1..2 s, settle: 0 s{more} }}"
        ))
    };
    let text = |as_what: &str| vec![format!("without channel `brake_pressure` braking looks like {as_what}")];
    assert_eq!(unseen(&coast(""), "coastdown"), text("coasting"));
    assert_eq!(unseen(&straight(""), "straight"), text("free running"));
    let bound = ", deceleration: 0.25 g";
    assert!(unseen(&coast(bound), "coastdown").is_empty() && unseen(&straight(bound), "straight").is_empty());
    assert_eq!(
        unseen(&coast(", deceleration: 0 g"), "coastdown"),
        ["`deceleration` of stage `coastdown` lets nothing pass"]
    );

    // Ten seconds of coasting at 1 m/s², then five of braking at 9.5.
    let n = 150;
    let braking = |i: usize| i >= 100;
    let mut log = LogFrame { time: (0..n).map(|i| i as f64 / 10.0).collect(), rate: 10.0, ..Default::default() };
    let mut set = |name: &str, f: &dyn Fn(usize) -> f64| log.set(name, Dimension::Ratio, (0..n).map(f).collect());
    set("acceleration", &|i| if braking(i) { -9.5 } else { -1.0 });
    set("speed", &|i| 70.0 - (i.min(100) as f64 + 9.5 * i.saturating_sub(100) as f64) / 10.0);
    set("clutch", &|_| 1.0);
    for name in ["accel_y", "density_ratio", "v_air", "air_density"] {
        set(name, &|_| 1.0);
    }
    log.segments = vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }];
    let bench = Bench::new("", &[""]);
    let quantities = ["v_air".to_owned()];
    let cx = LogCx { quantities: &quantities, ..bench.cx() };
    let loose = "lateral: 1 g, ";
    for stage in [
        &crate::config::from_text::<Coastdown>(&format!(
            "{{ {loose} speed: 10..80 m/s, lasting: 2..20 s, settle: 0 s{bound} }}"
        )) as &dyn WindowStage,
        &straight(bound),
    ] {
        let found = stage.run(&log, &cx).unwrap();
        let lost = found.funnel.rules.iter().find(|r| r.0 == "deceleration").unwrap().1;
        assert!((lost - 5.0).abs() < 1e-9, "{:?}", found.funnel);
        assert!(!found.windows.is_empty() && found.windows.iter().all(|w| (w.accel_x + 1.0).abs() < 1e-6));
    }
    // A log that has lost its brake channel though others have it says nothing.
    let found = coast("").run(&log, &cx).unwrap();
    assert!(found.windows.is_empty() && found.funnel.rules.iter().any(|r| r.0 == "brake_unknown" && r.1 > 9.0));
}

/// Ten samples a second: a stand of 4 s, a rolling start, and an outing from the first sample at 1 m/s.
fn stood(speed: &[f64], first: usize) -> Option<f64> {
    let n = first + 40;
    let mut log = LogFrame { time: (0..n).map(|i| i as f64 / 10.0).collect(), rate: 10.0, ..Default::default() };
    let at = |i: usize| speed.get(i).copied().unwrap_or(40.0);
    log.set("speed", Dimension::Speed, (0..n).map(at).collect());
    // The sensor says the time, so that its mean tells which samples were taken.
    log.set("front_downforce", Dimension::Force, (0..n).map(|i| i as f64).collect());
    for name in ["v_air", "density_ratio", "air_density"] {
        log.set(name, Dimension::Ratio, vec![1.0; n]);
    }
    log.segments = vec![Segment { start: first, end: n, outing: 1, ..Default::default() }];
    let bench = Bench::new("", &[""]);
    let quantities = ["front_downforce".to_owned()];
    let piece = Piece { start: first + 10, end: n, segment: 0 };
    let w = window(&log, piece, "steady", &LogCx { quantities: &quantities, ..bench.cx() }).unwrap();
    w.measures[0].unwrap().zero
}

#[test]
fn the_stand_before_the_outing_gives_the_zero() {
    let of = |parts: &[(usize, f64)]| -> Vec<f64> { parts.iter().flat_map(|(n, v)| vec![*v; *n]).collect() };
    let pair = |parts: &[(usize, f64)]| {
        let speed = of(parts);
        stood(&speed, speed.len())
    };
    // Samples 0 to 39 stand, the last quarter of a second of them is left out: 0 to 36 (2.5 samples round to 3).
    assert_eq!(pair(&[(40, 0.1), (3, 0.7)]), Some(18.0));
    // A hop during the roll-off is no stand, and the stand before it counts.
    assert_eq!(pair(&[(40, 0.0), (3, 0.8), (4, 0.2), (5, 0.9)]), Some(18.0));
    // The longest that is taken is ten seconds, the last ones.
    assert_eq!(pair(&[(200, 0.0), (2, 0.9)]), Some((100.0 + 196.0) / 2.0));
    // Too short, too long ago, never.
    assert_eq!(pair(&[(9, 0.0), (3, 0.7)]), None);
    assert_eq!(pair(&[(40, 0.0), (80, 0.7)]), None);
    assert_eq!(pair(&[(40, 0.7)]), None);
}

/// A coastdown from 60 to 30 m/s through air of constant headwind: m·dv/dt = −(A + C·(v + w)²), m = 1000 kg, A = 150 N,
/// C = 0.6 N/(m/s)², in small steps (classical Runge–Kutta).
fn coasting(headwind: f64, measured: bool) -> LogFrame {
    let slope = |v: f64| -(150.0 + 0.6 * (v + headwind).powi(2)) / 1000.0;
    let (mut v, h) = (60.0_f64, 0.002);
    let mut speed = Vec::new();
    while v > 30.0 {
        speed.push(v);
        for _ in 0..20 {
            let k1 = slope(v);
            let k2 = slope(v + 0.5 * h * k1);
            let k3 = slope(v + 0.5 * h * k2);
            let k4 = slope(v + h * k3);
            v += h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
        }
    }
    let n = speed.len();
    let mut log = LogFrame { time: (0..n).map(|i| i as f64 * 0.04).collect(), rate: 25.0, ..Default::default() };
    let mut set = |name: &str, values: Vec<f64>| log.set(name, Dimension::Ratio, values);
    set("v_air", speed.iter().map(|v| if measured { v + headwind } else { *v }).collect());
    if measured {
        set("air_speed", speed.iter().map(|v| v + headwind).collect());
    }
    set("acceleration", speed.iter().map(|v| slope(*v)).collect());
    set("speed", speed);
    for (name, value) in [("density_ratio", 1.0), ("air_density", 1.2), ("effective_mass", 1000.0)] {
        set(name, vec![value; n]);
    }
    for (name, value) in [("accel_y", 0.0), ("clutch", 1.0), ("brake_pressure", 0.0)] {
        set(name, vec![value; n]);
    }
    log.segments = vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }];
    log
}

#[test]
fn coasting_in_a_known_headwind_gives_the_coefficient_of_still_air() {
    let bench = Bench::new("", &[""]);
    let quantities = ["v_air".to_owned()];
    let cx = LogCx { quantities: &quantities, ..bench.cx() };
    let stage: Coastdown = crate::config::from_text("{ speed: 20..70 m/s, lasting: 2..60 s, piece: 2 s, settle: 0 s }");
    for headwind in [-4.0, -1.5, 0.0, 2.5, 4.0] {
        let coast = |measured| {
            let found = stage.run(&coasting(headwind, measured), &cx).unwrap();
            *found.windows[0].coast.clone().unwrap()
        };
        let by_fit = coast(false).coefficient(headwind).unwrap();
        let by_sensor = coast(true).coefficient(0.0).unwrap();
        assert!((by_fit / 0.6 - 1.0).abs() < 0.002, "{headwind}: {by_fit}");
        assert!((by_sensor / 0.6 - 1.0).abs() < 1e-4, "{headwind}: {by_sensor}");
        let blind = coast(false).coefficient(0.0).unwrap() / 0.6 - 1.0;
        assert!(headwind == 0.0 || blind.abs() > 0.02, "{headwind}: {blind}");
    }
    assert_eq!(coast_beyond(), None);
}

fn coast_beyond() -> Option<f64> {
    Coast { coefficients: [1.0, 1.0, 1.0], duration: 1.0 }.coefficient(5.1)
}
