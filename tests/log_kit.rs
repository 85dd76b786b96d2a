//! What the tests of `load` and `align` share: a car, a layout, a run sheet, and files on disk.

use std::path::{Path, PathBuf};

use squarelaw::config::car::Car;
use squarelaw::config::layout::Layout;
use squarelaw::config::run_sheet::RunRow;
use squarelaw::error::LogFault;
use squarelaw::stages::log::load::{LayoutFor, Load, Resolved};
use squarelaw::stages::{LogCx, LogStage};
use squarelaw::table::frame::LogFrame;

/// An invented car.
pub fn car() -> Car {
    let text = r#"
name: club racer
mass: 1040 kg
wheelbase: 2.45 m
cg_height: 0.42 m
track: { front: 1.55 m, rear: 1.52 m }
corner_weights: { fl: 265 kg, fr: 260 kg, rl: 258 kg, rr: 257 kg }
springs: { front: { rate: 90 N/mm }, rear: { rate: 80 N/mm } }
motion_ratio: { front: 0.95, rear: 0.9 }
tyre_radius: { front: 0.305 m, rear: 0.31 m }
rolling_resistance: 0.013
"#;
    serde_yaml::from_str(text).unwrap()
}

/// A layout from its YAML text.
pub fn layout(yaml: &str) -> Layout {
    serde_yaml::from_str(yaml).unwrap()
}

/// One run-sheet row from its YAML text.
pub fn row(yaml: &str) -> RunRow {
    serde_yaml::from_str(yaml).unwrap()
}

/// A `load` stage with one layout for every log.
pub fn load_stage(layout: Layout) -> Load {
    let nowhere = |s: &str| squarelaw::located::Located::nowhere(s.to_owned());
    Load {
        logs: vec![nowhere("*.csv")],
        layout: nowhere("a.layout.yaml"),
        layouts: Vec::<LayoutFor>::new(),
        resolved: Resolved { layouts: vec![("*".to_owned(), layout)] },
    }
}

/// Runs a log stage on a file.
pub fn run(
    stage: &dyn LogStage,
    frame: LogFrame,
    path: &Path,
    needed: &[&str],
    runs: &[RunRow],
) -> Result<LogFrame, LogFault> {
    let needed: Vec<String> = needed.iter().map(|n| (*n).to_owned()).collect();
    let log = path.file_name().unwrap().to_string_lossy().into_owned();
    let cx =
        LogCx { path, log: &log, car: &car(), runs, needed: &needed, quantities: &[], road_load: false, bytes: None };
    stage.run(frame, &cx)
}

/// A temporary folder with one file in it.
pub struct OnDisk {
    _folder: tempfile::TempDir,
    /// The file.
    pub path: PathBuf,
}

/// Writes a file into a folder of its own.
pub fn on_disk(name: &str, bytes: &[u8]) -> OnDisk {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    OnDisk { _folder: folder, path }
}

/// Writes the bytes and loads them by the layout.
pub fn load(name: &str, bytes: &[u8], layout: Layout, needed: &[&str]) -> Result<LogFrame, LogFault> {
    let file = on_disk(name, bytes);
    run(&load_stage(layout), LogFrame::default(), &file.path, needed, &[])
}
