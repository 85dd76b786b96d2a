//! The invented car: a production-based car of about a tonne, as the simulator knows it, and the car
//! file that its team would have written.

use crate::units::G;

/// A spring with its bump stop, at the damper.
#[derive(Clone, Debug, PartialEq)]
pub enum SimSpring {
    /// Constant rate, N/m.
    Rate(f64),
    /// Points of travel (m) and force (N), both rising, joined by straight lines.
    Table(Vec<(f64, f64)>),
}

impl SimSpring {
    /// Travel under a force, m.
    pub fn travel(&self, force: f64) -> f64 {
        match self {
            Self::Rate(k) => force / k,
            Self::Table(points) => along(points.iter().map(|p| (p.1, p.0)), force),
        }
    }
    /// Force at a travel, N.
    pub fn force(&self, travel: f64) -> f64 {
        match self {
            Self::Rate(k) => travel * k,
            Self::Table(points) => along(points.iter().copied(), travel),
        }
    }
}

/// Value at `x` of straight lines through the points; the end lines go on.
fn along(points: impl Iterator<Item = (f64, f64)>, x: f64) -> f64 {
    let (mut before, mut line) = (None, None);
    for p in points {
        if let Some(q) = before {
            line = Some((q, p));
            if x <= p.0 {
                break;
            }
        }
        before = Some(p);
    }
    line.map_or(f64::NAN, |((x0, y0), (x1, y1))| y0 + (x - x0) * (y1 - y0) / (x1 - x0))
}

/// The car. Pairs are front, rear; fours are front left, front right, rear left, rear right.
#[derive(Clone, Debug, PartialEq)]
pub struct CarModel {
    /// Mass with driver, without fuel, kg.
    pub mass: f64,
    /// Corner weights with driver and `fuel_at_weights`, kg.
    pub corners: [f64; 4],
    /// Fuel aboard when weighed, kg.
    pub fuel_at_weights: f64,
    /// Share of the fuel on the front axle.
    pub fuel_front: f64,
    /// Wheelbase, m.
    pub wheelbase: f64,
    /// Height of the centre of gravity, m.
    pub cg_height: f64,
    /// Track, m.
    pub track: [f64; 2],
    /// Spring of each axle.
    pub springs: [SimSpring; 2],
    /// Damper travel per wheel travel.
    pub motion_ratio: [f64; 2],
    /// Unsprung mass of each corner, kg: its weight does not load the spring.
    pub unsprung: [f64; 2],
    /// Unsprung parts transfer load past the springs too. The estimators can't know; off by default.
    pub unsprung_transfer: bool,
    /// Loaded tyre radius, m.
    pub tyre_radius: [f64; 2],
    /// Vertical stiffness of a tyre, N/m.
    pub tyre_rate: f64,
    /// Effective inertia over mass.
    pub rotating: f64,
    /// Final drive.
    pub final_drive: f64,
    /// Gears.
    pub gears: Vec<f64>,
    /// Retarding force of the driveline at the contact patch with the clutch open, N.
    pub coasting_loss: f64,
    /// Rolling force over vertical load.
    pub rolling: f64,
    /// Share of the front axle's transfer under braking that the links carry.
    pub anti_dive: f64,
    /// Share of the rear axle's transfer under drive that the links carry.
    pub anti_squat: f64,
    /// Front share of the roll stiffness.
    pub roll_front: f64,
    /// Coulomb friction of a damper, N.
    pub friction: f64,
    /// Natural frequency of each axle's heave, Hz.
    pub heave_hz: [f64; 2],
    /// Damping ratio of that motion.
    pub heave_damping: f64,
    /// Largest power at the wheels, W.
    pub power: f64,
    /// Largest drive force, N.
    pub traction: f64,
    /// Ride heights at rest, m.
    pub ride_height: [f64; 2],
}

impl Default for CarModel {
    fn default() -> Self {
        Self {
            mass: 985.0,
            corners: [257.0, 253.0, 254.0, 251.0],
            fuel_at_weights: 30.0,
            fuel_front: 0.45,
            wheelbase: 2.45,
            cg_height: 0.46,
            track: [1.52, 1.50],
            springs: [SimSpring::Rate(120e3), SimSpring::Rate(105e3)],
            motion_ratio: [0.72, 0.78],
            unsprung: [32.0, 34.0],
            unsprung_transfer: false,
            tyre_radius: [0.305, 0.310],
            tyre_rate: 260e3,
            rotating: 1.04,
            final_drive: 3.9,
            gears: vec![2.9, 2.05, 1.58, 1.27, 1.05, 0.88],
            coasting_loss: 35.0,
            rolling: 0.013,
            anti_dive: 0.15,
            anti_squat: 0.25,
            roll_front: 0.55,
            friction: 12.0,
            heave_hz: [2.6, 2.4],
            heave_damping: 0.28,
            power: 225e3,
            traction: 4700.0,
            ride_height: [0.062, 0.078],
        }
    }
}

