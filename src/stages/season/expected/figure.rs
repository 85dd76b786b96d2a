//! A figure as the user writes it, and what it is at the reference speed and density.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::stages::season::fit::SeasonFit;
use crate::units::{self, Density, Dimension, Speed};

/// A figure of a wind tunnel or of CFD, for a configuration or, as a difference, for a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// Configuration that it is for.
    #[serde(default)]
    pub configuration: Option<Located<String>>,
    /// Part that it is for: with the part minus without it.
    #[serde(default)]
    pub part: Option<Located<String>>,
    /// front_downforce, rear_downforce, downforce, drag, balance, efficiency or a fitted channel.
    pub quantity: Located<String>,
    /// The value with its unit. For a force also an area (`0.58 m2`): force over half the air density and v².
    #[serde(rename = "value")]
    pub stated: Located<String>,
    /// Half of its 95 % interval, in the unit of the value or in `%` of it (points where the value itself is in `%`); taken as exact where left out.
    #[serde(default)]
    pub uncertainty: Option<Located<String>>,
    /// Air speed that it holds at; areas and ratios need none.
    #[serde(default)]
    pub at: Option<Located<Speed>>,
    /// Air density that it holds at; areas and ratios need none.
    #[serde(default)]
    pub density: Option<Located<Density>>,
    /// Where it comes from.
    #[serde(default)]
    pub source: String,
    /// File that it stands in, where that is not the pipeline.
    #[serde(skip)]
    pub file: Option<PathBuf>,
}

/// What is wrong with a figure, for a message at its place.
#[derive(Clone, Debug, PartialEq)]
pub enum FigureError {
    /// The value.
    Value(String),
    /// The uncertainty.
    Uncertainty(String),
    /// Speed or density are needed to make sense of the value.
    NeedsAir,
}

/// Where and for what air numbers are wanted.
#[derive(Clone, Copy, Debug)]
pub struct Reference {
    /// Speed, m/s.
    pub speed: f64,
    /// Density, kg/m³.
    pub density: f64,
}

/// A figure at the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Converted {
    /// Value, SI.
    pub value: f64,
    /// Half of its 95 % interval; `None` where taken as exact.
    pub half: Option<f64>,
}

impl Figure {
    /// The figure at a reference speed and density: forces and channels by v² and density, areas by
    /// force = area·½·ρ·v², ratios as they are.
    ///
    /// # Errors
    /// What can't be read, or lacks.
    pub fn at_reference(&self, dimension: Dimension, to: Reference) -> Result<Converted, FigureError> {
        let is_area = dimension == Dimension::Force && units::parse(&self.stated, Dimension::Area).is_ok();
        let (wanted, factor) = if SeasonFit::is_ratio(&self.quantity) {
            (Dimension::Ratio, 1.0)
        } else if is_area {
            (Dimension::Area, 0.5 * to.density * to.speed * to.speed)
        } else {
            // A value that can't be read at all is the first thing to say.
            units::parse(&self.stated, dimension).map_err(|e| FigureError::Value(e.to_string()))?;
            let (Some(at), Some(density)) = (&self.at, &self.density) else { return Err(FigureError::NeedsAir) };
            (dimension, (to.speed / at.get()).powi(2) * to.density / density.get())
        };
        let value = units::parse(&self.stated, wanted).map_err(|e| FigureError::Value(e.to_string()))? * factor;
        let half = match &self.uncertainty {
            None => None,
            Some(text) => Some(self.half(text, wanted, factor, value)?),
        };
        Ok(Converted { value, half })
    }

    fn half(&self, text: &str, wanted: Dimension, factor: f64, value: f64) -> Result<f64, FigureError> {
        // Of a value that is itself written in per cent these are points.
        let relative = text.trim_end().ends_with('%') && !self.stated.trim_end().ends_with('%');
        let half = if relative {
            units::parse(text, Dimension::Ratio).map(|r| r * value.abs())
        } else {
            units::parse(text, wanted).map(|h| h * factor)
        };
        match half {
            Ok(h) if h >= 0.0 => Ok(h),
            Ok(_) => Err(FigureError::Uncertainty("it can't be less than zero".to_owned())),
            Err(e) => Err(FigureError::Uncertainty(e.to_string())),
        }
    }

