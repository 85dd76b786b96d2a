//! The main job on the sample season, end to end: tables, truth, identity of the result.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use squarelaw::table::parquet_file;
use squarelaw::table::row::Row;
use squarelaw::table::rows::{self, BatchRow, FitRow, FunnelRow, LogRow, WindowRow};

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub fn squarelaw(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_squarelaw")).args(args).output().unwrap()
}

/// The shipped season pipeline with its tables elsewhere.
pub fn pipeline_into(folder: &Path, name: &str) -> PathBuf {
    let text = fs::read_to_string(root().join("pipelines").join(name)).unwrap();
    let absolute = |p: &str| root().join(p).display().to_string();
    let text = text
        .replace("../sample-logs", &absolute("sample-logs"))
        .replace("../schemas", &absolute("schemas"))
        .replace("tables: ../out", &format!("tables: {}", folder.join("out").display()));
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path
}

/// Runs it; the sample season has one broken log, so the exit code is 3.
pub fn run_season(folder: &Path, extra: &[&str]) -> Output {
    let pipeline = pipeline_into(folder, "season.yaml");
    let mut args = vec!["run", pipeline.to_str().unwrap()];
    args.extend(extra);
    let output = squarelaw(&args);
    assert_eq!(output.status.code(), Some(3), "{}", String::from_utf8_lossy(&output.stderr));
    output
}

fn table<R: Row>(folder: &Path) -> Vec<R> {
    parquet_file::read(&parquet_file::place(&folder.join("out"), R::TABLE, "2031")).unwrap()
}

#[test]
fn the_sample_season_comes_back_within_the_bar() {
    let folder = tempfile::tempdir().unwrap();
    let output = run_season(folder.path(), &[]);
    let text = String::from_utf8(output.stdout).unwrap();
    for part in ["configuration", "front N", "balance %", "truncated", "set aside", "tables:"] {
        assert!(text.contains(part), "no `{part}` in\n{text}");
    }
    let (tables, truth) = (folder.path().join("out"), root().join("sample-logs/truth.json"));
    let score = squarelaw(&["demo", "--score", tables.to_str().unwrap(), "--truth", truth.to_str().unwrap()]);
    let text = String::from_utf8_lossy(&score.stdout).into_owned();
    assert_eq!(score.status.code(), Some(0), "{text}");
    assert!(text.contains("18 of 18 within"), "{text}");
}

#[test]
fn one_broken_log_is_set_aside_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    run_season(folder.path(), &[]);
    let logs: Vec<LogRow> = table(folder.path());
    let aside: Vec<&LogRow> = logs.iter().filter(|l| l.status == "set_aside").collect();
    assert_eq!(aside.len(), 1);
    assert_eq!((aside[0].reason.as_deref(), aside[0].windows), (Some("truncated"), 0));
    assert!(aside[0].line.is_some_and(|l| l > 100) && aside[0].message.is_some());
    let batch: Vec<BatchRow> = table(folder.path());
    assert_eq!((batch[0].set_aside, batch[0].used, batch[0].exit), (1, logs.len() as i64 - 1, 3));
}

#[test]
fn every_logged_second_of_the_runs_is_in_the_funnel() {
    let folder = tempfile::tempdir().unwrap();
    run_season(folder.path(), &[]);
    let logs: Vec<LogRow> = table(folder.path());
    let funnel: Vec<FunnelRow> = table(folder.path());
    for log in logs.iter().filter(|l| l.status == "used") {
        let seconds = |stage: &str| -> f64 {
            funnel.iter().filter(|f| f.log == log.log && f.stage == stage).map(|f| f.seconds).sum()
        };
        // Time before the first outing and between outings belongs to no run; the rest is charged by each stage once.
        let (steady, coastdown) = (seconds("steady"), seconds("coastdown"));
        assert!((steady - coastdown).abs() < 1e-6, "{} {steady} {coastdown}", log.log);
        let lasts = log.duration.unwrap();
        assert!(steady <= lasts + 0.1 && steady > 0.6 * lasts, "{} {steady}", log.log);
    }
}