impl CarModel {
    /// The same car with a bump stop that the front springs come to at speed.
    pub fn with_bump_stop(mut self) -> Self {
        self.springs[0] = SimSpring::Table(vec![
            (0.0, 0.0),
            (0.026, 3120.0),
            (0.030, 3640.0),
            (0.034, 4280.0),
            (0.040, 5480.0),
            (0.060, 10_480.0),
        ]);
        self
    }

    /// Static load of each wheel with this much fuel aboard, N.
    pub fn static_loads(&self, fuel: f64) -> [f64; 4] {
        let change = fuel - self.fuel_at_weights;
        let mut axle = [self.fuel_front, self.fuel_front, 1.0 - self.fuel_front, 1.0 - self.fuel_front].into_iter();
        self.corners.map(|w| (w + 0.5 * change * axle.next().unwrap_or(0.0)) * G)
    }

    /// Lower end of the gear's speed range: gear for this speed and its ratio.
    pub fn gear(&self, speed: f64) -> (usize, f64) {
        let top = 6900.0 * std::f64::consts::PI / 30.0;
        let wheel = speed / self.tyre_radius[1];
        let fits = |r: &f64| wheel * self.final_drive * r <= top;
        let i = self.gears.iter().position(fits).unwrap_or(self.gears.len().saturating_sub(1));
        (i + 1, self.gears.get(i).copied().unwrap_or(1.0))
    }

    /// The team's car file.
    pub fn yaml(&self) -> String {
        let [fl, fr, rl, rr] = self.corners;
        let spring = |s: &SimSpring| match s {
            SimSpring::Rate(k) => format!("{{ rate: {} N/mm }}", k / 1e3),
            SimSpring::Table(points) => {
                let rows: Vec<String> = points
                    .iter()
                    .map(|(d, f)| format!("\n      - {{ travel: {} mm, force: {f} N }}", (d * 1e6).round() / 1e3))
                    .collect();
                format!("\n    table:{}", rows.concat())
            }
        };
        let gears: Vec<String> = self.gears.iter().map(f64::to_string).collect();
        format!(
            "# The car of an invented team. Every length and force carries its unit.
name: Demonstrator
mass: {mass} kg                # with driver, without fuel
wheelbase: {wheelbase} m
cg_height: {cg} m              # with driver
height: 1.24 m
track: {{ front: {track_f} m, rear: {track_r} m }}
corner_weights: {{ fl: {fl} kg, fr: {fr} kg, rl: {rl} kg, rr: {rr} kg }}
fuel: {{ at_corner_weights: {fuel} kg, front_share: {fuel_front} }}
springs:
  front: {spring_f}
  rear: {spring_r}
motion_ratio: {{ front: {mr_f}, rear: {mr_r} }}    # damper travel per wheel travel
rotating_mass_factor: {rotating}
tyre_radius: {{ front: {r_f} mm, rear: {r_r} mm }}
final_drive: {final_drive}
gears: [{gears}]
driven: rear
coasting_loss: {loss} N
rolling_resistance: {rolling}
anti_dive: {dive} %
anti_squat: {squat} %
tyres:
  front: {{ load_index: 91, speed_symbol: W }}
  rear: {{ load_index: 94, speed_symbol: W }}
",
            mass = self.mass,
            wheelbase = self.wheelbase,
            cg = self.cg_height,
            track_f = self.track[0],
            track_r = self.track[1],
            fuel = self.fuel_at_weights,
            fuel_front = self.fuel_front,
            spring_f = spring(&self.springs[0]),
            spring_r = spring(&self.springs[1]),
            mr_f = self.motion_ratio[0],
            mr_r = self.motion_ratio[1],
            rotating = self.rotating,
            r_f = (self.tyre_radius[0] * 1e3).round(),
            r_r = (self.tyre_radius[1] * 1e3).round(),
            final_drive = self.final_drive,
            gears = gears.join(", "),
            loss = self.coasting_loss,
            rolling = self.rolling,
            dive = (self.anti_dive * 1e4).round() / 1e2,
            squat = (self.anti_squat * 1e4).round() / 1e2,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn corner_weights_are_the_mass() {
        let car = CarModel::default();
        assert_eq!(car.corners.iter().sum::<f64>(), car.mass + car.fuel_at_weights);
        let light = car.static_loads(0.0).iter().sum::<f64>();
        assert!((light - car.mass * G).abs() < 1e-9);
    }

    #[test]
    fn spring_table_and_back() {
        let spring = CarModel::default().with_bump_stop().springs[0].clone();
        for d in [0.01, 0.027, 0.033, 0.05, 0.07] {
            assert!((spring.travel(spring.force(d)) - d).abs() < 1e-12);
        }
        // middle of the third stretch, by hand
        assert!((spring.force(0.032) - 3960.0).abs() < 1e-9);
    }

    #[test]
    fn gears_rise_with_speed() {
        let car = CarModel::default();
        assert_eq!(car.gear(5.0).0, 1);
        assert!(car.gear(70.0).0 >= 5);
    }
}
