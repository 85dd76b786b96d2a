//! `load` on real files of every kind it should read, against known values.

use std::sync::Arc;

use arrow_array::types::Int32Type;
use arrow_array::{ArrayRef, DictionaryArray, Float32Array, Float64Array, Int16Array, Int32Array, Int64Array};
use arrow_array::{RecordBatch, StringArray, TimestampNanosecondArray, UInt8Array};
use arrow_schema::{DataType, Field, Schema, TimeUnit};
use squarelaw::config::log_names::Runs;
use squarelaw::stages::log::align::Align;
use squarelaw::stages::log::load::{discover, header_check, leads_nowhere};
use squarelaw::table::frame::LogFrame;
use squarelaw::units::{Dimension, G};

use crate::log_kit::{layout, load, load_stage, on_disk, row, run};

const PLAIN: &str = r#"
name: plain
time: { column: { column: Time, unit: s } }
channels:
  speed: { column: Speed, unit: km/h }
  accel_y: { column: Lat, unit: g, reversed: true }
  air_temperature: { column: Air, unit: degC, required: false }
"#;

fn close(got: &[f64], expected: &[f64]) {
    assert_eq!(got.len(), expected.len(), "{got:?}");
    for (g, e) in got.iter().zip(expected) {
        assert!((g.is_nan() && e.is_nan()) || (g - e).abs() <= 1e-12 * e.abs().max(1.0), "{got:?} is not {expected:?}");
    }
}

fn speeds(frame: &LogFrame) -> &[f64] {
    frame.get("speed").unwrap()
}

#[test]
fn units_signs_and_time_from_zero() {
    let text = "Time,Lap,Speed,Lat,Air\n12.5,1,36,1,20\n12.6,1,72,-0.5,21\n";
    let frame = load("a.csv", text.as_bytes(), layout(PLAIN), &["speed", "accel_y", "air_temperature"]).unwrap();
    close(&frame.time, &[0.0, 12.6 - 12.5]);
    close(speeds(&frame), &[10.0, 20.0]);
    close(frame.get("accel_y").unwrap(), &[-G, 0.5 * G]);
    close(frame.get("air_temperature").unwrap(), &[293.15, 294.15]);
    assert_eq!(frame.first_line, 2);
    let dimensions: Vec<_> = frame.columns.iter().map(|c| (c.name.as_str(), c.dimension)).collect();
    let expected = [
        ("accel_y", Dimension::Acceleration),
        ("air_temperature", Dimension::Temperature),
        ("speed", Dimension::Speed),
    ];
    assert_eq!(dimensions, expected);
}

#[test]
fn only_needed_channels_are_read() {
    // The unneeded column holds text, the unneeded required channel has no column at all.
    let text = "Time,Speed,Note\n0,36,go\n1,72,\n";
    let frame = load("a.csv", text.as_bytes(), layout(PLAIN), &["speed", "front_downforce"]).unwrap();
    assert_eq!(frame.columns.len(), 1);
    close(speeds(&frame), &[10.0, 20.0]);
}

#[test]
fn a_channel_that_may_be_missing_is_skipped() {
    let frame = load("a.csv", b"Time,Speed\n0,36\n1,72\n", layout(PLAIN), &["speed", "air_temperature"]).unwrap();
    assert!(frame.get("air_temperature").is_none());
    let blank = load("a.csv", b"Time,Speed,Air\n0,36,\n1,72,\n", layout(PLAIN), &["speed", "air_temperature"]).unwrap();
    assert!(blank.get("air_temperature").is_none());
}

#[test]
fn byte_order_mark_and_windows_line_ends() {
    let text = "\u{feff}Time,Speed\r\n0,36\r\n1,72\r\n\r\n";
    let frame = load("a.csv", text.as_bytes(), layout(PLAIN), &["speed"]).unwrap();
    close(speeds(&frame), &[10.0, 20.0]);
}

