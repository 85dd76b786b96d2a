//! From simulated logs back to the forces that went in, through `align`, `air`, `resistance` and `loads`.
//! The simulator shares no formula with them. Without noise, wind and friction what comes out must be
//! what went in; a correction that is left out, or of the wrong sign, must show.

use std::path::Path;

use super::{air::Air, align::Align, loads::Loads, resistance::Resistance};
use crate::config::car::Car;
use crate::config::run_sheet::RunRow;
use crate::demo::car::CarModel;
use crate::demo::{Scenario, Season, simulate};
use crate::stages::{LogCx, LogStage};
use crate::table::frame::LogFrame;
use crate::units::unit_of;

fn quiet(car: CarModel, grade: f64) -> Season {
    simulate(&Scenario {
        grade,
        sessions: 1,
        minutes: 4.0,
        noise: 0.0,
        wind_sd: 0.0,
        gusts: 0.0,
        session_gain_sd: 0.0,
        car: CarModel { friction: 0.0, ..car },
        ..Scenario::default()
    })
}

/// A simulated log as `load` would hand it on.
fn loaded(season: &Season, index: usize, without: &[&str]) -> LogFrame {
    let log = season.log(index).unwrap();
    let named = log.channels.iter().filter_map(|c| c.canonical.map(|name| (name, c)));
    let n = log.channels.first().unwrap().values.len();
    let time = (0..n).map(|i| i as f64 / season.scenario.rate).collect();
    let mut frame = LogFrame { time, ..LogFrame::default() };
    for (name, c) in named.filter(|(name, _)| !without.contains(name)) {
        let unit = unit_of(c.unit, c.dimension).unwrap();
        frame.set(name, c.dimension, c.values.iter().map(|v| unit.to_si(*v)).collect());
    }
    frame
}

/// A pipeline as text, since its parts are written that way.
struct Chain<'a> {
    car: Car,
    resistance: &'a str,
    without: &'a [&'a str],
}

impl Chain<'_> {
    fn new(car: &CarModel) -> Self {
        Self { car: crate::config::from_text(&car.yaml()), resistance: "from: wheel_torque", without: &[] }
    }

    fn run(&self, season: &Season, index: usize) -> LogFrame {
        let plan = &season.logs[index];
        let fuel = season.sessions[plan.session].outings[plan.outings[0]].fuel;
        let humidity = season.sessions[plan.session].weather.humidity;
        let row = format!(
            "log: a\nevent: e\nsession: s\nconfiguration: c\nfuel: {fuel} kg\nhumidity: {humidity}\naltitude: 0 m\n"
        );
        let runs: [RunRow; 1] = [crate::config::from_text(&row)];
        let rate = season.scenario.rate;
        let align: Align = crate::config::from_text(&format!("rate: {rate} Hz\nslope_over: {} s", 2.1 / rate));
        let air: Air = crate::config::from_text("{}");
        let resistance: Resistance = crate::config::from_text(self.resistance);
        let loads: Loads = crate::config::from_text("from: dampers");
        let stages: [&dyn LogStage; 4] = [&align, &air, &resistance, &loads];
        let cx = LogCx {
            path: Path::new("a"),
            log: "a",
            car: &self.car,
            runs: &runs,
            needed: &[],
            quantities: &[],
            road_load: true,
            bytes: None,
        };
        stages.into_iter().fold(loaded(season, index, self.without), |log, stage| stage.run(log, &cx).unwrap())
    }

    /// Slopes of front downforce, rear downforce and resistance over effective v², at the reference speed of
    /// 160 km/h, N, from samples where nothing has changed for a second.
    fn forces(&self, season: &Season, index: usize) -> [f64; 3] {
        let log = self.run(season, index);
        let get = |n: &str| log.get(n).unwrap();
        let (v, ay, brake, clutch) = (get("speed"), get("accel_y"), get("brake_pressure"), get("clutch"));
        let (a, ratio, air) = (get("acceleration"), get("density_ratio"), get("v_air"));
        let (front, rear) = (get("front_downforce"), get("rear_downforce"));
        let (net, mass) = (get("net_drive"), get("effective_mass"));
        let back = season.scenario.rate as usize;
        let calm = |i: usize| {
            v[i] > 20.0
                && (i - back..=i + 2).all(|j| ay[j].abs() < 1e-9 && brake[j] == 0.0 && clutch[j] == clutch[i])
                && (a[i] - a[i - back]).abs() < 0.15
                && (a[i] - a[i - back / 2]).abs() < 0.08
        };
        let samples: Vec<usize> = (back..v.len() - 3).filter(|i| calm(*i)).collect();
        let finite = |i: &usize| net[*i].is_finite() && front[*i].is_finite() && ratio[*i].is_finite();
        let samples: Vec<usize> = samples.into_iter().filter(finite).collect();
        assert!(samples.len() > 300, "{} samples", samples.len());
        let slope = |y: &dyn Fn(usize) -> f64| {
            let n = samples.len() as f64;
            let x = |i: usize| ratio[i] * air[i] * air[i];
            let mx = samples.iter().map(|i| x(*i)).sum::<f64>() / n;
            let sxy: f64 = samples.iter().map(|i| (x(*i) - mx) * y(*i)).sum();
            sxy / samples.iter().map(|i| (x(*i) - mx).powi(2)).sum::<f64>() * (160.0_f64 / 3.6).powi(2)
        };
        [slope(&|i| front[i]), slope(&|i| rear[i]), slope(&|i| net[i] - mass[i] * a[i])]
    }
}

