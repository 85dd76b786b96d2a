//! Nights on which something is odd: what is named, what is kept, and what ends the run.

use std::fs;

use squarelaw::table::rows::{LogRow, WindowRow};

use crate::season_kit::{Season, program};

#[test]
fn a_log_without_a_window_is_named() {
    let season = Season::new();
    season.run(&[]).expect(0);
    assert!(!season.rows::<LogRow>().iter().any(|l| l.flags.contains("no_window_found")));
    let text = fs::read_to_string(season.log("e01-s1-o2.csv")).unwrap();
    let few: Vec<&str> = text.lines().take(250).collect();
    fs::write(season.log("e01-s1-o2.csv"), few.join("\n") + "\n").unwrap();
    std::thread::sleep(std::time::Duration::from_millis(2200));
    for _ in 0..2 {
        let said = season.run(&[]).expect(0).said();
        assert!(said.contains("no window that `fit` takes passed the selection in log `e01-s1-o2.csv`"), "{said}");
    }
    let named: Vec<_> = season.rows::<LogRow>().into_iter().filter(|l| l.flags.contains("no_window_found")).collect();
    assert!(named.len() == 1 && named[0].log == "e01-s1-o2.csv" && named[0].windows == 0, "{named:?}");
}

#[test]
fn a_limit_that_lets_no_window_pass_leaves_the_last_tables() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let good = season.written();
    for (from, to) in [("speed: 80..260 km/h", "speed: 180..260 m/s"), ("speed: 60..260 km/h", "speed: 160..260 m/s")] {
        season.edit("pipeline.yaml", from, to);
    }
    let said = season.run(&["-q"]).expect(1).said();
    let wanted = [
        "no window that `fit` takes passes the selection in 6 logs",
        "`speed` takes",
        "no table was written or changed",
    ];
    assert!(wanted.iter().all(|part| said.contains(part)), "{said}");
    // That table was not written.
    assert!(!said.contains("table `funnel`"), "{said}");
    assert_eq!(season.written(), good);
    // Where there is nothing to lose the funnel says more.
    fs::remove_dir_all(season.tables()).unwrap();
    season.run(&["-q"]).expect(0);
    assert!(season.rows::<WindowRow>().is_empty());
}

#[test]
fn windows_that_the_fit_does_not_take_stand_in_for_no_evidence() {
    let season = Season::new();
    let straight = "  - straight: { speed: 80..260 km/h, lateral: 0.08 g, steering: 4 deg }\nseason_wide:";
    season.edit("pipeline.yaml", "season_wide:", straight);
    let summary = season.run(&[]).expect(0).summary();
    assert!(summary.contains(" of them for the fit"), "{summary}");
    let good = season.written();
    for (from, to) in [("steady: { speed: 80..260", "steady: { speed: 250..260"), ("speed: 60..260", "speed: 250..260")]
    {
        season.edit("pipeline.yaml", from, to);
    }
    let said = season.run(&["-q"]).expect(1).said();
    assert!(said.contains("no window that `fit` takes passes the selection in 6 logs"), "{said}");
    assert_eq!(season.written(), good);
}

#[test]
fn a_stage_that_keeps_nothing_and_a_layout_that_lacks_a_column_are_named() {
    let season = Season::new();
    season.edit("pipeline.yaml", "steady: { speed: 80..260", "steady: { speed: 250..260");
    let said = season.run(&["-q"]).expect(0).said();
    assert!(said.contains("window stage `steady` kept nothing of any log: `speed` takes"), "{said}");
    assert_eq!(season.run(&["-q"]).expect(0).said(), said);
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let layout = fs::read_to_string(season.path().join("plain-csv.layout.yaml")).unwrap();
    let course = layout.lines().find(|line| line.trim_start().starts_with("course:")).unwrap();
    season.edit("plain-csv.layout.yaml", &format!("{course}\n"), "");
    let lacks = "names no column for `course`, which another layout has: logs read by it do without";
    let said = season.run(&["-q"]).expect(0).said();
    assert!(said.contains(lacks), "{said}");
    let check = program().arg("check").arg(season.pipeline()).output().unwrap();
    assert!(String::from_utf8_lossy(&check.stdout).contains(lacks));
}