    /// Speed and density that belong to the value; none for areas and ratios.
    pub fn stated_air(&self) -> (Option<f64>, Option<f64>) {
        if SeasonFit::is_ratio(&self.quantity) || units::parse(&self.stated, Dimension::Area).is_ok() {
            return (None, None);
        }
        (self.at.as_ref().map(|v| v.get()), self.density.as_ref().map(|d| d.get()))
    }

    /// What it is for, in a few words.
    pub fn subject(&self) -> &str {
        self.configuration.as_ref().or(self.part.as_ref()).map_or("", |s| s.value.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TO: Reference = Reference { speed: 40.0, density: 1.225 };

    fn convert(text: &str) -> Result<Converted, FigureError> {
        crate::config::from_text::<Figure>(text).at_reference(Dimension::Force, TO)
    }

    #[test]
    fn forces_go_with_speed_squared_and_density() {
        // 640 N at 180 km/h and 1.2: (40/50)²·1.225/1.2 = 0.653333.
        let c = convert("{ quantity: drag, value: 640 N, at: 180 km/h, density: 1.2 kg/m3 }").unwrap();
        assert!((c.value - 640.0 * 0.64 * 1.225 / 1.2).abs() < 1e-9 && c.half.is_none());
        let c =
            convert("{ quantity: drag, value: 640 N, at: 180 km/h, density: 1.2 kg/m3, uncertainty: 2 % }").unwrap();
        assert!((c.half.unwrap() - 0.02 * c.value).abs() < 1e-9);
        let c = convert("{ quantity: drag, value: 640 N, at: 50 m/s, density: 1.2 kg/m3, uncertainty: 10 N }").unwrap();
        assert!((c.half.unwrap() - 10.0 * 0.64 * 1.225 / 1.2).abs() < 1e-9);
    }

    #[test]
    fn areas_need_no_air() {
        // 0.58 m²·½·1.225·1600 = 568.4 N.
        let c = convert("{ quantity: drag, value: 0.58 m2, uncertainty: 0.01 m2 }").unwrap();
        assert!((c.value - 568.4).abs() < 1e-9 && (c.half.unwrap() - 9.8).abs() < 1e-9);
    }

    #[test]
    fn ratios_stay() {
        let c = convert("{ quantity: balance, value: 41 %, uncertainty: 1 % }").unwrap();
        assert!((c.value - 0.41).abs() < 1e-12 && (c.half.unwrap() - 0.01).abs() < 1e-12);
    }

    #[test]
    fn per_cent_are_of_the_value_unless_it_is_itself_in_per_cent() {
        let half = |value: &str, uncertainty: &str| {
            let c =
                convert(&format!("{{ quantity: efficiency, value: {value}, uncertainty: {uncertainty} }}")).unwrap();
            c.half.unwrap()
        };
        assert!((half("'2.40'", "5 %") - 0.12).abs() < 1e-12 && (half("'2.40'", "'0.12'") - 0.12).abs() < 1e-12);
        assert!((half("240 %", "5 %") - 0.05).abs() < 1e-12);
    }

    #[test]
    fn what_lacks_is_said() {
        assert_eq!(convert("{ quantity: drag, value: 640 N, at: 180 km/h }"), Err(FigureError::NeedsAir));
        assert!(matches!(convert("{ quantity: drag, value: 640 Pa }"), Err(FigureError::Value(_))));
        assert!(matches!(convert("{ quantity: drag, value: 640 }"), Err(FigureError::Value(_))));
        let bad = "{ quantity: drag, value: 0.6 m2, uncertainty: 3 N }";
        assert!(matches!(convert(bad), Err(FigureError::Uncertainty(_))));
        let negative = "{ quantity: drag, value: 0.6 m2, uncertainty: -0.1 m2 }";
        assert!(matches!(convert(negative), Err(FigureError::Uncertainty(_))));
    }
}
