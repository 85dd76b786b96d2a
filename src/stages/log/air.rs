//! `air`: density of the air, and the speed of the car through it.
//!
//! Columns made: `air_density` (kg/m³), `density_ratio` (density over the reference density) and `v_air`
//! (m/s, before any wind correction).

pub mod pressure;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::state::{column, held, part, range};
use crate::config::run_sheet::RunRow;
use crate::error::LogFault;
use crate::located::Located;
use crate::physics::air::{density_cipm2007, standard_atmosphere};
use crate::stages::{CheckCx, LogCx, LogStage, Schema};
use crate::table::frame::{LogFrame, Segment};
use crate::units::{Density, Dimension};

/// Relative humidity where none is known: from 0 to 1 it changes the density by about 1 % at 25 °C, so
/// the middle is at most about 0.5 % off.
const HUMIDITY_ASSUMED: f64 = 0.5;
/// Log and run sheet that differ by more, in absolute temperature or pressure, can't both be right: so far off would
/// all forces be by the wrong one.
const WEATHER_DIFFERENCE: f64 = 0.02;
/// Weather moves pressure by a few per cent around the standard of the height (common practice, no
/// source); a larger difference is rather a pressure reduced to sea level, or a wrong height.
const PRESSURE_DIFFERENCE: f64 = 0.045;

/// Air density and air speed.
///
/// Temperature, pressure and humidity each come from their channel, else from the run sheet, else from the ISO 2533
/// standard atmosphere at the height of the circuit, and the log is flagged for what was assumed.
///
/// Makes `air_density`, `density_ratio` and `v_air`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Air {
    /// Density that forces are reported at.
    #[serde(default = "sea_level")]
    pub reference_density: Located<Density>,
    /// A pressure channel that is calibrated against two directions and then tells the air speed, where no
    /// pitot tube is logged.
    #[serde(default)]
    pub air_speed_from: Option<pressure::AirSpeedFrom>,
}

fn sea_level() -> Located<Density> {
    Located::nowhere(Density::si(1.225))
}

/// Whether the air speed was measured at all these samples, by a pitot tube or a calibrated pressure: then `v_air`
/// there is air speed and no wind correction applies. Where it is false for every sample, `v_air` is ground speed.
pub fn air_speed_measured(log: &LogFrame, samples: std::ops::Range<usize>) -> bool {
    let part = log.get("air_speed").and_then(|v| v.get(samples));
    part.is_some_and(|v| v.iter().all(|v| v.is_finite()))
}

impl LogStage for Air {
    fn check(&self, mut input: Schema, cx: &mut CheckCx) -> Schema {
        let density = self.reference_density.get();
        if !(0.5..=2.0).contains(&density) {
            let message = format!("a reference density of {density} kg/m3 is not that of air");
            cx.fault(self.reference_density.spot, message, "0.5 to 2 kg/m3; sea level is 1.225 kg/m3");
        }
        if !input.has("air_speed") {
            cx.need(&input, "speed");
        }
        if let Some(from) = &self.air_speed_from {
            cx.need(&input, "course");
            if cx.need_at(&input, &from.channel.value, from.channel.spot)
                && input.find(&from.channel.value).is_some_and(|k| k.dimension != Dimension::Pressure)
            {
                let message = format!("channel `{}` is no pressure", from.channel.value);
                cx.fault(from.channel.spot, message, "a channel that follows the dynamic pressure");
            }
        }
        if self.air_speed_from.is_some() && !input.has("air_speed") {
            cx.makes(&mut input, "air_speed", Dimension::Speed);
        }
        cx.makes(&mut input, "air_density", Dimension::Density);
        cx.makes(&mut input, "density_ratio", Dimension::Ratio);
        cx.makes(&mut input, "v_air", Dimension::Speed);
        input
    }

    fn reads(&self) -> Vec<&str> {
        let mut names = vec!["speed", "air_speed", "air_temperature", "air_pressure", "humidity", "altitude"];
        if let Some(from) = &self.air_speed_from {
            names.extend(["course", from.channel.value.as_str()]);
        }
        names
    }

