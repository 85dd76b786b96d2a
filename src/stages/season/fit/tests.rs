//! The model on windows whose truth is known: no simulator, no logs.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use super::window_table::tests::rows as windows_of;
use super::*;
use crate::stages::season::SeasonTables;
use crate::stages::window::{Measure, Stretch, Window};

/// A season of windows: sessions × configurations × windows.
pub(in crate::stages::season) struct Season {
    pub sessions: usize,
    pub configurations: usize,
    pub windows: usize,
    pub wind: f64,
    pub noise: f64,
    pub session_scatter: f64,
    pub drafting: f64,
    pub headings: usize,
}

impl Default for Season {
    fn default() -> Self {
        Self {
            sessions: 8,
            configurations: 3,
            windows: 20,
            wind: 2.0,
            noise: 15.0,
            session_scatter: 0.0,
            drafting: 0.0,
            headings: 4,
        }
    }
}

/// True coefficients by configuration: front, rear, resistance.
pub(in crate::stages::season) fn truth(k: usize) -> [f64; 3] {
    let k = k as f64;
    [0.40 + 0.03 * k, 0.55 - 0.02 * k, 0.50 + 0.01 * k]
}

pub(in crate::stages::season) fn make(s: &Season, seed: u64) -> SeasonTables {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut z = move || normal.sample(&mut rng);
    let mut uniform = Pcg64Mcg::seed_from_u64(seed ^ 0x5eed);
    let mut windows = Vec::new();
    for g in 0..s.sessions {
        let wind = (s.wind * z(), s.wind * z());
        let gain: [f64; 3] = std::array::from_fn(|_| 1.0 + s.session_scatter * z());
        for k in 0..s.configurations {
            let zeros: [f64; 3] = std::array::from_fn(|_| 200.0 * z());
            for i in 0..s.windows {
                let course = i as f64 * std::f64::consts::TAU / s.headings as f64 + 0.3;
                let v: f64 = uniform.random_range(25.0..60.0);
                let head = wind.0 * course.cos() + wind.1 * course.sin();
                let ratio = 0.95;
                let mut x = ratio * (v + head).powi(2);
                if uniform.random_bool(s.drafting) {
                    x *= 1.0 - uniform.random_range(0.1..0.35);
                }
                let measures = (0..3)
                    .map(|q| {
                        let mean = zeros[q] + gain[q] * truth(k)[q] * x + s.noise * z();
                        Some(Measure { mean, standard_error: 5.0, v2: ratio * v * v, v: ratio * v, ratio, zero: None })
                    })
                    .collect();
                windows.push(window(g, k, course, v, measures));
            }
        }
    }
    let quantities = ["front_downforce", "rear_downforce", "resistance"].map(str::to_owned).to_vec();
    SeasonTables { units: vec!["N".to_owned(); 3], quantities, windows, ..Default::default() }
}

fn window(g: usize, k: usize, course: f64, v: f64, measures: Vec<Option<Measure>>) -> Window {
    let stretch = Stretch {
        log: format!("s{g}.csv"),
        event: "e".to_owned(),
        session: format!("s{g}"),
        outing: format!("s{g}.csv#{k}"),
        configuration: format!("c{k}"),
        ..Default::default()
    };
    Window {
        stretch: stretch.into(),
        kind: "steady",
        start: 0.0,
        duration: 3.0,
        samples: 150,
        speed: v,
        air_density: 1.16,
        course: Some(course),
        air_speed_measured: false,
        accel_x: 0.0,
        accel_z: None,
        coast: None,
        measures,
    }
}

pub(in crate::stages::season) fn runs(n: usize) -> Vec<crate::config::run_sheet::RunRow> {
    (0..n)
        .map(|k| {
            serde_json::from_value(
                serde_json::json!({"log": "*", "event": "e", "session": "s", "configuration": format!("c{k}")}),
            )
            .unwrap()
        })
        .collect()
}

pub(in crate::stages::season) fn given(tables: &SeasonTables) -> Given<'_> {
    Given { quantities: &tables.quantities, rolling_resistance: 0.012, density: 1.225, kept: None }
}

pub(in crate::stages::season) fn solve(tables: &SeasonTables, options: &str, configurations: usize) -> SeasonFit {
    let fit: Fit = serde_json::from_str(options).unwrap();
    let evidence = evidence::collect(&tables.windows, tables.quantities.len(), &fit, &runs(configurations));
    fit.solve_evidence(evidence, given(tables))
}

