//! The driver: on every straight holds a few speeds and coasts with the clutch open, brakes, corners.

use super::noise::{Noise, Wander};

/// What the driver sees.
#[derive(Clone, Copy, Debug)]
pub struct View {
    /// Speed, m/s.
    pub speed: f64,
    /// Distance to the end of the straight, m; 0 in a corner.
    pub left: f64,
    /// Speed of the corner ahead, or of this corner, m/s.
    pub corner: f64,
    /// In the corner.
    pub cornering: bool,
    /// Mass times rotating factor, kg.
    pub inertia: f64,
    /// Resistance felt at the moment, N.
    pub resistance: f64,
    /// Largest drive force at this speed, N.
    pub limit: f64,
    /// Largest power, W.
    pub power: f64,
}

/// What the driver does.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Command {
    /// Drive force at the contact patch that is asked for, N.
    pub drive: f64,
    /// Brake force, N.
    pub brake: f64,
    /// Clutch pressed.
    pub clutch_open: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Goal {
    /// Nothing yet: just out of a corner.
    Fresh,
    /// Gain speed; seconds after which to give up.
    Reach { speed: f64, hold: f64, patience: f64 },
    /// Hold a speed for the seconds left.
    Hold { speed: f64, left: f64 },
    /// Coast for the seconds left.
    Coast { left: f64 },
    /// Brake to the corner's speed.
    Brake,
}

const BRAKING: f64 = 8.5; // m/s²
const SLOWEST: f64 = 90.0 / 3.6;
const FASTEST: f64 = 240.0 / 3.6;

/// The driver and what he has in mind.
#[derive(Clone, Debug)]
pub struct Driver {
    goal: Goal,
    integral: f64,
    unrest: Wander,
}

impl Driver {
    /// A driver whose right foot is `scale` times as restless as usual; `dt` is the step in seconds.
    pub fn new(scale: f64, dt: f64, noise: &mut Noise) -> Self {
        Self { goal: Goal::Fresh, integral: 0.0, unrest: Wander::new(45.0 * scale, 0.8, dt, noise) }
    }

    /// What he does for the next `dt` seconds.
    pub fn drive(&mut self, view: &View, dt: f64, noise: &mut Noise) -> Command {
        self.unrest.step(noise);
        if view.cornering {
            self.goal = Goal::Fresh;
            return self.hold(view, view.corner, dt);
        }
        if self.goal != Goal::Brake && view.left <= braking(view.speed, view.corner) + 6.0 {
            self.goal = Goal::Brake;
        }
        match self.goal {
            Goal::Fresh => self.decide(view, true, noise),
            Goal::Reach { speed, hold, patience } => {
                self.goal = if view.speed >= speed - 0.3 || patience <= 0.0 {
                    self.integral = 0.0;
                    Goal::Hold { speed: speed.min(view.speed + 0.3), left: hold }
                } else {
                    Goal::Reach { speed, hold, patience: patience - dt }
                };
            }
            Goal::Hold { left, .. } | Goal::Coast { left } if left <= 0.0 => self.decide(view, false, noise),
            Goal::Hold { speed, left } => self.goal = Goal::Hold { speed, left: left - dt },
            Goal::Coast { left } => self.goal = Goal::Coast { left: left - dt },
            Goal::Brake => {}
        }
        match self.goal {
            Goal::Reach { speed, .. } => self.reach(view, speed),
            Goal::Hold { speed, .. } => self.hold(view, speed, dt),
            Goal::Coast { .. } => Command { clutch_open: true, ..Command::default() },
            Goal::Brake => self.brake(view),
            Goal::Fresh => Command::default(),
        }
    }

