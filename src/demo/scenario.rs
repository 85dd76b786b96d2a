//! What to simulate.

use super::aero::{Configuration, configurations};
use super::car::CarModel;
use super::circuit::{Circuit, circuits};

/// Everything that decides a simulated season. Equal scenarios give equal seasons, bit for bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Name of the season.
    pub season: String,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Sessions.
    pub sessions: usize,
    /// Outings of each session. The first runs the first configuration, the others take turns.
    pub outings: usize,
    /// Length of an outing, minutes.
    pub minutes: f64,
    /// Samples per second.
    pub rate: f64,
    /// Least number of columns; invented further channels fill up.
    pub channels: usize,
    /// Leave out the channels that downforce and drag do not need.
    pub lean: bool,
    /// Configurations; the first is the reference.
    pub configurations: Vec<Configuration>,
    /// The car.
    pub car: CarModel,
    /// Circuits, one per event in turn.
    pub circuits: Vec<Circuit>,
    /// Scale of road roughness, sensor noise and zero drift; 1 is usual, 0 is none.
    pub noise: f64,
    /// Standard deviation of each component of a session's mean wind, m/s.
    pub wind_sd: f64,
    /// Scale of the gusts.
    pub gusts: f64,
    /// Standard deviation of the relative error of a session's damper and torque sensors.
    pub session_gain_sd: f64,
    /// Scale of the circuits' grades; with any grade the channel is logged.
    pub grade: f64,
    /// Share of straights driven behind another car, where downforce and drag are 10 to 35 % less.
    pub drafting: f64,
    /// Relative gain of downforce per metre of ride height lost; 0 keeps the square law.
    pub ride_height_effect: f64,
    /// A pitot channel is logged.
    pub pitot: bool,
    /// Every nth session is exported as one log with all its outings; 0: one log per outing, always.
    pub joined_every: usize,
    /// Standing still at the start of an outing, s.
    pub standing: f64,
    /// Faults put in.
    pub faults: Faults,
}

/// Faults put into a season.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Faults {
    /// One session in this many has miscalibrated damper sensors; 0: none.
    pub miscalibrated_every: usize,
    /// Relative error of those.
    pub miscalibration: f64,
    /// Session (from 0) whose front left damper freezes part way through its first outing.
    pub frozen_damper: Option<usize>,
    /// Session (from 0) whose first log says `m/s` over a speed in km/h.
    pub mislabelled_speed: Option<usize>,
}

impl Default for Scenario {
    fn default() -> Self {
        Self {
            season: "2031".to_owned(),
            seed: 1,
            sessions: 12,
            outings: 3,
            minutes: 6.0,
            rate: 50.0,
            channels: 0,
            lean: false,
            configurations: configurations(),
            car: CarModel::default(),
            circuits: circuits(),
            noise: 1.0,
            wind_sd: 2.0,
            gusts: 1.0,
            session_gain_sd: 0.004,
            grade: 0.0,
            drafting: 0.0,
            ride_height_effect: 0.0,
            pitot: false,
            joined_every: 0,
            standing: 4.0,
            faults: Faults::default(),
        }
    }
}

impl Scenario {
    /// Sets the number of sessions so that every configuration but the first runs in `n` sessions.
    pub fn with_sessions_per_configuration(mut self, n: usize) -> Self {
        let others = self.configurations.len().saturating_sub(1).max(1);
        self.sessions = (n * others).div_ceil(self.outings.saturating_sub(1).max(1));
        self
    }

    /// Indices of the configurations that a session runs, in the order of its outings: the reference
    /// first, then the others in turn over the whole season.
    pub fn runs_of(&self, session: usize) -> Vec<usize> {
        let others = self.configurations.len().saturating_sub(1);
        let each = self.outings.saturating_sub(1);
        (0..self.outings)
            .map(|i| if i == 0 || others == 0 { 0 } else { 1 + (session * each + i - 1) % others })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_configuration_runs_in_several_sessions() {
        let s = Scenario::default().with_sessions_per_configuration(3);
        let mut count = vec![0; s.configurations.len()];
        for session in 0..s.sessions {
            let mut runs = s.runs_of(session);
            assert_eq!(runs[0], 0);
            runs.dedup();
            assert_eq!(runs.len(), s.outings);
            runs.into_iter().for_each(|c| count[c] += 1);
        }
        assert!(count.iter().all(|n| *n >= 3), "{count:?}");
    }
}