pub(in crate::stages::season) const ROBUST: &str =
    r#"{"quantities": ["front_downforce", "rear_downforce", "drag"], "at": "160 km/h", "wind": "estimate"}"#;
pub(in crate::stages::season) const PLAIN: &str = r#"{"quantities": ["front_downforce", "rear_downforce", "drag"], "at": "160 km/h", "wind": "estimate", "method": "ordinary"}"#;

#[test]
fn wind_and_coefficients_come_back_without_noise() {
    let s = Season { noise: 1e-6, ..Default::default() };
    let fit = solve(&make(&s, 1), PLAIN, 3);
    for k in 0..3 {
        for q in 0..3 {
            let c = fit.coefficient(k, q).unwrap().value;
            // The wind's prior pulls by its share of the information, a few parts in 1e4 at most here.
            assert!((c / truth(k)[q] - 1.0).abs() < 2e-3, "{k} {q} {c}");
        }
    }
}

/// Share of 95 % intervals that hold the truth, and mean error and standard error over the truth.
fn study(s: &Season, options: &str, seasons: u64) -> (f64, f64, f64) {
    let (mut inside, mut n, mut bias, mut se) = (0.0, 0.0, 0.0, 0.0);
    for seed in 0..seasons {
        let fit = solve(&make(s, 100 + seed), options, s.configurations);
        for k in 0..s.configurations {
            for q in 0..3 {
                let e = fit.estimate(&fit.coefficient(k, q).unwrap()).unwrap();
                let t = truth(k)[q];
                inside += f64::from(u8::from(e.interval.0 <= t && t <= e.interval.1));
                bias += (e.value - t) / t;
                se += e.se / t;
                n += 1.0;
            }
        }
    }
    (inside / n, bias / n, se / n)
}

#[test]
fn intervals_cover() {
    // 60 seasons × 9 intervals, dependent within a season: a bound of 3.5 standard errors of 540/3 trials.
    for (name, s) in [
        ("clean", Season::default()),
        ("session scatter", Season { session_scatter: 0.03, ..Default::default() }),
        ("few sessions", Season { sessions: 3, session_scatter: 0.02, ..Default::default() }),
    ] {
        let (coverage, bias, _) = study(&s, ROBUST, 60);
        println!("{name}: coverage {coverage:.3} bias {:.3} %", 100.0 * bias);
        assert!((0.895..=0.995).contains(&coverage), "{name}: {coverage}");
        assert!(bias.abs() < 0.005, "{name}: {bias}");
    }
}

#[test]
fn a_session_with_a_wrong_sensor_is_named_and_left_out() {
    for (factor, words) in
        [(0.5, "one of two"), (25.4, "values in mm were read as in"), (0.02, "did not move"), (1.3, "")]
    {
        let mut tables = make(&Season { session_scatter: 0.02, ..Default::default() }, 5);
        let clean = solve(&tables, ROBUST, 3);
        for w in tables.windows.iter_mut().filter(|w| w.session == "s3") {
            if let Some(m) = &mut w.measures[0] {
                m.mean *= factor;
            }
        }
        let fit = solve(&tables, ROBUST, 3);
        let out: Vec<&screen::Finding> = fit.findings.iter().filter(|f| f.implausible).collect();
        assert_eq!(out.len(), 1, "{factor}: {out:?}");
        assert_eq!((out[0].session, out[0].quantity), (3, 0));
        assert!((out[0].factor / factor - 1.0).abs() < 0.1, "{out:?}");
        assert!(
            out[0].suspicion("front_downforce", true).contains(words),
            "{factor}: {}",
            out[0].suspicion("front_downforce", true)
        );
        // Only what takes part is counted, and the rows say that something does not.
        let rows = rows::fits(&fit, &tables);
        let front: Vec<_> = rows.iter().filter(|r| r.quantity == tables.quantities[0]).collect();
        assert_eq!(front.len(), 3, "{rows:?}");
        for row in front {
            let of = |w: &&Window| w.configuration == row.configuration;
            let all = tables.windows.iter().filter(of).count() as i64;
            let used = tables.windows.iter().filter(of).filter(|w| w.session != "s3").count() as i64;
            assert!(used > 0 && row.windows == used, "{row:?}");
            assert_eq!(row.flags.contains("sessions_left_out"), used < all, "{row:?}");
        }
        for k in 0..3 {
            let (a, b) = (clean.coefficient(k, 0).unwrap().value, fit.coefficient(k, 0).unwrap().value);
            let moved = (a - b) * fit.speed * fit.speed;
            assert!(moved.abs() < 25.0, "{factor}: configuration {k} moved by {moved} N");
        }
    }
    let fit = solve(&make(&Season { session_scatter: 0.02, ..Default::default() }, 5), ROBUST, 3);
    assert!(fit.findings.iter().all(|f| !f.implausible) && fit.findings.len() == 24);
}

