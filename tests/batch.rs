//! The nightly batch as a process: exit codes, what it says, what the cache spares, and that neither threads
//! nor order nor cache nor a bad log beside it change a number.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use squarelaw::engine::lock;
use squarelaw::table::rows::{BatchRow, FitRow, LogRow, WindowRow};

use crate::season_kit::{Season, program};

const STEADY: &str = "lateral: 0.08 g";
const FIT_AT: &str = "at: 160 km/h";

/// How many logs were taken from the cache whole, and how many went through the log stages.
fn spared(season: &Season, further: &[&str]) -> (usize, usize) {
    let ran = season.run(&[further, &["--json-log"]].concat()).expect(0);
    let used: Vec<serde_json::Value> = ran
        .said()
        .lines()
        .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap_or_else(|e| panic!("{e}: {l}")))
        .map(|v| v["fields"].clone())
        .filter(|f| f["message"] == "used")
        .collect();
    let count = |from: &str| used.iter().filter(|f| f["from"] == from).count();
    assert_eq!(season.last().from_cache, count("kept windows") as i64);
    (count("kept windows"), count("export"))
}

#[test]
fn exit_code_0_when_every_log_was_used_and_3_when_some_were_set_aside() {
    let season = Season::new();
    let all = season.run(&[]).expect(0);
    assert!(String::from_utf8_lossy(&all.0.stdout).contains("6 used, 0 set aside"));
    assert_eq!((season.last().exit, season.last().used), (0, 6));
    fs::write(season.log("e01-s1-o1.csv"), "").unwrap();
    season.run(&[]).expect(3);
    assert_eq!((season.last().exit, season.last().used, season.last().set_aside), (3, 5, 1));
}

#[test]
fn exit_code_1_when_nothing_was_written() {
    let season = Season::new();
    season.edit("pipeline.yaml", STEADY, "latteral: 0.08 g");
    assert!(season.run(&[]).expect(1).said().contains("latteral"));
    assert!(!season.tables().exists());
    season.edit("pipeline.yaml", "latteral: 0.08 g", STEADY);
    season.edit("pipeline.yaml", "logs/*.csv", "elsewhere/*.csv");
    season.edit("pipeline.yaml", "logs/*.parquet", "elsewhere/*.parquet");
    assert!(season.run(&[]).expect(1).said().contains("no log matches"));
}

#[test]
fn a_log_that_is_there_twice_counts_once() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let windows = season.rows::<WindowRow>();
    fs::copy(season.log("e01-s1-o2.csv"), season.log("z-again.csv")).unwrap();
    let rows = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = rows.lines().find(|l| l.starts_with("e01-s1-o2.csv")).unwrap();
    let again = row.replace("e01-s1-o2.csv", "z-again.csv");
    fs::write(season.path().join("runs.csv"), format!("{rows}{again}\nelsewhere.csv{}\n", &row[13..])).unwrap();
    let said = season.run(&[]).expect(3).said();
    assert!(said.contains("holds byte by byte what `e01-s1-o2.csv` holds"), "{said}");
    assert!(
        said.contains("a row of the run sheet names no log that was found: line") && said.contains("elsewhere.csv")
    );
    assert_eq!(season.rows::<WindowRow>(), windows);
    assert_eq!((season.last().used, season.last().set_aside), (6, 1));
}

#[test]
fn logs_of_one_name_in_two_folders_are_not_taken_for_one_run() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let windows = season.rows::<WindowRow>();
    season.edit("pipeline.yaml", "logs/*.csv", "logs/**/*.csv");
    let old = season.path().join("logs/old");
    fs::create_dir(&old).unwrap();
    // A copy counts once, whatever folder it lies in.
    fs::copy(season.log("e01-s1-o2.csv"), old.join("e01-s1-o2.csv")).unwrap();
    season.run(&[]).expect(3);
    assert_eq!(season.rows::<WindowRow>().len(), windows.len());
    // Another export of the same seconds, or of others, is neither that run nor another one.
    let text = fs::read_to_string(season.log("e01-s1-o2.csv")).unwrap();
    let less = text.trim_end().rsplit_once('\n').unwrap().0;
    fs::write(old.join("e01-s1-o2.csv"), format!("{less}\n")).unwrap();
    let said = season.run(&[]).expect(3).said();
    assert!(said.contains("`logs/old/e01-s1-o2.csv` has the same file name"), "{said}");
    assert!(!season.rows::<WindowRow>().iter().any(|w| w.log.contains("e01-s1-o2")));
    let reasons: Vec<_> = season.rows::<LogRow>().into_iter().filter_map(|l| l.reason).collect();
    assert_eq!(reasons, ["same_name", "same_name"]);
    let check = program().arg("check").arg(season.pipeline()).output().unwrap();
    let said = String::from_utf8_lossy(&check.stdout).into_owned();
    assert!(check.status.code() == Some(3) && said.contains("has the same file name"), "{said}");
}

