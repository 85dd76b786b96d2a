//! The simulator's logs read by the `load` stage: what was simulated is what is read, in every form of
//! export; and the faults that the simulator puts in are found.

use std::path::Path;

use squarelaw::demo::export::Form;
use squarelaw::demo::files::Files;
use squarelaw::demo::{Faults, Scenario, Season, sample, simulate, write};
use squarelaw::error::LogFault;
use squarelaw::table::frame::LogFrame;

use crate::log_kit;

const NEEDED: [&str; 18] = [
    "speed",
    "accel_x",
    "accel_y",
    "steering",
    "course",
    "throttle",
    "brake_pressure",
    "clutch",
    "damper_fl",
    "damper_fr",
    "damper_rl",
    "damper_rr",
    "wheel_torque_rl",
    "wheel_torque_rr",
    "fuel_used",
    "radiator_pressure_drop",
    "air_temperature",
    "air_pressure",
];

fn load(folder: &Path, log: &str, form: Form) -> Result<LogFrame, LogFault> {
    let path = folder.join("logs").join(format!("{log}.{}", form.ending()));
    let stage = log_kit::load_stage(log_kit::layout(&form.layout()));
    log_kit::run(&stage, LogFrame::default(), &path, &NEEDED, &[])
}

fn season(faults: Faults) -> Season {
    simulate(&Scenario { sessions: 1, outings: 2, minutes: 1.5, rate: 25.0, faults, ..Scenario::default() })
}

#[test]
fn every_form_is_read_as_it_was_simulated() {
    let season = season(Faults::default());
    let log = season.log(1).unwrap();
    let simulated = log.frame();
    for form in [Form::Csv, Form::CommaCsv, Form::Parquet] {
        let folder = tempfile::tempdir().unwrap();
        write(&season, &Files { form, ..Files::default() }, folder.path()).unwrap();
        let read = load(folder.path(), &log.name, form).unwrap();
        assert_eq!(read.len(), simulated.len(), "{form:?}");
        for name in NEEDED {
            let channel = log.channels.iter().find(|c| c.canonical == Some(name)).unwrap();
            let unit = squarelaw::units::unit_of(channel.unit, channel.dimension).unwrap();
            // half of the last decimal, and a little for the conversion between units
            let step = 10f64.powi(-(channel.decimals as i32)) * unit.scale * 0.502 + 1e-4 * unit.scale;
            let (a, b) = (read.get(name).unwrap(), simulated.get(name).unwrap());
            for (a, b) in a.iter().zip(b) {
                let same = if b.is_nan() { a.is_nan() } else { (a - b).abs() <= step };
                assert!(same, "{form:?} {name}: {a} is not {b}");
            }
        }
    }
}

#[test]
fn the_cut_copy_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let files = Files { cut_copy_of: Some(0), ..Files::default() };
    write(&season(Faults::default()), &files, folder.path()).unwrap();
    let fault = load(folder.path(), "e01-s1-o1-copy", Form::Csv).unwrap_err();
    assert_eq!(fault.reason(), "truncated", "{fault}");
}

#[test]
fn the_sample_logs_are_read_except_the_broken_one() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    let (scenario, files) = sample::sample();
    for (i, log) in simulate(&scenario).logs.iter().enumerate() {
        let form = files.others.iter().find(|o| o.0 == i).map_or(files.form, |o| o.1);
        let read = load(&folder, &log.name, form);
        assert!(read.is_ok(), "{}: {}", log.name, read.unwrap_err());
        if files.cut_copy_of == Some(i) {
            let fault = load(&folder, &format!("{}-copy", log.name), form).unwrap_err();
            assert_eq!(fault.reason(), "truncated", "{fault}");
        }
    }
}

#[test]
fn a_frozen_damper_and_a_wrong_unit_are_found() {
    let faults = Faults { frozen_damper: Some(0), ..Faults::default() };
    let folder = tempfile::tempdir().unwrap();
    write(&season(faults), &Files::default(), folder.path()).unwrap();
    let fault = load(folder.path(), "e01-s1-o1", Form::Csv).unwrap_err();
    assert!(matches!(&fault, LogFault::Stuck { channel, .. } if channel == "damper_fl"), "{fault}");

    let faults = Faults { mislabelled_speed: Some(0), ..Faults::default() };
    write(&season(faults), &Files::default(), folder.path()).unwrap();
    let fault = load(folder.path(), "e01-s1-o1", Form::Csv).unwrap_err();
    assert!(matches!(&fault, LogFault::Implausible { channel, .. } if channel == "speed"), "{fault}");
    assert!(load(folder.path(), "e01-s1-o2", Form::Csv).is_ok());
}
