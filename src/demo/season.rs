//! Plans a season and simulates it, one log at a time, so that memory does not grow with the season.

use super::aero::Configuration;
use super::circuit::Circuit;
use super::driver::{Driver, View};
use super::noise::Noise;
use super::scenario::Scenario;
use super::sensors::{Channel, Errors, Recorder, State};
use super::truth::Truth;
use super::vehicle::{Ambient, Vehicle};
use super::weather::{Gusts, Weather};
use crate::table::frame::{Column, LogFrame};
use crate::units::unit_of;

/// A session: one stretch of a day at one circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct SimSession {
    /// Event it belongs to.
    pub event: String,
    /// Name within the event.
    pub session: String,
    /// Circuit.
    pub circuit: Circuit,
    /// Weather.
    pub weather: Weather,
    /// Sensor errors that last the session.
    pub errors: Errors,
    /// Outings in order.
    pub outings: Vec<SimOuting>,
}

/// An outing.
#[derive(Clone, Debug, PartialEq)]
pub struct SimOuting {
    /// Index of the configuration in the scenario.
    pub configuration: usize,
    /// Fuel aboard at the start, kg.
    pub fuel: f64,
    /// File name of its log, without ending.
    pub log: String,
    /// Number within the log, from 1.
    pub number: usize,
}

/// A log: which outings it holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogPlan {
    /// File name without ending.
    pub name: String,
    /// Index of the session.
    pub session: usize,
    /// Indices of the outings within the session.
    pub outings: Vec<usize>,
}

/// A simulated log, as the logger would hold it.
#[derive(Clone, Debug, PartialEq)]
pub struct SimLog {
    /// File name without ending.
    pub name: String,
    /// Event.
    pub event: String,
    /// Session within the event.
    pub session: String,
    /// Names of the configurations of its outings.
    pub outings: Vec<String>,
    /// Seconds from the start.
    pub time: Vec<f64>,
    /// Channels in the order of the export.
    pub channels: Vec<Channel>,
}

impl SimLog {
    /// The log as `load` would hand it on: the channels that a layout names, in SI.
    pub fn frame(&self) -> LogFrame {
        let columns = self.channels.iter().filter_map(|c| {
            let (name, unit) = (c.canonical?, unit_of(c.unit, c.dimension).ok()?);
            let values = c.values.iter().map(|v| unit.to_si(*v)).collect();
            Some(Column { name: name.to_owned(), dimension: c.dimension, values })
        });
        LogFrame { time: self.time.clone(), columns: columns.collect(), ..LogFrame::default() }
    }
}

/// A planned season; its logs are simulated when they are asked for.
#[derive(Clone, Debug)]
pub struct Season {
    /// What it was made from.
    pub scenario: Scenario,
    /// Sessions in order.
    pub sessions: Vec<SimSession>,
    /// Logs in order.
    pub logs: Vec<LogPlan>,
}

/// Plans the season of a scenario.
pub fn simulate(scenario: &Scenario) -> Season {
    let mut season = Season { scenario: scenario.clone(), sessions: Vec::new(), logs: Vec::new() };
    for index in 0..scenario.sessions {
        let session = plan_session(scenario, index);
        for (i, outing) in session.outings.iter().enumerate() {
            match season.logs.last_mut() {
                Some(log) if log.name == outing.log => log.outings.push(i),
                _ => season.logs.push(LogPlan { name: outing.log.clone(), session: index, outings: vec![i] }),
            }
        }
        season.sessions.push(session);
    }
    season
}

fn plan_session(scenario: &Scenario, index: usize) -> SimSession {
    let mut noise = Noise::new(scenario.seed, &[1, index as u64]);
    let (event, half) = (index / 2, index % 2);
    let circuits = &scenario.circuits;
    let circuit = circuits.get(event % circuits.len().max(1)).cloned().unwrap_or(Circuit {
        name: "nowhere",
        altitude: 0.0,
        legs: Vec::new(),
    });
    let weather = Weather::draw(&mut noise, circuit.altitude, scenario.wind_sd);
    let errors = Errors::draw(scenario, index, &mut noise);
    let joined = scenario.joined_every > 0 && index % scenario.joined_every == scenario.joined_every - 1;
    let outings = scenario
        .runs_of(index)
        .into_iter()
        .enumerate()
        .map(|(i, configuration)| SimOuting {
            configuration,
            fuel: (28.0 + noise.uniform(-6.0, 10.0)).round(),
            log: match joined {
                true => format!("e{:02}-s{}", event + 1, half + 1),
                false => format!("e{:02}-s{}-o{}", event + 1, half + 1, i + 1),
            },
            number: if joined { i + 1 } else { 1 },
        })
        .collect();
    SimSession {
        event: format!("{} {}", event + 1, circuit.name),
        session: if half == 0 { "morning" } else { "afternoon" }.to_owned(),
        circuit,
        weather,
        errors,
        outings,
    }
}

