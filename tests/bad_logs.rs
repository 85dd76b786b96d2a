//! Every kind of bad log: a real file on disk, its reason, its line and the words that say what to do.

use std::fmt::Write as _;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, RecordBatch, StringArray};
use arrow_schema::{DataType, Field, Schema};
use squarelaw::config::run_sheet::RunRow;
use squarelaw::error::LogFault;
use squarelaw::stages::log::align::Align;
use squarelaw::table::frame::LogFrame;

use crate::log_kit::{layout, load, load_stage, on_disk, row, run};

const LAYOUT: &str = r#"
name: club logger
text: { units_line: 2 }
time: { column: { column: Time } }
channels:
  speed: { column: Speed }
  steering: { column: Steer }
  damper_fl: { column: D FL }
  air_temperature: { column: Air }
"#;
const HEAD: &str = "Time,Speed,Steer,D FL,Air\ns,km/h,deg,mm,degC\n";
const ALL: [&str; 4] = ["speed", "steering", "damper_fl", "air_temperature"];

/// One line of a sound log.
fn line(i: u32) -> String {
    let t = f64::from(i) * 0.1;
    format!("{t:.1},{:.2},{:.1},{:.2},21", 120.0 + 60.0 * (t / 9.0).sin(), 20.0 * t.sin(), 8.0 * (t * 3.0).cos())
}

/// A sound log of so many lines.
fn sound(lines: u32) -> String {
    (0..lines).fold(HEAD.to_owned(), |mut text, i| {
        writeln!(text, "{}", line(i)).unwrap();
        text
    })
}

fn fault_of(bytes: &[u8]) -> LogFault {
    load("run.csv", bytes, layout(LAYOUT), &ALL).unwrap_err()
}

#[track_caller]
fn expect(fault: &LogFault, reason: &str, line: Option<u64>, message: &str) {
    assert_eq!(fault.to_string(), message);
    assert_eq!((fault.reason(), fault.line()), (reason, line));
}

#[test]
fn the_sound_log_is_sound() {
    assert_eq!(load("run.csv", sound(300).as_bytes(), layout(LAYOUT), &ALL).unwrap().len(), 300);
}

#[test]
fn empty() {
    let message = "the file holds no samples; export the log again";
    for bytes in ["", "\n\r\n  \n", HEAD, "Time,Speed,Steer,D FL,Air\ns,km/h,deg,mm,degC\n\n\n"] {
        expect(&fault_of(bytes.as_bytes()), "empty", None, message);
    }
}

#[test]
fn truncated_in_the_last_line() {
    let whole = sound(300);
    let cut = whole.trim_end().rsplit_once(',').unwrap().0.trim_end_matches(|c| c != ',').trim_end_matches(',');
    let message = "line 302: the file ends early (its last line has 3 of 5 fields); export or copy it again";
    expect(&fault_of(cut.as_bytes()), "truncated", Some(302), message);
    // In the middle of a number, and with a line end after it.
    expect(&fault_of(&cut.as_bytes()[..cut.len() - 1]), "truncated", Some(302), message);
    expect(&fault_of(format!("{cut}\n").as_bytes()), "truncated", Some(302), message);
}

#[test]
fn truncated_at_every_byte_is_never_wrong_in_silence() {
    let whole = sound(12);
    let good = load("run.csv", whole.as_bytes(), layout(LAYOUT), &ALL).unwrap();
    let start_of_last = whole.trim_end().rfind('\n').unwrap() + 1;
    for end in start_of_last..whole.len() {
        match load("run.csv", &whole.as_bytes()[..end], layout(LAYOUT), &ALL) {
            Err(fault) => assert_eq!(fault.reason(), "truncated", "at byte {end}"),
            Ok(log) => {
                assert!(log.len() < good.len());
                for (a, b) in log.columns.iter().zip(&good.columns) {
                    assert_eq!(a.values, b.values[..log.len()], "at byte {end}");
                }
            }
        }
    }
}

#[test]
fn truncated_within_the_header() {
    let message = "line 1: the file ends early (it ends within the header); export or copy it again";
    expect(&fault_of(b"Time,Speed,Ste"), "truncated", Some(1), message);
}

