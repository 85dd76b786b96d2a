//! Density of moist air, and the standard atmosphere that stands in where the weather is unknown.

/// Molar gas constant, J/(mol·K): CODATA 2006, the value that CIPM-2007 is defined with.
const R: f64 = 8.314_472;
/// Molar mass of dry air with 400 µmol/mol of CO₂, kg/mol (CIPM-2007).
const M_AIR: f64 = 28.965_46e-3;
/// Molar mass of water, kg/mol (CIPM-2007).
const M_WATER: f64 = 18.015_28e-3;

/// Density of moist air, kg/m³, by the CIPM-2007 equation.
///
/// `temperature_k` in K, `pressure_pa` static and absolute in Pa, `relative_humidity` from 0 to 1.
/// The equation is stated for 15 to 27 °C and 600 to 1100 hPa, where its relative uncertainty is
/// 2.2·10⁻⁵; against the real-gas mixture it stays within 10⁻⁴ from 5 to 35 °C and 840 to 1020 hPa.
///
/// Source: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist air
/// (CIPM-2007)", Metrologia 45 (2008) 149–155, with x(CO₂) = 400 µmol/mol.
pub fn density_cipm2007(temperature_k: f64, pressure_pa: f64, relative_humidity: f64) -> f64 {
    let (t_k, p) = (temperature_k, pressure_pa);
    let x_v = vapour_fraction(t_k, p, relative_humidity);
    let z = compressibility(t_k, p, x_v);
    p * M_AIR / (z * R * t_k) * (1.0 - x_v * (1.0 - M_WATER / M_AIR))
}

/// Mole fraction of water vapour (CIPM-2007, appendix A.1).
fn vapour_fraction(t_k: f64, p: f64, relative_humidity: f64) -> f64 {
    let t = t_k - 273.15;
    let saturation = (1.237_884_7e-5 * t_k * t_k - 1.912_131_6e-2 * t_k + 33.937_110_47 - 6_343.164_5 / t_k).exp();
    let enhancement = 1.000_62 + 3.14e-8 * p + 5.6e-7 * t * t;
    relative_humidity * enhancement * saturation / p
}

/// Compressibility factor (CIPM-2007, appendix A.1).
fn compressibility(t_k: f64, p: f64, x_v: f64) -> f64 {
    let t = t_k - 273.15;
    let first = 1.581_23e-6 - 2.9331e-8 * t
        + 1.1043e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * x_v
        + (1.9898e-4 - 2.376e-6 * t) * x_v * x_v;
    1.0 - p / t_k * first + (p / t_k).powi(2) * (1.83e-11 - 0.765e-8 * x_v * x_v)
}

/// Air at rest at some height, dry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Atmosphere {
    /// K.
    pub temperature: f64,
    /// Pa.
    pub pressure: f64,
    /// kg/m³.
    pub density: f64,
}

/// Nominal earth radius of ISO 2533, m.
const EARTH_RADIUS: f64 = 6_356_766.0;
/// Specific gas constant of dry air of ISO 2533, J/(kg·K).
const R_AIR: f64 = 287.052_87;
/// Fall of temperature with height in the troposphere, K/m.
const LAPSE: f64 = 0.0065;
/// Sea level: K and Pa.
const SEA_LEVEL: (f64, f64) = (288.15, 101_325.0);