#[test]
fn tables_are_no_logs() {
    let season = Season::new();
    season.edit("pipeline.yaml", "tables: tables", "tables: logs/tables");
    season.edit("pipeline.yaml", "\"logs/*.csv\", \"logs/*.parquet\"", "\"logs/**/*.csv\", \"logs/**/*.parquet\"");
    for _ in 0..2 {
        let summary = season.run(&[]).expect(0).summary();
        assert!(summary.contains("logs: 6 found, 6 used"), "{summary}");
    }
}

#[test]
fn two_seasons_in_one_folder_of_tables_let_each_other_stand() {
    let (one, other) = (Season::new(), Season::new());
    let tables = one.tables().display().to_string();
    other.edit("pipeline.yaml", "tables: tables", &format!("tables: {tables}"));
    other.edit("pipeline.yaml", "season: \"2031\"", "season: \"2032\"");
    // Logs that were just written are read again.
    std::thread::sleep(std::time::Duration::from_millis(2200));
    let night = || [&one, &other].map(|season| season.run(&[]).expect(0).said().contains("nothing has changed"));
    night();
    night();
    assert_eq!(night(), [true, true]);
}

#[test]
fn a_night_does_not_end_because_nobody_listens() {
    let season = Season::new();
    let full = || fs::File::options().write(true).open("/dev/full").unwrap();
    for json in [&[][..], &["--json-log"]] {
        season.edit("pipeline.yaml", "season:", "# changed\nseason:");
        let mut run = program();
        run.arg("run").arg(season.pipeline()).args(json).stderr(full()).stdout(full());
        assert_eq!(run.status().unwrap().code(), Some(0));
        assert_eq!(season.last().used, 6);
    }
}

#[test]
fn logs_that_are_gone_and_tables_of_another_pipeline_are_named() {
    let season = Season::new();
    season.run(&[]).expect(0);
    fs::remove_file(season.log("e01-s1-o1.csv")).unwrap();
    let said = season.run(&[]).expect(0).said();
    let gone = "1 of the 6 logs behind the last run's tables is not found any more: `e01-s1-o1.csv`";
    assert!(said.contains(gone), "{said}");
    let other = season.path().join("other.yaml");
    fs::copy(season.pipeline(), &other).unwrap();
    let out = program().arg("run").arg(&other).output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains("are those of `../pipeline.yaml` and are replaced"), "{said}");
    // The same logs under the same pipeline: nothing to say.
    let out = program().arg("run").arg(&other).arg("--no-cache").output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.success() && !said.contains("are replaced") && !said.contains("any more"), "{said}");
}

#[test]
fn slips_of_the_pen_in_the_run_sheet_are_named_by_run_and_check() {
    let season = Season::new();
    let sheet = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = sheet.lines().find(|l| l.contains("splitter_extension")).unwrap();
    let session = row.replace(",morning,", ",mornnig,");
    season.edit("runs.csv", row, &session);
    let odd = "`mornnig` (line";
    let said = season.run(&[]).expect(0).said();
    assert!(said.contains(odd), "{said}");
    let out = program().arg("check").arg(season.pipeline()).output().unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success() && said.contains(odd), "{said}");
    // Another layout names the column, so that the plan stands; logs that this one reads go without.
    let layout = fs::read_to_string(season.path().join("plain-csv.layout.yaml")).unwrap();
    let line = layout.lines().find(|l| l.contains("wheel_torque_rr")).unwrap();
    season.edit("plain-csv.layout.yaml", line, "");
    let out = program().arg("check").arg(season.pipeline()).output().unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    let lacks = "names no column for channel `wheel_torque_rr`, which stage `resistance` asks for";
    assert!(said.contains(lacks), "{said}");
    fs::write(season.path().join("plain-csv.layout.yaml"), layout).unwrap();
    // More fuel than a car carries is a fault with its place: it would pass for downforce.
    let mut cells: Vec<&str> = row.split(',').collect();
    cells[7] = "370";
    season.edit("runs.csv", &session, &cells.join(","));
    let said = season.run(&[]).expect(1).said();
    assert!(said.contains("`fuel` of 370 kg is more than this car carries") && said.contains("runs.csv:"), "{said}");
}