#[test]
fn binary_file() {
    let mut bytes = b"LOG\x02".to_vec();
    bytes.extend((0..5000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8));
    let message =
        "line 1 holds binary data, not text; is it the logger's raw file, or a workbook, instead of a text export?";
    expect(&fault_of(&bytes), "binary", Some(1), message);
}

#[test]
fn binary_hole_far_into_the_file() {
    let mut bytes = sound(4000).into_bytes();
    let at = bytes.len() - 100;
    bytes[at..at + 20].fill(0);
    let line = 1 + bytes[..at].iter().filter(|b| **b == b'\n').count() as u64;
    let message = format!(
        "line {line} holds binary data, not text; is it the logger's raw file, or a workbook, instead of a text export?"
    );
    expect(&fault_of(&bytes), "binary", Some(line), &message);
}

#[test]
fn wrong_layout_other_columns() {
    let text = "a,b,c\n1,2,3\n1,2,3\n1,2,3\n";
    let message = "line 1: none of the layout's columns is in the header, which begins `a, b, c`; \
                   the layout `club logger` does not fit this file";
    expect(&fault_of(text.as_bytes()), "wrong_layout", Some(1), message);
}

#[test]
fn wrong_layout_other_delimiter() {
    let text = sound(20).replace(',', ";");
    let message = "line 1: expected fields separated by `,`, found `Time;Speed;Steer;D FL;Air`, \
                   which looks separated by `;`; the layout `club logger` does not fit this file";
    expect(&fault_of(text.as_bytes()), "wrong_layout", Some(1), message);
}

#[test]
fn wrong_layout_other_encoding() {
    let text = "Time,Speed,Steer,D FL,Air\ns,km/h,\u{b0},mm,\u{b0}C\n0,1,2,3,4\n";
    let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
    let message = "line 2: the header is not valid UTF-8; if it is Latin-1, the layout says so with \
                   `encoding: latin1`; the layout `club logger` does not fit this file";
    expect(&fault_of(&latin), "wrong_layout", Some(2), message);
    let wide: Vec<u8> = "\u{feff}Time,Speed".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let message = "the file is UTF-16 text; export it as UTF-8; the layout `club logger` does not fit this file";
    expect(&fault_of(&wide), "wrong_layout", None, message);
}

#[test]
fn wrong_layout_ragged_lines() {
    let ends = "; the layout `club logger` does not fit this file";
    let short = sound(300).replacen(&line(100), "10.0,100", 1);
    let message = format!("line 103: expected 5 fields as in the header, found 2{ends}");
    expect(&fault_of(short.as_bytes()), "wrong_layout", Some(103), &message);
    // A surplus field would shift nothing that is read; it is refused all the same.
    let long = sound(300).replacen(&line(100), &(line(100) + ",7"), 1);
    let message = format!("line 103: expected 5 fields as in the header, found 6{ends}");
    expect(&fault_of(long.as_bytes()), "wrong_layout", Some(103), &message);
    let hole = sound(300).replacen(&line(100), "", 1);
    let message = format!("line 103: an empty line between the data lines{ends}");
    expect(&fault_of(hole.as_bytes()), "wrong_layout", Some(103), &message);
    let open = sound(300).replacen(&line(100), &line(100).replace(",21", ",\"21"), 1);
    let message = format!("line 103: a quoted field runs over the end of the line{ends}");
    expect(&fault_of(open.as_bytes()), "wrong_layout", Some(103), &message);
}

#[test]
fn wrong_layout_name_twice_and_time_blank() {
    let twice: String = sound(20)
        .lines()
        .map(|l| if l.starts_with('T') { format!("{l},Speed\n") } else { format!("{l},1\n") })
        .collect();
    let message = "line 1: column `Speed` of channel `speed` is ambiguous: it is field 2 and field 6; \
                   the layout `club logger` does not fit this file";
    expect(&fault_of(twice.as_bytes()), "wrong_layout", Some(1), message);
    let blank = sound(20).replacen(&line(10), &line(10).replacen("1.0", "", 1), 1);
    let message = "line 13: the time is missing; the layout `club logger` does not fit this file";
    expect(&fault_of(blank.as_bytes()), "wrong_layout", Some(13), message);
}

