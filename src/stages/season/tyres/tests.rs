//! Tyre loads by hand.

use std::path::Path;

use super::*;
use crate::stages::season::fit::tests::{PLAIN, Season, make, solve};
use crate::stages::window::peaks::{Moment, Peaks, Quiet};
use crate::units::G;

/// 1000 kg without fuel, h/L 0.16, weighed without fuel: 230, 230, 270, 270 kg. Load index 91 is 615 kg and 94 is
/// 670 kg (five public tables agree); W is whole to 240 km/h (one published page).
pub(in crate::stages::season) const CAR: &str = "
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
            vec![moment((-11.0, 0.0), [2050.0, 1970.0, 0.0, 0.0])],
            // Turning left, so the right side is loaded; the dampers miss what the bar carries.
            vec![moment((0.0, 15.0), [0.0, 970.0, 0.0, 0.0])],
            Vec::new(),
            Vec::new(),
        ],
        quiet: Some(quiet),
        unseen: 0.0,
        flags: Vec::new(),
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
    rows_of(options, &fit(), &SeasonTables { peaks: vec![peaks()], ..Default::default() })
}

fn rows_of(options: &str, fit: &SeasonFit, tables: &SeasonTables) -> Vec<TyreRow> {
    let car = car();
    let cx = SeasonCx {
        season: "1",
        car: &car,
        runs: &[],
        reference_density: 1.225,
        tables: Path::new(""),
        at_wheels: true,
        logs: &[],
        kept: None,
    };
    crate::config::from_text::<Tyres>(options).rows(fit, tables, &cx)
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
    assert_eq!(rows.len(), 4 + 4 + 4);
    let unseen = one(&rows, "rl", "peak");
    assert_eq!((unseen.verdict.as_str(), unseen.load, unseen.flags.as_str()), ("no_figure", None, "no_wheel_loads"));
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
fn above_the_symbol_there_is_no_rating_and_the_verdict_says_so() {
    let rows = rows("{ at: 271 km/h }");
    let r = one(&rows, "rr", "stated_speed");
    assert_eq!((r.capacity, r.verdict.as_str(), r.share_used), (None, "above_speed_symbol", None));
    assert!(r.load.is_some() && r.flags.contains("above_speed_symbol"));
}

#[test]
fn a_peak_that_may_have_gone_unseen_keeps_no_margin() {
    let fit = fit();
    let peak = |p: Peaks| {
        let tables = SeasonTables { peaks: vec![peaks(), p], ..Default::default() };
        let rows = rows_of("{}", &fit, &tables);
        let r = one(&rows, "fl", "peak");
        (r.verdict.clone(), r.flags.clone())
    };
    assert_eq!(peak(peaks()), ("margin_kept".to_owned(), String::new()));
    for flag in ["spring_table_left", "spikes_removed"] {
        let flagged = Peaks { flags: vec!["level_road_assumed".to_owned(), flag.to_owned()], ..peaks() };
        assert_eq!(peak(flagged), ("unsure".to_owned(), flag.to_owned()));
    }
    assert_eq!(peak(Peaks { unseen: 0.5, ..peaks() }), ("unsure".to_owned(), "loads_missing".to_owned()));
    let blind = Peaks { quiet: None, ..peaks() };
    assert_eq!(peak(blind.clone()), ("unsure".to_owned(), "zero_unknown_in_some_logs".to_owned()));
    // A car that is pushed through the paddock has no zero either and hides nothing.
    let pushed = Peaks { top: Moment { speed: 3.0, ..blind.top }, corners: Default::default(), ..blind };
    assert_eq!(peak(pushed).0, "margin_kept");
    // A log of another configuration hides nothing of this one.
    let other = Peaks { configuration: "c1".to_owned(), unseen: 0.5, ..peaks() };
    assert_eq!(peak(other).0, "margin_kept");
    // Faster than W stands for, 270 km/h, with little load: the rated peak is shown, but keeps no margin.
    let mut fast = peaks();
    fast.corners[0] = vec![Moment { speed: 76.0, ..moment((0.0, 0.0), [900.0, 0.0, 0.0, 0.0]) }];
    assert_eq!(peak(fast), ("unsure".to_owned(), "above_speed_symbol".to_owned()));
    // Used up stays used up.
    let mut heavy = Peaks { unseen: 0.5, ..peaks() };
    heavy.corners[0] = vec![moment((0.0, 0.0), [3500.0, 0.0, 0.0, 0.0])];
    assert_eq!(peak(heavy).0, "margin_used_up");
}

#[test]
fn the_peak_is_the_moment_that_uses_most_of_its_rating() {
    let (fit, car) = (fit(), car());
    let mut p = peaks();
    // By dampers 230·G + change − 50 N of zero. At 270 km/h W carries 85 % (published page): 4155 N of 5126 N are more
    // than 4255 N of 6031 N.
    let fast = Moment { speed: 75.0, ..moment((0.0, 0.0), [1950.0, 0.0, 0.0, 0.0]) };
    p.corners[0].insert(0, fast);
    let all = [p];
    let e = Loads { fit: &fit, car: &car, peaks: &all }.peak(0, 0).unwrap();
    assert_eq!(e.speed, 75.0);
    near(e.load.value, 230.0 * G + 1900.0);
    let tables = SeasonTables { peaks: all.to_vec(), ..Default::default() };
    let rows = rows_of("{}", &fit, &tables);
    let share = one(&rows, "fl", "peak").share_used.unwrap();
    assert!((share - (230.0 * G + 1900.0) / (0.85 * 615.0 * G)).abs() < 1e-3, "{share}");
}

#[test]
fn a_top_speed_with_the_wind_from_behind_is_judged_as_in_still_air() {
    let (fit, car) = (fit(), car());
    let top = |air: f64| {
        let mut p = peaks();
        p.top = Moment { v2: 0.95 * air * air, v: 0.95 * air, ..p.top };
        Loads { fit: &fit, car: &car, peaks: &[p] }.at_top_speed(0, 0).unwrap()
    };
    let rest = 234.0 * G - 40.8;
    // 60 m/s over ground; the air passes at 55, 60 and 65 m/s. Half of 0.40 times 0.95·v².
    near(top(55.0).load.value, rest + 0.2 * 0.95 * 3600.0);
    near(top(60.0).load.value, rest + 0.2 * 0.95 * 3600.0);
    near(top(65.0).load.value, rest + 0.2 * 0.95 * 4225.0);
    // The speed that uses the margin up is one of still air, whatever blew at the top.
    let stage: Tyres = crate::config::from_text("margin: 45 %");
    let tyre = &car.tyres.as_ref().unwrap().front;
    let speeds = [55.0, 60.0, 65.0].map(|air| {
        let e = top(air);
        stage.used_up(tyre, e.load.value, e.gain.unwrap(), e.speed).unwrap()
    });
    assert!((speeds[0] - speeds[1]).abs() < 1e-6 && (speeds[2] - speeds[1]).abs() < 1e-6, "{speeds:?}");
}

#[test]
fn a_configuration_without_a_fit_has_rows_that_say_so() {
    // Three configurations have windows from 25 to 60 m/s; the fourth ran at 217 km/h and has none; the fifth never ran.
    let mut tables = make(&Season { noise: 1e-6, wind: 0.0, ..Default::default() }, 2);
    let fit = solve(&tables, PLAIN, 5);
    tables.fits = crate::stages::season::fit::rows::fits(&fit, &tables);
    let fast = Moment { speed: 217.0 / 3.6, ..peaks().top };
    tables.peaks = vec![peaks(), Peaks { configuration: "c3".to_owned(), top: fast, ..peaks() }];
    let rows = rows_of("{ at: 250 km/h }", &fit, &tables);
    assert_eq!(rows.len(), 5 * 4 * 3);
    let of = |k: &str, case: &str| {
        let r = rows.iter().find(|r| r.configuration == k && r.corner == "fl" && r.case == case).unwrap();
        (r.speed.map(|v| (v * 3.6).round()), r.load.is_some(), r.verdict.as_str(), r.flags.as_str())
    };
    assert_eq!(of("c3", "top_speed"), (Some(217.0), false, "no_figure", "no_windows"));
    assert_eq!(of("c3", "stated_speed"), (Some(250.0), false, "no_figure", "no_windows"));
    assert_eq!(of("c3", "peak"), (None, false, "no_figure", "no_windows"));
    assert_eq!(of("c4", "top_speed"), (None, false, "no_figure", "no_peaks,no_windows"));
    // 250 km/h lies beyond 60 m/s; so does 60 m/s by a hair, since no window is quite that fast.
    assert_eq!(of("c0", "stated_speed"), (Some(250.0), true, "margin_kept", "speed_outside_of_windows"));
    // What the dampers saw is no extrapolation.
    assert_eq!(of("c0", "peak"), (Some(216.0), true, "margin_kept", ""));
    // What the fit says against itself stands beside the load.
    for r in tables.fits.iter_mut().filter(|r| r.quantity == "front_downforce") {
        r.flags = "square_law_doubtful".to_owned();
    }
    let rows = rows_of("{}", &fit, &tables);
    let r = rows.iter().find(|r| r.configuration == "c1" && r.corner == "fl").unwrap();
    assert!(r.flags.contains("square_law_doubtful"), "{r:?}");
    let r = rows.iter().find(|r| r.configuration == "c1" && r.corner == "rl").unwrap();
    assert!(!r.flags.contains("square_law_doubtful"), "{r:?}");
}
