//! The truth of a simulated season, as `truth.json` holds it.

use serde::{Deserialize, Serialize};

use super::aero::{BASE_WING, Forces, PARTS, REFERENCE_DENSITY, REFERENCE_SPEED, WING_STEP};
use super::season::Season;

/// Everything that estimates are held against.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Season.
    pub season: String,
    /// Seed that it was made from.
    pub seed: u64,
    /// Speed of the forces below, m/s.
    pub reference_speed: f64,
    /// Density of forces and coefficients below, kg/m³.
    pub reference_density: f64,
    /// Configurations; the first is the one that the others are held against.
    pub configurations: Vec<ConfigurationTruth>,
    /// Effects of the parts that some configuration carries.
    pub parts: Vec<PartTruth>,
    /// Change per step of the wing, N.
    pub wing_step: Forces,
    /// Position that the wing steps are counted from.
    pub base_wing: f64,
    /// Sessions.
    pub sessions: Vec<SessionTruth>,
}

/// A configuration's truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ConfigurationTruth {
    /// Name.
    pub name: String,
    /// Parts.
    pub parts: Vec<String>,
    /// Wing position.
    pub wing_position: f64,
    /// Front downforce over v², N/(m/s)².
    pub c_front: f64,
    /// Rear downforce over v², N/(m/s)².
    pub c_rear: f64,
    /// Drag over v², N/(m/s)².
    pub c_drag: f64,
    /// Forces at the reference speed, N.
    pub force: Forces,
    /// Front downforce area ClA, m².
    pub cla_front: f64,
    /// Rear downforce area ClA, m².
    pub cla_rear: f64,
    /// Drag area CdA, m².
    pub cda: f64,
    /// Front share of downforce.
    pub balance: f64,
    /// Downforce over drag.
    pub efficiency: f64,
    /// Radiator pressure drop over dynamic pressure.
    pub radiator: f64,
}

/// A part's truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartTruth {
    /// Name.
    pub name: String,
    /// What it adds at the reference speed, N.
    pub effect: Forces,
}

/// A session's truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionTruth {
    /// Event.
    pub event: String,
    /// Session.
    pub session: String,
    /// Mean wind speed, m/s.
    pub wind_speed: f64,
    /// Direction that it comes from, degrees clockwise from north.
    pub wind_from: f64,
    /// Air density at the start, kg/m³.
    pub density: f64,
    /// Relative gain error of the damper sensors, front and rear.
    pub damper_gain: [f64; 2],
    /// Relative gain error of the torque sensors.
    pub torque_gain: f64,
    /// Configurations in the order of the outings.
    pub configurations: Vec<String>,
}

impl Truth {
    /// The truth of a season.
    pub fn of(season: &Season) -> Self {
        let scenario = &season.scenario;
        let area = 0.5 * REFERENCE_DENSITY;
        let configurations: Vec<ConfigurationTruth> = scenario
            .configurations
            .iter()
            .map(|c| {
                let (force, k) = (c.forces(), c.forces().coefficients());
                ConfigurationTruth {
                    name: c.name.clone(),
                    parts: c.parts.iter().map(|p| p.name.to_owned()).collect(),
                    wing_position: c.wing,
                    c_front: k.front,
                    c_rear: k.rear,
                    c_drag: k.drag,
                    force,
                    cla_front: k.front / area,
                    cla_rear: k.rear / area,
                    cda: k.drag / area,
                    balance: force.front / (force.front + force.rear),
                    efficiency: (force.front + force.rear) / force.drag,
                    radiator: c.radiator(),
                }
            })
            .collect();
        let used = |name: &str| configurations.iter().any(|c| c.parts.iter().any(|p| p == name));
        let parts = PARTS
            .iter()
            .filter(|p| used(p.name))
            .map(|p| PartTruth { name: p.name.to_owned(), effect: p.effect })
            .collect();
        let name = |i: usize| scenario.configurations.get(i).map(|c| c.name.clone()).unwrap_or_default();
        let sessions = season
            .sessions
            .iter()
            .map(|s| SessionTruth {
                event: s.event.clone(),
                session: s.session.clone(),
                wind_speed: s.weather.wind_speed(),
                wind_from: s.weather.wind_from(),
                density: s.weather.density_at(0.0),
                damper_gain: s.errors.dampers,
                torque_gain: s.errors.torque,
                configurations: s.outings.iter().map(|o| name(o.configuration)).collect(),
            })
            .collect();
        Self {
            season: scenario.season.clone(),
            seed: scenario.seed,
            reference_speed: REFERENCE_SPEED,
            reference_density: REFERENCE_DENSITY,
            configurations,
            parts,
            wing_step: WING_STEP,
            base_wing: BASE_WING,
            sessions,
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::demo::{Scenario, Truth, simulate};

    #[test]
    fn truth_survives_its_file() {
        let truth = simulate(&Scenario { sessions: 2, ..Scenario::default() }).truth();
        let text = serde_json::to_string(&truth).unwrap();
        // reading a number back may change its last bit, so floats are compared with a margin
        let back: Truth = serde_json::from_str(&text).unwrap();
        assert_eq!((&back.sessions[1].configurations, &back.parts), (&truth.sessions[1].configurations, &truth.parts));
        let pairs = truth.configurations.iter().zip(&back.configurations);
        assert!(pairs.clone().all(|(a, b)| a.name == b.name && (a.c_drag - b.c_drag).abs() < 1e-15));
        let base = &truth.configurations[0];
        // 705 N at 160 km/h and 1.225 kg/m³: 705 / (0.6125 · 44.444²) = 0.58270 m², by hand
        assert!((base.cda - 0.58270).abs() < 1e-5, "{}", base.cda);
        assert!((base.balance - 620.0 / 1605.0).abs() < 1e-12);
    }
}
