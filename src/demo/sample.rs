//! The small season of `sample-logs/`: six configurations, each in several sessions, dense in evidence;
//! one log with decimal comma, one in Parquet, one with all outings of a session, one broken copy.

use super::export::Form;
use super::files::Files;
use super::scenario::Scenario;

/// The scenario of the sample logs and how they are written.
pub fn sample() -> (Scenario, Files) {
    let mut scenario = Scenario {
        seed: 2031,
        sessions: 8,
        outings: 3,
        minutes: 1.7,
        rate: 25.0,
        lean: true,
        noise: 0.5,
        wind_sd: 1.6,
        gusts: 0.3,
        session_gain_sd: 0.0015,
        joined_every: 8,
        standing: 1.0,
        ..Scenario::default()
    };
    let shown = ["base", "splitter", "splitter_planes", "high_wing", "gurney", "sealed"];
    scenario.configurations.retain(|c| shown.contains(&c.name.as_str()));
    let files = Files {
        form: Form::Csv,
        others: vec![(4, Form::CommaCsv), (9, Form::Parquet)],
        cut_copy_of: Some(13),
        logs_only: true,
    };
    (scenario, files)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;
    use crate::demo::{simulate, write};

    #[test]
    fn every_configuration_runs_in_three_sessions() {
        let (scenario, _) = sample();
        for c in 0..scenario.configurations.len() {
            let sessions = (0..scenario.sessions).filter(|s| scenario.runs_of(*s).contains(&c)).count();
            assert!(sessions >= 3, "{}: {sessions}", scenario.configurations[c].name);
        }
    }

    #[test]
    fn the_committed_sample_logs_are_what_the_command_writes() {
        let committed = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
        let fresh = tempfile::tempdir().unwrap();
        let (scenario, files) = sample();
        write(&simulate(&scenario), &files, fresh.path()).unwrap();
        let read = |folder: &Path, file: &str| fs::read_to_string(folder.join(file)).unwrap();
        for file in ["car.yaml", "runs.csv"] {
            assert_eq!(read(&committed, file), read(fresh.path(), file), "{file}");
        }
        let names = |folder: &Path| {
            let mut all: Vec<_> = fs::read_dir(folder.join("logs")).unwrap().map(|e| e.unwrap().file_name()).collect();
            all.sort();
            all
        };
        assert_eq!(names(&committed), names(fresh.path()));
        // another machine's sine may differ in its last bit and turn the rounding of a sensor's last step
        let (a, b) = (read(&committed, "logs/e01-s1-o1.csv"), read(fresh.path(), "logs/e01-s1-o1.csv"));
        assert_eq!(a.lines().count(), b.lines().count());
        for (x, y) in a.lines().zip(b.lines()).skip(2) {
            for (x, y) in x.split(',').zip(y.split(',')).filter(|(x, y)| x != y) {
                let (x, y): (f64, f64) = (x.parse().unwrap(), y.parse().unwrap());
                assert!((x - y).abs() < 1.01, "{x} is not {y}");
            }
        }
    }
}
