//! The car in time: longitudinal motion from forces, loads on the springs, dampers.
//!
//! Longitudinal: `m·λ·dv/dt = drive − brake − drag − rolling − m·g·sin θ`, stepped by the midpoint rule.
//! Vertical: the load that reaches an axle's springs is its static load less the unsprung weight, plus
//! downforce, plus transfer `∓m·f·h/L` with the specific force f, less what the links carry: the share
//! `anti_squat` of `h/L` times the drive force at the rear contact patch, the share `anti_dive` of `h/L`
//! times the brake force at the front. Each axle answers as a lightly damped oscillator that the road
//! shakes; each damper has Coulomb friction (a play operator on its position).

use super::aero::{Forces, REFERENCE_DENSITY};
use super::car::CarModel;
use super::driver::Command;
use super::noise::Noise;
use crate::units::G;

/// Surroundings of one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ambient {
    /// Air density, kg/m³.
    pub density: f64,
    /// Headwind, m/s.
    pub headwind: f64,
    /// Share of downforce and drag that is there: below 1 behind another car.
    pub clean_air: f64,
    /// Slope of the road, rise over run.
    pub grade: f64,
    /// Curvature of the path, 1/m, left positive.
    pub curvature: f64,
}

/// What acts on the car at one moment; forces in N.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Acting {
    /// Air speed along the car, m/s.
    pub air_speed: f64,
    /// Downforce and drag of the air.
    pub air: Forces,
    /// Rolling resistance.
    pub rolling: f64,
    /// Drive force at the contact patch; the driveline's loss when the clutch is open.
    pub drive: f64,
    /// Brake force.
    pub brake: f64,
    /// dv/dt, m/s².
    pub acceleration: f64,
    /// Specific force along the car, m/s²: dv/dt and the gradient's part.
    pub specific: f64,
}

/// The moving state.
#[derive(Clone, Debug)]
pub struct Vehicle<'a> {
    car: &'a CarModel,
    coefficients: Forces,
    ride_height_effect: f64,
    shake: f64,
    /// Speed, m/s.
    pub speed: f64,
    /// Distance since the start, m.
    pub distance: f64,
    /// Fuel aboard, kg.
    pub fuel: f64,
    /// Fuel burnt, kg.
    pub burnt: f64,
    /// Drive force after the engine's lag, N.
    drive: f64,
    /// What acts now.
    pub acting: Acting,
    /// Spring force of each axle at the wheels, both sides, N, and its rate, N/s.
    springs: [(f64, f64); 2],
    /// Lateral load transfer of each axle through the springs, N.
    lateral: f64,
    /// Damper travel of each corner, m.
    pub dampers: [f64; 4],
    /// Damper travel at rest at the start, m.
    pub rest: [f64; 4],
    /// Vertical load of each axle's tyres beyond the static one, N.
    pub load_gain: [f64; 2],
}

impl<'a> Vehicle<'a> {
    /// The car at rest with this much fuel. `forces` are at the reference; `shake` scales the road.
    pub fn new(car: &'a CarModel, forces: Forces, fuel: f64, ride_height_effect: f64, shake: f64) -> Self {
        let mut me = Self {
            car,
            coefficients: forces.coefficients(),
            ride_height_effect,
            shake,
            speed: 0.0,
            distance: 0.0,
            fuel,
            burnt: 0.0,
            drive: 0.0,
            acting: Acting::default(),
            springs: [(0.0, 0.0); 2],
            lateral: 0.0,
            dampers: [0.0; 4],
            rest: [0.0; 4],
            load_gain: [0.0; 2],
        };
        me.springs = me.spring_targets().map(|f| (f, 0.0));
        me.dampers = me.corner_forces().map(|(spring, force)| spring.travel(force));
        me.rest = me.dampers;
        me
    }

    /// Whole mass now, kg.
    pub fn mass(&self) -> f64 {
        self.car.mass + self.fuel
    }

