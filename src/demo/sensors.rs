//! From true states to logged channels: what each sensor reads, with its noise, zero, drift, gain error,
//! resolution, unit and rate.

use super::driver::Command;
use super::noise::{Noise, Wander};
use super::padding;
use super::scenario::Scenario;
use super::vehicle::{Ambient, Vehicle};
use super::weather::Weather;
use crate::channels;
use crate::units::{Dimension, G, Unit, unit_of};

/// The true state at one sample, SI.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct State {
    speed: f64,
    air_speed: f64,
    dynamic_pressure: f64,
    specific: f64,
    lateral: f64,
    steering: f64,
    course: f64,
    grade: f64,
    throttle: f64,
    brake_pressure: f64,
    clutch: f64,
    gear: f64,
    engine_speed: f64,
    dampers: [f64; 4],
    wheel_torque: f64,
    fuel_used: f64,
    ride_heights: [f64; 2],
    temperature: f64,
    pressure: f64,
}

impl State {
    /// The state of a car in its surroundings; `course` in rad, `temperature` in K.
    pub fn of(
        vehicle: &Vehicle,
        ambient: &Ambient,
        command: &Command,
        course: f64,
        temperature: f64,
        weather: &Weather,
    ) -> Self {
        let acting = &vehicle.acting;
        let (gear, engine_speed) = vehicle.gear(command.clutch_open);
        Self {
            speed: vehicle.speed,
            air_speed: acting.air_speed,
            dynamic_pressure: 0.5 * ambient.density * acting.air_speed * acting.air_speed.abs() * ambient.clean_air,
            specific: acting.specific + G * vehicle.pitch(),
            lateral: vehicle.speed * vehicle.speed * ambient.curvature,
            steering: vehicle.steering(ambient.curvature),
            course,
            grade: ambient.grade,
            throttle: if command.clutch_open { 0.0 } else { (acting.drive / vehicle.limit()).clamp(0.0, 1.0) },
            brake_pressure: command.brake * 60e5 / 9000.0,
            clutch: if command.clutch_open { 1.0 } else { 0.0 },
            gear,
            engine_speed,
            dampers: vehicle.dampers,
            wheel_torque: vehicle.wheel_torque(),
            fuel_used: vehicle.burnt,
            ride_heights: vehicle.ride_heights(),
            temperature,
            pressure: weather.pressure,
        }
    }
}

/// Sensor errors that last a session.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Errors {
    /// Relative gain error of the damper sensors, front and rear axle.
    pub dampers: [f64; 2],
    /// Relative gain error of the torque sensors.
    pub torque: f64,
    /// The front left damper freezes in the first outing.
    pub frozen: bool,
    /// The speed of the first log is labelled `m/s`, though it is in km/h.
    pub mislabelled: bool,
}

impl Errors {
    /// Draws the errors of a session.
    pub fn draw(scenario: &Scenario, session: usize, noise: &mut Noise) -> Self {
        let faults = &scenario.faults;
        let every = faults.miscalibrated_every;
        let off = if every > 0 && session % every == every - 1 { faults.miscalibration } else { 0.0 };
        let mut draw = || scenario.session_gain_sd * noise.normal();
        Self {
            dampers: [draw() + off, draw() + off],
            torque: draw(),
            frozen: faults.frozen_damper == Some(session),
            mislabelled: faults.mislabelled_speed == Some(session),
        }
    }
}

/// A logged channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Column name in the export.
    pub name: String,
    /// The canonical channel, or the name that the layout gives a channel of its own; `None` where the
    /// layout leaves it out.
    pub canonical: Option<&'static str>,
    /// What it measures.
    pub dimension: Dimension,
    /// Unit of the values, as the export says it.
    pub unit: &'static str,
    /// Decimals in text exports.
    pub decimals: usize,
    /// One value per sample; `NaN` where the channel has none.
    pub values: Vec<f64>,
}

/// The channel of the layout's own that holds the radiator's pressure drop.
pub const RADIATOR: &str = "radiator_pressure_drop";

/// Which channels are logged.
#[derive(Clone, Copy, Debug, PartialEq)]
enum When {
    Always,
    /// Not in lean exports.
    Full,
    Grade,
    Pitot,
}

