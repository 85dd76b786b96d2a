//! Tyre loads by hand.

use std::path::Path;

use super::*;
use crate::stages::season::fit::tests::{PLAIN, Season, make, solve};
use crate::stages::window::peaks::{Moment, Peaks, Quiet};
use crate::units::G;

/// 1000 kg without fuel, h/L 0.16, weighed without fuel: 230, 230, 270, 270 kg. Load index 91 is 615 kg and 94 is
/// 670 kg (five public tables agree); W is whole to 240 km/h (one published page).
const CAR: &str = "
name: bench car
mass: 1000 kg
wheelbase: 2.5 m
cg_height: 0.4 m
track: { front: 1.6 m, rear: 1.6 m }
corner_weights: { fl: 230 kg, fr: 230 kg, rl: 270 kg, rr: 270 kg }
fuel: { at_corner_weights: 0 kg, front_share: 40 % }
springs: { front: { rate: 100 N/mm }, rear: { rate: 120 N/mm } }
motion_ratio: { front: 0.8, rear: 0.9 }
tyre_radius: { front: 0.30 m, rear: 0.32 m }
rolling_resistance: 0.014
tyres: { front: { load_index: 91, speed_symbol: W }, rear: { load_index: 94, speed_symbol: W } }
";

fn moment(felt: (f64, f64), loads: [f64; 4]) -> Moment {
    let (speed, ratio) = (60.0, 0.95);
    Moment {
        start: 12.0,
        speed,
        v2: ratio * speed * speed,
        v: ratio * speed,
        ratio,
        course: None,
        felt_x: felt.0,
        felt_y: felt.1,
        fuel: 20.0,
        loads,
    }
}

/// First configuration: c_front 0.40, c_rear 0.55. Quiet running at x = 1500; the sensors' zero is 50 N on the front
/// left wheel, −30 on the front right, 0 behind.
fn peaks() -> Peaks {
    let quiet = Quiet { seconds: 60.0, v2: 1500.0, axles: [600.0 + 20.0, 825.0], sides: [40.0, 0.0] };
    Peaks {
        log: "a.csv".to_owned(),
        event: "e".to_owned(),
        session: "s0".to_owned(),
        outing: "a.csv#1".to_owned(),
        configuration: "c0".to_owned(),
        top: moment((0.5, 0.0), [0.0; 4]),
        corners: [
            // Braking: the front left springs hold 2000 N more than static, the sensor reads 2050.
            Some(moment((-11.0, 0.0), [2050.0, 1970.0, 0.0, 0.0])),
            // Turning left, so the right side is loaded; the dampers miss what the bar carries.
            Some(moment((0.0, 15.0), [0.0, 970.0, 0.0, 0.0])),
            None,
            None,
        ],
        quiet: Some(quiet),
    }
}

fn fit() -> SeasonFit {
    solve(&make(&Season { noise: 1e-6, wind: 0.0, ..Default::default() }, 2), PLAIN, 1)
}

fn car() -> Car {
    crate::config::from_text(CAR)
}

fn near(got: f64, want: f64) {
    // The fit is good to some parts in 1e4 of the downforce.
    assert!((got - want).abs() < 1.5, "{got} for {want}");
}

#[test]
fn straight_loads_by_hand() {
    let (fit, car, peaks) = (fit(), car(), [peaks()]);
    let loads = Loads { fit: &fit, car: &car, peaks: &peaks };
    // x = 0.95·3600 = 3420. Static: 230 kg and half of 40 % of 20 kg; transfer 1020·0.5·0.16/2 off each front wheel.
    let front = loads.at_top_speed(0, 0).unwrap();
    near(front.static_load, 234.0 * G);
    near(front.transfer, -40.8);
    near(front.load.value, 234.0 * G - 40.8 + 0.5 * 0.40 * 3420.0);
    let rear = loads.at_top_speed(0, 3).unwrap();
    near(rear.load.value, 276.0 * G + 40.8 + 0.5 * 0.55 * 3420.0);
    assert_eq!(front.seen, Some(("a.csv".to_owned(), 12.0)));
    // 250 km/h in air of 1.225 with 50 kg of fuel.
    let stated = loads.at_speed(0, 2, 250.0 / 3.6, 1.225, 50.0).unwrap();
    near(stated.load.value, (270.0 + 15.0) * G + 0.5 * 0.55 * (250.0f64 / 3.6).powi(2));
}

#[test]
fn peaks_are_the_larger_of_dampers_and_accelerations() {
    let (fit, car, peaks) = (fit(), car(), [peaks()]);
    let loads = Loads { fit: &fit, car: &car, peaks: &peaks };
    // Braking: by dampers 230 kg + 2000 N. By accelerations 234·G + 684 + 1020·11·0.16/2 = 3876 N: less.
    let left = loads.peak(0, 0).unwrap();
    near(left.load.value, 230.0 * G + 2000.0);
    assert_eq!(left.basis, "dampers");
    // Cornering: dampers 230·G + 1000 = 3256 N; accelerations 234·G + 684 + (468/1.6)·15·0.4 = 4733.8 N.
    let right = loads.peak(0, 1).unwrap();
    near(right.load.value, 234.0 * G + 0.2 * 3420.0 + 468.0 * 15.0 * 0.4 / 1.6);
    assert_eq!(right.basis, "accelerations");
    assert!(loads.peak(0, 2).is_none());
}