#[test]
fn preamble_units_row_and_semicolons_with_decimal_comma() {
    let yaml = r#"
name: comma
text: { delimiter: ";", decimal: comma, header_line: 4, units_line: 5, data_line: 7 }
time: { column: { column: Zeit } }
channels:
  speed: { column: v }
  damper_fl: { column: D vl, reversed: true }
"#;
    let text = "Export \"test\";x\nfree, text;\n\nZeit;v;D vl;Uhr\n[ms];[km/h];[mm];\n(skipped)\n0;36,0;-12,5;14.00.01\n20;72,0;;14.00.02\n";
    let frame = load("a.csv", text.as_bytes(), layout(yaml), &["speed", "damper_fl"]).unwrap();
    close(&frame.time, &[0.0, 0.02]);
    close(speeds(&frame), &[10.0, 20.0]);
    close(frame.get("damper_fl").unwrap(), &[0.0125, f64::NAN]);
    assert_eq!(frame.first_line, 7);
}

#[test]
fn the_layout_unit_goes_before_the_units_row() {
    let yaml = r#"
name: both
text: { units_line: 2 }
time: { column: { column: Time } }
channels: { speed: { column: Speed, unit: mph } }
"#;
    let frame = load("a.csv", b"Time,Speed\ns,km/h\n0,100\n1,50\n", layout(yaml), &["speed"]).unwrap();
    // 100 and 50 mph; NIST SP 811.
    close(speeds(&frame), &[44.704, 22.352]);
    // Which of the two is right somebody has to know.
    assert_eq!(frame.flags, ["unit_unlike_file"]);
    assert_eq!(frame.other_units, ["`Speed` (layout: mph; file: km/h)"]);
    let alike = load("a.csv", b"Time,Speed\ns,mph\n0,100\n1,50\n", layout(yaml), &["speed"]).unwrap();
    assert!(alike.flags.is_empty() && alike.other_units.is_empty(), "{:?}", alike.flags);
}

#[test]
fn latin1_names_units_and_missing_texts() {
    let yaml = r#"
name: latin
text: { encoding: latin1, units_line: 2, missing: ["§"] }
time: { column: { column: Zeit } }
channels:
  speed: { column: Geschwindigkeit über Grund }
  air_temperature: { column: Luft }
"#;
    let text = "Zeit,Geschwindigkeit über Grund,Luft\ns,km/h,°C\n0,36,20\n1,72,§\n";
    let bytes: Vec<u8> = text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    let frame = load("a.csv", &bytes, layout(yaml), &["speed", "air_temperature"]).unwrap();
    close(speeds(&frame), &[10.0, 20.0]);
    close(frame.get("air_temperature").unwrap(), &[293.15, f64::NAN]);
}

#[test]
fn quoted_fields_and_spaces() {
    let text = "\"Time\", \"Speed\" ,\"Lat\"\n\"0.0\",\"36\",\"1\"\n\"1.0\",\" 72 \",\"\"\n";
    let frame = load("a.csv", text.as_bytes(), layout(PLAIN), &["speed", "accel_y"]).unwrap();
    close(speeds(&frame), &[10.0, 20.0]);
    close(frame.get("accel_y").unwrap(), &[-G, f64::NAN]);
    // Without quotes, spaces alone.
    let spaces =
        load("a.csv", b"Time,Speed,Lat\n 0 , 36 ,1\n 1 ,72\t, \n", layout(PLAIN), &["speed", "accel_y"]).unwrap();
    close(speeds(&spaces), &[10.0, 20.0]);
    close(spaces.get("accel_y").unwrap(), &[-G, f64::NAN]);
}

#[test]
fn quoted_decimal_commas_between_commas() {
    let yaml = r#"
name: quoted
text: { decimal: comma }
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: m/s } }
"#;
    let frame = load("a.csv", b"Time,Speed\n\"0,0\",\"36,5\"\n\"0,1\",\"37,5\"\n", layout(yaml), &["speed"]).unwrap();
    close(&frame.time, &[0.0, 0.1]);
    close(speeds(&frame), &[36.5, 37.5]);
}