    /// Largest drive force at this speed, N.
    pub fn limit(&self) -> f64 {
        (self.car.power / self.speed.max(1.0)).min(self.car.traction)
    }

    /// Drag, rolling and gradient at this moment, N.
    pub fn resistance(&self, grade: f64) -> f64 {
        self.acting.air.drag + self.acting.rolling + self.mass() * G * slope_sine(grade)
    }

    /// Forces of the air at a ground speed.
    fn air(&self, speed: f64, ambient: &Ambient) -> (f64, Forces) {
        let through = speed + ambient.headwind;
        let x = ambient.density / REFERENCE_DENSITY * through * through.abs() * ambient.clean_air;
        let lower = self.ride_height_effect * (0..4).map(|i| self.sunk(i)).sum::<f64>() / 4.0;
        let mut f = self.coefficients.times(x);
        f.front *= 1.0 + lower;
        f.rear *= 1.0 + lower;
        (through, f)
    }

    /// Wheel travel of a corner since the start, m.
    fn sunk(&self, corner: usize) -> f64 {
        let at = |a: &[f64; 4]| a.get(corner).copied().unwrap_or(0.0);
        (at(&self.dampers) - at(&self.rest)) / self.car.motion_ratio[corner / 2 % 2]
    }

    /// What acts at a ground speed.
    fn act(&self, speed: f64, drive: f64, brake: f64, ambient: &Ambient) -> Acting {
        let mass = self.mass();
        let sine = slope_sine(ambient.grade);
        let (air_speed, air) = self.air(speed, ambient);
        let load = mass * G * (1.0 - sine * sine).sqrt() + air.front + air.rear;
        let rolling = if speed > 0.01 { self.car.rolling * load.max(0.0) } else { 0.0 };
        let brake = if speed > 0.01 { brake } else { 0.0 };
        let push = drive - brake - air.drag - rolling - mass * G * sine;
        // at rest the car stays where it is until the drive outweighs what holds it
        let acceleration = if speed <= 0.01 && push <= 0.0 { 0.0 } else { push / (mass * self.car.rotating) };
        Acting { air_speed, air, rolling, drive, brake, acceleration, specific: acceleration + G * sine }
    }

    /// One step of `dt` seconds.
    pub fn step(&mut self, command: &Command, ambient: &Ambient, dt: f64, noise: &mut Noise) {
        let wanted = if command.clutch_open { 0.0 } else { command.drive.min(self.limit()) };
        self.drive += (wanted - self.drive) * (dt / 0.1).min(1.0);
        let moving = self.speed > 0.01;
        let drive = match command.clutch_open {
            true if moving => -self.car.coasting_loss,
            true => 0.0,
            false => self.drive,
        };
        let first = self.act(self.speed, drive, command.brake, ambient);
        let middle = (self.speed + 0.5 * dt * first.acceleration).max(0.0);
        let half = self.act(middle, drive, command.brake, ambient);
        self.speed = (self.speed + dt * half.acceleration).max(0.0);
        self.distance += dt * middle;
        self.acting = self.act(self.speed, drive, command.brake, ambient);
        let burn = (0.6 + 0.33e-3 * (drive.max(0.0) * self.speed)) / 3600.0 * dt;
        self.fuel = (self.fuel - burn).max(0.0);
        self.burnt += burn;
        self.shake_springs(dt, noise);
        let lateral = self.mass() * self.speed * self.speed * ambient.curvature * self.car.cg_height;
        self.lateral += (lateral - self.lateral) * (dt / 0.12).min(1.0);
        self.move_dampers();
    }

