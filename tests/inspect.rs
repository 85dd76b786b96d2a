//! `inspect`: what it shows of an export, and that its draft reads the file.

use std::path::Path;

use squarelaw::cli::inspect::{InspectArgs, run};
use squarelaw::config::layout::{Layout, TimeSource};
use squarelaw::error::Fatal;
use squarelaw::stages::log::load;
use squarelaw::table::frame::LogFrame;

use crate::log_kit::{layout, on_disk};

fn shown(path: &Path) -> String {
    let mut out = Vec::new();
    run(&InspectArgs { file: path.to_owned(), out: None }, &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

/// The layout that `--out` writes.
fn drafted(path: &Path) -> Layout {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("new.layout.yaml");
    run(&InspectArgs { file: path.to_owned(), out: Some(target.clone()) }, &mut Vec::new()).unwrap();
    layout(&std::fs::read_to_string(target).unwrap())
}

fn read_all(path: &Path, layout: &Layout) -> LogFrame {
    let all: Vec<String> = layout.channels.keys().cloned().collect();
    load::read(path, layout, &all).unwrap()
}

#[test]
fn the_whole_page() {
    let mut text =
        String::from("Outing 3;;;;;\nDriver;none;;;;\n\nTime;v [km/h];Steer;d_fl;Oil Temp;Lap\ns;;deg;mm;°C;\n");
    for i in 0..50 {
        let t = f64::from(i) * 0.02;
        let oil = if i % 10 == 0 { format!("{:.1}", 90.0 + t) } else { String::new() };
        let damper = if i == 7 { "ERR".to_owned() } else { format!("{:.2}", 12.0 + t.sin()) };
        let line = format!("{t:.2};{:.1};{:.1};{damper};{oil};A{}\n", 150.0 + t, -3.0 * t, i / 25);
        text.push_str(&line.replace('.', ","));
    }
    let file = on_disk("run.csv", text.as_bytes());
    let page = shown(&file.path).replace(&file.path.display().to_string(), "run.csv");
    insta::assert_snapshot!(page);
}

/// The drafts of the three sample formats read the same numbers as the layouts that ship.
#[test]
fn drafts_of_the_sample_logs_read_what_the_shipped_layouts_read() {
    for (log, shipped) in
        [("e01-s1-o1.csv", "plain-csv"), ("e01-s2-o2.csv", "decimal-comma"), ("e02-s2-o1.parquet", "plain-parquet")]
    {
        let path = Path::new("sample-logs/logs").join(log);
        let shipped = layout(&std::fs::read_to_string(format!("schemas/{shipped}.layout.yaml")).unwrap());
        let (ours, theirs) = (read_all(&path, &drafted(&path)), read_all(&path, &shipped));
        assert_eq!(ours.time, theirs.time, "{log}");
        let mut found = 0;
        for column in &theirs.columns {
            let Some(values) = ours.get(&column.name) else { continue };
            found += 1;
            // That this logger counts steering to the right is in no file: the draft says `check`.
            let turned = column.name == "steering" && log == "e01-s2-o2.csv";
            let sign = if turned { -1.0 } else { 1.0 };
            let same = |(a, b): (&f64, &f64)| (a.is_nan() && b.is_nan()) || (a - sign * b).abs() <= 1e-12 * b.abs();
            assert!(values.iter().zip(&column.values).all(same), "{log}: {}", column.name);
        }
        // All but the channel of the user's own, and three names that say too little.
        let unnamed = if log == "e01-s2-o2.csv" { 4 } else { 1 };
        assert_eq!(found, theirs.columns.len() - unnamed, "{log}");
    }
}

#[test]
fn clock_time_latin1_and_guessed_units() {
    let mut text = String::from("Uhrzeit,Speed,Übersetzung,Brake Pressure F\n");
    for i in 0..40 {
        text.push_str(&format!("23:59:59.{:02},{},3.2,{}\n", i * 2, 180 + i, i));
    }
    let bytes: Vec<u8> = text.chars().map(|c| c as u8).collect();
    let file = on_disk("run.csv", &bytes);
    let draft = drafted(&file.path);
    assert!(matches!(&draft.time, TimeSource::Clock(c) if c.format.as_str() == "%H:%M:%S%.f"));
    let frame = read_all(&file.path, &draft);
    assert_eq!(frame.get("speed").unwrap()[0], 50.0);
    assert_eq!(frame.get("brake_pressure").unwrap()[2], 2e5);
    let page = shown(&file.path);
    assert!(page.contains("Latin-1") && page.contains("rows       40, 0.78 s, 50 Hz"), "{page}");
    assert!(page.contains("speed: { column: \"Speed\", unit: \"km/h\" }  # check: the unit is a guess"), "{page}");
}

#[test]
fn a_unit_in_another_case_is_taken_and_one_that_nobody_knows_is_said() {
    let mut text = String::from("Time,Speed,Damper FL,Air Pressure\ns,KPH,furlong,degC\n");
    (0..40).for_each(|i| text.push_str(&format!("{},{},12,1013\n", 0.02 * f64::from(i), 180 + i)));
    let file = on_disk("run.csv", text.as_bytes());
    let page = shown(&file.path);
    assert!(page.contains("speed: { column: \"Speed\", unit: \"kph\" }  # check: the file writes `KPH`"), "{page}");
    for (column, why) in [("Damper FL", "unknown unit `furlong`"), ("Air Pressure", "`degC` is a unit of temperature")]
    {
        let line = page.lines().find(|l| l.contains(&format!("{{ column: \"{column}\""))).unwrap();
        assert!(line.starts_with("  # ") && line.contains("unit: ... }") && line.contains(why), "{line}");
    }
    assert!(page.contains("damper_fl: unit?") && page.contains("air_pressure: unit?"), "{page}");
    assert_eq!(read_all(&file.path, &drafted(&file.path)).get("speed").unwrap()[0], 50.0);
}

#[test]
fn a_layout_is_never_written_over() {
    let file = on_disk("run.csv", b"Time [s],Speed [km/h]\n0,100\n0.1,101\n0.2,102\n");
    let target = file.path.with_file_name("mine.layout.yaml");
    std::fs::write(&target, "mine").unwrap();
    let refused = run(&InspectArgs { file: file.path.clone(), out: Some(target.clone()) }, &mut Vec::new());
    assert!(matches!(refused, Err(Fatal::Usage(ref why)) if why.contains("is not written over")));
    assert_eq!(std::fs::read_to_string(target).unwrap(), "mine");
}

#[test]
fn what_is_no_export_is_refused_with_its_reason() {
    let refused = |bytes: &[u8]| {
        let file = on_disk("run.csv", bytes);
        run(&InspectArgs { file: file.path.clone(), out: None }, &mut Vec::new()).unwrap_err().to_string()
    };
    assert!(refused(b"").ends_with("the file holds no samples; export the log again"));
    assert!(refused(b"\x00\x01\x02").contains("line 1 holds binary data, not text"));
    assert!(refused(b"some words\nand no numbers\n").contains("no line looks like data"));
    assert!(refused(b"0,1,2\n1,2,3\n2,3,4\n").contains("export the log with names"));
}