impl Season {
    /// The truth that estimates are held against.
    pub fn truth(&self) -> Truth {
        Truth::of(self)
    }

    /// Simulates a log. `None` past the last.
    pub fn log(&self, index: usize) -> Option<SimLog> {
        let plan = self.logs.get(index)?;
        let session = self.sessions.get(plan.session)?;
        let mut recorder =
            Recorder::new(&self.scenario, plan.session, plan.outings.first() == Some(&0), &session.errors);
        let mut names = Vec::new();
        for &o in &plan.outings {
            let outing = session.outings.get(o)?;
            let configuration = self.scenario.configurations.get(outing.configuration)?;
            names.push(configuration.name.clone());
            let last = plan.outings.last() == Some(&o);
            let place = [2, plan.session as u64, o as u64];
            self.outing(session, outing, configuration, &place, !last, &mut recorder);
        }
        let (time, channels) = recorder.finish();
        Some(SimLog {
            name: plan.name.clone(),
            event: session.event.clone(),
            session: session.session.clone(),
            outings: names,
            time,
            channels,
        })
    }

    /// Every log, one at a time.
    pub fn iter(&self) -> impl Iterator<Item = SimLog> + '_ {
        (0..self.logs.len()).filter_map(|i| self.log(i))
    }

    /// Drives one outing into the recorder; `stay`: stands for half a minute at its end.
    fn outing(
        &self,
        session: &SimSession,
        outing: &SimOuting,
        configuration: &Configuration,
        place: &[u64],
        stay: bool,
        recorder: &mut Recorder,
    ) {
        let scenario = &self.scenario;
        let mut noise = Noise::new(scenario.seed, place);
        let rate = scenario.rate.max(1.0);
        let steps = (100.0 / rate).ceil().max(1.0) as usize;
        let dt = 1.0 / (rate * steps as f64);
        let vehicle = Vehicle::new(
            &scenario.car,
            configuration.forces(),
            outing.fuel,
            scenario.ride_height_effect,
            scenario.noise,
        );
        let driver = Driver::new(scenario.noise, dt, &mut noise);
        let gusts = Gusts::new(&session.weather, scenario.gusts, dt, &mut noise);
        recorder.start_outing(&mut noise);
        let start = recorder.elapsed();
        let mut drive = Drive { session, scenario, vehicle, driver, gusts, leg: 0, along: 0.0, draft: 1.0, dt, start };
        drive.choose_draft(&mut noise);
        let seconds = scenario.minutes * 60.0;
        let end = seconds + if stay { 30.0 } else { 0.0 };
        let samples = (end * rate).round() as usize;
        for sample in 0..samples {
            let t = sample as f64 / rate;
            let phase = match t {
                t if t < scenario.standing => Phase::Standing,
                t if t > seconds - 8.0 => Phase::Stopping,
                _ => Phase::Running,
            };
            let mut state = None;
            for _ in 0..steps {
                state = Some(drive.step(phase, t, &mut noise));
            }
            if let Some(state) = state {
                recorder.record(&state, configuration.radiator(), &mut noise);
            }
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Standing,
    Running,
    Stopping,
}

/// A car on its way round a circuit.
struct Drive<'a> {
    session: &'a SimSession,
    scenario: &'a Scenario,
    vehicle: Vehicle<'a>,
    driver: Driver,
    gusts: Gusts,
    leg: usize,
    /// Distance along straight and corner, m.
    along: f64,
    /// Share of the air's forces that is left on this straight.
    draft: f64,
    dt: f64,
    start: f64,
}

const GRIP: f64 = 10.5; // m/s² in a corner