    /// The force that the springs of each axle would carry at rest under what acts now, N at the wheels.
    fn spring_targets(&mut self) -> [f64; 2] {
        let (car, a) = (self.car, &self.acting);
        let [fl, fr, rl, rr] = car.static_loads(self.fuel);
        let lever = car.cg_height / car.wheelbase;
        let transfer = self.mass() * a.specific * lever;
        self.load_gain = [a.air.front - transfer, a.air.rear + transfer];
        let unsprung_mass = 2.0 * (car.unsprung[0] + car.unsprung[1]);
        let past_springs = match car.unsprung_transfer {
            true => unsprung_mass * a.specific * car.tyre_radius[0] / car.wheelbase,
            false => 0.0,
        };
        let links_front = car.anti_dive * lever * a.brake;
        let links_rear = car.anti_squat * lever * a.drive;
        [
            fl + fr - 2.0 * car.unsprung[0] * G + self.load_gain[0] + past_springs - links_front,
            rl + rr - 2.0 * car.unsprung[1] * G + self.load_gain[1] - past_springs - links_rear,
        ]
    }

    /// Each axle swings about its target, driven by the road.
    fn shake_springs(&mut self, dt: f64, noise: &mut Noise) {
        let targets = self.spring_targets();
        let common = noise.normal();
        // standard deviation of an axle's spring force from the road: 75 N at 160 km/h, as the root of speed
        let sd = 75.0 * self.shake * (self.speed / 44.4).sqrt();
        for ((state, target), hz) in self.springs.iter_mut().zip(targets).zip(self.car.heave_hz) {
            let omega = 2.0 * std::f64::consts::PI * hz;
            let own = noise.normal();
            let kick = sd * (4.0 * self.car.heave_damping * omega.powi(3) * dt).sqrt();
            let pull = omega * omega * (target - state.0) - 2.0 * self.car.heave_damping * omega * state.1;
            state.1 += dt * pull + kick * (0.6 * common + 0.8 * own);
            state.0 += dt * state.1;
        }
    }

    /// Spring and force at the damper of each corner.
    fn corner_forces(&self) -> [(&'a super::car::SimSpring, f64); 4] {
        let car = self.car;
        let static_loads = car.static_loads(self.fuel);
        let corner = |i: usize, axle: usize, side: f64| {
            let (a, b) = (static_loads[2 * axle], static_loads[2 * axle + 1]);
            let own = static_loads[i] - 0.5 * (a + b);
            let share = if axle == 0 { car.roll_front } else { 1.0 - car.roll_front };
            let lateral = side * share * self.lateral / car.track[axle];
            let wheel = 0.5 * self.springs[axle].0 + own + lateral;
            (&car.springs[axle], wheel / car.motion_ratio[axle])
        };
        // in a left turn (curvature positive) the right wheels gain load
        [corner(0, 0, -1.0), corner(1, 0, 1.0), corner(2, 1, -1.0), corner(3, 1, 1.0)]
    }

    /// A damper moves only when the force on it leaves the band of its friction.
    fn move_dampers(&mut self) {
        let friction = self.car.friction;
        let targets = self.corner_forces();
        for (travel, (spring, force)) in self.dampers.iter_mut().zip(targets) {
            let (low, high) = (spring.travel(force - friction), spring.travel(force + friction));
            *travel = travel.clamp(low.min(high), high.max(low));
        }
    }

    /// Torque at both driven wheels together, N·m.
    pub fn wheel_torque(&self) -> f64 {
        self.acting.drive * self.car.tyre_radius[1]
    }

    /// Gear engaged and engine speed (rad/s): idle with the clutch open.
    pub fn gear(&self, clutch_open: bool) -> (f64, f64) {
        let idle = 1100.0 * std::f64::consts::PI / 30.0;
        let (gear, ratio) = self.car.gear(self.speed);
        let driven = self.speed / self.car.tyre_radius[1] * self.car.final_drive * ratio;
        (gear as f64, if clutch_open { idle } else { driven.max(idle) })
    }

    /// Steering wheel angle for a path of this curvature, rad: kinematic, ratio 14, some understeer.
    pub fn steering(&self, curvature: f64) -> f64 {
        14.0 * curvature * (self.car.wheelbase + 0.0025 * self.speed * self.speed)
    }

    /// Nose-up pitch of the body from the travel of the wheels since the start, rad.
    pub fn pitch(&self) -> f64 {
        let front = 0.5 * (self.sunk(0) + self.sunk(1));
        let rear = 0.5 * (self.sunk(2) + self.sunk(3));
        (rear - front) / self.car.wheelbase
    }

    /// Front and rear ride height, m.
    pub fn ride_heights(&self) -> [f64; 2] {
        let at = |axle: usize| {
            let wheels = 0.5 * (self.sunk(2 * axle) + self.sunk(2 * axle + 1));
            let tyres = 0.5 * self.load_gain[axle] / self.car.tyre_rate;
            self.car.ride_height[axle] - wheels - tyres
        };
        [at(0), at(1)]
    }
}

/// Sine of the angle of a slope given as rise over run.
fn slope_sine(grade: f64) -> f64 {
    grade / (1.0 + grade * grade).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::aero::{BASE, REFERENCE_SPEED};

    fn calm(grade: f64) -> Ambient {
        Ambient { density: REFERENCE_DENSITY, headwind: 0.0, clean_air: 1.0, grade, curvature: 0.0 }
    }

    fn quiet(car: &CarModel) -> Vehicle<'_> {
        Vehicle::new(car, BASE, 30.0, 0.0, 0.0)
    }

