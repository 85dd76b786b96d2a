//! Weather of a session: air density and wind.

use super::noise::{Noise, Wander};

/// What the air does in a session.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Temperature at the start, K.
    pub temperature: f64,
    /// Change of temperature, K/s.
    pub warming: f64,
    /// Static pressure at the circuit, Pa.
    pub pressure: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
    /// Mean wind, m/s: component that blows towards north and towards east.
    pub wind: [f64; 2],
}

impl Weather {
    /// Draws a session's weather. `wind_sd` is the standard deviation of each wind component, m/s.
    pub fn draw(noise: &mut Noise, altitude: f64, wind_sd: f64) -> Self {
        let sea_level_pressure = noise.uniform(100_200.0, 102_800.0);
        let temperature = 273.15 + noise.uniform(9.0, 31.0) - 0.0065 * altitude;
        // hydrostatic column with a lapse of 6.5 K/km below the circuit; exponent g·M/(R·lapse) of dry air
        let at_sea_level = temperature + 0.0065 * altitude;
        let pressure = sea_level_pressure * (temperature / at_sea_level).powf(5.2559);
        Self {
            temperature,
            warming: noise.uniform(-0.8, 1.2) / 3600.0,
            pressure,
            humidity: noise.uniform(0.3, 0.9),
            wind: [wind_sd * noise.normal(), wind_sd * noise.normal()],
        }
    }

    /// Temperature after `t` seconds, K.
    pub fn temperature_at(&self, t: f64) -> f64 {
        self.temperature + self.warming * t
    }

    /// Density of moist air after `t` seconds, kg/m³: ideal gases, dry air and vapour side by side,
    /// saturation after Magnus (611.2 Pa, 17.62, 243.12 °C: WMO No. 8, from memory).
    pub fn density_at(&self, t: f64) -> f64 {
        let kelvin = self.temperature_at(t);
        let celsius = kelvin - 273.15;
        let vapour = self.humidity * 611.2 * (17.62 * celsius / (243.12 + celsius)).exp();
        (self.pressure - vapour) / (287.058 * kelvin) + vapour / (461.523 * kelvin)
    }

    /// Mean wind speed, m/s.
    pub fn wind_speed(&self) -> f64 {
        self.wind[0].hypot(self.wind[1])
    }

    /// Direction that the wind comes from, degrees clockwise from north.
    pub fn wind_from(&self) -> f64 {
        (self.wind[1].atan2(self.wind[0]).to_degrees() + 180.0).rem_euclid(360.0)
    }
}

/// The wind as it blows from moment to moment: the mean and gusts about it.
#[derive(Clone, Debug)]
pub struct Gusts {
    mean: [f64; 2],
    along: [Wander; 2],
}

impl Gusts {
    /// Gusts of about ten seconds, standard deviation 0.15 of the mean wind + 0.2 m/s, times `scale`.
    pub fn new(weather: &Weather, scale: f64, dt: f64, noise: &mut Noise) -> Self {
        let sd = scale * (0.15 * weather.wind_speed() + 0.2);
        Self { mean: weather.wind, along: [Wander::new(sd, 10.0, dt, noise), Wander::new(sd, 10.0, dt, noise)] }
    }
    /// Headwind for a car on this course (radians clockwise from north), m/s; one step on.
    pub fn headwind(&mut self, course: f64, noise: &mut Noise) -> f64 {
        let north = self.mean[0] + self.along[0].step(noise);
        let east = self.mean[1] + self.along[1].step(noise);
        -(north * course.cos() + east * course.sin())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn air(celsius: f64, pascal: f64, humidity: f64) -> f64 {
        let w = Weather { temperature: 273.15 + celsius, warming: 0.0, pressure: pascal, humidity, wind: [0.0, 0.0] };
        w.density_at(0.0)
    }

    #[test]
    fn density_of_moist_air() {
        // PsychroLib 2.5.0, ideal gas; its saturation pressure is not the Magnus form, hence 2e-4
        for (t, p, rh, rho) in [
            (15.0, 101_325.0, 0.0, 1.225046333212309),
            (20.0, 101_325.0, 0.5, 1.1988979666684412),
            (35.0, 95_000.0, 0.8, 1.0547857735350565),
            (30.0, 84_000.0, 0.2, 0.961641557354604),
        ] {
            assert!((air(t, p, rh) / rho - 1.0).abs() < 2e-4, "{t} {p} {rh}: {}", air(t, p, rh));
        }
    }

    #[test]
    fn wind_comes_from_where_it_is_said_to() {
        let w = Weather { temperature: 288.15, warming: 0.0, pressure: 1e5, humidity: 0.5, wind: [0.0, 3.0] };
        // blowing towards east is a west wind: headwind for a car going west
        assert!((w.wind_from() - 270.0).abs() < 1e-9);
        let mut noise = Noise::new(1, &[]);
        let mut gusts = Gusts::new(&w, 0.0, 0.01, &mut noise);
        assert!((gusts.headwind(270f64.to_radians(), &mut noise) - 3.0).abs() < 1e-9);
        assert!((gusts.headwind(90f64.to_radians(), &mut noise) + 3.0).abs() < 1e-9);
        assert!(gusts.headwind(0.0, &mut noise).abs() < 1e-9);
    }
}