/// One sensor.
#[derive(Clone, Copy)]
struct Probe {
    name: &'static str,
    canonical: &'static str,
    unit: &'static str,
    decimals: usize,
    when: When,
    /// Standard deviation of its white noise, in `unit`.
    sd: f64,
    /// Standard deviation of its zero from outing to outing, in `unit`.
    zero: f64,
    /// Samples per second; 0 for every sample.
    rate: f64,
    read: fn(&State) -> f64,
}

const fn probe(
    name: &'static str,
    canonical: &'static str,
    unit: &'static str,
    decimals: usize,
    when: When,
    errors: (f64, f64),
    read: fn(&State) -> f64,
) -> Probe {
    Probe { name, canonical, unit, decimals, when, sd: errors.0, zero: errors.1, rate: 0.0, read }
}

impl Probe {
    const fn slow(mut self) -> Self {
        self.rate = 1.0;
        self
    }
}

const PROBES: &[Probe] = {
    use When::*;
    &[
        probe("Speed", "speed", "km/h", 2, Always, (0.06, 0.0), |s| s.speed),
        probe("Air Speed", "air_speed", "km/h", 2, Pitot, (0.4, 0.0), |s| s.air_speed),
        probe("Accel Long", "accel_x", "g", 3, Always, (0.012, 0.003), |s| s.specific),
        probe("Accel Lat", "accel_y", "g", 3, Always, (0.012, 0.003), |s| s.lateral),
        probe("Accel Vert", "accel_z", "g", 3, Full, (0.03, 0.003), |_| G),
        probe("Steering Angle", "steering", "deg", 1, Always, (0.15, 0.4), |s| s.steering),
        probe("Course", "course", "deg", 1, Always, (0.3, 0.0), |s| s.course),
        probe("Grade", "grade", "%", 2, Grade, (0.02, 0.0), |s| s.grade),
        probe("Throttle", "throttle", "%", 0, Always, (0.2, 0.0), |s| s.throttle),
        probe("Brake Pressure", "brake_pressure", "bar", 1, Always, (0.05, 0.0), |s| s.brake_pressure),
        probe("Clutch", "clutch", "%", 0, Always, (0.3, 0.0), |s| s.clutch),
        probe("Gear", "gear", "-", 0, Full, (0.0, 0.0), |s| s.gear),
        probe("Engine Speed", "engine_speed", "rpm", 0, Full, (6.0, 0.0), |s| s.engine_speed),
        probe("Damper FL", "damper_fl", "mm", 2, Always, (0.05, 0.25), |s| s.dampers[0]),
        probe("Damper FR", "damper_fr", "mm", 2, Always, (0.05, 0.25), |s| s.dampers[1]),
        probe("Damper RL", "damper_rl", "mm", 2, Always, (0.05, 0.25), |s| s.dampers[2]),
        probe("Damper RR", "damper_rr", "mm", 2, Always, (0.05, 0.25), |s| s.dampers[3]),
        probe("Wheel Torque RL", "wheel_torque_rl", "N.m", 1, Always, (5.0, 2.0), |s| 0.497 * s.wheel_torque),
        probe("Wheel Torque RR", "wheel_torque_rr", "N.m", 1, Always, (5.0, 2.0), |s| 0.503 * s.wheel_torque),
        probe("Fuel Burnt", "fuel_used", "kg", 2, Always, (0.0, 0.0), |s| s.fuel_used),
        probe("Ride Height F", "ride_height_front", "mm", 1, Full, (0.5, 0.3), |s| s.ride_heights[0]),
        probe("Ride Height R", "ride_height_rear", "mm", 1, Full, (0.5, 0.3), |s| s.ride_heights[1]),
        probe("Radiator Drop", RADIATOR, "Pa", 0, Always, (6.0, 3.0), |s| s.dynamic_pressure),
        probe("Air Temperature", "air_temperature", "degC", 1, Always, (0.1, 0.0), |s| s.temperature).slow(),
        probe("Air Pressure", "air_pressure", "hPa", 1, Always, (0.1, 0.0), |s| s.pressure).slow(),
    ]
};

/// Column name and unit of a channel in plain exports.
pub fn label(canonical: &str) -> Option<(&'static str, &'static str)> {
    PROBES.iter().find(|p| p.canonical == canonical).map(|p| (p.name, p.unit))
}