    #[test]
    fn coasting_follows_the_exact_solution() {
        // m_e dv/dt = -(A + C v²): v = √(A/C)·tan(atan(v0·√(C/A)) − t·√(A·C)/m_e), by separation of variables
        let car = CarModel::default();
        let mut noise = Noise::new(1, &[]);
        let mut v = quiet(&car);
        v.speed = 60.0;
        let mass = v.mass();
        let k = BASE.coefficients();
        let a = car.rolling * mass * G + car.coasting_loss;
        let c = k.drag + car.rolling * (k.front + k.rear);
        let coast = Command { clutch_open: true, ..Command::default() };
        for _ in 0..1500 {
            v.step(&coast, &calm(0.0), 0.01, &mut noise);
        }
        let inertia = mass * car.rotating;
        let exact = (a / c).sqrt() * ((60.0 * (c / a).sqrt()).atan() - 15.0 * (a * c).sqrt() / inertia).tan();
        // the idling engine burns a little fuel: the mass is not quite constant
        assert!((v.speed - exact).abs() < 2e-3, "{} is not {exact}", v.speed);
    }

    #[test]
    fn energy_is_kept() {
        // work of drive less work of resistance and height gained is kinetic energy, rotating parts counted
        let car = CarModel { rotating: 1.05, ..CarModel::default() };
        let mut noise = Noise::new(1, &[]);
        let mut v = quiet(&car);
        v.speed = 20.0;
        let (grade, dt) = (0.02, 0.005);
        let start = 0.5 * v.mass() * car.rotating * 400.0;
        let command = Command { drive: 3000.0, ..Command::default() };
        let (mut work, mut height) = (0.0, 0.0);
        for _ in 0..2000 {
            let (before, from) = (v.acting, v.distance);
            v.step(&command, &calm(grade), dt, &mut noise);
            let way = v.distance - from;
            let lost = |a: &Acting| a.air.drag + a.rolling;
            let first = if before.air_speed == 0.0 { lost(&v.acting) } else { lost(&before) };
            work += (v.acting.drive - 0.5 * (first + lost(&v.acting))) * way;
            height += way * slope_sine(grade);
        }
        let end = 0.5 * v.mass() * car.rotating * v.speed * v.speed;
        let gained = end - start + v.mass() * G * height;
        assert!(v.speed > 40.0);
        assert!((gained / work - 1.0).abs() < 1e-3, "{gained} of {work}");
    }

