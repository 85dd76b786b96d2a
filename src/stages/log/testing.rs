//! A car, run-sheet rows and small logs for the tests of the log stages.

use std::collections::BTreeMap;
use std::path::Path;

use crate::channels;
use crate::config::car::Car;
use crate::config::issue::Issues;
use crate::config::run_sheet::RunRow;
use crate::located::Spot;
use crate::stages::{CheckCx, Known, LogCx, LogStage, Schema};
use crate::table::frame::{LogFrame, Segment};
use crate::units::Dimension;

/// Mass 1000 kg without fuel, wheelbase 2.5 m, centre of gravity at 0.4 m, so that h/L = 0.16; springs of
/// 100 N/mm at motion ratio 0.8 in front, 120 N/mm at 0.9 behind.
const CAR: &str = "
name: bench car
mass: 1000 kg
wheelbase: 2.5 m
cg_height: 0.4 m
track: { front: 1.6 m, rear: 1.6 m }
corner_weights: { fl: 230 kg, fr: 230 kg, rl: 270 kg, rr: 270 kg }
motion_ratio: { front: 0.8, rear: 0.9 }
rotating_mass_factor: 1.04
tyre_radius: { front: 0.30 m, rear: 0.32 m }
rolling_resistance: 0.014
";
const SPRINGS: &str = "springs: { front: { rate: 100 N/mm }, rear: { rate: 120 N/mm } }\n";
const ROW: &str = "log: a.csv\nevent: e\nsession: s\nconfiguration: base\n";

/// What a stage is run with.
pub struct Bench {
    /// The car.
    pub car: Car,
    /// The rows.
    pub runs: Vec<RunRow>,
}

impl Bench {
    /// The bench car with further keys (its springs, if these name none), and one row per text of keys.
    pub fn new(car: &str, rows: &[&str]) -> Self {
        let springs = if car.contains("springs:") { "" } else { SPRINGS };
        let car = crate::config::from_text(&format!("{CAR}{springs}{car}\n"));
        Self { car, runs: rows.iter().map(|r| crate::config::from_text(&format!("{ROW}{r}\n"))).collect() }
    }

    /// Context of a run.
    pub fn cx(&self) -> LogCx<'_> {
        LogCx {
            path: Path::new("a.csv"),
            log: "a.csv",
            car: &self.car,
            runs: &self.runs,
            needed: &[],
            quantities: &[],
            road_load: true,
            bytes: None,
        }
    }

    /// Schema after the stage, and its findings, when these channels are known before it.
    pub fn check(&self, stage: &dyn LogStage, known: &[&str]) -> (Schema, Vec<String>) {
        let mut issues = Issues::default();
        let known = known.iter().map(|n| Known {
            name: (*n).to_owned(),
            dimension: dimension(n),
            made_by: "load",
            made_at: Spot::default(),
            optional: false,
        });
        let schema = stage.check(
            Schema(known.collect()),
            &mut CheckCx {
                file: Path::new("p.yaml"),
                stage: "tested",
                spot: Spot { line: 3, column: 5, length: 4 },
                car: &self.car,
                runs: &self.runs,
                window_stages: &[],
                fitted: &[],
                demanded: &mut BTreeMap::new(),
                issues: &mut issues,
            },
        );
        (schema, issues.0.into_iter().map(|i| i.message).collect())
    }

    /// Checks and runs the stage on a log, holding what it writes against what it declared: every column of
    /// the log after it is declared with its dimension, and every declared one is there.
    pub fn run(&self, stage: &dyn LogStage, log: LogFrame) -> LogFrame {
        let known: Vec<&str> = log.columns.iter().map(|c| c.name.as_str()).collect();
        let (schema, issues) = self.check(stage, &known);
        assert!(issues.is_empty(), "{issues:?}");
        let n = log.len();
        let out = stage.run(log.clone(), &self.cx()).unwrap();
        let mut declared: Vec<(String, Dimension)> = schema.0.into_iter().map(|k| (k.name, k.dimension)).collect();
        let mut written: Vec<_> = out.columns.iter().map(|c| (c.name.clone(), c.dimension)).collect();
        declared.sort();
        written.sort();
        assert_eq!(declared, written);
        assert!(out.columns.iter().all(|c| c.values.len() == n));
        out
    }
}

fn dimension(name: &str) -> Dimension {
    let made = |n: &str| match n {
        "acceleration" => Dimension::Acceleration,
        "drive_force" => Dimension::Force,
        other => panic!("no channel {other}"),
    };
    channels::find(name).map_or_else(|| made(name), |c| c.dimension)
}

/// A log of `n` samples, one a second, all of one run and outing, with these channels.
pub fn log(n: usize, columns: &[(&str, &[f64])]) -> LogFrame {
    let mut log = LogFrame {
        time: (0..n).map(|i| i as f64).collect(),
        rate: 1.0,
        segments: vec![Segment { start: 0, end: n, outing: 1, ..Default::default() }],
        ..LogFrame::default()
    };
    for (name, values) in columns {
        log.set(name, dimension(name), values.to_vec());
    }
    log
}