/// Every channel that a sensor makes.
pub fn labels() -> impl Iterator<Item = &'static str> {
    PROBES.iter().map(|p| p.canonical)
}

/// Range of a damper sensor and its steps: 12 bit.
const DAMPER_RANGE: f64 = 80.0; // mm
const DAMPER_STEPS: f64 = 4096.0;

/// A probe at work.
struct Sensor {
    probe: Probe,
    unit: Unit,
    dimension: Dimension,
    gain: f64,
    damper: bool,
    zero: f64,
    /// Change of the zero, per second.
    drift: f64,
    values: Vec<f64>,
}

/// Logs states.
pub struct Recorder {
    scale: f64,
    rate: f64,
    outing_samples: usize,
    first_samples: usize,
    columns: usize,
    seed: u64,
    errors: Errors,
    outings: usize,
    trim: Option<Wander>,
    sensors: Vec<Sensor>,
    count: usize,
}

impl Recorder {
    /// A logger for one log of a session; the faults that strike one log strike the `first`.
    pub fn new(scenario: &Scenario, session: usize, first: bool, errors: &Errors) -> Self {
        let errors = &Errors { frozen: errors.frozen && first, mislabelled: errors.mislabelled && first, ..*errors };
        let logged = |p: &&Probe| match p.when {
            When::Always => true,
            When::Full => !scenario.lean,
            When::Grade => scenario.grade != 0.0,
            When::Pitot => scenario.pitot,
        };
        let sensors = PROBES.iter().filter(logged).filter_map(|p| sensor(*p, errors)).collect();
        Self {
            scale: scenario.noise,
            rate: scenario.rate.max(1.0),
            outing_samples: 0,
            first_samples: (scenario.minutes * 60.0 * scenario.rate) as usize,
            columns: scenario.channels,
            seed: scenario.seed ^ (session as u64) << 20,
            errors: *errors,
            outings: 0,
            trim: None,
            sensors,
            count: 0,
        }
    }

    /// Seconds logged so far.
    pub fn elapsed(&self) -> f64 {
        self.count as f64 / self.rate
    }

    /// The sensors are zeroed, or drifted, before an outing.
    pub fn start_outing(&mut self, noise: &mut Noise) {
        for s in &mut self.sensors {
            s.zero = self.scale * s.probe.zero * noise.normal();
            // a damper's zero creeps by about 0.04 mm in ten minutes as it warms
            s.drift = if s.damper { self.scale * 0.04 / 600.0 * noise.normal() } else { 0.0 };
        }
        self.trim = Some(Wander::new(0.4 * self.scale, 2.0, 1.0 / self.rate, noise));
        self.outings += 1;
        self.outing_samples = 0;
    }

    /// Logs one sample. `radiator` is the radiator's pressure drop over the dynamic pressure.
    pub fn record(&mut self, state: &State, radiator: f64, noise: &mut Noise) {
        let t = self.outing_samples as f64 / self.rate;
        let trim = self.trim.as_mut().map_or(0.0, |w| w.step(noise));
        let frozen = self.errors.frozen && self.outings == 1 && self.outing_samples > self.first_samples / 5;
        let count = self.count;
        for s in &mut self.sensors {
            let every = if s.probe.rate > 0.0 { (self.rate / s.probe.rate).round().max(1.0) as usize } else { 1 };
            if !count.is_multiple_of(every) {
                s.values.push(f64::NAN);
                continue;
            }
            let mut value = s.unit.from_si((s.probe.read)(state));
            if s.probe.canonical == RADIATOR {
                value *= radiator;
            }
            value = value * (1.0 + s.gain) + s.zero + s.drift * t;
            if s.probe.sd > 0.0 && self.scale > 0.0 {
                value += self.scale * s.probe.sd * noise.normal();
            }
            let last = s.values.last().copied();
            value = match s.probe.canonical {
                "steering" => value + trim,
                "course" => value.rem_euclid(360.0),
                "throttle" | "clutch" => value.clamp(0.0, 100.0),
                "speed" => value.max(0.0),
                "damper_fl" if frozen => last.unwrap_or(value),
                _ => value,
            };
            if s.damper && self.scale > 0.0 {
                let step = DAMPER_RANGE / DAMPER_STEPS;
                value = ((value / step).round() * step).clamp(0.0, DAMPER_RANGE);
            }
            s.values.push(value);
        }
        self.count += 1;
        self.outing_samples += 1;
    }