#[test]
fn wrong_layout_two_exports_joined() {
    let joined = sound(50) + &sound(50);
    let message = "line 53: the header stands again inside the data (`Time`); two exports joined?; \
                   the layout `club logger` does not fit this file";
    expect(&fault_of(joined.as_bytes()), "wrong_layout", Some(53), message);
}

#[test]
fn missing_channel() {
    let text = sound(20).replacen("Steer", "Steering wheel", 1);
    let message = "no column `Steer` for channel `steering`; the file has `Steering wheel`";
    expect(&fault_of(text.as_bytes()), "missing_channel", None, message);
    let time = sound(20).replacen("Time", "Distance", 1);
    assert_eq!(fault_of(time.as_bytes()).to_string(), "no column `Time` for channel `time`");
}

#[test]
fn wrong_unit() {
    let other = sound(20).replacen("mm", "N", 1);
    let message = "line 2: channel `damper_fl` (column `D FL`): `N` is a unit of force, but a length is needed here, \
                   like `2.6 m`";
    expect(&fault_of(other.as_bytes()), "wrong_unit", Some(2), message);
    let unknown = sound(20).replacen("km/h", "km/hr", 1);
    let message = "line 2: channel `speed` (column `Speed`): unknown unit `km/hr` (did you mean `km/h`?): \
                   a speed is written like `160 km/h`";
    expect(&fault_of(unknown.as_bytes()), "wrong_unit", Some(2), message);
    let none = sound(20).replacen("deg,", ",", 1);
    let message = "line 2: channel `steering` (column `Steer`): no unit, neither in the layout nor in the file; \
                   one like in `4 deg` is needed";
    expect(&fault_of(none.as_bytes()), "wrong_unit", Some(2), message);
}

#[test]
fn bad_cell() {
    for bad in ["ERR", "1.2.3", "inf", "0x1F", "12,5 mm"] {
        let cell = if bad.contains(',') { format!("\"{bad}\"") } else { bad.to_owned() };
        let changed = {
            let mut fields: Vec<String> = line(200).split(',').map(str::to_owned).collect();
            fields[3] = cell;
            fields.join(",")
        };
        let text = sound(300).replacen(&line(200), &changed, 1);
        let message = format!(
            "line 203: `{bad}` in column `D FL` (channel `damper_fl`) is not a number; \
             name it under `missing` in the layout if it means no value"
        );
        expect(&fault_of(text.as_bytes()), "bad_cell", Some(203), &message);
    }
}

#[test]
fn bad_cell_thousands_marks_are_not_guessed() {
    let yaml = r#"
name: comma
text: { delimiter: ";", decimal: comma }
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: km/h } }
"#;
    let fault = load("run.csv", b"Time;Speed\n0,0;99,5\n0,1;1.050\n", layout(yaml), &["speed"]).unwrap_err();
    let message = "line 3: `1.050` in column `Speed` (channel `speed`) is not a number; \
                   name it under `missing` in the layout if it means no value";
    expect(&fault, "bad_cell", Some(3), message);
}

#[test]
fn time_goes_back_or_stands_still() {
    let back = sound(300).replacen(&line(150), &line(150).replacen("15.0", "3.0", 1), 1);
    let message = "line 153: time goes back from 14.9 s to 3 s; two exports joined, or a wrong time column?";
    expect(&fault_of(back.as_bytes()), "time_goes_back", Some(153), message);
    let still = sound(300).replacen(&line(150), &line(150).replacen("15.0", "14.9", 1), 1);
    let message = "line 153: time stands still at 14.9 s; two exports joined, or a wrong time column?";
    expect(&fault_of(still.as_bytes()), "time_goes_back", Some(153), message);
}

#[test]
fn all_missing() {
    let text: String = sound(300).lines().map(|l| l.replace(",21", ",") + "\n").collect();
    let message = "channel `air_temperature` has no value in the whole log; was the sensor plugged in?";
    expect(&fault_of(text.as_bytes()), "all_missing", None, message);
}

