//! The run sheet: which log or time range ran which configuration, with what fuel and weather.
//! A CSV file or YAML list; both give these rows.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::{Located, Spot};
use crate::units::{Angle, Length, Mass, Pressure, Ratio, Speed, Temperature, Time};

/// One row, as written in YAML, or under the same column names in CSV.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunRow {
    /// File name of the log; `*` and `?` match as in a shell.
    pub log: Located<String>,
    /// Start of the time range, from the log's first sample; the whole log where neither end is given.
    #[serde(default)]
    pub from: Option<Located<Time>>,
    /// End of the time range, from the log's first sample.
    #[serde(default)]
    pub to: Option<Located<Time>>,
    /// Only this outing of the log, from 1.
    #[serde(default)]
    pub outing: Option<u32>,
    /// Event.
    pub event: String,
    /// Session within the event.
    pub session: String,
    /// Day, ISO 8601 (`2031-05-17`).
    #[serde(default)]
    pub date: Option<Located<String>>,
    /// Configuration that ran.
    pub configuration: Located<String>,
    /// Parts fitted; in CSV separated by `+`.
    #[serde(default)]
    pub parts: Vec<String>,
    /// Wing position, in steps or degrees as the team counts them.
    #[serde(default)]
    pub wing_position: Option<f64>,
    /// Fuel aboard at the start.
    #[serde(default)]
    pub fuel: Option<Located<Mass>>,
    /// Fuel burnt per hour of running, where no channel logs it, as a mass.
    #[serde(default)]
    pub fuel_per_hour: Option<Located<Mass>>,
    /// Air temperature.
    #[serde(default)]
    pub temperature: Option<Located<Temperature>>,
    /// Air pressure at the circuit (not reduced to sea level).
    #[serde(default)]
    pub pressure: Option<Located<Pressure>>,
    /// Relative humidity.
    #[serde(default)]
    pub humidity: Option<Located<Ratio>>,
    /// Height of the circuit above sea level.
    #[serde(default)]
    pub altitude: Option<Located<Length>>,
    /// Wind speed.
    #[serde(default)]
    pub wind_speed: Option<Located<Speed>>,
    /// Direction the wind comes from, clockwise from north.
    #[serde(default)]
    pub wind_from: Option<Located<Angle>>,
    /// Where the row stands in its file.
    #[serde(skip)]
    pub spot: Spot,
}

impl RunRow {
    /// Takes blanks off the ends of names: nobody sees them, and `base` with one would be another car.
    pub fn trim(&mut self) {
        let cut = |text: &mut String| *text = text.trim().to_owned();
        [&mut self.log.value, &mut self.configuration.value, &mut self.event, &mut self.session]
            .into_iter()
            .for_each(cut);
        self.parts.iter_mut().for_each(cut);
    }
}

/// The run sheet of a season.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RunSheet {
    /// Rows in file order.
    pub rows: Vec<RunRow>,
}
