//! The accuracy study: many simulated seasons through the real stages, and what the intervals were worth.
//! Knows the simulator and the estimators, so that neither has to know the other.

mod bound;
pub mod faults;
mod parts;
pub mod season;
pub mod tally;

use std::path::PathBuf;

use rayon::prelude::*;

use crate::demo::Scenario;
use crate::demo::aero::{Configuration, Forces, Part};
use crate::error::Fatal;
use tally::Tally;

fn defect(what: impl std::fmt::Display) -> Fatal {
    Fatal::Internal(format!("accuracy study: {what}"))
}

/// A part of the size that teams argue about, and one worth nothing.
static SMALL: Part = Part { name: "small", effect: Forces { front: 70.0, rear: 0.0, drag: 10.0 }, radiator: 0.0 };
static NOTHING: Part = Part { name: "nothing", effect: Forces { front: 0.0, rear: 0.0, drag: 0.0 }, radiator: 0.0 };
static SPLITTER: Part =
    Part { name: "splitter", effect: Forces { front: 265.0, rear: -60.0, drag: 34.0 }, radiator: 0.0 };

/// One case of the study.
#[derive(Clone, Debug)]
pub struct Case {
    /// What it is called.
    pub name: &'static str,
    /// What is simulated; the seed is set for every season.
    pub scenario: Scenario,
    /// What differs from season to season, by its seed.
    pub vary: fn(&mut Scenario, u64),
    /// Options of `fit`, as JSON.
    pub fit: String,
    /// A pressure channel that tells the air speed.
    pub air_speed_from: Option<&'static str>,
    /// Whether answers are told apart by configuration.
    pub split: bool,
    /// Whether standard errors are held against the Cramér–Rao bound, which takes a twin of the season.
    pub bound: bool,
    /// Whether every configuration is taken out in turn and foretold from the others.
    pub hold_out: bool,
    /// Window stages besides the pipeline's, as JSON.
    pub windows: Vec<String>,
    /// What is simulated otherwise than the case says.
    pub instead: Instead,
    /// Folder where simulated windows are kept for the next study of the fit. They hold for the simulator and the
    /// stages that made them.
    pub kept: Option<PathBuf>,
}

/// Noise, wind and faults that take the place of a case's own.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Instead {
    /// Factor on the noise of all sensors.
    pub noise: Option<f64>,
    /// Standard deviation of the wind from session to session, m/s.
    pub wind: Option<f64>,
    /// Factor on the gusts.
    pub gusts: Option<f64>,
    /// Share of straights that are driven behind another car.
    pub drafting: Option<f64>,
    /// One session in this many has miscalibrated damper sensors.
    pub miscalibrated_every: Option<usize>,
}

impl Instead {
    fn apply(&self, scenario: &mut Scenario) {
        scenario.noise = self.noise.unwrap_or(scenario.noise);
        scenario.wind_sd = self.wind.unwrap_or(scenario.wind_sd);
        scenario.gusts = self.gusts.unwrap_or(scenario.gusts);
        scenario.drafting = self.drafting.unwrap_or(scenario.drafting);
        if let Some(every) = self.miscalibrated_every {
            scenario.faults.miscalibrated_every = every;
            scenario.faults.miscalibration = MISCALIBRATION;
        }
    }

    /// In a few characters, for the name of a file.
    fn mark(&self) -> String {
        let of = |letter: &str, v: Option<f64>| v.map_or(String::new(), |v| format!("-{letter}{v}"));
        let every = of("m", self.miscalibrated_every.map(|n| n as f64));
        let (noise, wind, gusts) = (of("n", self.noise), of("w", self.wind), of("g", self.gusts));
        format!("{noise}{wind}{gusts}{}{every}", of("d", self.drafting))
    }
}

/// How far a miscalibrated session is off.
const MISCALIBRATION: f64 = 0.06;

/// Options of `fit` that every case starts from.
pub const ROBUST: &str =
    r#"{"quantities": ["front_downforce", "rear_downforce", "drag"], "at": "160 km/h", "wind": "estimate"}"#;

/// A base, three single parts, one wing step: what a team compares in a season.
pub fn configurations() -> Vec<Configuration> {
    let one = |name: &str, parts: Vec<&'static Part>, wing: f64| Configuration { name: name.to_owned(), parts, wing };
    vec![
        one("base", vec![], 3.0),
        one("small", vec![&SMALL], 3.0),
        one("nothing", vec![&NOTHING], 3.0),
        one("splitter", vec![&SPLITTER], 3.0),
        one("wing", vec![], 5.0),
    ]
}