/// The sound log with one field of each line from `from` on set to a value.
fn frozen(lines: u32, from: u32, field: usize, value: &str) -> String {
    (0..lines).fold(HEAD.to_owned(), |mut text, i| {
        let mut fields: Vec<String> = line(i).split(',').map(str::to_owned).collect();
        if i >= from {
            fields[field] = value.to_owned();
        }
        writeln!(text, "{}", fields.join(",")).unwrap();
        text
    })
}

#[test]
fn stuck_sensor() {
    let message = "channel `damper_fl` stays at 0.0042 m while the car moves; a stuck sensor?";
    expect(&fault_of(frozen(600, 0, 3, "4.2").as_bytes()), "stuck", None, message);
    let message = "channel `damper_fl` stays at 0.0042 m while the car moves (from line 403); a stuck sensor?";
    expect(&fault_of(frozen(1200, 400, 3, "4.2").as_bytes()), "stuck", Some(403), message);
    // The ambient temperature may rest.
    load("run.csv", frozen(1200, 0, 4, "21").as_bytes(), layout(LAYOUT), &ALL).unwrap();
}

#[test]
fn implausible_by_a_wrong_unit() {
    let text = sound(300).replacen("km/h", "m/s", 1);
    let fault = fault_of(text.as_bytes());
    let message = "channel `speed` reads 180 m/s, outside -5 to 130 m/s; is the unit right?";
    expect(&fault, "implausible", None, message);
    let hours = sound(300).replacen("\ns,", "\nh,", 1);
    let message = "channel `time` reads 107640 s, outside 0 to 100000 s; is the unit right?";
    expect(&fault_of(hours.as_bytes()), "implausible", None, message);
}

fn align() -> Align {
    serde_yaml::from_str("{ rate: 50 Hz }").unwrap()
}

#[test]
fn not_in_run_sheet_and_no_run() {
    let frame = || load("run.csv", sound(300).as_bytes(), layout(LAYOUT), &ALL).unwrap();
    let path = std::path::Path::new("run.csv");
    let fault = run(&align(), frame(), path, &ALL, &[]).unwrap_err();
    let message = "the run sheet names no run for this log; add a row with its configuration";
    expect(&fault, "not_in_run_sheet", None, message);
    let late = row("{ log: run.csv, from: 100 s, to: 200 s, event: e, session: s, configuration: base }");
    let fault = run(&align(), frame(), path, &ALL, &[late]).unwrap_err();
    let message = "no sample lies in the time ranges of the run sheet (the log lasts 30 s and has 1 outing; `from` and `to` count from its first sample)";
    expect(&fault, "no_run", None, message);
}

#[test]
fn an_outing_that_the_log_lacks_is_flagged() {
    let frame = || load("run.csv", sound(300).as_bytes(), layout(LAYOUT), &ALL).unwrap();
    let path = std::path::Path::new("run.csv");
    let of = |log: &str, outing: u32| {
        row(&format!("{{ log: \"{log}\", outing: {outing}, event: e, session: s, configuration: base }}"))
    };
    let flags = |rows: &[RunRow]| run(&align(), frame(), path, &ALL, rows).unwrap().flags;
    assert_eq!(flags(&[of("run.csv", 1)]), [""; 0]);
    assert_eq!(flags(&[of("run.csv", 1), of("run.csv", 4)]), ["outing_not_in_log"]);
    // A time after its end, and one that the row before has already.
    let time = |from: u32, to: u32| {
        row(&format!("{{ log: run.csv, from: {from} s, to: {to} s, event: e, session: s, configuration: base }}"))
    };
    assert_eq!(flags(&[time(0, 30), time(100, 200)]), ["outing_not_in_log"]);
    assert_eq!(flags(&[of("run.csv", 1), time(10, 20)]), ["outing_not_in_log"]);
    // A pattern names logs with fewer outings too.
    assert_eq!(flags(&[of("run.csv", 1), of("*.csv", 4)]), [""; 0]);
}

