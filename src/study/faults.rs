//! One session of a season with a broken or wrongly labelled sensor: is it named, and how far does it move the numbers?

use std::fmt;

use rayon::prelude::*;

use super::season::{fitted, frame, plan, process, tables};
use super::{Case, ROBUST, scenario};
use crate::demo::season::SimLog;
use crate::demo::simulate;
use crate::error::Fatal;
use crate::report::columns::lay_out;
use crate::stages::season::fit::SeasonFit;
use crate::stages::window::Window;
use crate::table::frame::LogFrame;

/// The session that is struck: the second of the first event, by the start of its logs' names.
const STRUCK: &str = "e01-s2";

/// What is wrong with the sensors of a session.
pub struct Fault {
    /// In words.
    pub name: &'static str,
    channels: &'static [&'static str],
    change: fn(&mut [f64]),
}

/// Every fault of the study. They are put in behind `load`, whose own checks of ranges and stuck channels would
/// set most of these logs aside: what is measured here is what is left if they let one pass.
pub const FAULTS: &[Fault] = &[
    Fault { name: "front left damper frozen", channels: &["damper_fl"], change: |v| freeze(v, 0) },
    Fault { name: "front left damper freezes half way", channels: &["damper_fl"], change: |v| freeze(v, v.len() / 2) },
    Fault { name: "both rear dampers frozen", channels: &["damper_rl", "damper_rr"], change: |v| freeze(v, 0) },
    Fault { name: "front left damper reads half", channels: &["damper_fl"], change: |v| scale(v, 0.5) },
    Fault {
        name: "front left damper in inches, labelled mm",
        channels: &["damper_fl"],
        change: |v| scale(v, 1.0 / 25.4),
    },
    Fault { name: "front dampers read 30 % more", channels: &["damper_fl", "damper_fr"], change: |v| scale(v, 1.3) },
    Fault { name: "speed in mph, labelled km/h", channels: &["speed"], change: |v| scale(v, 1.0 / 1.609_344) },
    Fault { name: "speed in km/h, labelled mph", channels: &["speed"], change: |v| scale(v, 1.609_344) },
    Fault { name: "one wheel torque dead", channels: &["wheel_torque_rl"], change: |v| scale(v, 0.0) },
    Fault {
        name: "wheel torques in lbf.ft, labelled N.m",
        channels: &["wheel_torque_rl", "wheel_torque_rr"],
        change: |v| scale(v, 1.0 / 1.355_817_948),
    },
];

fn freeze(values: &mut [f64], from: usize) {
    if let Some(last) = values.get(from).copied() {
        values.iter_mut().skip(from).for_each(|v| *v = last);
    }
}

fn scale(values: &mut [f64], factor: f64) {
    values.iter_mut().for_each(|v| *v *= factor);
}

impl Fault {
    /// A log with the fault in it.
    fn strike(&self, mut frame: LogFrame) -> LogFrame {
        let mine = frame.columns.iter_mut().filter(|c| self.channels.contains(&c.name.as_str()));
        mine.for_each(|c| (self.change)(&mut c.values));
        frame
    }
}

/// What one fault did over some seasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Struck {
    /// The fault.
    pub name: &'static str,
    /// Seasons.
    pub seasons: usize,
    /// Seasons in which the session was left out, or logs of it set aside.
    pub named: usize,
    /// Largest change of front or rear downforce or drag of any configuration, N, over the largest of each season.
    pub worst: f64,
    /// The middle of those.
    pub median: f64,
}