#[test]
fn written_tables_carry_the_declared_schema() {
    let folder = tempfile::tempdir().unwrap();
    run_season(folder.path(), &[]);
    for declared in rows::all() {
        let path = parquet_file::place(&folder.path().join("out"), declared.table, "2031");
        if !path.exists() {
            continue; // tables of stages that this pipeline does not have
        }
        let schema = parquet_file::schema(&path).unwrap();
        assert_eq!(schema.fields(), declared.schema.fields(), "{}", declared.table);
        for field in schema.fields() {
            let of = |k: &str| field.metadata().get(k).is_some_and(|v| !v.is_empty());
            assert!(of("unit") && of("description"), "{}.{}", declared.table, field.name());
        }
    }
}

/// All tables but `batch`, which says when it ran.
pub fn contents(tables: &Path) -> Vec<(String, Vec<u8>)> {
    let mut out = Vec::new();
    for declared in rows::all().iter().filter(|d| d.table != "batch") {
        let path = parquet_file::place(tables, declared.table, "2031");
        if path.exists() {
            out.push((declared.table.to_owned(), fs::read(path).unwrap()));
        }
    }
    assert!(out.len() >= 8, "{}", out.len());
    out
}

#[test]
fn tables_are_identical_for_any_number_of_threads() {
    let of = |threads: &str| {
        let folder = tempfile::tempdir().unwrap();
        // The pipeline's text is part of the fingerprint, so the path to the tables must be the same length and text.
        let pipeline = pipeline_into(folder.path(), "season.yaml");
        let text = fs::read_to_string(&pipeline).unwrap();
        let out = folder.path().join("out").display().to_string();
        fs::write(&pipeline, text.replace(&out, "out")).unwrap();
        let output = squarelaw(&["run", pipeline.to_str().unwrap(), "--threads", threads]);
        assert_eq!(output.status.code(), Some(3), "{}", String::from_utf8_lossy(&output.stderr));
        contents(&folder.path().join("out"))
    };
    let one = of("1");
    for threads in ["2", "8"] {
        for (a, b) in one.iter().zip(of(threads)) {
            assert!(a == &b, "table {} differs with {threads} threads", a.0);
        }
    }
}

#[test]
fn fits_say_how_and_with_what() {
    let folder = tempfile::tempdir().unwrap();
    run_season(folder.path(), &[]);
    let fits: Vec<FitRow> = table(folder.path());
    let windows: Vec<WindowRow> = table(folder.path());
    for f in fits.iter().filter(|f| f.quantity == "front_downforce") {
        let (lo, hi, se) = (f.value_lo95.unwrap(), f.value_hi95.unwrap(), f.value_se.unwrap());
        assert!(lo < f.value.unwrap() && f.value.unwrap() < hi && se > 0.0);
        assert!((f.value.unwrap() - f.coefficient.unwrap() * f.reference_speed.powi(2)).abs() < 1e-9);
        assert!((f.area.unwrap() - 2.0 * f.coefficient.unwrap() / 1.225).abs() < 1e-12);
        let n = windows.iter().filter(|w| *w.configuration == *f.configuration && *w.quantity == *f.quantity).count();
        assert_eq!(n as i64, f.windows);
        assert!(f.sessions >= 3 && f.outings >= f.sessions, "{f:?}");
    }
}

#[test]
fn a_faulty_pipeline_writes_nothing_and_says_where() {
    let folder = tempfile::tempdir().unwrap();
    let pipeline = pipeline_into(folder.path(), "season.yaml");
    let text = fs::read_to_string(&pipeline).unwrap();
    fs::write(&pipeline, text.replace("against: base", "against: bsae")).unwrap();
    let output = squarelaw(&["run", pipeline.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(stderr.contains("bsae") && stderr.contains("did you mean `base`?"), "{stderr}");
    assert!(!folder.path().join("out").exists());
}