#[test]
fn unreadable() {
    let folder = tempfile::tempdir().unwrap();
    let stage = load_stage(layout(LAYOUT));
    let fault = run(&stage, LogFrame::default(), &folder.path().join("gone.csv"), &ALL, &[]).unwrap_err();
    assert_eq!((fault.reason(), fault.line()), ("unreadable", None));
    assert!(fault.to_string().starts_with("the file can't be read: No such file"), "{fault}");
}

const TYPED: &str = r#"
name: typed
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: m/s } }
"#;

fn batch(speed: ArrayRef) -> RecordBatch {
    let time: ArrayRef = Arc::new(Float64Array::from_iter_values((0..speed.len()).map(|i| i as f64)));
    let fields =
        vec![Field::new("Time", DataType::Float64, false), Field::new("Speed", speed.data_type().clone(), true)];
    RecordBatch::try_new(Arc::new(Schema::new(fields)), vec![time, speed]).unwrap()
}

/// The batch as Parquet, Arrow file and Arrow stream.
fn typed_files(batch: &RecordBatch) -> [(&'static str, Vec<u8>); 3] {
    let (mut a, mut b, mut c) = (Vec::new(), Vec::new(), Vec::new());
    let mut parquet = parquet::arrow::ArrowWriter::try_new(&mut a, batch.schema(), None).unwrap();
    parquet.write(batch).unwrap();
    parquet.close().unwrap();
    let mut file = arrow_ipc::writer::FileWriter::try_new(&mut b, &batch.schema()).unwrap();
    file.write(batch).unwrap();
    file.finish().unwrap();
    drop(file);
    let mut stream = arrow_ipc::writer::StreamWriter::try_new(&mut c, &batch.schema()).unwrap();
    stream.write(batch).unwrap();
    stream.finish().unwrap();
    drop(stream);
    [("a.parquet", a), ("a.arrow", b), ("b.arrow", c)]
}

#[test]
fn typed_files_cut_at_any_place() {
    let batch = batch(Arc::new(Float64Array::from_iter_values((0..2000).map(|i| f64::from(i % 60)))));
    for (name, bytes) in typed_files(&batch) {
        assert_eq!(load(name, &bytes, layout(TYPED), &["speed"]).unwrap().len(), 2000);
        assert_eq!(load(name, &[], layout(TYPED), &["speed"]).unwrap_err().reason(), "empty");
        for share in 1..20 {
            let cut = &bytes[..bytes.len() * share / 20];
            let fault = load(name, cut, layout(TYPED), &["speed"]).unwrap_err();
            assert_eq!(fault.reason(), "truncated", "{name} {share}/20: {fault}");
        }
    }
}

#[test]
fn typed_files_with_damaged_bytes_are_faults_or_whole() {
    let batch = batch(Arc::new(Float64Array::from_iter_values((0..200).map(|i| f64::from(i % 60)))));
    for (name, bytes) in typed_files(&batch) {
        for at in (8..bytes.len() - 8).step_by(37) {
            let mut damaged = bytes.clone();
            damaged[at] ^= 0xff;
            // Whatever comes out, it is no panic.
            let _ = load(name, &damaged, layout(TYPED), &["speed"]);
        }
    }
}

#[test]
fn typed_files_with_the_wrong_type() {
    let batch = batch(Arc::new(StringArray::from(vec!["36 km/h", "72 km/h"])));
    let message = "column `Speed` of channel `speed` holds Utf8, not numbers; \
                   the layout `typed` does not fit this file";
    for (name, bytes) in typed_files(&batch) {
        expect(&load(name, &bytes, layout(TYPED), &["speed"]).unwrap_err(), "wrong_layout", None, message);
    }
}

#[test]
fn a_text_file_by_a_typed_name() {
    let file = on_disk("a.parquet", sound(10).as_bytes());
    let stage = load_stage(layout(TYPED));
    let fault = run(&stage, LogFrame::default(), &file.path, &["speed"], &[]).unwrap_err();
    let message = "expected Parquet, found a file that begins with other bytes; \
                   the layout `typed` does not fit this file";
    expect(&fault, "wrong_layout", None, message);
}