#[test]
fn missing_texts_and_numbers() {
    let yaml = r#"
name: missing
text: { missing: ["n/a", "-9999", "---"] }
time: { column: { column: Time, unit: s } }
channels: { speed: { column: Speed, unit: m/s } }
"#;
    let text = "Time,Speed\n0,1\n1,n/a\n2,-9999\n3,-9999.0\n4, -9999\n5,---\n6,NaN\n7,\n8,2\n";
    let frame = load("a.csv", text.as_bytes(), layout(yaml), &["speed"]).unwrap();
    let nan = f64::NAN;
    close(speeds(&frame), &[1.0, nan, nan, nan, nan, nan, nan, nan, 2.0]);
}

#[test]
fn slower_channels_with_blanks_between() {
    let text = "Time,Speed,Lat\n0.00,36,0.1\n0.01,,0.2\n0.02,,0.3\n0.03,72,0.4\n";
    let frame = load("a.csv", text.as_bytes(), layout(PLAIN), &["speed", "accel_y"]).unwrap();
    close(speeds(&frame), &[10.0, f64::NAN, f64::NAN, 20.0]);
    assert!(frame.get("accel_y").unwrap().iter().all(|v| v.is_finite()));
}

#[test]
fn clock_time_goes_on_past_midnight() {
    let yaml = r#"
name: clock
time: { clock: { column: Clock } }
channels: { speed: { column: Speed, unit: m/s } }
"#;
    let text = "Clock,Speed\n23:59:59.90,10\n23:59:59.95,11\n00:00:00.00,12\n00:00:00.05,13\n";
    let frame = load("a.csv", text.as_bytes(), layout(yaml), &["speed"]).unwrap();
    assert_eq!(frame.time.len(), 4);
    for (t, expected) in frame.time.iter().zip([0.0, 0.05, 0.1, 0.15]) {
        assert!((t - expected).abs() < 1e-9, "{:?}", frame.time);
    }
}

#[test]
fn fixed_rate_needs_no_time_column() {
    let yaml = r#"
name: fixed
time: { rate: 100 Hz }
channels: { speed: { column: Speed, unit: m/s } }
"#;
    let frame = load("a.csv", b"Speed\n1\n2\n4\n", layout(yaml), &["speed"]).unwrap();
    close(&frame.time, &[0.0, 0.01, 0.02]);
    close(speeds(&frame), &[1.0, 2.0, 4.0]);
}

#[test]
fn tabs_and_own_channels() {
    let yaml = r#"
name: tabs
text: { delimiter: tab }
time: { column: { column: Time, unit: s } }
channels:
  radiator_drop: { column: P rad, unit: mbar }
  flag: { column: Flag, quantity: ratio }
"#;
    let frame =
        load("a.txt", b"Time\tP rad\tFlag\n0\t12\t1\n1\t13\t0\n", layout(yaml), &["radiator_drop", "flag"]).unwrap();
    close(frame.get("radiator_drop").unwrap(), &[1200.0, 1300.0]);
    close(frame.get("flag").unwrap(), &[1.0, 0.0]);
    let column = frame.columns.iter().find(|c| c.name == "radiator_drop").unwrap();
    assert_eq!(column.dimension, Dimension::Pressure);
}

#[test]
fn a_last_line_without_end_is_whole_unless_its_last_number_is_needed() {
    let frame = load("a.csv", b"Time,Speed,Note\n0,36,1\n1,72,1", layout(PLAIN), &["speed"]).unwrap();
    close(speeds(&frame), &[10.0, 20.0]);
    // Here 72 may have been 720: the sample is left out.
    let frame = load("a.csv", b"Time,Speed\n0,36\n1,72", layout(PLAIN), &["speed"]).unwrap();
    close(speeds(&frame), &[10.0]);
}

#[test]
fn a_repeated_stamp_is_dropped_only_where_its_row_is_blank() {
    let frame = load("a.csv", b"Time,Speed,Lat\n0,36,\n1,72,\n1,,\n2,36,\n", layout(PLAIN), &["speed"]).unwrap();
    close(&frame.time, &[0.0, 1.0, 2.0]);
    close(speeds(&frame), &[10.0, 20.0, 10.0]);
}