#[test]
fn a_night_without_one_good_log_empties_no_table() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let before = looks(&season);
    season.logs().iter().for_each(|log| fs::write(season.log(log), "").unwrap());
    let said = season.run(&[]).expect(1).said();
    assert!(said.contains("none of 6 logs can be used") && said.contains("no table was written or changed"), "{said}");
    assert_eq!(looks(&season), before);
}

#[test]
fn exit_code_2_when_the_command_line_is_wrong() {
    for wrong in
        [&["run"][..], &["walk"], &["run", "a.yaml", "--threads", "many"], &["cache", "a.yaml", "--trim", "5 apples"]]
    {
        assert_eq!(program().args(wrong).output().unwrap().status.code(), Some(2), "{wrong:?}");
    }
}

#[test]
fn a_second_batch_says_who_holds_the_lock() {
    let season = Season::new();
    let held = lock::take(&season.tables()).unwrap();
    let said = season.run(&[]).expect(1).said();
    assert!(said.contains(&format!("process {}", std::process::id())), "{said}");
    drop(held);
    season.run(&[]).expect(0);
}

#[test]
fn quiet_says_what_wants_a_look_and_json_says_everything_as_json() {
    let season = Season::new();
    let quiet = season.run(&["--quiet"]).expect(0);
    assert!(quiet.0.stdout.is_empty() && quiet.0.stderr.is_empty(), "{}", quiet.said());
    // A log that is gone costs numbers their ground: cron's mail must not be empty.
    fs::rename(season.log("e01-s1-o1.csv"), season.path().join("gone.csv")).unwrap();
    let quiet = season.run(&["--quiet"]).expect(0);
    let said = quiet.said();
    assert!(quiet.0.stdout.is_empty() && said.lines().count() == 2, "{said}");
    assert!(
        said.contains("1 of the 6 logs behind the last run's tables is not found any more: `e01-s1-o1.csv`"),
        "{said}"
    );
    assert!(said.contains("a row of the run sheet names no log that was found"), "{said}");
    fs::rename(season.path().join("gone.csv"), season.log("e01-s1-o1.csv")).unwrap();
    let json = season.run(&["--json-log"]).expect(0).said();
    assert!(json.lines().count() >= 8, "{json}");
    for line in json.lines() {
        let value: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(value["timestamp"].is_string() && value["level"].is_string(), "{line}");
    }
}

#[test]
fn a_night_without_changes_takes_every_log_from_the_cache() {
    let season = Season::new();
    assert_eq!(spared(&season, &[]), (0, 6));
    let first = season.written();
    assert_eq!(spared(&season, &[]), (6, 0));
    assert_eq!(season.written(), first);
    assert_eq!(spared(&season, &["--no-cache"]), (0, 6));
    assert_eq!(season.written(), first);
}

/// Inode and times of every table file but that of the runs.
fn looks(season: &Season) -> Vec<(String, u64, i64)> {
    use std::os::unix::fs::MetadataExt;
    let of = |name: String| {
        let data = fs::metadata(season.tables().join(name.replace('/', "/season=2031/"))).unwrap();
        (name, data.ino(), data.ctime_nsec())
    };
    season.written().into_keys().map(of).collect()
}

