//! Invented circuits: straights of given length, course and grade, joined by corners.

/// A straight and the corner after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leg {
    /// Length of the straight, m.
    pub length: f64,
    /// Course of the straight, degrees clockwise from north.
    pub course: f64,
    /// Rise over run of the straight, uphill positive; scaled by the scenario.
    pub grade: f64,
    /// Radius of the corner that leads to the next straight, m.
    pub radius: f64,
}

/// A circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    /// Name.
    pub name: &'static str,
    /// Height above sea level, m.
    pub altitude: f64,
    /// Straights in the order they are driven.
    pub legs: Vec<Leg>,
}

const fn leg(length: f64, course: f64, grade: f64, radius: f64) -> Leg {
    Leg { length, course, grade, radius }
}

/// The circuits of the season.
pub fn circuits() -> Vec<Circuit> {
    vec![
        Circuit {
            name: "Vessmoor",
            altitude: 12.0,
            legs: vec![
                leg(1400.0, 35.0, 0.002, 55.0),
                leg(1150.0, 118.0, -0.001, 42.0),
                leg(1350.0, 212.0, -0.002, 60.0),
                leg(1000.0, 305.0, 0.001, 45.0),
            ],
        },
        Circuit {
            name: "Talverne",
            altitude: 430.0,
            legs: vec![
                leg(1550.0, 80.0, 0.004, 38.0),
                leg(1000.0, 196.0, -0.003, 50.0),
                leg(1450.0, 262.0, -0.003, 45.0),
                leg(950.0, 14.0, 0.002, 52.0),
            ],
        },
        Circuit {
            name: "Pellarth",
            altitude: 140.0,
            legs: vec![
                leg(1200.0, 352.0, -0.002, 48.0),
                leg(1050.0, 71.0, 0.003, 44.0),
                leg(1300.0, 168.0, 0.002, 58.0),
                leg(950.0, 284.0, -0.003, 40.0),
            ],
        },
        Circuit {
            name: "Dunmarrow",
            altitude: 690.0,
            legs: vec![
                leg(1600.0, 122.0, 0.003, 35.0),
                leg(820.0, 214.0, -0.002, 50.0),
                leg(1500.0, 301.0, -0.003, 40.0),
                leg(860.0, 27.0, 0.002, 46.0),
            ],
        },
    ]
}

impl Circuit {
    /// Leg number `i`, counted on over the laps.
    pub fn leg(&self, i: usize) -> Leg {
        self.legs.get(i % self.legs.len().max(1)).copied().unwrap_or(leg(1000.0, 0.0, 0.0, 50.0))
    }
    /// Turn from leg `i` to the next, degrees, left positive, at most a half turn.
    pub fn turn(&self, i: usize) -> f64 {
        let change = (self.leg(i + 1).course - self.leg(i).course).rem_euclid(360.0);
        if change > 180.0 { 360.0 - change } else { -change }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_circuit_has_opposite_and_oblique_long_straights() {
        for c in circuits() {
            let long: Vec<_> = c.legs.iter().filter(|l| l.length >= 800.0).collect();
            let apart = |a: &Leg, b: &Leg| {
                let d = (a.course - b.course).rem_euclid(360.0);
                d.min(360.0 - d)
            };
            let any =
                |low: f64, high: f64| long.iter().any(|a| long.iter().any(|b| (low..=high).contains(&apart(a, b))));
            assert!(any(165.0, 180.0) && any(50.0, 120.0), "{}", c.name);
        }
    }

    #[test]
    fn turns_close_the_lap() {
        for c in circuits() {
            let sum: f64 = (0..c.legs.len()).map(|i| c.turn(i)).sum();
            assert!((sum.rem_euclid(360.0)).min(360.0 - sum.rem_euclid(360.0)) < 1e-9, "{}: {sum}", c.name);
        }
    }
}