/// The fast and the careful reader must agree: a quote in an unneeded column sends the same numbers through
/// the careful one. Large enough for several chunks of the fast one.
#[test]
fn both_text_readers_give_the_same_numbers() {
    let mut plain = String::from("Time,Speed,Lat,Note,Air\n");
    let mut quoted = plain.clone();
    for i in 0..20_000_u32 {
        let speed = f64::from(i % 977) * 0.123_456_7;
        let lat = if i % 3 == 0 { String::new() } else { format!("{:e}", f64::from(i % 31) * -0.01) };
        let note = if i == 12_345 { "\"x\"" } else { "x" };
        let line = |note: &str| format!("{:.3},{speed},{lat},{note},+{}.50\n", f64::from(i) * 0.01, i % 40);
        plain.push_str(&line("x"));
        quoted.push_str(&line(note));
    }
    let needed = ["speed", "accel_y", "air_temperature"];
    let fast = load("a.csv", plain.as_bytes(), layout(PLAIN), &needed).unwrap();
    let careful = load("a.csv", quoted.as_bytes(), layout(PLAIN), &needed).unwrap();
    assert_eq!(fast.len(), 20_000);
    close(&fast.time, &careful.time);
    for (a, b) in fast.columns.iter().zip(&careful.columns) {
        assert_eq!(a.name, b.name);
        assert!(a.values.iter().zip(&b.values).all(|(x, y)| x.to_bits() == y.to_bits() || (x.is_nan() && y.is_nan())));
    }
}

fn batch() -> RecordBatch {
    let unit = |f: Field, u: &str| f.with_metadata([("unit".to_owned(), u.to_owned())]);
    let columns: Vec<(Field, ArrayRef)> = vec![
        (Field::new("Note", DataType::Utf8, true), Arc::new(StringArray::from(vec!["a", "b", "c"]))),
        (unit(Field::new("Time", DataType::Int64, false), "ms"), Arc::new(Int64Array::from(vec![500, 510, 520]))),
        (
            unit(Field::new("Speed", DataType::Float32, true), "km/h"),
            Arc::new(Float32Array::from(vec![Some(36.0), None, Some(72.0)])),
        ),
        (Field::new("Lat", DataType::Int16, true), Arc::new(Int16Array::from(vec![1, 2, -1]))),
        (unit(Field::new("Gear", DataType::UInt8, true), "1"), Arc::new(UInt8Array::from(vec![3, 3, 4]))),
    ];
    let (fields, arrays): (Vec<_>, Vec<_>) = columns.into_iter().unzip();
    RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays).unwrap()
}

const TYPED: &str = r#"
name: typed
time: { column: { column: Time } }
channels:
  speed: { column: Speed }
  accel_y: { column: Lat, unit: m/s2 }
  gear: { column: Gear }
"#;

fn parquet(batch: &RecordBatch) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = parquet::arrow::ArrowWriter::try_new(&mut bytes, batch.schema(), None).unwrap();
    writer.write(batch).unwrap();
    writer.close().unwrap();
    bytes
}

fn ipc_file(batch: &RecordBatch) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = arrow_ipc::writer::FileWriter::try_new(&mut bytes, &batch.schema()).unwrap();
    writer.write(batch).unwrap();
    writer.write(&batch.slice(0, 0)).unwrap();
    writer.finish().unwrap();
    drop(writer);
    bytes
}

fn ipc_stream(batch: &RecordBatch) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = arrow_ipc::writer::StreamWriter::try_new(&mut bytes, &batch.schema()).unwrap();
    writer.write(batch).unwrap();
    writer.finish().unwrap();
    drop(writer);
    bytes
}