    #[test]
    fn springs_carry_weight_and_downforce() {
        // at a held speed on level road: sum of spring forces = weight − unsprung + downforce − link force
        let car = CarModel { friction: 0.0, ..CarModel::default() };
        let mut noise = Noise::new(1, &[]);
        let mut v = quiet(&car);
        v.speed = REFERENCE_SPEED;
        for _ in 0..4000 {
            let drive = v.resistance(0.0);
            v.step(&Command { drive, ..Command::default() }, &calm(0.0), 0.01, &mut noise);
        }
        let wheel = |i: usize| car.springs[i / 2].force(v.dampers[i]) * car.motion_ratio[i / 2];
        let front = wheel(0) + wheel(1);
        let rear = wheel(2) + wheel(3);
        let x = v.speed * v.speed / (REFERENCE_SPEED * REFERENCE_SPEED);
        let statics = car.static_loads(v.fuel);
        let transfer = v.mass() * v.acting.specific * car.cg_height / car.wheelbase;
        let links = car.anti_squat * car.cg_height / car.wheelbase * v.acting.drive;
        let front_due = statics[0] + statics[1] - 2.0 * car.unsprung[0] * G + 620.0 * x - transfer;
        let rear_due = statics[2] + statics[3] - 2.0 * car.unsprung[1] * G + 985.0 * x + transfer - links;
        assert!((front - front_due).abs() < 0.5, "{front} is not {front_due}");
        assert!((rear - rear_due).abs() < 0.5, "{rear} is not {rear_due}");
        // the links carry something that a spring does not see
        assert!(links > 25.0, "{links}");
    }

    #[test]
    fn links_take_their_share_of_the_dive() {
        let front = |anti_dive: f64| {
            let car = CarModel { friction: 0.0, anti_dive, ..CarModel::default() };
            let mut noise = Noise::new(1, &[]);
            let mut v = quiet(&car);
            let mut sum = [0.0; 2];
            for i in 0..3000 {
                v.speed = 40.0;
                v.step(&Command { brake: 8000.0, ..Command::default() }, &calm(0.0), 0.002, &mut noise);
                if i >= 1500 {
                    sum[0] += (0..2).map(|i| car.springs[0].force(v.dampers[i]) * car.motion_ratio[0]).sum::<f64>();
                    sum[1] += v.acting.brake * car.cg_height / car.wheelbase;
                }
            }
            (sum[0] / 1500.0, sum[1] / 1500.0)
        };
        let ((without, moved), (with, _)) = (front(0.0), front(0.15));
        assert!((without - with - 0.15 * moved).abs() < 2.0, "{without} {with} {moved}");
    }

    #[test]
    fn turning_left_loads_the_right_and_friction_holds() {
        let car = CarModel::default();
        let mut noise = Noise::new(1, &[]);
        let mut v = quiet(&car);
        let rest = v.dampers;
        v.step(&Command::default(), &calm(0.0), 0.01, &mut noise);
        assert_eq!(v.dampers, rest, "a car at rest stays at rest");
        v.speed = 20.0;
        let left = Ambient { curvature: 1.0 / 50.0, ..calm(0.0) };
        for _ in 0..200 {
            let drive = v.resistance(0.0);
            v.step(&Command { drive, ..Command::default() }, &left, 0.01, &mut noise);
        }
        assert!(v.dampers[1] > v.dampers[0] + 0.005 && v.dampers[3] > v.dampers[2] + 0.005);
    }

    #[test]
    fn ride_height_effect_breaks_the_square_law() {
        let car = CarModel::default();
        let ratio = |effect: f64| {
            let mut noise = Noise::new(1, &[]);
            let mut v = Vehicle::new(&car, BASE, 30.0, effect, 0.0);
            let mut at = |speed: f64| {
                v.speed = speed;
                for _ in 0..600 {
                    let drive = v.resistance(0.0);
                    v.step(&Command { drive, ..Command::default() }, &calm(0.0), 0.01, &mut noise);
                }
                v.acting.air.front / (v.speed * v.speed)
            };
            let low = at(25.0);
            at(60.0) / low
        };
        assert!((ratio(0.0) - 1.0).abs() < 1e-12);
        assert!(ratio(20.0) > 1.03, "{}", ratio(20.0));
    }
}
