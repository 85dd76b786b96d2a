//! One run in two files: another export of it, a part of it, a second configuration for it. It counts once, or not at all.

use std::fs;

use squarelaw::table::rows::{LogRow, WindowRow};

use crate::season_kit::Season;

/// Beside the first log another export of its run, with a row of its own in the run sheet.
fn export_again(season: &Season, export: impl Fn(&str) -> String) {
    let text = fs::read_to_string(season.log("e01-s1-o1.csv")).unwrap();
    fs::write(season.log("e01-s1-o1-again.csv"), export(&text)).unwrap();
    let sheet = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = sheet.lines().find(|l| l.starts_with("e01-s1-o1.csv")).unwrap();
    season.edit("runs.csv", row, &format!("{row}\n{}", row.replace("o1.csv", "o1-again.csv")));
}

#[test]
fn one_run_in_two_exports_counts_once() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let found = season.readable();
    export_again(&season, |text| text.replace('\n', "\r\n"));
    let said = season.run(&[]).expect(3).said();
    assert!(said.contains("`e01-s1-o1.csv` is set aside after all: it holds a run that"), "{said}");
    let used = season.rows::<LogRow>().into_iter().filter(|l| l.status == "used").count();
    assert_eq!(used, 6);
    assert_eq!(season.readable().len(), found.len());
}

#[test]
fn one_run_with_other_values_counts_once() {
    let season = Season::new();
    season.run(&[]).expect(0);
    let windows = season.rows::<WindowRow>().len();
    // Dampers zeroed again before the second export; one sample in two of it.
    let again = |text: &str| {
        let damper: Vec<bool> = text.lines().next().unwrap().split(',').map(|c| c.starts_with("Damper")).collect();
        let zeroed = |line: &str| {
            let cells = line.split(',').zip(&damper).map(|(cell, damper)| match cell.parse::<f64>() {
                Ok(travel) if *damper => format!("{:.2}", travel - 14.3),
                _ => cell.to_owned(),
            });
            cells.collect::<Vec<_>>().join(",")
        };
        let (head, rest): (Vec<_>, Vec<_>) = text.lines().enumerate().partition(|(i, _)| *i < 2);
        // Ten seconds are cut off in front.
        let kept = head.into_iter().chain(rest.into_iter().filter(|(i, _)| *i > 202 && i % 2 == 0));
        kept.map(|(_, line)| zeroed(line) + "\n").collect::<String>()
    };
    export_again(&season, again);
    let said = season.run(&[]).expect(3).said();
    assert!(said.contains("is set aside after all: it holds a run that"), "{said}");
    assert!(season.rows::<WindowRow>().len() <= windows);
    let used = season.rows::<LogRow>().into_iter().filter(|l| l.status == "used").count();
    assert_eq!(used, 6);
}

#[test]
fn a_part_of_a_log_beside_the_whole_counts_once() {
    let season = Season::new();
    // Coarser than the logger, so that a part may begin between two samples of the whole.
    season.edit("pipeline.yaml", "rate: 20 Hz", "rate: 10 Hz");
    season.run(&[]).expect(0);
    let windows = season.rows::<WindowRow>();
    let head = |lines: &[&str]| lines.iter().position(|l| l.starts_with(|c: char| c.is_ascii_digit())).unwrap();
    export_again(&season, str::to_owned);
    let whole = fs::read_to_string(season.log("e01-s1-o1.csv")).unwrap();
    let lines: Vec<&str> = whole.lines().collect();
    let head = head(&lines);
    for off in 0..3 {
        // The middle two thirds of it, as an export of a range of time begins and ends.
        let (first, last) = (head + lines.len() / 6 + off, lines.len() - lines.len() / 6);
        let part = [&lines[..head], &lines[first..last]].concat().join("\n") + "\n";
        fs::write(season.log("e01-s1-o1-again.csv"), part).unwrap();
        let said = season.run(&[]).expect(3).said();
        let aside = "`e01-s1-o1-again.csv` is set aside after all: it holds a run that `e01-s1-o1.csv`";
        assert!(said.contains(aside), "{off}: {said}");
        assert_eq!(season.rows::<WindowRow>().len(), windows.len());
    }
}

#[test]
fn two_configurations_for_one_run_leave_both_out() {
    let season = Season::new();
    fs::copy(season.log("e01-s1-o1.csv"), season.log("copy.csv")).unwrap();
    let sheet = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let other = sheet.lines().find(|l| l.contains("splitter_extension")).unwrap();
    let (name, rest) = other.split_once(',').unwrap();
    season.edit("runs.csv", other, &format!("{name},{rest}\ncopy.csv,{rest}"));
    season.run(&[]).expect(3);
    let rows = season.rows::<LogRow>();
    let aside: Vec<_> = rows.iter().filter(|r| r.status == "set_aside").collect();
    assert_eq!(aside.iter().map(|r| r.log.as_str()).collect::<Vec<_>>(), ["copy.csv", "e01-s1-o1.csv"]);
    assert!(aside.iter().all(|r| r.reason.as_deref() == Some("configuration_in_doubt")), "{aside:?}");
}

#[test]
fn nothing_is_said_to_be_used_that_is_not() {
    let season = Season::new();
    // Three copies, of which the run sheet has one under another configuration.
    let sheet = fs::read_to_string(season.path().join("runs.csv")).unwrap();
    let row = sheet.lines().find(|l| l.starts_with("e01-s1-o1.csv")).unwrap();
    let other = sheet.lines().find(|l| l.contains("splitter_extension")).unwrap();
    let (b, c) = (other.split_once(',').unwrap().1, row.split_once(',').unwrap().1);
    season.edit("runs.csv", row, &format!("{row}\nzz-b.csv,{b}\nzz-c.csv,{c}"));
    for copy in ["zz-b.csv", "zz-c.csv"] {
        fs::copy(season.log("e01-s1-o1.csv"), season.log(copy)).unwrap();
    }
    let said = season.run(&[]).expect(3).said();
    assert!(said.matches("names another configuration for that one: neither is used").count() >= 3, "{said}");
    assert!(!said.contains("which is used"), "{said}");
    // A copy with a row of its own is used where the log that it copies can't be told from its namesake.
    fs::remove_file(season.log("zz-b.csv")).unwrap();
    season.edit("pipeline.yaml", "logs/*.csv", "logs/**/*.csv");
    fs::create_dir(season.path().join("logs/old")).unwrap();
    let text = fs::read_to_string(season.log("e01-s1-o1.csv")).unwrap();
    let less = text.trim_end().rsplit_once('\n').unwrap().0;
    fs::write(season.path().join("logs/old/e01-s1-o1.csv"), format!("{less}\n")).unwrap();
    let said = season.run(&[]).expect(3).said();
    assert!(!said.contains("which is used"), "{said}");
    let used = |log: &str| season.rows::<LogRow>().iter().any(|l| l.path.ends_with(log) && l.status == "used");
    assert!(used("zz-c.csv") && !used("logs/e01-s1-o1.csv") && !used("old/e01-s1-o1.csv"), "{said}");
}
