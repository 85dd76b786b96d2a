//! Reads simulated logs back with pencil-and-paper formulas: without noise, wind and friction the forces
//! that went in must come out. Kept apart from the estimators, as the whole simulator is.

use super::car::CarModel;
use super::season::SimLog;
use super::{Scenario, Season, simulate};
use crate::units::{G, unit_of};

fn quiet() -> Scenario {
    Scenario {
        sessions: 2,
        minutes: 4.0,
        noise: 0.0,
        wind_sd: 0.0,
        gusts: 0.0,
        session_gain_sd: 0.0,
        car: CarModel { friction: 0.0, ..CarModel::default() },
        ..Scenario::default()
    }
}

/// A channel in SI.
fn si(log: &SimLog, canonical: &str) -> Vec<f64> {
    let c = log.channels.iter().find(|c| c.canonical == Some(canonical)).unwrap();
    let unit = unit_of(c.unit, c.dimension).unwrap();
    c.values.iter().map(|v| unit.to_si(*v)).collect()
}

/// Slope and intercept of y on x.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    (sxy / sxx, my - sxy / sxx * mx)
}

/// Front, rear, resistance against effective v², at samples where nothing has changed for a second.
fn evidence(season: &Season, index: usize) -> [Vec<(f64, f64)>; 3] {
    let car = &season.scenario.car;
    let log = season.log(index).unwrap();
    let plan = &season.logs[index];
    let session = &season.sessions[plan.session];
    let fuel = session.outings[plan.outings[0]].fuel;
    let get = |n: &str| si(&log, n);
    let (v, ax, ay, burnt) = (get("speed"), get("accel_x"), get("accel_y"), get("fuel_used"));
    let (brake, clutch) = (get("brake_pressure"), get("clutch"));
    let dampers = ["damper_fl", "damper_fr", "damper_rl", "damper_rr"].map(get);
    let torque: Vec<f64> = get("wheel_torque_rl").iter().zip(get("wheel_torque_rr")).map(|(a, b)| a + b).collect();
    let rate = season.scenario.rate;
    let back = rate as usize;
    let mut out = [Vec::new(), Vec::new(), Vec::new()];
    for i in (back..v.len() - 2).filter(|i| v[*i] > 20.0) {
        let calm = (i - back..=i + 2).all(|j| ay[j].abs() < 1e-9 && brake[j] == 0.0 && clutch[j] == clutch[i])
            && (ax[i] - ax[i - back]).abs() < 0.15
            && (ax[i] - ax[i - back / 2]).abs() < 0.08;
        if !calm {
            continue;
        }
        let slope = (v[i + 1] - v[i - 1]) * rate / 2.0;
        let mass = car.mass + fuel - burnt[i];
        let lever = car.cg_height / car.wheelbase;
        let spring = |c: usize| car.springs[c / 2].force(dampers[c][i]) * car.motion_ratio[c / 2];
        let drive = torque[i] / car.tyre_radius[1];
        let front = spring(0) + spring(1) + mass * slope * lever + burnt[i] * car.fuel_front * G;
        let links = car.anti_squat * lever * drive;
        let rear = spring(2) + spring(3) - mass * slope * lever + links + burnt[i] * (1.0 - car.fuel_front) * G;
        let resistance = drive - mass * car.rotating * slope;
        let x = session.weather.density_at(i as f64 / rate) / 1.225 * v[i] * v[i];
        for (list, value) in out.iter_mut().zip([front, rear, resistance]) {
            list.push((x, value));
        }
    }
    out
}

#[test]
fn what_goes_in_comes_out() {
    let season = simulate(&quiet());
    let x160 = (160.0_f64 / 3.6).powi(2);
    for index in 0..season.logs.len() {
        let plan = &season.logs[index];
        let outing = &season.sessions[plan.session].outings[plan.outings[0]];
        let configuration = &season.scenario.configurations[outing.configuration];
        let truth = configuration.forces();
        let [front, rear, resistance] = evidence(&season, index).map(|points| {
            assert!(points.len() > 2000, "{} samples", points.len());
            line(&points).0 * x160
        });
        let rolling = season.scenario.car.rolling * (truth.front + truth.rear);
        let name = &configuration.name;
        // transients that are not over after a second leave a newton or two
        assert!((front - truth.front).abs() < 3.0, "{name}: front {front} is not {}", truth.front);
        assert!((rear - truth.rear).abs() < 3.0, "{name}: rear {rear} is not {}", truth.rear);
        let drag = resistance - rolling;
        assert!((drag - truth.drag).abs() < 2.0, "{name}: drag {drag} is not {}", truth.drag);
    }
}

#[test]
fn drafting_takes_forces_away() {
    let clean = simulate(&quiet());
    let followed = simulate(&Scenario { drafting: 1.0, ..quiet() });
    let slope = |s: &Season| line(&evidence(s, 0)[0]).0;
    let share = slope(&followed) / slope(&clean);
    assert!((0.6..0.95).contains(&share), "{share}");
}

#[test]
fn gain_errors_scale_what_the_dampers_say() {
    let mut scenario = quiet();
    scenario.faults.miscalibrated_every = 2;
    scenario.faults.miscalibration = 0.06;
    let (wrong, right) = (simulate(&scenario), simulate(&quiet()));
    // three logs per session: the fourth is the first of the second session
    let ratio = |log: usize| {
        let (a, b) = (si(&wrong.log(log).unwrap(), "damper_rl"), si(&right.log(log).unwrap(), "damper_rl"));
        a.iter().zip(&b).map(|(a, b)| a / b).collect::<Vec<_>>()
    };
    assert!(ratio(0).iter().all(|r| *r == 1.0));
    assert!(ratio(3).iter().all(|r| (r - 1.06).abs() < 1e-9));
}

#[test]
fn a_frozen_damper_and_a_wrong_unit_show_in_one_log_only() {
    let mut scenario = quiet();
    scenario.faults.frozen_damper = Some(1);
    scenario.faults.mislabelled_speed = Some(0);
    let season = simulate(&scenario);
    let spread = |i: usize| {
        let d = si(&season.log(i).unwrap(), "damper_fl");
        let late = &d[d.len() / 2..];
        late.iter().copied().fold(f64::MIN, f64::max) - late.iter().copied().fold(f64::MAX, f64::min)
    };
    assert!(spread(3) == 0.0 && spread(4) > 1e-3);
    let top = |i: usize| si(&season.log(i).unwrap(), "speed").into_iter().fold(0.0, f64::max);
    assert!(top(0) > 120.0 && top(3) < 80.0, "{} {}", top(0), top(3));
}
