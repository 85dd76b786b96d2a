//! From damper travel to the force of the spring at the wheel.

/// A spring, bump stop included: force over travel at the damper, compression positive.
#[derive(Clone, Debug, PartialEq)]
pub enum Spring {
    /// Constant rate, N/m. Only changes of force mean anything: zero force at zero travel.
    Rate(f64),
    /// Points of travel (m) and force (N), straight between neighbours.
    Table(SpringTable),
}

/// Why points make no spring table.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SpringError {
    /// Fewer than two points.
    #[error("a spring table needs at least two points, not {0}")]
    TooFew(usize),
    /// A number that is none.
    #[error("point {0} of the spring table is not a finite number")]
    NotFinite(usize),
    /// Travel does not rise.
    #[error("travel must rise from point to point of the spring table, but does not at point {0}")]
    TravelNotRising(usize),
    /// Force falls with travel.
    #[error("force falls with travel at point {0} of the spring table")]
    ForceFalls(usize),
}

/// Checked points of a spring.
#[derive(Clone, Debug, PartialEq)]
pub struct SpringTable(Vec<(f64, f64)>);

impl SpringTable {
    /// From points of travel (m) and force (N).
    ///
    /// # Errors
    /// Fewer than two points, travel that does not rise, force that falls; points are counted from 1.
    pub fn new(points: Vec<(f64, f64)>) -> Result<Self, SpringError> {
        if points.len() < 2 {
            return Err(SpringError::TooFew(points.len()));
        }
        if let Some(bad) = points.iter().position(|(t, f)| !t.is_finite() || !f.is_finite()) {
            return Err(SpringError::NotFinite(bad + 1));
        }
        for (i, (a, b)) in points.iter().zip(points.iter().skip(1)).enumerate() {
            if b.0 <= a.0 {
                return Err(SpringError::TravelNotRising(i + 2));
            }
            if b.1 < a.1 {
                return Err(SpringError::ForceFalls(i + 2));
            }
        }
        Ok(Self(points))
    }

    /// First and last travel of the table, m.
    pub fn reach(&self) -> (f64, f64) {
        match (self.0.first(), self.0.last()) {
            (Some(a), Some(b)) => (a.0, b.0),
            _ => (f64::NAN, f64::NAN),
        }
    }

    fn force(&self, travel: f64) -> Option<f64> {
        let above = self.0.partition_point(|(t, _)| *t < travel);
        let b = self.0.get(above)?;
        if above == 0 {
            return (b.0 == travel).then_some(b.1);
        }
        let a = self.0.get(above - 1)?;
        Some(a.1 + (b.1 - a.1) * (travel - a.0) / (b.0 - a.0))
    }
}

impl Spring {
    /// Force at the damper, N, at a travel in m; `None` for a missing travel and outside a table: a
    /// spring is never extrapolated, for past its end lies a bump stop or a free end that nobody measured.
    pub fn force(&self, travel: f64) -> Option<f64> {
        match self {
            _ if travel.is_nan() => None,
            Self::Rate(rate) => Some(rate * travel),
            Self::Table(table) => table.force(travel),
        }
    }
}

/// Force of the spring at the wheel, N: motion ratio times the force at the damper.
///
/// Virtual work: while the wheel moves by δz, the damper moves by MR·δz, so F_wheel·δz = F_damper·MR·δz.
/// `motion_ratio` is damper travel per wheel travel. For a rate k this is k·MR·d in damper travel d and
/// k·MR²·z in wheel travel z (W. F. Milliken, D. L. Milliken, Race Car Vehicle Dynamics, SAE 1995,
/// chapter 16, calls MR the installation ratio; from memory).
pub fn wheel_force(spring: &Spring, motion_ratio: f64, damper_travel: f64) -> Option<f64> {
    spring.force(damper_travel).map(|f| motion_ratio * f)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn table() -> Spring {
        // 100 N/mm for 20 mm, then a bump stop of 400 N/mm.
        Spring::Table(SpringTable::new(vec![(-0.005, 0.0), (0.0, 500.0), (0.02, 2500.0), (0.03, 6500.0)]).unwrap())
    }

    #[test]
    fn hand_computed_forces() {
        let s = table();
        assert_eq!(s.force(0.0), Some(500.0));
        assert!((s.force(0.01).unwrap() - 1500.0).abs() < 1e-9);
        assert!((s.force(0.025).unwrap() - 4500.0).abs() < 1e-9);
        // 120 N/mm, 10 mm at the damper, motion ratio 0.8: 960 N at the wheel, which moved 12.5 mm:
        // a wheel rate of 76.8 N/mm = 120·0.8².
        let f = wheel_force(&Spring::Rate(120e3), 0.8, 0.01).unwrap();
        assert!((f - 960.0).abs() < 1e-9 && (f / 0.0125 - 120e3 * 0.64).abs() < 1e-6);
    }

    #[test]
    fn never_extrapolated() {
        let s = table();
        assert_eq!(s.force(-0.0051), None);
        assert_eq!(s.force(0.0301), None);
        assert_eq!(s.force(f64::NAN), None);
        assert_eq!(s.force(-0.005), Some(0.0));
        assert_eq!(s.force(0.03), Some(6500.0));
    }

    #[test]
    fn bad_tables_are_refused() {
        let new = |p: &[(f64, f64)]| SpringTable::new(p.to_vec()).unwrap_err();
        assert_eq!(new(&[(0.0, 0.0)]), SpringError::TooFew(1));
        assert_eq!(new(&[(0.0, 0.0), (0.0, 1.0)]), SpringError::TravelNotRising(2));
        assert_eq!(new(&[(0.0, 5.0), (0.1, 4.0)]), SpringError::ForceFalls(2));
        assert_eq!(new(&[(0.0, 5.0), (f64::NAN, 6.0)]), SpringError::NotFinite(2));
    }

    proptest! {
        /// Work of the damper equals the work at the wheel along any path, here in small steps.
        #[test]
        fn virtual_work_is_kept(mr in 0.4..1.3_f64, z in 0.001..0.02_f64) {
            let s = table();
            let n = 2000;
            let dz = z / f64::from(n);
            let at_wheel: f64 = (0..n).map(|i| wheel_force(&s, mr, mr * (f64::from(i) + 0.5) * dz).unwrap() * dz).sum();
            // Energy in the spring, integrated by hand from its pieces.
            let d = mr * z;
            let energy = |d: f64| if d <= 0.02 { 500.0 * d + 0.5e5 * d * d } else {
                let e = d - 0.02; 30.0 + 2500.0 * e + 2e5 * e * e };
            prop_assert!((at_wheel - energy(d)).abs() < 1e-4 * energy(d).max(1.0));
        }

        /// A table on a straight line is a rate.
        #[test]
        fn straight_table_equals_rate(d in -0.04..0.04_f64, mr in 0.3..1.5_f64) {
            let t = Spring::Table(SpringTable::new(vec![(-0.05, -5e3), (0.01, 1e3), (0.05, 5e3)]).unwrap());
            let (a, b) = (wheel_force(&t, mr, d).unwrap(), wheel_force(&Spring::Rate(1e5), mr, d).unwrap());
            prop_assert!((a - b).abs() < 1e-9);
        }
    }
}
