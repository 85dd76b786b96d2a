//! Loads of single tyres, as functions of the fit's coefficients, so that they get its intervals.

use super::rating;
use crate::config::car::Car;
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::estimate::Derived;
use crate::stages::window::peaks::{MOVING, Moment, Peaks};
use crate::units::G;

/// An estimated load.
#[derive(Clone, Debug)]
pub struct Estimated {
    /// The load, N.
    pub load: Derived,
    /// Static part, N.
    pub static_load: f64,
    /// The air's part, N.
    pub downforce: f64,
    /// Load moved along and across the car, N.
    pub transfer: f64,
    /// Speed over ground, m/s.
    pub speed: f64,
    /// What the number comes from.
    pub basis: &'static str,
    /// How the load grows with speed, where it is straight running.
    pub gain: Option<Gain>,
    /// Log and second.
    pub seen: Option<(String, f64)>,
    /// Remarks.
    pub flags: Vec<&'static str>,
}

/// What a load in straight running is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gain {
    /// Static load and transfer, which do not change with speed, N.
    pub fixed: f64,
    /// Effective v² that the load is given at, over that of still air at the same speed over ground.
    pub headwind: f64,
}

impl Gain {
    /// The air's part of a load in still air, N.
    pub fn in_still_air(self, load: f64) -> f64 {
        (load - self.fixed) / self.headwind
    }
}

/// Flags of a log after which a higher load may have gone unseen.
const HIDING: [&str; 2] = ["spring_table_left", "spikes_removed"];
/// Flags of a peak that may not be the highest: no margin can be called kept on it.
pub const UNSEEN: [&str; 5] =
    [HIDING[0], HIDING[1], "loads_missing", "zero_unknown_in_some_logs", "above_speed_symbol"];

/// What the loads are made of.
pub struct Loads<'a> {
    /// The fit.
    pub fit: &'a SeasonFit,
    /// The car.
    pub car: &'a Car,
    /// Highest loads and top speeds.
    pub peaks: &'a [Peaks],
}

/// Whether a corner is in front.
fn is_front(corner: usize) -> bool {
    corner < 2
}