#[test]
fn a_night_on_which_nothing_has_changed_touches_no_table() {
    let season = Season::new();
    fs::write(season.log("e01-s1-o1.csv"), "").unwrap();
    let rows = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = rows.lines().find_map(|l| l.strip_prefix("e01-s1-o2.csv")).unwrap();
    fs::write(season.path().join("runs.csv"), format!("{rows}elsewhere.csv{row}\n")).unwrap();
    // A hash is believed of files alone that were two seconds old when they were read.
    std::thread::sleep(std::time::Duration::from_millis(2200));
    let first = season.run(&[]).expect(3);
    let (tables, before) = (season.written(), looks(&season));
    let again = season.run(&[]).expect(3);
    assert!(again.said().contains("nothing has changed"), "{}", again.said());
    assert!(again.said().contains("set aside: "), "{}", again.said());
    assert!(again.said().contains("names no log that was found"), "{}", again.said());
    assert_eq!(first.0.stdout, again.0.stdout);
    assert_eq!(looks(&season), before);
    let (row, rows) = (season.last(), season.rows::<BatchRow>().len());
    assert_eq!((row.logs, row.used, row.set_aside, row.from_cache, row.exit, rows), (6, 5, 1, 6, 3, 2));

    // A table that was lost, one that another hand wrote, and a note that is damaged: all is made anew.
    let fits = season.tables().join("fits/season=2031/fits.parquet");
    fs::remove_file(&fits).unwrap();
    assert!(!season.run(&[]).expect(3).said().contains("nothing has changed"));
    fs::write(&fits, "not ours").unwrap();
    assert!(!season.run(&[]).expect(3).said().contains("nothing has changed"));
    assert_eq!(season.written(), tables);
    let cache = season.tables().join(".cache");
    let notes = || {
        fs::read_dir(&cache).unwrap().map(|e| e.unwrap().path()).filter(|p| p.to_str().unwrap().contains("standing"))
    };
    assert_eq!(notes().count(), 1);
    notes().for_each(|n| fs::write(n, "nonsense").unwrap());
    assert!(!season.run(&[]).expect(3).said().contains("nothing has changed"));
    assert!(season.run(&[]).expect(3).said().contains("nothing has changed"));
    // Without the cache every log is worked on, whatever stands.
    assert!(!season.run(&["--no-cache"]).expect(3).said().contains("nothing has changed"));
    // Another season in the same folder may be what `history` compares with.
    let other = season.tables().join("fits/season=2030");
    fs::create_dir(&other).unwrap();
    fs::copy(&fits, other.join("fits.parquet")).unwrap();
    assert!(!season.run(&[]).expect(3).said().contains("nothing has changed"));
}

#[test]
fn a_changed_option_costs_what_depends_on_it_and_nothing_more() {
    let season = Season::new();
    assert_eq!(spared(&season, &[]), (0, 6));
    // The fit: the windows stand. A comment and another order of files: nothing at all.
    season.edit("pipeline.yaml", FIT_AT, "at: 150 km/h");
    assert_eq!(spared(&season, &[]), (6, 0));
    season.edit("pipeline.yaml", "season:", "# a comment\nseason:");
    assert_eq!(spared(&season, &[]), (6, 0));
    // Where the fit came to rest is known at any speed, and answers the same bit by bit.
    let fits = || fs::read_dir(season.tables().join(".cache/fits")).unwrap().count();
    assert_eq!(fits(), 1);
    let warm = season.written();
    spared(&season, &["--no-cache"]);
    assert_eq!(season.written(), warm, "a fit that was kept differs from one that was not");
    season.edit("pipeline.yaml", "at: 150 km/h", "at: 150 km/h, method: ordinary");
    assert_eq!(spared(&season, &[]), (6, 0));
    assert_eq!(fits(), 2);
    assert_ne!(season.written(), warm);
    season.edit("pipeline.yaml", "at: 150 km/h, method: ordinary", "at: 150 km/h");
    assert_eq!(spared(&season, &[]), (6, 0));
    assert_eq!((fits(), season.written()), (2, warm));
    // The selection: the exports are not parsed again.
    season.edit("pipeline.yaml", STEADY, "lateral: 0.06 g");
    assert_eq!(spared(&season, &[]), (0, 0));
    let warm = season.written();
    spared(&season, &["--no-cache"]);
    assert_eq!(season.written(), warm, "windows from kept frames differ from those of the exports");
    // Back again: that is still known.
    season.edit("pipeline.yaml", "lateral: 0.06 g", STEADY);
    assert_eq!(spared(&season, &[]), (6, 0));
    // A log stage, the car: everything.
    season.edit("car.yaml", "cg_height: 0.46 m", "cg_height: 0.47 m");
    assert_eq!(spared(&season, &[]), (0, 6));
}