/// Parts and wing steps that ran together and apart.
fn together() -> Scenario {
    let one = |name: &str, parts: Vec<&'static Part>, wing: f64| Configuration { name: name.to_owned(), parts, wing };
    let configurations = vec![
        one("base", vec![], 3.0),
        one("splitter", vec![&SPLITTER], 3.0),
        one("small", vec![&SMALL], 3.0),
        one("both", vec![&SPLITTER, &SMALL], 3.0),
        one("wing", vec![], 5.0),
        one("splitter_wing", vec![&SPLITTER], 5.0),
    ];
    Scenario { configurations, minutes: 5.0, ..Default::default() }.with_sessions_per_configuration(8)
}

/// A clean season with `sessions` sessions for every configuration but the base, which runs in all.
pub fn scenario(sessions: usize) -> Scenario {
    Scenario { configurations: configurations(), minutes: 5.0, ..Default::default() }
        .with_sessions_per_configuration(sessions)
}

/// The cases of the full study.
pub fn cases() -> Vec<Case> {
    let case = |name, scenario: Scenario| Case {
        name,
        scenario,
        vary: |_, _| {},
        fit: ROBUST.to_owned(),
        air_speed_from: None,
        split: false,
        bound: false,
        hold_out: false,
        windows: Vec::new(),
        instead: Instead::default(),
        kept: None,
    };
    let eight = || scenario(8);
    let mut miscalibrated = eight();
    miscalibrated.faults.miscalibrated_every = 10;
    miscalibrated.faults.miscalibration = MISCALIBRATION;
    // Three levels of noise by three of wind in turn, traffic and a wrongly calibrated session in all.
    let mut mix = case("the mix", Scenario { drafting: 0.15, ..miscalibrated.clone() });
    mix.vary = |scenario, seed| {
        scenario.noise = [0.5, 1.0, 2.0][(seed % 3) as usize];
        scenario.wind_sd = [1.0, 2.0, 4.0][(seed / 3 % 3) as usize];
    };
    // Every configuration can be foretold from the others.
    let mut together = case("parts together and apart", together());
    together.hold_out = true;
    let mut ordinary = case("drafting, ordinary", Scenario { drafting: 0.15, ..eight() });
    ordinary.fit = ROBUST.replace("\"wind\"", "\"method\": \"ordinary\", \"wind\"");
    let mut by_pressure = case("wakes, air speed by pressure", Scenario { drafting: 0.15, ..eight() });
    by_pressure.air_speed_from = Some("radiator_pressure_drop");
    let mut clean = case("clean", Scenario { session_gain_sd: 0.0, ..eight() });
    clean.bound = true;
    let mut straight = case("all straight running", Scenario { session_gain_sd: 0.0, ..eight() });
    straight.fit = ROBUST.replace(
        "\"wind\"",
        "\"windows\": [\"straight\", \"coastdown\"], \"let_in\": [\"transfer\", \"curvature\"], \"wind\"",
    );
    straight.windows =
        vec![r#"{"straight": {"speed": "80..260 km/h", "lateral": "0.08 g", "steering": "4 deg"}}"#.to_owned()];
    vec![
        mix,
        clean,
        straight,
        case("usual", eight()),
        case("noisy", Scenario { noise: 2.0, ..eight() }),
        together,
        case("windy", Scenario { wind_sd: 4.0, ..eight() }),
        case("drafting", Scenario { drafting: 0.15, ..eight() }),
        ordinary,
        by_pressure,
        case("one session in ten miscalibrated", miscalibrated),
        case("the sample season", crate::demo::sample::sample().0),
        case("three sessions", scenario(3)),
        case("two sessions", scenario(2)),
        // The base in six sessions, all others in two: where a handful of sessions may agree by luck.
        case("six sessions in all", Scenario { sessions: 6, minutes: 4.0, ..Default::default() }),
        case("one session", scenario(1)),
    ]
}

impl Case {
    /// The scenario of the season with this seed.
    fn scenario_of(&self, seed: u64) -> Scenario {
        let mut scenario = Scenario { seed, ..self.scenario.clone() };
        (self.vary)(&mut scenario, seed);
        self.instead.apply(&mut scenario);
        scenario
    }
}

/// Runs `seasons` seasons of a case.
///
/// # Errors
/// When a season can't be simulated or processed: a defect, not a result.
pub fn run(case: &Case, seasons: usize, first_seed: u64) -> Result<Tally, Fatal> {
    let each: Vec<Tally> =
        (0..seasons).into_par_iter().map(|i| season::one(case, first_seed + i as u64)).collect::<Result<_, Fatal>>()?;
    let mut all = Tally::default();
    each.into_iter().for_each(|t| all.add(t));
    Ok(all)
}