#[test]
fn a_session_with_all_the_weight_does_not_make_the_others_wrong() {
    let mut tables = make(&Season { session_scatter: 0.02, ..Default::default() }, 5);
    for w in tables.windows.iter_mut().filter(|w| w.session == "s3") {
        if let Some(m) = &mut w.measures[0] {
            // Pascals that were written as pounds per square inch: next to nothing, and as good as exact.
            (m.mean, m.standard_error) = (m.mean / 6894.8, m.standard_error / 6894.8);
        }
    }
    let fit = solve(&tables, ROBUST, 3);
    let out: Vec<(usize, usize)> =
        fit.findings.iter().filter(|f| f.implausible).map(|f| (f.session, f.quantity)).collect();
    assert_eq!(out, [(3, 0)]);
}

#[test]
fn a_sensor_that_fails_during_a_session_is_named() {
    let mut tables = make(&Season { session_scatter: 0.02, ..Default::default() }, 6);
    let of_session: Vec<usize> = (0..tables.windows.len()).filter(|i| tables.windows[*i].session == "s4").collect();
    let mut stuck = None;
    for i in of_session.iter().skip(of_session.len() / 2) {
        if let Some(m) = &mut tables.windows[*i].measures[1] {
            m.mean = *stuck.get_or_insert(m.mean);
        }
    }
    let fit = solve(&tables, ROBUST, 3);
    let out: Vec<&screen::Finding> = fit.findings.iter().filter(|f| f.implausible).collect();
    assert_eq!(out.len(), 1, "{out:?}");
    assert_eq!((out[0].session, out[0].quantity, out[0].restless), (4, 1, true));
    assert!(
        out[0].suspicion("front_downforce", true).contains("some windows"),
        "{}",
        out[0].suspicion("front_downforce", true)
    );
}

#[test]
fn drafting_moves_the_robust_fit_less_than_a_third() {
    let s = Season { drafting: 0.15, ..Default::default() };
    let (_, robust, _) = study(&s, ROBUST, 30);
    let (_, plain, _) = study(&s, PLAIN, 30);
    println!("bias robust {:.3} % ordinary {:.3} %", 100.0 * robust, 100.0 * plain);
    assert!(robust.abs() < plain.abs() / 3.0, "{robust} {plain}");
}

#[test]
fn single_sessions_do_not_share_their_sensors() {
    let mut tables = make(&Season { sessions: 2, configurations: 2, ..Default::default() }, 3);
    tables.windows.retain(|w| (w.session == "s0") == (w.configuration == "c0"));
    let fit = solve(&tables, ROBUST, 2);
    assert_eq!(fit.lone[..6], [Some(0), Some(0), Some(0), Some(1), Some(1), Some(1)]);
    let relative = fit.scatter.relative;
    let (a, b) = (fit.coefficient(0, 0).unwrap(), fit.coefficient(1, 0).unwrap());
    let difference = fit.estimate(&b.minus(&a)).unwrap();
    assert!(difference.se >= relative * a.value.hypot(b.value), "{difference:?}");
    // A balance β has ∂β/∂front·front = β(1 − β) = −∂β/∂rear·rear: both axles' sensors err, each by itself.
    let (balance, _) = fit.named(0, "balance").unwrap();
    let e = fit.estimate(&balance).unwrap();
    assert!(e.se >= relative * 2.0_f64.sqrt() * e.value * (1.0 - e.value), "{e:?}");
    // Two configurations of one session do share theirs: there the factor drops out of a ratio of the two.
    let mut tables = make(&Season { sessions: 1, configurations: 2, ..Default::default() }, 3);
    tables.windows.iter_mut().for_each(|w| w.session = "s0".to_owned());
    let fit = solve(&tables, ROBUST, 2);
    let (a, b) = (fit.coefficient(0, 0).unwrap(), fit.coefficient(1, 0).unwrap());
    let common = fit.in_common(&b.minus(&a).gradient).sqrt();
    let alone = fit.of_session.alone[0];
    assert!(alone > 0.0 && (common / (b.value - a.value).abs() / alone - 1.0).abs() < 1e-9, "{common}");
}

