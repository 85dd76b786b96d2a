//! The forms in which the invented loggers export: plain CSV, CSV with decimal comma, Parquet; each with
//! the layout that reads it.

use super::sensors::{Channel, RADIATOR};

/// Form of an export.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// Comma, decimal point, names in line 1, units in line 2.
    #[default]
    Csv,
    /// Semicolon, decimal comma, Latin-1, two lines of preamble, short names, steering positive to the right.
    CommaCsv,
    /// Parquet with one column per channel.
    Parquet,
}

/// Canonical name, unit in the decimal-comma export, short name there, needed in every log.
type Row = (&'static str, &'static str, &'static str, bool);

/// Every channel of the exports, in the order of the layout files.
const ROWS: &[Row] = &[
    ("speed", "km/h", "v", true),
    ("air_speed", "km/h", "v_air", false),
    ("accel_x", "m/s²", "a_long", true),
    ("accel_y", "m/s²", "a_lat", true),
    ("accel_z", "m/s²", "a_vert", false),
    ("steering", "°", "steer", true),
    ("course", "°", "course", true),
    ("grade", "%", "grade", false),
    ("throttle", "%", "throttle", true),
    ("brake_pressure", "bar", "p_brake", true),
    ("clutch", "%", "clutch", true),
    ("gear", "-", "gear", false),
    ("engine_speed", "rpm", "n_engine", false),
    ("damper_fl", "mm", "d_fl", true),
    ("damper_fr", "mm", "d_fr", true),
    ("damper_rl", "mm", "d_rl", true),
    ("damper_rr", "mm", "d_rr", true),
    ("wheel_torque_rl", "N.m", "m_rl", true),
    ("wheel_torque_rr", "N.m", "m_rr", true),
    ("fuel_used", "kg", "fuel", true),
    ("ride_height_front", "mm", "h_f", false),
    ("ride_height_rear", "mm", "h_r", false),
    (RADIATOR, "mbar", "dp_rad", true),
    ("air_temperature", "°C", "t_air", false),
    ("air_pressure", "mbar", "p_air", false),
];

/// How a channel appears in the decimal-comma export.
pub fn short(channel: &Channel) -> (String, &'static str) {
    let row = ROWS.iter().find(|r| Some(r.0) == channel.canonical);
    row.map_or_else(|| (channel.name.clone(), channel.unit), |r| (r.2.to_owned(), r.1))
}

/// Column name and unit in the plain exports.
fn plain(canonical: &str) -> (&'static str, &'static str) {
    super::sensors::label(canonical).unwrap_or(("", ""))
}

impl Form {
    /// Ending of the files.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Csv | Self::CommaCsv => "csv",
            Self::Parquet => "parquet",
        }
    }

    /// File name of the layout.
    pub fn layout_file(self) -> &'static str {
        match self {
            Self::Csv => "plain-csv.layout.yaml",
            Self::CommaCsv => "decimal-comma.layout.yaml",
            Self::Parquet => "plain-parquet.layout.yaml",
        }
    }

    /// The layout that reads this form.
    pub fn layout(self) -> String {
        let mut out = String::from(match self {
            Self::Csv => PLAIN,
            Self::CommaCsv => COMMA,
            Self::Parquet => PARQUET,
        });
        for &(canonical, _, short, required) in ROWS {
            let (name, unit) = plain(canonical);
            let column = if self == Self::CommaCsv { short } else { name };
            let mut line = format!("  {canonical}: {{ column: {column}");
            if self == Self::Parquet {
                line.push_str(&format!(", unit: \"{unit}\""));
            }
            if canonical == RADIATOR {
                line.push_str(", quantity: pressure");
            }
            if self == Self::CommaCsv && canonical == "steering" {
                line.push_str(", reversed: true");
            }
            if !required {
                line.push_str(", required: false");
            }
            out.push_str(&line);
            out.push_str(" }\n");
        }
        out
    }
}

const PLAIN: &str = "\
# A plain export: comma between fields, decimal point, channel names in line 1, units in line 2.
# On the left our name of a channel, on the right the column of the file.
name: plain csv
text:
  delimiter: \",\"
  header_line: 1
  units_line: 2
time:
  column: { column: Time }
channels:
";

const COMMA: &str = "\
# An export with decimal comma: semicolon between fields, two lines of preamble, channel names in line 3,
# units in line 4, Latin-1. This logger counts steering to the right positive: `reversed` turns it.
name: decimal comma
text:
  delimiter: \";\"
  decimal: comma
  encoding: latin1
  header_line: 3
  units_line: 4
time:
  column: { column: t }
channels:
";

const PARQUET: &str = "\
# A Parquet export: a column has no line for its unit, so the layout says it.
name: plain parquet
format: parquet
time:
  column: { column: Time, unit: s }
channels:
";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::layout::Layout;

    #[test]
    fn layouts_are_layouts_and_match_the_shipped_files() {
        for form in [Form::Csv, Form::CommaCsv, Form::Parquet] {
            let text = form.layout();
            let layout: Layout = serde_yaml::from_str(&text).unwrap();
            assert_eq!(layout.channels.len(), ROWS.len());
            let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/schemas/");
            let shipped = std::fs::read_to_string(format!("{shipped}{}", form.layout_file())).unwrap();
            assert_eq!(shipped, text, "schemas/{}", form.layout_file());
        }
    }

    #[test]
    fn every_sensor_is_in_the_layouts() {
        for (canonical, ..) in ROWS {
            assert_ne!(plain(canonical).0, "", "{canonical}");
        }
        assert_eq!(ROWS.len(), crate::demo::sensors::labels().count());
    }
}