impl Loads<'_> {
    /// Weight of a corner as weighed, N.
    fn weighed(&self, corner: usize) -> f64 {
        let c = &self.car.corner_weights;
        let [fl, fr, rl, rr] = [&c.fl, &c.fr, &c.rl, &c.rr].map(|w| w.get());
        [fl, fr, rl, rr].get(corner).copied().unwrap_or(f64::NAN) * G
    }

    /// Static load of a corner, N, with fuel in kg aboard: half of the axle's share of what differs from weighing.
    pub fn static_load(&self, corner: usize, fuel: f64) -> f64 {
        let front = self.car.fuel.front_share.get();
        let share = if is_front(corner) { front } else { 1.0 - front };
        let more = fuel.max(0.0) - self.car.fuel.at_corner_weights.get();
        self.weighed(corner) + 0.5 * share * more * G
    }

    /// Coefficient of the axle's downforce.
    fn axle(&self, configuration: usize, corner: usize) -> Option<Derived> {
        let name = if is_front(corner) { "front_downforce" } else { "rear_downforce" };
        self.fit.named(configuration, name).map(|(d, _)| d)
    }

    /// What the logs of a configuration show.
    pub fn of(&self, k: usize) -> impl Iterator<Item = &Peaks> {
        let name = self.fit.evidence.configurations.get(k).map(|c| c.name.as_str()).unwrap_or_default();
        self.peaks.iter().filter(move |p| p.configuration == name)
    }

    /// Effective v² of a moment under the session's wind as the fit found it.
    fn effective_v2(&self, p: &Peaks, m: &Moment) -> f64 {
        let h = self.fit.headwind(&p.event, &p.session, m.course);
        m.v2 + 2.0 * h * m.v + h * h * m.ratio
    }

    /// Load moved along the car onto this corner, N, by a specific force along x: half of m·f_x·h/L of its axle.
    fn along(&self, corner: usize, m: &Moment) -> f64 {
        let moved =
            self.car.mass_with(m.fuel.max(0.0)) * m.felt_x * self.car.cg_height.get() / self.car.wheelbase.get();
        0.5 * if is_front(corner) { -moved } else { moved }
    }

    /// Load moved across the car onto this corner, N: the axle's static mass times a_y·h/track. How the roll
    /// stiffness shares it between the axles is not known, so each carries its own.
    fn across(&self, corner: usize, m: &Moment) -> f64 {
        let (left, track) = match corner {
            0 => (true, &self.car.track.front),
            1 => (false, &self.car.track.front),
            2 => (true, &self.car.track.rear),
            _ => (false, &self.car.track.rear),
        };
        let axle = if is_front(corner) { [0, 1] } else { [2, 3] };
        let weight: f64 = axle.iter().map(|c| self.static_load(*c, m.fuel)).sum();
        let moved = weight / G * m.felt_y * self.car.cg_height.get() / track.get();
        // Turning left pushes to the right.
        if left { -moved } else { moved }
    }

    /// The stretch of the highest speed over ground of a configuration.
    pub fn fastest(&self, k: usize) -> Option<&Peaks> {
        self.of(k).max_by(|a, b| a.top.speed.total_cmp(&b.top.speed))
    }

    /// On the straight at the top speed that this configuration reached in the logs. The top is often reached with
    /// the wind from behind, and the next one need not be: at least the load of still air.
    pub fn at_top_speed(&self, k: usize, corner: usize) -> Option<Estimated> {
        let axle = self.axle(k, corner)?;
        let fastest = self.fastest(k)?;
        let m = &fastest.top;
        let still = m.ratio * m.speed * m.speed;
        let met = self.effective_v2(fastest, m);
        // Of an axle that lifts it is the lesser air that loads the tyre.
        let x = if axle.value < 0.0 { met.min(still) } else { met.max(still) };
        let (rest, moved) = (self.static_load(corner, m.fuel), self.along(corner, m));
        let e = self.straight(&axle, x, rest, moved, m.speed);
        let gain = Some(Gain { fixed: rest + moved, headwind: x / still });
        Some(Estimated { seen: Some((fastest.log.clone(), m.start)), gain, ..e })
    }

    /// On the straight at a speed (m/s), density (kg/m³) and fuel (kg), steady and in still air.
    pub fn at_speed(&self, k: usize, corner: usize, speed: f64, density: f64, fuel: f64) -> Option<Estimated> {
        let axle = self.axle(k, corner)?;
        let x = density / self.fit.density * speed * speed;
        Some(self.straight(&axle, x, self.static_load(corner, fuel), 0.0, speed))
    }

    fn straight(&self, axle: &Derived, x: f64, rest: f64, moved: f64, speed: f64) -> Estimated {
        let air = axle.times(0.5 * x);
        Estimated {
            static_load: rest,
            downforce: air.value,
            transfer: moved,
            speed,
            basis: "fit",
            gain: Some(Gain { fixed: rest + moved, headwind: 1.0 }),
            seen: None,
            flags: Vec::new(),
            load: Derived { value: rest + moved + air.value, ..air },
        }
    }

    /// The sustained load of this corner that uses most of its rating at the speed of the moment, in the logs of this
    /// configuration, cornering, braking and kerbs included as far as the sensors show them; or what static load,
    /// downforce and the accelerations of that moment give, where that is more: dampers do not see what bars between
    /// the wheels carry. Where no moment has a rating, the highest load.
    pub fn peak(&self, k: usize, corner: usize) -> Option<Estimated> {
        let axle = self.axle(k, corner)?;
        let all = self.of(k).flat_map(|p| p.corners.get(corner).into_iter().flatten().map(move |m| (p, m)));
        let estimates = all.flat_map(|(p, m)| {
            let seen = Some((p.log.clone(), m.start));
            let both = [self.by_dampers(&axle, p, m, corner), Some(self.by_accelerations(&axle, p, m, corner))];
            both.into_iter().flatten().map(move |e| Estimated { seen: seen.clone(), ..e })
        });
        let tyre = self.car.tyres.as_ref().map(|t| if is_front(corner) { &t.front } else { &t.rear });
        let mut unrated = false;
        let mut best: Option<(bool, f64, Estimated)> = None;
        for e in estimates.filter(|e| e.load.value.is_finite()) {
            let rated = tyre.and_then(|t| rating(t, e.speed));
            unrated |= rated.is_none();
            let (has, used) = (rated.is_some(), e.load.value / rated.unwrap_or(1.0));
            if best.as_ref().is_none_or(|(h, u, _)| (has, used) > (*h, *u)) {
                best = Some((has, used, e));
            }
        }
        let (_, _, mut best) = best?;
        best.flags.extend(self.doubts(k));
        if unrated && tyre.is_some() {
            best.flags.push("above_speed_symbol");
        }
        Some(best)
    }

    /// Why a higher load than those seen may have gone unseen in the logs of a configuration.
    pub fn doubts(&self, k: usize) -> Vec<&'static str> {
        let mut out: Vec<&'static str> =
            HIDING.into_iter().filter(|f| self.of(k).any(|p| p.flags.iter().any(|g| g == f))).collect();
        if self.of(k).any(|p| p.unseen > 0.0) {
            out.push("loads_missing");
        }
        if self.of(k).any(|p| p.quiet.is_none() && p.top.speed > MOVING) {
            out.push("zero_unknown_in_some_logs");
        }
        out
    }

    /// As weighed, plus the change of the wheel load since the sensors' zero. The zero: what quiet running read
    /// beyond the downforce that the fit knows.
    fn by_dampers(&self, axle: &Derived, p: &Peaks, m: &Moment, corner: usize) -> Option<Estimated> {
        let quiet = p.quiet.as_ref()?;
        let at = usize::from(!is_front(corner));
        let side = if corner.is_multiple_of(2) { 1.0 } else { -1.0 };
        // Half of (axle zero = reading − coefficient·x), and the sides' own difference.
        let in_quiet = axle.times(0.5 * quiet.v2);
        let zero = 0.5 * quiet.axles.get(at)? - in_quiet.value + side * quiet.sides.get(at)?;
        let change = m.loads.get(corner)? - zero;
        // The sensors carry the fuel beyond that of the weighing with the rest.
        let (weighed, rest) = (self.weighed(corner), self.static_load(corner, m.fuel));
        Some(Estimated {
            static_load: rest,
            downforce: weighed + change - rest,
            transfer: f64::NAN,
            speed: m.speed,
            basis: "dampers",
            gain: None,
            seen: None,
            flags: Vec::new(),
            load: Derived { value: weighed + change, ..in_quiet },
        })
    }

    fn by_accelerations(&self, axle: &Derived, p: &Peaks, m: &Moment, corner: usize) -> Estimated {
        let rest = self.static_load(corner, m.fuel);
        let moved = self.along(corner, m) + self.across(corner, m);
        let e = self.straight(axle, self.effective_v2(p, m), rest, moved, m.speed);
        Estimated { basis: "accelerations", gain: None, ..e }
    }
}