#[test]
fn only_new_and_changed_logs_are_worked_on() {
    let season = Season::new();
    let held_back = season.path().join("held back.csv");
    fs::rename(season.log("e01-s1-o2.csv"), &held_back).unwrap();
    assert_eq!(spared(&season, &[]), (0, 5));
    fs::rename(&held_back, season.log("e01-s1-o2.csv")).unwrap();
    assert_eq!(spared(&season, &[]), (5, 1));
    // One digit behind the time and the speed, the same size, the former time put back.
    let path = season.log("e01-s1-o1.csv");
    let before = fs::metadata(&path).unwrap().modified().unwrap();
    let mut bytes = fs::read(&path).unwrap();
    let line = bytes.len() / 2 + bytes[bytes.len() / 2..].iter().position(|b| *b == b'\n').unwrap();
    let cells = line + bytes[line..].iter().enumerate().filter(|(_, b)| **b == b',').nth(3).unwrap().0;
    let at = cells + bytes[cells..].iter().position(|b| (b'1'..b'8').contains(b)).unwrap();
    bytes[at] += 1;
    fs::write(&path, &bytes).unwrap();
    fs::File::options().write(true).open(&path).unwrap().set_modified(before).unwrap();
    assert_eq!(spared(&season, &[]), (5, 1));
    // The run sheet's row of one log.
    season.edit("runs.csv", "e01-s1-o1.csv,,1", "e01-s1-o1.csv,1,1");
    assert_eq!(spared(&season, &[]), (5, 1));
    let warm = season.written();
    spared(&season, &["--no-cache", "--threads", "1"]);
    assert_eq!(season.written(), warm);
}

#[test]
fn neither_threads_nor_the_order_of_files_change_a_byte() {
    let season = Season::new();
    season.run(&["--threads", "1", "--no-cache"]).expect(0);
    let one = season.written();
    for threads in ["2", "8"] {
        season.run(&["--threads", threads, "--no-cache"]).expect(0);
        assert_eq!(season.written(), one, "{threads} threads");
    }
    // Made anew in another order, so that the folder lists them otherwise.
    let mut names = season.logs();
    names.reverse();
    let kept = season.path().join("kept");
    fs::rename(season.path().join("logs"), &kept).unwrap();
    fs::create_dir(season.path().join("logs")).unwrap();
    for name in &names {
        fs::copy(kept.join(name), season.log(name)).unwrap();
    }
    season.run(&[]).expect(0);
    assert_eq!(season.written(), one);
    // Other patterns for the same files: another pipeline file, so another fingerprint in the files, but the same rows.
    let rows = season.readable();
    season.edit("pipeline.yaml", r#""logs/*.csv", "#, r#""logs/*-o2.csv", "logs/e0*.csv", "logs/*-o1.csv", "#);
    season.run(&["--no-cache"]).expect(0);
    assert_ne!(season.written(), one);
    assert_eq!(season.readable(), rows);
}

#[test]
fn the_cache_is_shown_trimmed_and_cleared() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let cache = |further: &[&str]| {
        let out = program().arg("cache").arg(season.pipeline()).args(further).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).unwrap()
    };
    let count = |kind: &str| fs::read_dir(season.tables().join(".cache").join(kind)).map_or(0, |d| d.count());
    let shown = cache(&[]);
    assert!(shown.contains(" 6 entries") && shown.contains(" 12 entries"), "{shown}");
    // Of every log a frame, and in one file what each of the two window stages made of it.
    assert_eq!((count("frames"), count("windows")), (6, 1));
    let windows: u64 = fs::read_dir(season.tables().join(".cache/windows"))
        .unwrap()
        .map(|e| e.unwrap().metadata().unwrap().len())
        .sum();
    // The large results go first, the windows last.
    let shown = cache(&["--trim", &format!("{windows} B")]);
    assert!(shown.contains(" 0 entries") && shown.contains(" 12 entries"), "{shown}");
    assert_eq!((count("frames"), count("windows")), (0, 1));
    assert_eq!(spared(&season, &[]), (6, 0));
    cache(&["--clear"]);
    assert_eq!((count("frames"), count("windows")), (0, 0));
    assert_eq!(spared(&season, &["--cache-limit", "0"]), (0, 6));
    assert_eq!((count("frames"), count("windows")), (0, 0));
    // A cache elsewhere.
    let elsewhere = season.path().join("elsewhere");
    spared(&season, &["--cache", elsewhere.to_str().unwrap()]);
    assert_eq!(fs::read_dir(elsewhere.join("windows")).unwrap().count(), 1);
}

