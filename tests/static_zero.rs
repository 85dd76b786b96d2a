//! `zero: static_segment` on a simulated season whose cars stand for four seconds before each outing: the answers are
//! others than with a zero per outing, and the truth of the simulator lies in their intervals.

use std::fs;
use std::path::Path;

use squarelaw::demo::files::Files;
use squarelaw::demo::score::{read_truth, score};
use squarelaw::demo::{Scenario, simulate, write};
use squarelaw::table::parquet_file;
use squarelaw::table::rows::{FitRow, WindowRow};

use crate::main_job::squarelaw;

fn run(folder: &Path, zero: &str) -> (Vec<FitRow>, Vec<WindowRow>) {
    let text = fs::read_to_string(folder.join("pipeline.yaml")).unwrap();
    let text = text.replace("wind: estimate }", &format!("wind: estimate, zero: {zero} }}"));
    let text = text.replace("tables: tables", &format!("tables: {zero}"));
    let pipeline = folder.join(format!("{zero}.yaml"));
    fs::write(&pipeline, text).unwrap();
    let output = squarelaw(&["run", pipeline.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let read = |table| parquet_file::place(&folder.join(zero), table, "2031");
    (parquet_file::read(&read("fits")).unwrap(), parquet_file::read(&read("windows")).unwrap())
}

#[test]
fn static_segment_takes_the_zero_from_the_standing_car() {
    let scenario = Scenario { sessions: 8, minutes: 2.5, rate: 20.0, lean: true, ..Scenario::default() };
    assert_eq!(scenario.standing, 4.0);
    let folder = tempfile::tempdir().unwrap();
    write(&simulate(&scenario), &Files::default(), folder.path()).unwrap();
    let (free, _) = run(folder.path(), "per_outing");
    let (still, windows) = run(folder.path(), "static_segment");
    assert!(windows.iter().all(|w| !w.flags.contains("zero_not_static")));
    let truth = read_truth(&folder.path().join("truth.json")).unwrap();
    let (mut inside, mut n, mut narrower) = (0, 0, 0);
    for (a, b) in free.iter().zip(&still).filter(|(a, _)| a.quantity.ends_with("downforce")) {
        let (a, b) = (a.coefficient_se.zip(a.coefficient).unwrap(), b.coefficient_se.zip(b.coefficient).unwrap());
        assert!((a.1 / b.1 - 1.0).abs() > 1e-5, "{a:?} {b:?}");
        narrower += usize::from(b.0 < a.0);
        n += 1;
    }
    for line in score(&truth, &still).lines.iter().filter(|l| l.quantity.ends_with("downforce")) {
        println!("{line:?}");
        inside += usize::from(line.covers());
        assert!(line.passes(), "{line:?}");
    }
    assert!(inside + 1 >= n && narrower > n / 2, "{inside} of {n} hold the truth, {narrower} are narrower");
}
