//! The invented parts and configurations, with their true effects.

use serde::{Deserialize, Serialize};

/// Density that the true coefficients are given at, kg/m³ (ISO 2533 at sea level).
pub const REFERENCE_DENSITY: f64 = 1.225;
/// Speed that the true forces are given at, m/s: 160 km/h.
pub const REFERENCE_SPEED: f64 = 160.0 / 3.6;

/// Forces of the air at [`REFERENCE_SPEED`] and [`REFERENCE_DENSITY`], N; or a change of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Forces {
    /// Downforce on the front axle, moments about the ground plane, drag moment included.
    pub front: f64,
    /// Downforce on the rear axle.
    pub rear: f64,
    /// Aerodynamic drag, without rolling resistance.
    pub drag: f64,
}

impl Forces {
    /// The sum of two.
    pub fn plus(self, other: Self) -> Self {
        Self { front: self.front + other.front, rear: self.rear + other.rear, drag: self.drag + other.drag }
    }
    /// A multiple.
    pub fn times(self, k: f64) -> Self {
        Self { front: self.front * k, rear: self.rear * k, drag: self.drag * k }
    }
    /// The same as coefficients of v², N/(m/s)² at the reference density.
    pub fn coefficients(self) -> Self {
        self.times(1.0 / (REFERENCE_SPEED * REFERENCE_SPEED))
    }
}

/// A part that a configuration may carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Name in the run sheet.
    pub name: &'static str,
    /// What it adds.
    pub effect: Forces,
    /// What it adds to the radiator's pressure drop, as a share of the dynamic pressure.
    pub radiator: f64,
}

const fn forces(front: f64, rear: f64, drag: f64) -> Forces {
    Forces { front, rear, drag }
}

/// Every part of the season.
pub const PARTS: &[Part] = &[
    Part { name: "splitter_extension", effect: forces(265.0, -60.0, 34.0), radiator: 0.0 },
    Part { name: "dive_planes", effect: forces(145.0, -42.0, 46.0), radiator: 0.0 },
    Part { name: "gurney_strip", effect: forces(-34.0, 196.0, 52.0), radiator: 0.0 },
    Part { name: "sealed_opening", effect: forces(58.0, 12.0, -27.0), radiator: -0.07 },
    Part { name: "short_mirrors", effect: forces(0.0, 0.0, 0.0), radiator: 0.0 },
];

/// Change per step of the rear wing.
pub const WING_STEP: Forces = forces(-15.0, 96.0, 31.0);
/// Wing position of the base configuration; positions run from 1 to 6.
pub const BASE_WING: f64 = 3.0;
/// The car without any part, wing at [`BASE_WING`].
pub const BASE: Forces = forces(620.0, 985.0, 705.0);
/// Radiator pressure drop of the base, share of the dynamic pressure.
pub const BASE_RADIATOR: f64 = 0.31;

/// A configuration of the car.
#[derive(Clone, Debug, PartialEq)]
pub struct Configuration {
    /// Name in the run sheet.
    pub name: String,
    /// Names of its parts.
    pub parts: Vec<&'static Part>,
    /// Position of the rear wing.
    pub wing: f64,
}

impl Configuration {
    /// A configuration of named parts; names that no part has are left out.
    pub fn new(name: &str, parts: &[&str], wing: f64) -> Self {
        Self { name: name.to_owned(), parts: PARTS.iter().filter(|p| parts.contains(&p.name)).collect(), wing }
    }
    /// Its true forces: base, parts and wing simply add.
    pub fn forces(&self) -> Forces {
        let wing = WING_STEP.times(self.wing - BASE_WING);
        self.parts.iter().fold(BASE.plus(wing), |sum, p| sum.plus(p.effect))
    }
    /// Radiator pressure drop over dynamic pressure.
    pub fn radiator(&self) -> f64 {
        self.parts.iter().fold(BASE_RADIATOR, |sum, p| sum + p.radiator)
    }
}

/// The configurations of the season; the first, `base`, is the one the others are held against.
pub fn configurations() -> Vec<Configuration> {
    vec![
        Configuration::new("base", &[], 3.0),
        Configuration::new("splitter", &["splitter_extension"], 3.0),
        Configuration::new("splitter_planes", &["splitter_extension", "dive_planes"], 3.0),
        Configuration::new("high_wing", &[], 6.0),
        Configuration::new("gurney", &["gurney_strip"], 3.0),
        Configuration::new("sealed", &["sealed_opening"], 3.0),
        Configuration::new("sprint", &["splitter_extension", "short_mirrors"], 1.0),
        Configuration::new("wet", &["splitter_extension", "dive_planes", "gurney_strip"], 5.0),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_configuration_is_in_the_range_of_such_cars() {
        // range of the invented season, not an outside value
        for c in configurations() {
            let f = c.forces();
            assert!((1200.0..3000.0).contains(&(f.front + f.rear)), "{}: {f:?}", c.name);
            assert!((600.0..1100.0).contains(&f.drag), "{}: {f:?}", c.name);
        }
    }

    #[test]
    fn parts_add() {
        let all = configurations();
        let of = |n: &str| all.iter().find(|c| c.name == n).unwrap().forces();
        // 620 + 265 + 145 - 34 - 2·15, 985 - 60 - 42 + 196 + 2·96, 705 + 34 + 46 + 52 + 2·31, by hand
        assert_eq!(of("wet"), Forces { front: 966.0, rear: 1271.0, drag: 899.0 });
        assert_eq!(of("base"), BASE);
        let c = of("base").coefficients();
        assert!((c.drag * (160.0 / 3.6_f64).powi(2) - 705.0).abs() < 1e-9);
    }
}