#[test]
fn a_changed_window_stage_leaves_the_others_as_they_are() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let windows = season.tables().join(".cache/windows");
    let kept = || fs::read_dir(&windows).unwrap().map(|e| e.unwrap().path()).collect::<Vec<_>>();
    let before = kept();
    season.edit("pipeline.yaml", "lasting: 2..20 s", "lasting: 2.5..20 s");
    assert_eq!(spared(&season, &[]), (0, 0));
    // One entry more of every log, and those that were there were not written again.
    let after = kept();
    assert_eq!((after.len(), before.len()), (2, 1));
    assert!(before.iter().all(|path| after.contains(path)));
    let shown = program().arg("cache").arg(season.pipeline()).output().unwrap();
    assert!(String::from_utf8_lossy(&shown.stdout).contains(" 18 entries"), "{shown:?}");
    let found = season.readable();
    season.run(&["--no-cache"]).expect(0);
    assert_eq!(season.readable(), found);
}

#[cfg(unix)]
#[test]
fn a_file_goes_by_its_own_name_before_that_of_a_link() {
    let season = Season::new();
    std::os::unix::fs::symlink("e01-s1-o1.csv", season.log("aaa.csv")).unwrap();
    season.run(&[]).expect(0);
    let names: Vec<String> = season.rows::<LogRow>().into_iter().map(|r| r.log).collect();
    assert!(names.len() == 6 && names.contains(&"e01-s1-o1.csv".to_owned()), "{names:?}");
}

/// One bad log of each kind made from a good one: the reason that is expected, and the bytes.
fn bad(good: &str) -> Vec<(&'static str, Vec<u8>)> {
    let lines: Vec<&str> = good.lines().collect();
    let (head, data) = lines.split_at(2);
    let with = |data: &[String]| format!("{}\n{}\n", head.join("\n"), data.join("\n")).into_bytes();
    let owned: Vec<String> = data.iter().map(|l| (*l).to_owned()).collect();
    let column = |name: &str| head[0].split(',').position(|c| c == name).unwrap();
    let replaced = |name: &str, text: &str, rows: &dyn Fn(usize) -> bool| -> Vec<String> {
        let at = column(name);
        let one = |(i, line): (usize, &String)| {
            let mut cells: Vec<&str> = line.split(',').collect();
            if rows(i) {
                cells[at] = text;
            }
            cells.join(",")
        };
        owned.iter().enumerate().map(one).collect()
    };
    let mut back = owned.clone();
    back.swap(200, 300);
    let binary: Vec<u8> = good.bytes().enumerate().map(|(i, b)| if i % 97 == 5 { 0 } else { b }).collect();
    vec![
        ("empty", Vec::new()),
        ("empty", with(&[])[..head.join("\n").len() + 1].to_vec()),
        ("binary", binary),
        ("truncated", good.as_bytes()[..good.len() * 2 / 3].rsplitn(2, |b| *b == b',').nth(1).unwrap().to_vec()),
        ("wrong_layout", good.replace(',', ";").into_bytes()),
        ("missing_channel", good.replacen("Damper FL", "Damper XY", 1).into_bytes()),
        ("wrong_unit", good.replacen("km/h", "bar", 1).into_bytes()),
        ("time_goes_back", with(&back)),
        ("all_missing", with(&replaced("Damper RR", "", &|_| true))),
        ("stuck", with(&replaced("Damper FR", "12.5", &|_| true))),
        ("bad_cell", with(&replaced("Damper RL", "oops", &|i| i == 77))),
    ]
}

