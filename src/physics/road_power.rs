//! Power that a car needs on a level road in still air, and the speed that a power reaches.

use crate::numerics::root::bisect;

/// Resistance F(v) = constant + quadratic·v², N.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoadPower {
    /// Rolling resistance of the weight, N.
    pub constant: f64,
    /// Drag, and rolling resistance of the downforce, N per (m/s)².
    pub quadratic: f64,
}

/// No car is faster, m/s.
const FASTEST: f64 = 300.0;

impl RoadPower {
    /// Power at the wheels, W, at a speed in m/s: F·v.
    pub fn at(self, speed: f64) -> f64 {
        (self.constant + self.quadratic * speed * speed) * speed
    }

    /// Speed, m/s, at which a power in W at the wheels is used up; `None` where no speed to 300 m/s uses it.
    pub fn speed(self, power: f64) -> Option<f64> {
        if power.is_nan() || power <= 0.0 {
            return None;
        }
        bisect(|v| self.at(v) - power, 0.0, FASTEST).ok()
    }

    /// Derivative of that speed by the quadratic coefficient, at a speed that it reached: from P(c, v(c))
    /// constant, −v³/(constant + 3·c·v²).
    pub fn speed_by_quadratic(self, speed: f64) -> f64 {
        -speed.powi(3) / (self.constant + 3.0 * self.quadratic * speed * speed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // 100 N + 0.4·50² = 1100 N at 50 m/s: 55 kW.
        let r = RoadPower { constant: 100.0, quadratic: 0.4 };
        assert!((r.at(50.0) - 55e3).abs() < 1e-9);
        assert!((r.speed(55e3).unwrap() - 50.0).abs() < 1e-9);
        // Without rolling it is a cube root: (200e3/0.4)^(1/3) = 79.370.
        let free = RoadPower { constant: 0.0, quadratic: 0.4 };
        assert!((free.speed(200e3).unwrap() - 500e3f64.cbrt()).abs() < 1e-9);
        // v goes with c^(−1/3): dv/dc = −v/(3c).
        assert!((free.speed_by_quadratic(60.0) + 60.0 / 1.2).abs() < 1e-12);
        assert_eq!((r.speed(0.0), r.speed(f64::NAN)), (None, None));
        assert_eq!(RoadPower { constant: 10.0, quadratic: 0.0 }.speed(1e6), None);
    }

    #[test]
    fn the_derivative_is_that_of_the_solution() {
        let with = |c: f64| RoadPower { constant: 150.0, quadratic: c }.speed(180e3).unwrap();
        let by_difference = (with(0.4501) - with(0.4499)) / 2e-4;
        let r = RoadPower { constant: 150.0, quadratic: 0.45 };
        assert!((r.speed_by_quadratic(with(0.45)) / by_difference - 1.0).abs() < 1e-6);
    }
}
