//! From changes of spring or wheel load to downforce: what acceleration, gradient, drive and brake
//! move between the axles, and which part of it the suspension links carry past the springs.
//!
//! # Derivation
//! Side view, x forward, z up, rigid car of mass m on a road of slope θ, centre of gravity at height h,
//! wheelbase L. Wheel loads N_f and N_r act up on the axles. Contact patches push with X forward in
//! total. The air pulls back with D and down, and its whole effect is written as two downforces L_f and
//! L_r at the contact patches plus D in the ground plane; a drag that in truth acts at height h_D is
//! therefore inside them, as −D·h_D/L at the front and +D·h_D/L at the rear. **The drag moment stays
//! in**, as it does on a wind tunnel balance whose wheels stand on the ground plane.
//!
//! With the specific force f_x = a_x + g·sin θ, which is what an accelerometer feels:
//!
//! * along x: X − D = m·f_x
//! * about the rear contact patch: N_f·L = W_f·L + L_f·L − m·f_x·h
//! * about the front contact patch: N_r·L = W_r·L + L_r·L + m·f_x·h
//!
//! With ΔN the change from the static load, and the *transfer* m·f_x·h/L, which loads the rear when
//! f_x is positive:
//!
//! * L_f = ΔN_f + m·f_x·h/L
//! * L_r = ΔN_r − m·f_x·h/L
//!
//! Load cells at the wheel give ΔN. Springs do not: part of the wheel load goes through the links.
//! Cut the rear wheel and its links free. A wheel that is driven from a final drive on the body pushes
//! at hub height on links that rise forward at an angle φ in side view, so moments about their
//! instantaneous centre give N_r = S_r + T·tan φ, with S_r the spring force at the wheel and T the
//! tractive force of the rear wheels. The anti-squat share is defined by tan φ = anti_squat·h/L, so
//!
//! * L_r = ΔS_r + anti_squat·T·h/L − m·f_x·h/L
//!
//! It is T that counts, not m·f_x: at steady speed T holds the drag, f_x is zero, and the links still
//! carry their share, which grows with v² like a downforce. An engine that brakes the car makes T negative.
//!
//! Under braking with brakes at the wheels and a whole brake force B (positive), the anti-dive share is
//! defined so that the front links carry anti_dive·B·h/L of the front's gain:
//!
//! * L_f = ΔS_f + anti_dive·B·h/L + m·f_x·h/L
//!
//! With B ≈ −m·f_x this is ΔS_f + (1 − anti_dive)·m·f_x·h/L. A car that slows down by drag alone has
//! B = 0 and keeps its whole transfer in the springs, so f_x < 0 does not by itself mean braking.
//!
//! Left out: spin-up of the wheels, (m_e − m)·r·a/L, two to three per cent of the transfer where the rotating parts are
//! wheels (coasting alone read with it would change the front by half a per cent, steady windows not at all); rolling
//! resistance pushing at hub height, a few newtons; and, below one per cent of the transfer or not measurable, the links'
//! vertical force of the undriven axle, cos θ in the weight, rise and fall of h. Dampers see no lift of unsprung parts (wheels, uprights).
//!
//! Source of the definitions: SAE J670 / ISO 8855 terms; W. F. Milliken, D. L. Milliken, Race Car Vehicle
//! Dynamics, SAE 1995, chapter 17 (from memory). The balance above is derived here.

use crate::units::G;

/// Front and rear of one quantity, N.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Axles {
    /// Front axle.
    pub front: f64,
    /// Rear axle.
    pub rear: f64,
}

/// What turns longitudinal forces into vertical ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Height of the centre of gravity, m.
    pub cg_height: f64,
    /// Wheelbase, m.
    pub wheelbase: f64,
    /// Share of the braking transfer that the front links carry.
    pub anti_dive: f64,
    /// Share of the driving transfer that the rear links carry.
    pub anti_squat: f64,
}

/// Forces along the car.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Longitudinal {
    /// Mass of the car, kg.
    pub mass: f64,
    /// Specific force along x, m/s².
    pub specific_force: f64,
    /// Tractive force of the rear wheels at the ground, N, driving positive.
    pub rear_drive: f64,
    /// Force of the brakes of all wheels, N, never negative.
    pub braking: f64,
}

impl Geometry {
    /// Load that moves from the front to the rear axle, N: m·f_x·h/L.
    pub fn transfer(&self, mass: f64, specific_force: f64) -> f64 {
        mass * specific_force * self.cg_height / self.wheelbase
    }

    /// Downforce of each axle, N, from the change of the wheel loads since static, N.
    pub fn from_wheel_loads(&self, change: Axles, along: &Longitudinal) -> Axles {
        let moved = self.transfer(along.mass, along.specific_force);
        Axles { front: change.front + moved, rear: change.rear - moved }
    }