    /// Time and channels.
    pub fn finish(self) -> (Vec<f64>, Vec<Channel>) {
        let time: Vec<f64> = (0..self.count).map(|i| i as f64 / self.rate).collect();
        let mislabelled = self.errors.mislabelled;
        let mut channels: Vec<Channel> = self
            .sensors
            .into_iter()
            .map(|s| Channel {
                name: s.probe.name.to_owned(),
                canonical: Some(s.probe.canonical),
                dimension: s.dimension,
                unit: if mislabelled && s.probe.canonical == "speed" { "m/s" } else { s.probe.unit },
                decimals: s.probe.decimals,
                values: s.values,
            })
            .collect();
        padding::fill(&mut channels, self.columns.saturating_sub(1), &time, self.seed);
        (time, channels)
    }
}

fn sensor(probe: Probe, errors: &Errors) -> Option<Sensor> {
    let dimension = match probe.canonical {
        RADIATOR => Dimension::Pressure,
        name => channels::find(name)?.dimension,
    };
    let damper = probe.canonical.starts_with("damper_");
    let gain = match probe.canonical {
        "damper_fl" | "damper_fr" => errors.dampers[0],
        "damper_rl" | "damper_rr" => errors.dampers[1],
        "wheel_torque_rl" | "wheel_torque_rr" => errors.torque,
        _ => 0.0,
    };
    let unit = unit_of(probe.unit, dimension).ok()?;
    Some(Sensor { probe, unit, dimension, gain, damper, zero: 0.0, drift: 0.0, values: Vec::new() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_probe_has_a_unit_of_its_channel() {
        for p in PROBES {
            let s = sensor(*p, &Errors::default());
            assert!(s.is_some(), "{}", p.name);
        }
    }

    #[test]
    fn readings_are_in_their_units() {
        let scenario = Scenario { noise: 0.0, rate: 10.0, ..Scenario::default() };
        let mut recorder = Recorder::new(&scenario, 0, true, &Errors { dampers: [0.1, 0.0], ..Errors::default() });
        let mut noise = Noise::new(1, &[]);
        recorder.start_outing(&mut noise);
        let state = State {
            speed: 40.0,
            dampers: [0.02, 0.02, 0.03, 0.03],
            course: -0.5 * std::f64::consts::PI,
            temperature: 300.15,
            dynamic_pressure: 1000.0,
            ..State::default()
        };
        recorder.record(&state, 0.3, &mut noise);
        recorder.record(&state, 0.3, &mut noise);
        let (time, channels) = recorder.finish();
        assert_eq!(time, [0.0, 0.1]);
        let get = |n: &str| channels.iter().find(|c| c.canonical == Some(n)).unwrap().values.clone();
        assert!((get("speed")[0] - 144.0).abs() < 1e-9);
        assert!((get("damper_fl")[0] - 22.0).abs() < 1e-9, "gain error of 10 %");
        assert!((get("damper_rl")[0] - 30.0).abs() < 1e-9);
        assert!((get("course")[0] - 270.0).abs() < 1e-9);
        assert!((get(RADIATOR)[0] - 300.0).abs() < 1e-9);
        assert!((get("air_temperature")[0] - 27.0).abs() < 1e-9 && get("air_temperature")[1].is_nan());
    }

    #[test]
    fn dampers_are_logged_in_steps() {
        let scenario = Scenario { rate: 10.0, ..Scenario::default() };
        let mut recorder = Recorder::new(&scenario, 0, true, &Errors::default());
        let mut noise = Noise::new(1, &[]);
        recorder.start_outing(&mut noise);
        for i in 0..50 {
            let state = State { dampers: [0.02 + 1e-5 * f64::from(i); 4], ..State::default() };
            recorder.record(&state, 0.3, &mut noise);
        }
        let (_, channels) = recorder.finish();
        let c = channels.iter().find(|c| c.canonical == Some("damper_rr")).unwrap();
        let steps = |v: f64| v / (80.0 / 4096.0);
        assert!(c.values.iter().all(|v| (steps(*v) - steps(*v).round()).abs() < 1e-9));
    }
}
