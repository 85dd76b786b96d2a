//! How long `load` takes for a 60-column export, beside the plain CSV reader on the same 20 columns.
//! `cargo bench --bench load`

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::{Arc, LazyLock};

use polars_core::prelude::{DataType, PlSmallStr, Schema};
use polars_io::SerReader;
use polars_io::csv::read::CsvReadOptions;
use squarelaw::config::car::Car;
use squarelaw::config::layout::Layout;
use squarelaw::stages::log::load::{Load, Resolved};
use squarelaw::stages::{LogCx, LogStage};
use squarelaw::table::frame::LogFrame;

const COLUMNS: usize = 60;
const NEEDED: usize = 20;
const ROWS: u32 = 55_000;

/// The export on disk, about 22 MB.
static EXPORT: LazyLock<PathBuf> = LazyLock::new(|| export("plain", ","));
/// The same with quotes around every field, which only the careful reader takes.
static QUOTED: LazyLock<PathBuf> = LazyLock::new(|| export("quoted", "\",\""));

fn export(kind: &str, between: &str) -> PathBuf {
    let quote = if between.len() > 1 { "\"" } else { "" };
    let mut text = String::new();
    let mut line = |cells: &mut dyn Iterator<Item = String>| {
        let cells: Vec<String> = cells.collect();
        writeln!(text, "{quote}{}{quote}", cells.join(between)).unwrap();
    };
    line(&mut (0..COLUMNS).map(name));
    for row in 0..ROWS {
        let time = format!("{:.2}", f64::from(row) * 0.01);
        let wave = |c: usize| format!("{:.4}", ((row as usize * c) as f64 * 0.013).sin() * 9.0);
        line(&mut std::iter::once(time).chain((1..COLUMNS).map(wave)));
    }
    let path = std::env::temp_dir().join(format!("squarelaw-bench-{kind}-{}.csv", std::process::id()));
    std::fs::write(&path, text).unwrap();
    path
}

fn main() {
    let files = [&*EXPORT, &*QUOTED];
    divan::main();
    files.iter().for_each(|f| std::fs::remove_file(f).unwrap());
}

/// Every third column is needed.
fn needed() -> impl Iterator<Item = usize> {
    (0..NEEDED).map(|i| i * 3)
}

#[divan::bench]
fn plain_reader() -> usize {
    let schema: Schema = needed().map(|c| (PlSmallStr::from_string(name(c)), DataType::Float64)).collect();
    let columns: Vec<PlSmallStr> = needed().map(|c| PlSmallStr::from_string(name(c))).collect();
    CsvReadOptions::default()
        .with_schema_overwrite(Some(Arc::new(schema)))
        .with_columns(Some(columns.into()))
        .try_into_reader_with_file_path(Some(EXPORT.clone()))
        .unwrap()
        .finish()
        .unwrap()
        .height()
}

fn name(column: usize) -> String {
    if column == 0 { "Time".to_owned() } else { format!("c{column}") }
}

fn stage() -> Load {
    let mut yaml = "name: b\ntime: { column: { column: Time, unit: s } }\nchannels:\n".to_owned();
    needed().skip(1).for_each(|c| writeln!(yaml, "  own_{c}: {{ column: c{c}, unit: mm }}").unwrap());
    let layout: Layout = serde_yaml::from_str(&yaml).unwrap();
    let mut load: Load = serde_yaml::from_str("{ logs: [\"*\"], layout: x }").unwrap();
    load.resolved = Resolved { layouts: vec![("*".to_owned(), layout)] };
    load
}

const CAR: &str = r#"
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

#[divan::bench(args = ["plain", "quoted"])]
fn load_stage(bencher: divan::Bencher, kind: &str) {
    let path: &PathBuf = if kind == "plain" { &EXPORT } else { &QUOTED };
    let (stage, car): (Load, Car) = (stage(), serde_yaml::from_str(CAR).unwrap());
    let needed: Vec<String> = needed().map(|c| format!("own_{c}")).collect();
    bencher.bench(|| {
        let cx = LogCx {
            path,
            log: "b.csv",
            car: &car,
            runs: &[],
            needed: &needed,
            quantities: &[],
            road_load: false,
            bytes: None,
        };
        let frame = stage.run(LogFrame::default(), &cx).unwrap();
        assert_eq!((frame.len(), frame.columns.len()), (ROWS as usize, NEEDED - 1));
        frame
    });
}