/// The ISO 2533 standard atmosphere at a geometric height above sea level in m; troposphere only, so
/// `altitude_m` is held to −2000 … 11 000 m.
///
/// Source: ISO 2533:1975; its constants are from memory, the densities are checked against a package.
pub fn standard_atmosphere(altitude_m: f64) -> Atmosphere {
    let height = altitude_m.clamp(-2000.0, 11_000.0);
    let geopotential = EARTH_RADIUS * height / (EARTH_RADIUS + height);
    let temperature = SEA_LEVEL.0 - LAPSE * geopotential;
    let pressure = SEA_LEVEL.1 * (temperature / SEA_LEVEL.0).powf(crate::units::G / (R_AIR * LAPSE));
    Atmosphere { temperature, pressure, density: pressure / (R_AIR * temperature) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// t in °C, p in Pa, relative humidity, then kg/m³ by CoolProp 8.0.0 (HumidAir, real gas) and by
    /// PsychroLib 2.5.0 (ideal gas); both were run.
    const MOIST: [(f64, f64, f64, f64, f64); 6] = [
        (15.0, 101_325.0, 0.0, 1.225_567_456_476_759_8, 1.225_046_333_212_309),
        (20.0, 101_325.0, 0.5, 1.199_359_277_361_876_8, 1.198_897_966_668_441_2),
        (35.0, 95_000.0, 0.8, 1.055_106_229_052_813_7, 1.054_785_773_535_056_5),
        (5.0, 102_000.0, 0.3, 1.276_997_443_809_756, 1.276_303_997_716_643_7),
        (20.0, 100_000.0, 0.0, 1.188_845_053_428_434_5, 1.188_405_430_586_522_1),
        (30.0, 84_000.0, 0.2, 0.961_870_242_383_349_7, 0.961_641_557_354_604),
    ];

    #[test]
    fn agrees_with_a_real_gas_library() {
        for (t, p, h, real, _) in MOIST {
            let got = density_cipm2007(t + 273.15, p, h);
            assert!((got / real - 1.0).abs() < 1e-4, "{t} °C {p} Pa {h}: {got}, CoolProp {real}");
        }
    }

    #[test]
    fn the_ideal_gas_sits_a_little_low() {
        // 2 to 5e-4, so a formula that forgets the compressibility factor would show.
        for (t, p, h, _, ideal) in MOIST {
            let above = density_cipm2007(t + 273.15, p, h) / ideal - 1.0;
            assert!((2e-4..6e-4).contains(&above), "{t} °C {p} Pa {h}: {above} above PsychroLib");
        }
    }

    #[test]
    fn emission_test_reference_density() {
        // 40 CFR 1066.310 normalises road load to 1.17 kg/m³, about 20 °C and 98.21 kPa.
        assert!((density_cipm2007(293.15, 98_210.0, 0.0) - 1.17).abs() < 0.003);
        assert!((density_cipm2007(293.15, 98_210.0, 0.0) - 1.167_51).abs() < 1e-5);
    }

    #[test]
    fn moisture_makes_air_lighter_and_pressure_heavier() {
        let at = |p, h| density_cipm2007(303.15, p, h);
        assert!(at(1e5, 0.0) > at(1e5, 0.5) && at(1e5, 0.5) > at(1e5, 1.0));
        assert!(at(1.01e5, 0.5) > at(1e5, 0.5));
        // Half of the range of humidity is worth less than 1 % even on a hot day.
        assert!(at(1e5, 0.0) / at(1e5, 0.5) - 1.0 < 0.01);
    }

    #[test]
    fn standard_atmosphere_by_height() {
        // kg/m³ at geometric heights: package ambiance 1.3.1, run.
        for (h, density) in
            [(0.0, 1.225_000_018), (1000.0, 1.111_659_673_7), (2000.0, 1.006_553_753_6), (3000.0, 0.909_254_345_3)]
        {
            let got = standard_atmosphere(h).density;
            assert!((got / density - 1.0).abs() < 1e-8, "{h} m: {got}, ambiance {density}");
        }
        let sea = standard_atmosphere(0.0);
        assert_eq!((sea.temperature, sea.pressure), (288.15, 101_325.0));
    }

    #[test]
    fn the_two_agree_for_dry_air_at_sea_level() {
        // ISO 2533 is an ideal gas: 4e-4 below the real one.
        let moist = density_cipm2007(288.15, 101_325.0, 0.0);
        assert!((moist / standard_atmosphere(0.0).density - 1.0).abs() < 5e-4);
    }
}