/// Runs `seasons` seasons with every fault, each beside the same season without.
///
/// # Errors
/// When a season can't be simulated or processed: a defect, not a result.
pub fn run(sessions: usize, seasons: usize, first_seed: u64) -> Result<Vec<Struck>, Fatal> {
    let case = Case {
        name: "faults",
        scenario: scenario(sessions),
        vary: |_, _| {},
        fit: ROBUST.to_owned(),
        windows: Vec::new(),
        air_speed_from: None,
        split: false,
        bound: false,
        hold_out: false,
        instead: super::Instead::default(),
        kept: None,
    };
    let one = |seed: u64| season(&case, seed);
    let all: Vec<Vec<(bool, f64)>> =
        (0..seasons as u64).into_par_iter().map(|i| one(first_seed + i)).collect::<Result<_, Fatal>>()?;
    Ok(FAULTS
        .iter()
        .enumerate()
        .map(|(k, fault)| {
            let mine: Vec<(bool, f64)> = all.iter().filter_map(|season| season.get(k).copied()).collect();
            let mut moves: Vec<f64> = mine.iter().map(|m| m.1).collect();
            Struck {
                name: fault.name,
                seasons,
                named: mine.iter().filter(|m| m.0).count(),
                worst: moves.iter().copied().fold(0.0, f64::max),
                median: crate::numerics::spread::median(&mut moves),
            }
        })
        .collect())
}

/// One season: for every fault whether it was called out, and how far it moved a force.
fn season(case: &Case, seed: u64) -> Result<Vec<(bool, f64)>, Fatal> {
    let season = simulate(&case.scenario_of(seed));
    let plan = plan(case, &season)?;
    let (mut others, mut sound) = (Vec::new(), Vec::new());
    let mut struck: Vec<SimLog> = Vec::new();
    for log in season.iter() {
        let windows = process(&plan, &log, frame(&log)).unwrap_or_default();
        if log.name.starts_with(STRUCK) {
            sound.extend(windows);
            struck.push(log);
        } else {
            others.extend(windows);
        }
    }
    let with = |mine: Vec<Window>| fitted(case, &plan, &tables(&plan, [others.clone(), mine].concat()));
    let before = with(sound)?;
    FAULTS
        .iter()
        .map(|fault| {
            let results = struck.iter().map(|log| process(&plan, log, fault.strike(frame(log))));
            let results: Vec<Option<Vec<Window>>> = results.collect();
            let set_aside = results.iter().any(Option::is_none);
            let after = with(results.into_iter().flatten().flatten().collect())?;
            Ok((set_aside || named(&after, &struck), moved(&before, &after)))
        })
        .collect()
}

/// Whether the struck session is called out: left out of a quantity, or without a window left.
fn named(fit: &SeasonFit, struck: &[SimLog]) -> bool {
    let index =
        fit.evidence.sessions.iter().position(|s| struck.iter().any(|l| (&l.event, &l.session) == (&s.0, &s.1)));
    index.is_none_or(|i| fit.findings.iter().any(|f| f.implausible && f.session == i))
}

/// Largest change of a force of a configuration, N. Infinite where one went missing.
fn moved(before: &SeasonFit, after: &SeasonFit) -> f64 {
    let mut worst = 0.0_f64;
    for (k, configuration) in before.evidence.configurations.iter().enumerate() {
        let other = after.evidence.configurations.iter().position(|c| c.name == configuration.name);
        for name in ["front_downforce", "rear_downforce", "drag"] {
            let force = |fit: &SeasonFit, k: usize| fit.named(k, name).map(|d| d.0.value * fit.speed * fit.speed);
            let apart = force(before, k).zip(other.and_then(|k| force(after, k))).map(|(a, b)| (a - b).abs());
            worst = worst.max(apart.unwrap_or(f64::INFINITY));
        }
    }
    worst
}

/// The table of faults, for people.
pub struct Report<'a>(pub &'a [Struck]);

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let heading = ["one session with", "named in", "moves a force by N, median", "worst"];
        let mut rows = vec![heading.map(str::to_owned).to_vec()];
        for s in self.0 {
            rows.push(vec![
                s.name.to_owned(),
                format!("{} of {}", s.named, s.seasons),
                format!("{:.1}", s.median),
                format!("{:.1}", s.worst),
            ]);
        }
        f.write_str(&lay_out(&rows))
    }
}