/// Front, rear and resistance at 160 km/h that went in.
fn truth(season: &Season, index: usize) -> [f64; 3] {
    let plan = &season.logs[index];
    let outing = &season.sessions[plan.session].outings[plan.outings[0]];
    let f = season.scenario.configurations[outing.configuration].forces();
    [f.front, f.rear, f.drag + season.scenario.car.rolling * (f.front + f.rear)]
}

fn errors(got: [f64; 3], want: [f64; 3]) -> [f64; 3] {
    [got[0] - want[0], got[1] - want[1], got[2] - want[2]]
}

#[test]
fn what_goes_in_comes_out() {
    let car = CarModel::default();
    let season = quiet(car.clone(), 0.0);
    let chain = Chain::new(&car);
    for index in 0..season.logs.len() {
        let e = errors(chain.forces(&season, index), truth(&season, index));
        assert!(e.iter().all(|e| e.abs() < 2.0), "log {index}: off by {e:?} N");
    }
}

#[test]
fn spring_tables_too() {
    let car = CarModel::default().with_bump_stop();
    let season = quiet(car.clone(), 0.0);
    let e = errors(Chain::new(&car).forces(&season, 0), truth(&season, 0));
    assert!(e[0].abs() < 2.0 && e[1].abs() < 2.0, "off by {e:?} N");
}

#[test]
fn the_gradient_every_way() {
    let car = CarModel::default();
    let season = quiet(car.clone(), 1.0);
    let worst = |gradient: &str, without: &[&str]| {
        let text = format!("from: wheel_torque\ngradient: {gradient}");
        let chain = Chain { resistance: &text, without, ..Chain::new(&car) };
        let error = |index| errors(chain.forces(&season, index), truth(&season, index)).map(f64::abs);
        (0..season.logs.len()).map(error).fold([0.0_f64; 3], |w, e| [w[0].max(e[0]), w[1].max(e[1]), w[2].max(e[2])])
    };
    for worst in [worst("channel", &[]), worst("accelerometer", &[]), worst("channel", &["accel_x"])] {
        assert!(worst.iter().all(|e| *e < 2.5), "off by up to {worst:?} N");
    }
    // A road taken for level that is not is another answer.
    assert!(worst("level", &[])[2] > 5.0);
}

#[test]
fn each_correction_is_needed() {
    let car = CarModel::default();
    let season = quiet(car.clone(), 0.0);
    let right = Chain::new(&car).forces(&season, 0);
    let rear_without = |text: (&str, &str)| {
        let yaml = car.yaml();
        assert!(yaml.contains(text.0), "{yaml}");
        let chain = Chain { car: crate::config::from_text(&yaml.replace(text.0, text.1)), ..Chain::new(&car) };
        chain.forces(&season, 0)[1] - right[1]
    };
    // A quarter of h/L times the drive force, which changes with speed, hangs on the links.
    let squat = rear_without(("anti_squat: 25 %", "anti_squat: 0 %"));
    assert!(squat.abs() > 10.0, "{squat} N");
    // 2 cm of height move 4 % of the transfer.
    let height = rear_without(("cg_height: 0.4", "cg_height: 0.9"));
    assert!(height.abs() > 10.0, "{height} N");
    // Without an accelerometer, and without a grade, the log says what it does not see.
    let chain = Chain { without: &["accel_x"], ..Chain::new(&car) };
    assert!(chain.run(&season, 0).flags.contains(&"gradient_unseen".to_owned()));
}