    /// Picks what to do with the rest of the straight.
    fn decide(&mut self, view: &View, fresh: bool, noise: &mut Noise) {
        self.integral = 0.0;
        let v = view.speed;
        let coast = noise.uniform(4.0, 9.0).min((view.left - braking(v, view.corner)) / v.max(1.0));
        if !fresh && v > 36.0 && coast > 2.8 && noise.chance(0.4) {
            self.goal = Goal::Coast { left: coast };
            return;
        }
        for attempt in 0..8 {
            let slow = fresh && attempt == 0 && noise.chance(0.7);
            let low = (v + 1.0).max(SLOWEST);
            let speed = if slow { noise.uniform(low, low + 9.0) } else { noise.uniform(low + 6.0, FASTEST) };
            let hold = noise.uniform(3.2, 5.8);
            if run_up(v, speed, view) + hold * speed + braking(speed, view.corner) + 15.0 <= view.left {
                self.goal = Goal::Reach { speed, hold, patience: 16.0 };
                return;
            }
        }
        self.goal = if v > 32.0 && coast > 2.8 {
            Goal::Coast { left: coast }
        } else {
            Goal::Hold { speed: v, left: noise.uniform(3.2, 5.8) }
        };
    }

    /// Full drive, eased over the last half metre per second so that the car arrives without a jerk.
    fn reach(&self, view: &View, speed: f64) -> Command {
        let ease = ((speed - view.speed) / 1.2).clamp(0.25, 1.0);
        let surplus = (view.limit - view.resistance).max(0.0);
        Command { drive: (view.resistance + surplus * ease).clamp(0.0, view.limit), ..Command::default() }
    }

    /// Holds a speed as a driver with a good foot does.
    fn hold(&mut self, view: &View, speed: f64, dt: f64) -> Command {
        let error = (speed - view.speed).clamp(-3.0, 3.0);
        self.integral = (self.integral + 0.25 * view.inertia * error * dt).clamp(-300.0, 300.0);
        let force = view.resistance + 0.9 * view.inertia * error + self.integral + self.unrest.value;
        if view.cornering && force < -800.0 {
            return Command { brake: -force, ..Command::default() };
        }
        Command { drive: force.clamp(-250.0, view.limit), ..Command::default() }
    }

    /// Brakes so that the corner's speed is met at its beginning.
    fn brake(&self, view: &View) -> Command {
        let excess = view.speed * view.speed - view.corner * view.corner;
        if excess <= 0.0 {
            return Command { drive: view.resistance.min(view.limit), ..Command::default() };
        }
        let wanted = (excess / (2.0 * view.left.max(3.0))).min(11.0);
        Command { drive: -150.0, brake: (wanted * view.inertia - view.resistance).max(0.0), clutch_open: false }
    }
}

/// Distance from one speed down to another under braking, m.
fn braking(from: f64, to: f64) -> f64 {
    (from * from - to * to).max(0.0) / (2.0 * BRAKING)
}

/// Distance that gaining speed takes, m: mean acceleration from power and a usual resistance.
fn run_up(from: f64, to: f64, view: &View) -> f64 {
    let mean = 0.5 * (from + to).max(1.0);
    let force = (view.power / mean).min(4600.0) - 0.42 * mean * mean - 140.0;
    let gain = (force / view.inertia).max(0.4);
    (to * to - from * from).max(0.0) / (2.0 * gain) + to
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view(speed: f64, left: f64) -> View {
        View {
            speed,
            left,
            corner: 22.0,
            cornering: false,
            inertia: 1050.0,
            resistance: 600.0,
            limit: 4000.0,
            power: 225e3,
        }
    }

    #[test]
    fn brakes_when_the_corner_is_near_and_not_before() {
        let mut noise = Noise::new(1, &[]);
        let mut driver = Driver::new(0.0, 0.01, &mut noise);
        assert_eq!(driver.drive(&view(60.0, 900.0), 0.01, &mut noise).brake, 0.0);
        // (60² - 22²) / (2·8.5) = 183 m
        let near = driver.drive(&view(60.0, 180.0), 0.01, &mut noise);
        assert!(near.brake > 7000.0 && near.drive <= 0.0, "{near:?}");
    }

    #[test]
    fn coasting_presses_nothing_but_the_clutch() {
        let mut noise = Noise::new(1, &[]);
        let mut driver = Driver::new(1.0, 0.01, &mut noise);
        driver.goal = Goal::Coast { left: 3.0 };
        let c = driver.drive(&view(60.0, 600.0), 0.01, &mut noise);
        assert_eq!(c, Command { drive: 0.0, brake: 0.0, clutch_open: true });
    }
}