    /// Change of the wheel loads, N, from the change of the spring forces at the wheels, N.
    pub fn wheel_loads_from_springs(&self, change: Axles, along: &Longitudinal) -> Axles {
        let lever = self.cg_height / self.wheelbase;
        Axles {
            front: change.front + self.anti_dive * along.braking * lever,
            rear: change.rear + self.anti_squat * along.rear_drive * lever,
        }
    }

    /// Downforce of each axle, N, from the change of the spring forces at the wheels since static, N.
    pub fn from_springs(&self, change: Axles, along: &Longitudinal) -> Axles {
        self.from_wheel_loads(self.wheel_loads_from_springs(change, along), along)
    }
}

/// Weight of fuel on each axle, N, for a mass of fuel in kg.
pub fn fuel_weight(mass: f64, front_share: f64) -> Axles {
    Axles { front: mass * G * front_share, rear: mass * G * (1.0 - front_share) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    const M: f64 = 1050.0;
    const H: f64 = 0.36;
    const L: f64 = 2.64;
    /// Centre of gravity behind the front axle, m.
    const A: f64 = 1.45;
    const RADIUS: f64 = 0.32;
    /// Height of the drag, m.
    const H_D: f64 = 0.62;

    fn geometry(anti_dive: f64, anti_squat: f64) -> Geometry {
        Geometry { cg_height: H, wheelbase: L, anti_dive, anti_squat }
    }

    /// Forces at the axles, solved from the free bodies of car body and rear suspension, with real links:
    /// the rear hub hangs on an arm whose pivot lies `p` ahead of and `q` above the hub.
    struct Solved {
        n_f: f64,
        n_r: f64,
        s_f: f64,
        s_r: f64,
    }

    /// `lift`: vertical air forces at front and rear axle, down. Unknowns: N_f, N_r, S_f, S_r, pivot x, pivot z.
    fn driven(f_x: f64, drag: f64, lift: (f64, f64), p: f64, q: f64) -> (Solved, f64) {
        let x = M * f_x + drag; // contact force, rear wheels only
        let b = L - A;
        // Coordinates from the centre of gravity: rear hub at (-b, r - h), pivot p ahead and q above it.
        let pivot = (-b + p, RADIUS - H + q);
        // Moment of a force (fx, fz) at (rx, rz), nose up positive: rx·fz − rz·fx.
        let mut m = DMatrix::<f64>::zeros(6, 6);
        let mut rhs = DVector::<f64>::zeros(6);
        // 0: front wheel carries its spring.            N_f − S_f = 0
        (m[(0, 0)], m[(0, 2)]) = (1.0, -1.0);
        // 1: rear hub and arm, along x (the wheel hands over X at the hub).   X + P_x = 0
        m[(1, 4)] = 1.0;
        rhs[1] = -x;
        // 2: rear hub and arm, along z.                 N_r − S_r + P_z = 0
        (m[(2, 1)], m[(2, 3)], m[(2, 5)]) = (1.0, -1.0, 1.0);
        // 3: rear hub and arm, moments about the hub.   p·P_z − q·P_x = 0
        (m[(3, 5)], m[(3, 4)]) = (p, -q);
        // 4: body along z, unsprung parts without mass: S_f + S_r − P_z = W + lift
        (m[(4, 2)], m[(4, 3)], m[(4, 5)]) = (1.0, 1.0, -1.0);
        rhs[4] = M * G + lift.0 + lift.1;
        // 5: body, moments about the centre of gravity: springs at the axles, pivot, reaction of the half
        // shafts X·r (nose up), air: lift at the axles, drag at its height. The body's own inertia acts at the
        // centre of gravity and has no moment.
        (m[(5, 2)], m[(5, 3)]) = (A, -b);
        (m[(5, 4)], m[(5, 5)]) = (pivot.1, -pivot.0);
        rhs[5] = A * lift.0 - b * lift.1 - drag * (H_D - H) - x * RADIUS;
        let s = m.lu().solve(&rhs).unwrap();
        (Solved { n_f: s[0], n_r: s[1], s_f: s[2], s_r: s[3] }, x)
    }

    fn statics() -> (f64, f64) {
        (M * G * (L - A) / L, M * G * A / L)
    }

    #[test]
    fn recovers_the_air_forces_of_a_solved_car_under_drive() {
        // A swing arm with tan φ = q/p = 0.06, thus anti-squat 0.06·L/h = 44 %.
        let (p, q) = (1.5, 0.09);
        let g = geometry(0.0, q / p * L / H);
        for (f_x, drag) in [(0.0, 0.0), (0.0, 1500.0), (2.0, 900.0), (-0.8, 1200.0), (0.4, 0.0)] {
            let lift = (800.0, 1700.0);
            let (s, t) = driven(f_x, drag, lift, p, q);
            let (w_f, w_r) = statics();
            let along = Longitudinal { mass: M, specific_force: f_x, rear_drive: t, braking: 0.0 };
            let springs = g.from_springs(Axles { front: s.s_f - w_f, rear: s.s_r - w_r }, &along);
            let cells = g.from_wheel_loads(Axles { front: s.n_f - w_f, rear: s.n_r - w_r }, &along);
            // The drag moment stays in: drag at its height takes load off the front.
            let want = Axles { front: lift.0 - drag * H_D / L, rear: lift.1 + drag * H_D / L };
            for got in [springs, cells] {
                assert!((got.front - want.front).abs() < 1e-6, "front {} for {}", got.front, want.front);
                assert!((got.rear - want.rear).abs() < 1e-6, "rear {} for {}", got.rear, want.rear);
            }
        }
    }

    #[test]
    fn links_carry_at_steady_speed_too() {
        // No acceleration, but 1500 N of drag to hold: 44 % of 1500·0.36/2.64 = 90 N never reach the springs.
        let (s, t) = driven(0.0, 1500.0, (0.0, 0.0), 1.5, 0.09);
        assert_eq!(t, 1500.0);
        assert!((s.n_r - s.s_r - 90.0).abs() < 1e-6);
    }

    #[test]
    fn recovers_the_air_forces_under_braking() {
        // Brakes at the wheels push at the ground. Front links rise rearward with tan φ = 0.05 towards their
        // instantaneous centre, bias 62 % front: N_f − S_f = B_f·tan φ by moments about that centre.
        let (tan_phi, bias, brake, drag) = (0.05, 0.62, 8000.0, 1100.0);
        let lift = (700.0, 1500.0);
        let f_x = -(brake + drag) / M;
        // Whole car about each contact patch.
        let (w_f, w_r) = statics();
        let n_f = (w_f * L + lift.0 * L - drag * H_D - M * f_x * H) / L;
        let n_r = M * G + lift.0 + lift.1 - n_f;
        let s_f = n_f - bias * brake * tan_phi;
        let g = geometry(tan_phi * bias * L / H, 0.0);
        let along = Longitudinal { mass: M, specific_force: f_x, rear_drive: 0.0, braking: brake };
        let got = g.from_springs(Axles { front: s_f - w_f, rear: n_r - w_r }, &along);
        assert!((got.front - (lift.0 - drag * H_D / L)).abs() < 1e-6);
        assert!((got.rear - (lift.1 + drag * H_D / L)).abs() < 1e-6);
    }

    #[test]
    fn coasting_is_not_braking() {
        // Slowed by drag alone, the springs feel the whole transfer, whatever the anti-dive share.
        let along = Longitudinal { mass: M, specific_force: -1.0, ..Default::default() };
        let springs = Axles { front: 200.0, rear: 300.0 };
        assert_eq!(geometry(0.4, 0.3).from_springs(springs, &along), geometry(0.0, 0.0).from_springs(springs, &along));
    }

    #[test]
    fn fuel_by_hand() {
        // 10 kg, 30 % on the front: 29.42 and 68.65 N.
        let w = fuel_weight(10.0, 0.3);
        assert!((w.front - 29.419_95).abs() < 1e-9 && (w.rear - 68.646_55).abs() < 1e-9);
    }

    proptest! {
        /// Longitudinal forces only move load: the sum of the wheel-load route is the sum of the changes.
        #[test]
        fn transfer_creates_nothing(f in -3e3..3e3_f64, r in -3e3..3e3_f64, a in -15.0..15.0_f64) {
            let along = Longitudinal { mass: M, specific_force: a, ..Default::default() };
            let got = geometry(0.3, 0.3).from_wheel_loads(Axles { front: f, rear: r }, &along);
            prop_assert!((got.front + got.rear - f - r).abs() < 1e-9);
        }

        /// Linear in everything, so the mean of samples is the sample of means.
        #[test]
        fn linear(k in -3.0..3.0_f64, f in -3e3..3e3_f64, a in -15.0..15.0_f64, t in -5e3..5e3_f64) {
            let g = geometry(0.2, 0.4);
            let one = Longitudinal { mass: M, specific_force: a, rear_drive: t, braking: 0.0 };
            let many = Longitudinal { specific_force: k * a, rear_drive: k * t, ..one };
            let (x, y) = (g.from_springs(Axles { front: f, rear: -f }, &one), g.from_springs(Axles { front: k * f, rear: -k * f }, &many));
            prop_assert!((k * x.front - y.front).abs() < 1e-7 && (k * x.rear - y.rear).abs() < 1e-7);
        }
    }
}