#[test]
fn one_bad_log_does_not_outvote_two_good_sessions() {
    // Configuration 2 ran in three of ten sessions; in one of these its front dampers read half.
    let ran = [0, 4, 9];
    for (bad, seed) in ran.into_iter().flat_map(|bad| (0..3).map(move |seed| (bad, seed))) {
        let mut tables = make(&Season { sessions: 10, noise: 10.0, ..Default::default() }, seed);
        let of = |w: &Window, g: usize| w.configuration == "c2" && w.session == format!("s{g}");
        tables.windows.retain(|w| w.configuration != "c2" || ran.iter().any(|g| of(w, *g)));
        for m in tables.windows.iter_mut().filter(|w| of(w, bad)).filter_map(|w| w.measures[0].as_mut()) {
            m.mean *= 0.5;
        }
        let fit = solve(&tables, ROBUST, 3);
        assert_eq!(fit.evidence.left_out, BTreeSet::from([(bad, 0)]), "seed {seed}");
        let e = fit.estimate(&fit.coefficient(2, 0).unwrap()).unwrap();
        let (low, high) = e.interval;
        assert!(low < truth(2)[0] && truth(2)[0] < high && high - low < 0.1, "{bad} {seed}: {e:?}");
    }
}

#[test]
fn a_session_that_is_left_out_whole_leaves_the_others() {
    let mut tables = make(&Season { session_scatter: 0.02, ..Default::default() }, 5);
    let clean = solve(&tables, ROBUST, 3);
    let struck = tables.windows.iter_mut().filter(|w| w.session == "s3");
    struck.flat_map(|w| w.measures.iter_mut().flatten()).for_each(|m| m.mean *= 2.0);
    let fit = solve(&tables, ROBUST, 3);
    assert_eq!(fit.findings.iter().filter(|f| f.implausible && f.session == 3).count(), 3);
    for k in 0..3 {
        for q in 0..3 {
            let (a, b) = (clean.coefficient(k, q).unwrap().value, fit.coefficient(k, q).unwrap());
            assert!(((a - b.value) * fit.speed * fit.speed).abs() < 25.0);
            assert!(fit.estimate(&b).unwrap().se > 0.0);
        }
    }
    let parts = crate::stages::season::parts::Parts::default().solve(&fit);
    assert!(parts.fit.is_some());
}

/// Run-sheet rows of session `s0`: two that name a wind, one that does not.
fn windy_rows() -> Vec<crate::config::run_sheet::RunRow> {
    let row = |k: usize, wind: &str| {
        let text = format!("log: \"*\"\nevent: e\nsession: s0\nconfiguration: c{k}\n{wind}");
        crate::config::from_text(&text)
    };
    vec![row(0, "wind_speed: 4 m/s\nwind_from: 0 deg\n"), row(1, "wind_speed: 3 m/s\nwind_from: 90 deg\n"), row(2, "")]
}

#[test]
fn every_run_has_its_own_wind_and_a_session_their_mean() {
    let rows = windy_rows();
    let mut tables = make(&Season { sessions: 1, ..Default::default() }, 3);
    for w in &mut tables.windows {
        w.sheet_wind = match w.configuration.as_str() {
            "c0" => Some((4.0, 0.0)),
            "c1" => Some((3.0, std::f64::consts::FRAC_PI_2)),
            _ => None,
        };
        w.course = Some(0.0);
    }
    let solve = |wind: &str| {
        let options = ROBUST.replace("\"estimate\"", &format!("\"{wind}\""));
        let fit: Fit = serde_json::from_str(&options).unwrap();
        let evidence = evidence::collect(&tables.windows, 3, &fit, &rows);
        fit.solve_evidence(evidence, given(&tables))
    };
    let by_sheet = solve("run_sheet");
    for o in &by_sheet.evidence.observations {
        // Towards the north: 4 m/s against the car in the first run, a crosswind in the second, none known in the third.
        let head = [4.0, 0.0, 0.0][o.configuration];
        let x = by_sheet.model.x[by_sheet.evidence.observations.iter().position(|p| p == o).unwrap()];
        assert!((x - (o.v2 + 2.0 * head * o.v + head * head * o.ratio)).abs() < 1e-9, "{o:?}");
    }
    let headwinds: Vec<f64> = windows_of(&by_sheet, &tables).iter().map(|w| w.headwind).collect();
    assert!(
        headwinds.iter().any(|h| (h - 4.0).abs() < 1e-9)
            && headwinds.iter().all(|h| *h == 0.0 || *h > 3.9 || h.abs() < 1e-9)
    );
    let flagged = windows_of(&by_sheet, &tables);
    assert!(flagged.iter().all(|w| (w.configuration == "c2") == (w.flags == "wind_unknown")));
    // The mean of the two that name one.
    let wind = &rows::winds(&by_sheet)[0];
    let (north, east) = (wind.north.unwrap(), wind.east.unwrap());
    assert!((north - 2.0).abs() < 1e-12 && (east - 1.5).abs() < 1e-12 && wind.source == "run_sheet");
    // All windows head north, so nothing but the prior tells the east component.
    let estimated = &rows::winds(&solve("estimate"))[0];
    assert!((estimated.east.unwrap() - 1.5).abs() < 1e-6, "{estimated:?}");
    assert_eq!(estimated.source, "not_identified");
}

