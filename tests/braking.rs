//! The sample logs without their brake channel: what is refused, and that a limit of the deceleration keeps braking
//! out of the windows.

use std::fs;
use std::path::{Path, PathBuf};

use squarelaw::table::parquet_file;
use squarelaw::table::row::Row;
use squarelaw::table::rows::{FunnelRow, WindowRow};

use crate::main_job::{pipeline_into, root, squarelaw};

/// The pipeline of the season check with layouts that name no brake, `more` added to the options of `coastdown` and
/// `straight`.
fn without_brake(folder: &Path, more: &str) -> PathBuf {
    let pipeline = pipeline_into(folder, "season-check.yaml");
    for entry in fs::read_dir(root().join("schemas")).unwrap().map(Result::unwrap) {
        let name = entry.file_name().into_string().unwrap();
        if name.ends_with(".layout.yaml") {
            let text = fs::read_to_string(entry.path()).unwrap();
            let left: String = text.lines().filter(|l| !l.contains("brake")).map(|l| format!("{l}\n")).collect();
            assert_ne!(left, text, "{name}");
            fs::write(folder.join(name), left).unwrap();
        }
    }
    let text = fs::read_to_string(&pipeline)
        .unwrap()
        .replace(&root().join("schemas").display().to_string(), &folder.display().to_string())
        .replace("lasting: 2..20 s }", &format!("lasting: 2..20 s{more} }}"))
        .replace("straight: { speed: 80..260 km/h", &format!("straight: {{ speed: 80..260 km/h{more}"));
    fs::write(&pipeline, text).unwrap();
    pipeline
}

fn table<R: Row>(folder: &Path) -> Vec<R> {
    parquet_file::read(&parquet_file::place(&folder.join("out/season-check"), R::TABLE, "2031")).unwrap()
}

#[test]
fn logs_without_a_brake_channel_need_a_limit_of_the_deceleration() {
    let folder = tempfile::tempdir().unwrap();
    let pipeline = without_brake(folder.path(), "");
    let output = squarelaw(&["check", pipeline.to_str().unwrap()]);
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{text}");
    for part in [
        "without channel `brake_pressure` braking looks like coasting",
        "without channel `brake_pressure` braking looks like free running",
        "log it, or give `deceleration`: the most that the car slows down by itself, for example `0.25 g`",
    ] {
        assert!(text.contains(part), "no `{part}` in\n{text}");
    }
}

#[test]
fn a_limit_of_the_deceleration_keeps_braking_out() {
    let folder = tempfile::tempdir().unwrap();
    let limited = |limit: &str| {
        let pipeline = without_brake(folder.path(), &format!(", deceleration: {limit}"));
        let output = squarelaw(&["run", pipeline.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(3), "{}", String::from_utf8_lossy(&output.stderr));
        let funnel: Vec<FunnelRow> = table(folder.path());
        let slowed = |stage: &str| -> f64 {
            funnel.iter().filter(|f| f.stage == stage && f.rule == "deceleration").map(|f| f.seconds).sum()
        };
        let windows: Vec<WindowRow> = table(folder.path());
        let hardest = |kind: &str| windows.iter().filter(|w| &*w.kind == kind).map(|w| w.accel_x).fold(0.0, f64::min);
        (["coastdown", "straight"].map(slowed), ["coastdown", "straight"].map(hardest))
    };
    let (lost, hardest) = limited("0.25 g");
    assert!(lost.iter().all(|s| *s > 10.0), "{lost:?}");
    assert!(hardest.iter().all(|a| *a < -0.1 && *a > -0.25 * 9.80665), "{hardest:?}");
    // The same logs with a limit that limits nothing: braking is taken for coasting.
    let (lost, hardest) = limited("3 g");
    assert_eq!(lost, [0.0, 0.0]);
    assert!(hardest[0] < -4.0, "{hardest:?}");
}