/// Fills a season up to `logs` logs with bad ones of every kind; what is expected of each.
pub fn spoil(season: &Season, logs: usize) -> Vec<(String, &'static str)> {
    let good = fs::read_to_string(season.log("e01-s1-o1.csv")).unwrap();
    let kinds = bad(&good);
    let mut sheet = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = sheet.lines().find(|l| l.starts_with("e01-s1-o1.csv")).unwrap().to_owned();
    let mut expected = Vec::new();
    for i in season.logs().len()..logs {
        let name = format!("bad-{i:04}.csv");
        let (reason, bytes) = match kinds.get(i % (kinds.len() + 1)) {
            Some((reason, bytes)) => {
                writeln!(sheet, "{}", row.replacen("e01-s1-o1.csv", &name, 1)).unwrap();
                (*reason, bytes.clone())
            }
            None => ("not_in_run_sheet", good.clone().into_bytes()),
        };
        fs::write(season.log(&name), bytes).unwrap();
        expected.push((name, reason));
    }
    fs::write(season.path().join("runs.csv"), sheet).unwrap();
    expected
}

/// Holds the good logs of a spoilt season against the season without the bad ones.
pub fn good_logs_are_untouched(season: &Season, logs: usize) {
    season.run(&["--no-cache"]).expect(0);
    let (windows, fits, former) = (season.rows::<WindowRow>(), season.rows::<FitRow>(), season.rows::<LogRow>());
    assert!(windows.len() > 20 && !fits.is_empty());
    let expected = spoil(season, logs);
    assert!(expected.iter().map(|e| e.1).collect::<BTreeSet<_>>().len() >= 11);
    for pass in ["cold", "warm"] {
        season.run(&[]).expect(3);
        assert_eq!(season.rows::<WindowRow>(), windows, "{pass}");
        assert_eq!(season.rows::<FitRow>(), fits, "{pass}");
        let rows = season.rows::<LogRow>();
        assert_eq!(rows.len(), logs);
        for (name, reason) in &expected {
            let row = rows.iter().find(|r| r.log == *name).unwrap();
            assert_eq!(
                (row.status.as_str(), row.reason.as_deref()),
                ("set_aside", Some(*reason)),
                "{name}: {:?}",
                row.message
            );
            assert!(row.message.as_ref().is_some_and(|m| m.len() > 20));
        }
        let good: Vec<LogRow> = rows.into_iter().filter(|r| !r.log.starts_with("bad-")).collect();
        assert_eq!(good, former, "{pass}");
    }
    // The faults come from the cache as well, but for the one that needs no reading at all.
    let last = season.last();
    let unlisted = expected.iter().filter(|e| e.1 == "not_in_run_sheet").count();
    assert_eq!(last.from_cache, (logs - unlisted) as i64);
}

#[test]
fn every_kind_of_bad_log_is_set_aside_and_changes_no_row_of_another() {
    good_logs_are_untouched(&Season::new(), 60);
}

#[test]
#[ignore = "takes a minute; run by benches and before a release"]
fn a_thousand_logs_with_every_kind_of_bad_one() {
    good_logs_are_untouched(&Season::new(), 1000);
}

#[test]
fn a_log_of_the_same_name_in_two_folders_is_told_apart() {
    let season = Season::new();
    let other = season.path().join("logs").join("again");
    fs::create_dir(&other).unwrap();
    // The same run would count once: in the other log the car is a tenth faster. A pattern of the run sheet means both.
    season.edit("runs.csv", "e01-s1-o1.csv", "e01-s1-o1.c*");
    let text = fs::read_to_string(season.log("e01-s1-o1.csv")).unwrap();
    let speed = text.lines().next().unwrap().split(',').position(|c| c == "Speed").unwrap();
    let faster = |line: &str| {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        cells[speed] = cells[speed].parse::<f64>().map_or(cells[speed].clone(), |v| (1.1 * v).to_string());
        cells.join(",")
    };
    let faster: Vec<String> = text.lines().map(faster).collect();
    fs::write(other.join("e01-s1-o1.csv"), faster.join("\n")).unwrap();
    season.edit("pipeline.yaml", "logs/*.csv", "logs/**/*.csv");
    assert_eq!(spared(&season, &[]), (0, 7));
    assert_eq!(spared(&season, &[]), (7, 0));
    let names: Vec<String> = season.rows::<LogRow>().into_iter().map(|r| r.log).collect();
    assert!(names.iter().filter(|n| Path::new(n).ends_with("e01-s1-o1.csv")).count() == 2, "{names:?}");
}