#[test]
fn parquet_and_arrow_files_with_units_in_their_metadata() {
    let batch = batch();
    for (name, bytes) in
        [("a.parquet", parquet(&batch)), ("a.arrow", ipc_file(&batch)), ("b.arrow", ipc_stream(&batch))]
    {
        let frame = load(name, &bytes, layout(TYPED), &["speed", "accel_y", "gear"]).unwrap();
        close(&frame.time, &[0.0, 0.51 - 0.5, 0.52 - 0.5]);
        close(speeds(&frame), &[10.0, f64::NAN, 20.0]);
        close(frame.get("accel_y").unwrap(), &[1.0, 2.0, -1.0]);
        close(frame.get("gear").unwrap(), &[3.0, 3.0, 4.0]);
        assert_eq!(frame.first_line, 0);
    }
}

#[test]
fn typed_times_lose_no_nanosecond() {
    // 2031-05-04 in nanoseconds since 1970: as a 64-bit float it would be off by a tenth of a microsecond.
    let t0 = 1_935_619_200_000_000_000_i64;
    let stamps = TimestampNanosecondArray::from(vec![t0 + 1, t0 + 5_000_001, t0 + 10_000_001]);
    let dictionary = DictionaryArray::<Int32Type>::new(
        Int32Array::from(vec![0, 1, 0]),
        Arc::new(Float64Array::from(vec![10.0, 20.0])),
    );
    let schema = Schema::new(vec![
        Field::new("Time", DataType::Timestamp(TimeUnit::Nanosecond, None), false),
        Field::new("Speed", DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Float64)), true),
    ]);
    let batch = RecordBatch::try_new(Arc::new(schema), vec![Arc::new(stamps), Arc::new(dictionary)]).unwrap();
    let yaml = r#"
name: stamps
time: { column: { column: Time, unit: ms } }
channels: { speed: { column: Speed, unit: m/s } }
"#;
    for (name, bytes) in [("a.parquet", parquet(&batch)), ("a.arrow", ipc_file(&batch))] {
        let frame = load(name, &bytes, layout(yaml), &["speed"]).unwrap();
        close(&frame.time, &[0.0, 0.005, 0.01]);
        close(speeds(&frame), &[10.0, 20.0, 10.0]);
    }
}

#[test]
fn files_are_found_sorted_and_once() {
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path().join("day [1]");
    std::fs::create_dir_all(base.join("b")).unwrap();
    for name in ["z.csv", "a.csv", ".hidden.csv", "b/m.csv", "note.txt"] {
        std::fs::write(base.join(name), "x").unwrap();
    }
    let mut stage = load_stage(layout(PLAIN));
    let pattern = |s: &str| squarelaw::located::Located::nowhere(s.to_owned());
    stage.logs = vec![pattern("*.csv"), pattern("**/*.csv"), pattern("a.*")];
    let names: Vec<_> = discover(&stage, &base, &|_| false)
        .unwrap()
        .0
        .iter()
        .map(|p| p.strip_prefix(&base).unwrap().to_owned())
        .collect();
    assert_eq!(names, ["a.csv", "b/m.csv", "z.csv"].map(std::path::PathBuf::from));

    for (pattern, nowhere) in [
        ("b/*.csv", false),
        ("./b//*.none", false),
        ("*.csv", false),
        ("a.csv", false),
        ("c/*.csv", true),
        ("c.csv", true),
        ("a.csv/*", true),
    ] {
        assert_eq!(leads_nowhere(&base, pattern), nowhere, "{pattern}");
    }

    stage.logs = vec![pattern("*.parquet"), pattern("none/*")];
    let none = discover(&stage, &base, &|_| false).unwrap_err();
    assert_eq!(none.to_string(), "no log matches *.parquet, none/*; nothing was written");
}

#[cfg(unix)]
#[test]
fn a_link_in_a_circle_costs_nothing_and_a_name_that_is_no_text_is_said() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path();
    std::fs::write(base.join("a.csv"), "x").unwrap();
    std::fs::write(base.join(std::ffi::OsStr::from_bytes(b"\xff\xfe.csv")), "x").unwrap();
    std::fs::create_dir(base.join("more")).unwrap();
    std::os::unix::fs::symlink(base, base.join("more/round")).unwrap();
    std::os::unix::fs::symlink(base.join("a.csv"), base.join("more/b.csv")).unwrap();
    let mut stage = load_stage(layout(PLAIN));
    stage.logs = ["*.csv", "**/*.csv"].map(|p| squarelaw::located::Located::nowhere(p.to_owned())).to_vec();
    let (files, unseen) = discover(&stage, base, &|_| false).unwrap();
    assert_eq!(files, [base.join("a.csv")]);
    assert!(unseen.len() == 1 && unseen[0].contains("is no text in UTF-8"), "{unseen:?}");
}