#[test]
fn a_session_of_measured_air_speed_has_no_estimated_wind() {
    let mut tables = make(&Season { sessions: 3, ..Default::default() }, 3);
    for (i, w) in tables.windows.iter_mut().enumerate() {
        // The second session is mixed: every third window measured, of all headings in turn.
        w.air_speed_measured = w.session == "s0" || (w.session == "s1" && i % 3 == 0);
    }
    let found = rows::winds(&solve(&tables, ROBUST, 3));
    let sources: Vec<&str> = found.iter().map(|w| w.source.as_str()).collect();
    assert_eq!(sources, ["measured", "estimated", "estimated"]);
    assert_eq!((found[0].speed, found[0].north, found[0].north_se), (None, None, None));
    assert!(found[1].speed.is_some() && found[1].north_se.is_some());
}

#[test]
fn static_segment_takes_the_zero_off_and_says_where_it_could_not() {
    let mut tables = make(&Season { noise: 1e-6, wind: 0.0, ..Default::default() }, 7);
    let outing = "s2.csv#1";
    // The zero is what is left of a window when its air is taken off.
    for w in tables.windows.iter_mut().filter(|w| w.outing != outing) {
        let k: usize = w.configuration[1..].parse().unwrap();
        for q in 0..2 {
            let m = w.measures[q].as_mut().unwrap();
            // Two newtons beside the truth, as friction in the dampers would leave it.
            m.zero = Some(m.mean - truth(k)[q] * m.v2 - 2.0);
        }
    }
    let options =
        PLAIN.replace("\"estimate\"", "\"none\"").replace("\"method\"", "\"zero\": \"static_segment\", \"method\"");
    let fit = solve(&tables, &options, 3);
    let free = solve(&tables, &PLAIN.replace("\"estimate\"", "\"none\""), 3);
    for k in 0..3 {
        let (a, b) = (fit.coefficient(k, 0).unwrap().value, free.coefficient(k, 0).unwrap().value);
        // Through the origin the two newtons go into the slope: 2·Σx/Σx², about 2/x at the windows' speeds.
        assert!((b / truth(k)[0] - 1.0).abs() < 1e-6 && (a - b) > 2.0 / (60.0 * 60.0), "{a} {b}");
    }
    for w in windows_of(&fit, &tables) {
        let wanted = w.outing == outing && w.quantity != "resistance";
        assert_eq!(w.flags == "zero_not_static", wanted, "{w:?}");
    }
    let rows = rows::fits(&fit, &tables);
    for r in &rows {
        let wanted = r.configuration == "c1" && (r.quantity == "front_downforce" || r.quantity == "rear_downforce");
        assert_eq!(r.flags.contains("zero_not_static"), wanted, "{r:?}");
    }
}