impl Drive<'_> {
    fn choose_draft(&mut self, noise: &mut Noise) {
        let follows = noise.chance(self.scenario.drafting);
        self.draft = if follows { 1.0 - noise.uniform(0.10, 0.35) } else { 1.0 };
    }

    fn step(&mut self, phase: Phase, t: f64, noise: &mut Noise) -> State {
        let circuit = &self.session.circuit;
        let (leg, turn) = (circuit.leg(self.leg), circuit.turn(self.leg));
        let arc = leg.radius * turn.to_radians().abs();
        let into = self.along - leg.length;
        let cornering = into > 0.0;
        // the path tightens and opens over the first and last fifth of the corner
        let shape = (5.0 * (into / arc).clamp(0.0, 1.0)).min(5.0 * (1.0 - (into / arc).clamp(0.0, 1.0))).min(1.0);
        let curvature = if cornering { turn.signum() * shape / (0.8 * leg.radius) } else { 0.0 };
        let turned = if cornering { turn * (into / arc).min(1.0) } else { 0.0 };
        let course = (leg.course - turned).to_radians();
        let weather = &self.session.weather;
        let ambient = Ambient {
            density: weather.density_at(self.start + t),
            headwind: self.gusts.headwind(course, noise),
            clean_air: self.draft,
            grade: if cornering { 0.0 } else { leg.grade * self.scenario.grade },
            curvature,
        };
        let corner = (0.8 * GRIP * leg.radius).sqrt();
        let command = match phase {
            Phase::Running => {
                let view = View {
                    speed: self.vehicle.speed,
                    left: (-into).max(0.0),
                    corner,
                    cornering,
                    inertia: self.vehicle.mass() * self.scenario.car.rotating,
                    resistance: self.vehicle.resistance(ambient.grade),
                    limit: self.vehicle.limit(),
                    power: self.scenario.car.power,
                };
                self.driver.drive(&view, self.dt, noise)
            }
            Phase::Stopping if self.vehicle.speed > 0.0 => {
                super::driver::Command { drive: 0.0, brake: 9000.0, clutch_open: true }
            }
            _ => super::driver::Command { clutch_open: true, ..Default::default() },
        };
        let before = self.vehicle.distance;
        self.vehicle.step(&command, &ambient, self.dt, noise);
        self.along += self.vehicle.distance - before;
        if self.along >= leg.length + arc {
            self.along -= leg.length + arc;
            self.leg += 1;
            self.choose_draft(noise);
        }
        State::of(&self.vehicle, &ambient, &command, course, weather.temperature_at(self.start + t), weather)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn small() -> Scenario {
        Scenario { sessions: 3, minutes: 1.5, rate: 25.0, ..Scenario::default() }
    }

    #[test]
    fn the_same_scenario_gives_the_same_log() {
        let (a, b) = (simulate(&small()), simulate(&small()));
        // the order in which logs are asked for does not matter either
        let late = b.log(4).unwrap();
        let early = b.log(1).unwrap();
        let same = |x: &SimLog, y: &SimLog| {
            let bits =
                |l: &SimLog| l.channels.iter().flat_map(|c| c.values.iter().map(|v| v.to_bits())).collect::<Vec<_>>();
            x.name == y.name && x.time == y.time && bits(x) == bits(y)
        };
        assert!(same(&a.log(1).unwrap(), &early) && same(&a.log(4).unwrap(), &late));
        let other = simulate(&Scenario { seed: 2, ..small() });
        assert!(!same(&other.log(1).unwrap(), &early));
    }

    #[test]
    fn an_outing_holds_speeds_and_coasts() {
        let season = simulate(&Scenario { minutes: 4.0, ..small() });
        let log = season.log(0).unwrap();
        let get = |n: &str| &log.channels.iter().find(|c| c.canonical == Some(n)).unwrap().values;
        let (speed, clutch, brake) = (get("speed"), get("clutch"), get("brake_pressure"));
        assert!(speed.iter().copied().fold(0.0, f64::max) > 180.0);
        let seconds = |f: &dyn Fn(usize) -> bool| (0..speed.len()).filter(|i| f(*i)).count() as f64 / 25.0;
        let coasting = seconds(&|i| clutch[i] > 90.0 && speed[i] > 60.0 && brake[i] < 1.0);
        let steady =
            seconds(&|i| i >= 25 && speed[i] > 80.0 && (speed[i] - speed[i - 25]).abs() < 1.0 && clutch[i] < 10.0);
        assert!(coasting > 20.0 && steady > 50.0, "coasting {coasting} s, steady {steady} s");
        assert_eq!(*speed.last().unwrap(), speed.last().unwrap().clamp(0.0, 2.0), "it stands at the end");
    }

    #[test]
    fn a_frame_is_in_si() {
        let log = simulate(&small()).log(0).unwrap();
        let frame = log.frame();
        assert_eq!(frame.len(), log.time.len());
        let top = |v: &[f64]| v.iter().copied().fold(0.0, f64::max);
        let logged = log.channels.iter().find(|c| c.canonical == Some("speed")).unwrap();
        assert!((top(frame.get("speed").unwrap()) - top(&logged.values) / 3.6).abs() < 1e-9);
    }

    #[test]
    fn joined_outings_share_a_log() {
        let season = simulate(&Scenario { joined_every: 3, ..small() });
        assert_eq!(season.logs.len(), 3 + 3 + 1);
        let log = season.log(6).unwrap();
        assert_eq!(log.outings.len(), 3);
        assert!(log.time.windows(2).all(|t| t[1] > t[0]));
        let seconds = *log.time.last().unwrap();
        assert!((seconds - (3.0 * 90.0 + 2.0 * 30.0)).abs() < 1.0, "{seconds}");
    }
}