#[test]
fn without_a_zero_the_accelerations_speak_alone() {
    let (fit, car) = (fit(), car());
    let blind = [Peaks { quiet: None, ..peaks() }];
    let e = Loads { fit: &fit, car: &car, peaks: &blind }.peak(0, 0).unwrap();
    assert_eq!((e.basis, e.flags.as_slice()), ("accelerations", &["zero_unknown_in_some_logs"][..]));
    near(e.load.value, 234.0 * G + 684.0 + 0.5 * 1020.0 * 11.0 * 0.16);
}

fn rows(options: &str) -> Vec<TyreRow> {
    let (fit, car) = (fit(), car());
    let tables = SeasonTables { peaks: vec![peaks()], ..Default::default() };
    let cx = SeasonCx { season: "1", car: &car, runs: &[], reference_density: 1.225, tables: Path::new("") };
    crate::config::from_text::<Tyres>(options).rows(&fit, &tables, &cx)
}

fn one<'a>(rows: &'a [TyreRow], corner: &str, case: &str) -> &'a TyreRow {
    rows.iter().find(|r| r.corner == corner && r.case == case).unwrap()
}

#[test]
fn margins_against_the_published_index() {
    let rows = rows("{ margin: 10 %, at: 250 km/h }");
    let r = one(&rows, "fl", "top_speed");
    // 60 m/s is 216 km/h: W is whole there. 615 kg · 9.80665 = 6031.09 N.
    let rated = 615.0 * 9.80665;
    assert!((r.capacity.unwrap() - rated).abs() < 1e-6);
    let load = 234.0 * G - 40.8 + 684.0;
    assert!((r.share_used.unwrap() - load / rated).abs() < 1e-3 && (r.margin.unwrap() - (rated - load)).abs() < 1.5);
    assert_eq!(r.verdict, "margin_kept");
    // 250 km/h is a third of the way from 240 (whole) to 270 (85 %): 95 %. Load index 94 is 670 kg.
    let stated = one(&rows, "rl", "stated_speed");
    assert!((stated.capacity.unwrap() - 670.0 * 9.80665 * 0.95).abs() < 1e-6);
    for r in &rows {
        assert_eq!(r.caution, TYRE_CAUTION);
        assert!(r.load_lo95 <= r.load && r.load <= r.load_hi95);
    }
    // Peaks were seen at the front alone; both straight cases at all corners.
    assert_eq!(rows.len(), 4 + 4 + 2);
}

#[test]
fn the_speed_that_uses_the_margin_up() {
    // Margin 45 %: limit 0.55·6031 = 3317.1 N. 230 kg static: 2255.5 N + 0.2·v² reaches it at 72.86 m/s = 262 km/h,
    // where W has fallen: 0.85 + 0.15·(270 − v)/30. By hand: v = 69.4 gives 2255.5 + 963.3 = 3218.8 and
    // 3317.1·(1 − 0.15·(249.84 − 240)/30) = 3153.9: over; v = 68.5 gives 3194.0 and 3207.6: not yet.
    let rows = rows("{ margin: 45 %, at: 200 km/h }");
    let r = one(&rows, "fl", "stated_speed");
    let v = r.margin_speed.unwrap();
    assert!(v > 68.5 && v < 69.4, "{v}");
    let left = 230.0 * G + 0.2 * v * v;
    let right = 0.55 * 615.0 * G * (1.0 - 0.15 * (v * 3.6 - 240.0) / 30.0);
    assert!((left - right).abs() < 2.0, "{left} {right}");
    assert!(r.margin_speed_hi95.unwrap() <= v);
}

#[test]
fn verdicts_look_at_the_upper_end() {
    let stage: Tyres = crate::config::from_text("margin: 10 %");
    let verdict = |load: f64, high: f64| {
        let mut row = TyreRow::default();
        stage.judge(&mut row, 5000.0, load, high);
        row.verdict
    };
    assert_eq!(verdict(4000.0, 4500.0), "margin_kept");
    assert_eq!(verdict(4000.0, 4501.0), "unsure");
    assert_eq!(verdict(4501.0, 4600.0), "margin_used_up");
    assert_eq!(verdict(4600.0, 5001.0), "over_rating");
}

#[test]
fn above_the_symbol_there_is_no_rating_and_no_verdict() {
    let rows = rows("{ at: 271 km/h }");
    let r = one(&rows, "rr", "stated_speed");
    assert_eq!((r.capacity, r.verdict.as_str(), r.share_used), (None, "no_rating", None));
    assert!(r.load.is_some() && r.flags.contains("above_speed_symbol"));
}