    fn run(&self, mut log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault> {
        let mut density = vec![f64::NAN; log.len()];
        let mut flags = Vec::new();
        for segment in &log.segments {
            let weather = Weather::of(&log, segment, cx.runs.get(segment.run), &mut flags);
            if let Some(target) = density.get_mut(range(segment)) {
                target.iter_mut().enumerate().for_each(|(i, d)| *d = weather.density(i));
            }
        }
        flags.into_iter().for_each(|f| log.flag(f));
        let speed = match &self.air_speed_from {
            Some(from) if log.get("air_speed").is_none() => by_pressure(&mut log, &from.channel.value, &density)?,
            _ if log.get("air_speed").is_some() => column(&log, "air_speed")?.to_vec(),
            _ => column(&log, "speed")?.to_vec(),
        };
        let ratio = density.iter().map(|d| d / self.reference_density.get()).collect();
        log.set("air_density", Dimension::Density, density);
        log.set("density_ratio", Dimension::Ratio, ratio);
        log.set("v_air", Dimension::Speed, speed);
        Ok(log)
    }
}

/// Air speed by a pressure channel, m/s. Runs that could not be calibrated have ground speed, and the fit adds the
/// wind; in the others a missing sample stays missing, so that no window mixes the two. Sets `air_speed`, NaN where
/// it is not measured, and flags each run.
fn by_pressure(log: &mut LogFrame, channel: &str, density: &[f64]) -> Result<Vec<f64>, LogFault> {
    let ground = column(log, "speed")?.to_vec();
    let sensed = pressure::air_speed(log, channel, density);
    let mut speed = ground;
    for (segment, calibrated) in log.segments.iter_mut().zip(&sensed.calibrated) {
        let samples = range(segment);
        if !calibrated {
            segment.flag("pressure_not_calibrated");
            continue;
        }
        segment.flag("air_speed_from_pressure");
        if let (Some(to), Some(from)) = (speed.get_mut(samples.clone()), sensed.speed.get(samples)) {
            to.copy_from_slice(from);
        }
    }
    log.set("air_speed", Dimension::Speed, sensed.speed);
    Ok(speed)
}

/// Where one quantity of the weather comes from.
enum Source {
    Logged(Vec<f64>),
    Fixed(f64),
}

impl Source {
    /// Channel, else run sheet.
    fn of(log: &LogFrame, segment: &Segment, channel: &str, sheet: Option<f64>) -> Option<Self> {
        let logged = log.get(channel).and_then(|c| held(part(c, segment)));
        logged.map(Self::Logged).or(sheet.map(Self::Fixed))
    }
    fn at(&self, i: usize) -> f64 {
        match self {
            Self::Logged(values) => values.get(i).copied().unwrap_or(f64::NAN),
            Self::Fixed(value) => *value,
        }
    }
    fn mean(&self) -> f64 {
        match self {
            Self::Logged(values) => values.iter().sum::<f64>() / values.len() as f64,
            Self::Fixed(value) => *value,
        }
    }
}

/// The weather of one segment.
enum Weather {
    /// Nothing is known but the height: density of the standard atmosphere, kg/m³.
    Standard(f64),
    /// At least one of temperature, pressure and humidity is known.
    Moist { temperature: Source, pressure: Source, humidity: Source },
}

impl Weather {
    fn of(log: &LogFrame, segment: &Segment, run: Option<&RunRow>, flags: &mut Vec<&'static str>) -> Self {
        let told_temperature = run.and_then(|r| r.temperature.as_ref()).map(|q| q.get());
        let told_pressure = run.and_then(|r| r.pressure.as_ref()).map(|q| q.get());
        let temperature = Source::of(log, segment, "air_temperature", told_temperature);
        let pressure = Source::of(log, segment, "air_pressure", told_pressure);
        for (source, told, flag) in [
            (&temperature, told_temperature, "temperature_unlike_run_sheet"),
            (&pressure, told_pressure, "pressure_unlike_run_sheet"),
        ] {
            let logged = source.as_ref().map(Source::mean);
            if logged.zip(told).is_some_and(|(logged, told)| (logged / told - 1.0).abs() > WEATHER_DIFFERENCE) {
                flags.push(flag);
            }
        }
        let humidity = Source::of(log, segment, "humidity", run.and_then(|r| r.humidity.as_ref()).map(|q| q.get()));
        let altitude = altitude(log, segment, run);
        let standard = standard_atmosphere(altitude.unwrap_or(0.0));
        if (temperature.is_none() || pressure.is_none()) && altitude.is_none() {
            flags.push("altitude_unknown");
        }
        if temperature.is_none() && pressure.is_none() {
            // Humidity alone says nothing without a temperature.
            flags.push("standard_atmosphere");
            return Self::Standard(standard.density);
        }
        if let (Some(p), Some(_)) = (&pressure, altitude)
            && (p.mean() / standard.pressure - 1.0).abs() > PRESSURE_DIFFERENCE
        {
            flags.push("pressure_unlike_altitude");
        }
        let mut or = |source: Option<Source>, value: f64, flag: &'static str| {
            source.unwrap_or_else(|| {
                flags.push(flag);
                Source::Fixed(value)
            })
        };
        Self::Moist {
            temperature: or(temperature, standard.temperature, "standard_temperature"),
            pressure: or(pressure, standard.pressure, "standard_pressure"),
            humidity: or(humidity, HUMIDITY_ASSUMED, "humidity_assumed"),
        }
    }