#[test]
fn a_wake_takes_its_whole_straight_out_of_the_fit() {
    // Straights of three windows; on every sixth another car takes 30 % of all forces.
    let mut tables = make(&Season { wind: 0.0, windows: 24, ..Default::default() }, 11);
    for (i, w) in tables.windows.iter_mut().enumerate() {
        let (straight, place) = (i % 24 / 3, i % 3);
        w.start = 100.0 * straight as f64 + 6.0 * place as f64;
        w.course = Some(0.3 + straight as f64);
        let k: usize = w.configuration[1..].parse().unwrap();
        for (q, m) in w.measures.iter_mut().flatten().enumerate().filter(|_| followed_at(i)) {
            m.mean -= 0.3 * truth(k)[q] * m.v2;
        }
    }
    let fit = solve(&tables, &ROBUST.replace("estimate", "none"), 3);
    let weights = |wake: bool| {
        let of =
            fit.evidence.observations.iter().zip(&fit.model.robust).filter(move |(o, _)| followed_at(o.window) == wake);
        of.map(|(_, r)| *r).collect::<Vec<_>>()
    };
    let (wakes, free) = (weights(true), weights(false));
    assert!(wakes.len() > 200 && wakes.iter().all(|r| *r < 0.01), "{wakes:?}");
    assert!(free.iter().filter(|r| **r < 0.3).count() < free.len() / 50);
    for k in 0..3 {
        for (q, true_value) in truth(k).into_iter().enumerate() {
            let c = fit.coefficient(k, q).unwrap().value;
            assert!((c / true_value - 1.0).abs() < 0.015, "{k} {q}: {c} {true_value}");
        }
    }
    // One quantity alone is a sensor's affair: the others keep the window.
    for (i, w) in tables.windows.iter_mut().enumerate().filter(|(i, _)| i % 24 == 4) {
        if let Some(m) = &mut w.measures[0] {
            m.mean += if i % 48 == 4 { 300.0 } else { -300.0 };
        }
    }
    let fit = solve(&tables, &ROBUST.replace("estimate", "none"), 3);
    let spared = |q: usize| {
        let of = fit.evidence.observations.iter().zip(&fit.model.robust);
        of.filter(move |(o, _)| o.window % 24 == 4 && o.quantity == q && !followed_at(o.window))
            .map(|(_, r)| *r)
            .collect::<Vec<_>>()
    };
    assert!(spared(0).iter().all(|r| *r < 0.3) && spared(1).iter().filter(|r| **r > 0.5).count() > spared(1).len() / 2);
}

fn followed_at(window: usize) -> bool {
    (window / 24 + window % 24 / 3).is_multiple_of(6)
}

#[test]
fn few_sessions_that_read_unlike_are_flagged() {
    let flagged = |seed: u64, gain: f64| {
        let mut tables = make(&Season { sessions: 6, noise: 10.0, session_scatter: 0.005, ..Default::default() }, seed);
        for w in &mut tables.windows {
            if ["s1", "s4"].contains(&w.session.as_str()) {
                let m = w.measures[0].as_mut().unwrap();
                m.mean *= 1.0 + gain;
            }
        }
        let rows = rows::fits(&solve(&tables, ROBUST, 3), &tables);
        let odd = |q: &str| rows.iter().filter(|r| r.quantity == q).any(|r| r.flags.contains("sessions_at_odds"));
        (odd("front_downforce"), odd("rear_downforce"))
    };
    for seed in 0..5 {
        assert_eq!(flagged(seed, 0.07), (true, false), "{seed}");
        assert_eq!(flagged(seed, 0.0), (false, false), "{seed}");
    }
}

#[test]
fn two_sessions_that_contradict_each_other_are_flagged() {
    let mut tables = make(&Season::default(), 21);
    tables.windows.retain(|w| w.configuration != "c2" || ["s0", "s1"].contains(&w.session.as_str()));
    let flagged = |tables: &SeasonTables| -> Vec<(String, String)> {
        let rows = rows::fits(&solve(tables, ROBUST, 3), tables);
        let of = rows.into_iter().filter(|r| r.flags.contains("sessions_contradict"));
        of.map(|r| (r.configuration, r.quantity)).collect()
    };
    assert_eq!(flagged(&tables), []);
    for w in tables.windows.iter_mut().filter(|w| w.session == "s1" && w.configuration == "c2") {
        w.measures[0].as_mut().unwrap().mean *= 0.6;
    }
    assert_eq!(flagged(&tables), [("c2".to_owned(), "front_downforce".to_owned())]);
    let fit = solve(&tables, ROBUST, 3);
    let doubts = doubts::Doubts::of(&fit);
    // Whatever is made of it says so, and nothing else.
    assert_eq!(doubts.about("balance", &[2, 0]), ["sessions_contradict"]);
    assert!(doubts.about("balance", &[1, 0]).is_empty() && doubts.about("drag", &[2, 0]).is_empty());
    assert!(doubts::Doubts::in_words(&["sessions_contradict"]).starts_with("the two sessions that ran it contradict"));
}