#[test]
fn run_sheet_rows_name_logs() {
    let of = |log: &str| row(&format!("{{ log: \"{log}\", event: e, session: s, configuration: base }}"));
    let rows = [of("mon_1.csv"), of("mon_*.csv"), of("tue_?.csv"), of("run[2].csv")];
    let runs = Runs::new(&rows);
    let named = |log: &str| runs.of(log).iter().map(|r| r.log.value.clone()).collect::<Vec<_>>();
    assert_eq!(named("mon_1.csv"), ["mon_1.csv", "mon_*.csv"]);
    assert_eq!(named("tue_3.csv"), ["tue_?.csv"]);
    assert_eq!(named("run[2].csv"), ["run[2].csv"]);
    assert!(named("wed_1.csv").is_empty());
}

#[test]
fn the_header_alone_is_checked_without_the_data() {
    let needed = ["speed", "accel_y"].map(str::to_owned);
    // The data are no numbers; the header fits.
    let fits = on_disk("a.csv", b"Time,Speed,Lat\nno,data,here\n");
    header_check(&fits.path, &layout(PLAIN), &needed).unwrap();
    let lacks = on_disk("a.csv", b"Time,Sped,Lat\n0,1,2\n");
    let fault = header_check(&lacks.path, &layout(PLAIN), &needed).unwrap_err();
    assert_eq!(fault.to_string(), "no column `Speed` for channel `speed`; the file has `Sped`");
    // What no stage needs may be missing, as when the log is read.
    header_check(&lacks.path, &layout(PLAIN), &needed[1..]).unwrap();
    let typed = on_disk("a.parquet", &parquet(&batch()));
    header_check(&typed.path, &layout(TYPED), &needed).unwrap();
}

/// The sample season: three layouts, one copy that was cut, one log of three outings.
#[test]
fn the_sample_logs_are_read_and_aligned() {
    let named = |p: &str| layout(&std::fs::read_to_string(format!("schemas/{p}.layout.yaml")).unwrap());
    let rows = [row("{ log: '*', event: e, session: s, configuration: base }")];
    let align: Align = serde_yaml::from_str("{ rate: 25 Hz }").unwrap();
    let mut paths: Vec<_> = std::fs::read_dir("sample-logs/logs").unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    assert!(paths.len() > 20);
    for path in paths {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let layout = match name.as_str() {
            n if n.ends_with(".parquet") => named("plain-parquet"),
            "e01-s2-o2.csv" => named("decimal-comma"),
            _ => named("plain-csv"),
        };
        let all: Vec<String> = layout.channels.keys().cloned().collect();
        let all: Vec<&str> = all.iter().map(String::as_str).collect();
        let read = run(&load_stage(layout), LogFrame::default(), &path, &all, &rows);
        if name == "e03-s1-o2-copy.csv" {
            let fault = read.unwrap_err();
            assert_eq!((fault.reason(), fault.line()), ("truncated", Some(514)));
            continue;
        }
        let aligned = run(&align, read.unwrap(), &path, &all, &rows).unwrap();
        let outings: Vec<u32> = aligned.segments.iter().map(|s| s.outing).collect();
        assert_eq!(outings, if name == "e04-s2.csv" { vec![1, 2, 3] } else { vec![1] }, "{name}");
        // One second between weather samples is bridged, up to the last of them.
        let blank = |c: &str| aligned.get(c).unwrap().iter().filter(|v| v.is_nan()).count();
        assert_eq!((blank("speed"), blank("damper_fl"), blank("air_pressure")), (0, 0, 24), "{name}");
    }
}