    fn density(&self, i: usize) -> f64 {
        match self {
            Self::Standard(density) => *density,
            Self::Moist { temperature, pressure, humidity } => {
                // Sensors read a little beyond dry and saturated.
                density_cipm2007(temperature.at(i), pressure.at(i), humidity.at(i).clamp(0.0, 1.0))
            }
        }
    }
}

/// Height of the circuit, m: run sheet, else the mean of the channel.
fn altitude(log: &LogFrame, segment: &Segment, run: Option<&RunRow>) -> Option<f64> {
    run.and_then(|r| r.altitude.as_ref()).map(|q| q.get()).or_else(|| {
        let held = held(part(log.get("altitude")?, segment))?;
        Some(held.iter().sum::<f64>() / held.len() as f64)
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Bench};
    use super::*;

    fn air() -> Air {
        Air { reference_density: sea_level(), air_speed_from: None }
    }
    const V: (&str, &[f64]) = ("speed", &[30.0, 40.0]);

    #[test]
    fn run_sheet_weather() {
        // 20 °C, 1013.25 hPa, 50 %: 1.19936 kg/m³ by CoolProp 8.0.0.
        let bench = Bench::new("", &["temperature: 20 degC\npressure: 1013.25 hPa\nhumidity: 50 %"]);
        let out = bench.run(&air(), testing::log(2, &[V]));
        let d = out.get("air_density").unwrap();
        assert!((d[0] / 1.199_359_277 - 1.0).abs() < 1e-4 && d[0] == d[1]);
        assert!((out.get("density_ratio").unwrap()[0] - d[0] / 1.225).abs() < 1e-12);
        assert_eq!(out.get("v_air"), Some(&[30.0, 40.0][..]));
        assert!(out.flags.is_empty() && !air_speed_measured(&out, 0..2));
    }

    #[test]
    fn channels_go_before_the_run_sheet() {
        let bench = Bench::new("", &["temperature: 5 degC\npressure: 900 hPa\nhumidity: 50 %"]);
        let nan = f64::NAN;
        let log = testing::log(
            2,
            &[
                V,
                ("air_temperature", &[293.15, nan]),
                ("air_pressure", &[101_325.0, 100_000.0]),
                ("air_speed", &[31.0, 42.0]),
            ],
        );
        let out = bench.run(&air(), log);
        let d = out.get("air_density").unwrap();
        assert!((d[0] / 1.199_359_277 - 1.0).abs() < 1e-4);
        assert_eq!(d[1], density_cipm2007(293.15, 100_000.0, 0.5));
        assert_eq!(out.get("v_air"), Some(&[31.0, 42.0][..]));
        assert!(air_speed_measured(&out, 0..2));
        // And the run sheet says something else: 20 and 5 °C, 1006 and 900 hPa.
        assert_eq!(out.flags, ["pressure_unlike_run_sheet", "temperature_unlike_run_sheet"]);
        let near = Bench::new("", &["temperature: 15 degC\npressure: 995 hPa\nhumidity: 50 %"]);
        let channels: &[(&str, &[f64])] =
            &[V, ("air_temperature", &[293.15, 293.15]), ("air_pressure", &[101_325.0, 100_000.0])];
        assert!(near.run(&air(), testing::log(2, channels)).flags.is_empty());
    }

    #[test]
    fn what_is_assumed_is_flagged() {
        let run = |row: &str| {
            let out = Bench::new("", &[row]).run(&air(), testing::log(2, &[V]));
            (out.get("air_density").unwrap()[0], out.flags)
        };
        // 1000 m: 1.11166 kg/m³ by ambiance 1.3.1.
        let (d, flags) = run("altitude: 1000 m");
        assert!((d / 1.111_659_673_7 - 1.0).abs() < 1e-8);
        assert_eq!(flags, ["standard_atmosphere"]);
        let (d, flags) = run("humidity: 40 %");
        assert!((d - 1.225).abs() < 1e-6);
        assert_eq!(flags, ["altitude_unknown", "standard_atmosphere"]);
        let (d, flags) = run("temperature: 30 degC\naltitude: 1000 m");
        // 898.76 hPa at a geometric height of 1000 m: tables of the US Standard Atmosphere 1976, which is the same
        // up to 32 km (from memory).
        assert!((d / density_cipm2007(303.15, 89_876.0, 0.5) - 1.0).abs() < 1e-5);
        assert_eq!(flags, ["humidity_assumed", "standard_pressure"]);
        assert_eq!(run("pressure: 1000 hPa").1, ["altitude_unknown", "humidity_assumed", "standard_temperature"]);
        // 600 m up, 1015 hPa is what a forecast reduced to sea level says.
        let row = "temperature: 20 degC\nhumidity: 40 %\naltitude: 600 m\npressure: ";
        assert_eq!(run(&format!("{row} 1015 hPa")).1, ["pressure_unlike_altitude"]);
        assert!(run(&format!("{row} 950 hPa")).1.is_empty());
    }

    #[test]
    fn each_run_has_its_own_weather() {
        let row = |t: u32| format!("temperature: {t} degC\npressure: 1000 hPa\nhumidity: 0");
        let bench = Bench::new("", &[&row(20), &row(30)]);
        let mut log = testing::log(5, &[("speed", &[30.0; 5])]);
        let part = |start, end, run| Segment { start, end, outing: 1, run, ..Default::default() };
        log.segments = vec![part(1, 3, 0), part(3, 5, 1)];
        let out = bench.run(&air(), log);
        let d = out.get("air_density").unwrap();
        assert!(d[0].is_nan());
        // 20 °C, 1000 hPa, dry: 1.18885 kg/m³ by CoolProp 8.0.0.
        assert!((d[1] / 1.188_845_053 - 1.0).abs() < 1e-4 && d[1] == d[2] && d[3] < d[2] && d[3] == d[4]);
    }

    #[test]
    fn check_names_what_is_wrong() {
        let bench = Bench::new("", &[]);
        let (_, issues) = bench.check(&air(), &["accel_x"]);
        assert_eq!(issues, ["stage `tested` needs channel `speed`, which no earlier stage makes"]);
        let odd = Air { reference_density: Located::nowhere(Density::si(1225.0)), ..air() };
        assert_eq!(bench.check(&odd, &["speed"]).1, ["a reference density of 1225 kg/m3 is not that of air"]);
        assert!(bench.check(&air(), &["air_speed"]).1.is_empty());
    }
}
