//! Definition files in a folder of their own: what is read, and the full text of what is refused.

use std::fs;
use std::path::Path;

use squarelaw::config::issue::Issues;
use squarelaw::config::read::{Definitions, definitions};
use squarelaw::stages::LogStep;
use tempfile::TempDir;

pub const PIPELINE: &str = "\
season: 2031
car: car.yaml
run_sheet: runs.csv
tables: out
per_log:
  - load: { logs: [\"*.csv\"], layout: plain.layout.yaml }
  - align: { rate: 50 Hz }
  - air: {}
  - loads: { from: dampers }
windows:
  - steady:
      speed: 80..260 km/h
      lateral: 0.08 g
      steering: 4 deg
      longitudinal: 0.03 g
      lasting: 1.5..5 s
season_wide:
  - fit: { quantities: [front_downforce, rear_downforce], at: 160 km/h }
  - compare: { against: base }
";

pub const CAR: &str = "\
name: Invented GT
mass: 1040 kg
wheelbase: 2.62 m
cg_height: 460 mm
height: 1.2 m
track: { front: 1.6 m, rear: 1.58 m }
corner_weights:
  fl: 262 kg
  fr: 258 kg
  rl: 281 kg
  rr: 279 kg
fuel: { at_corner_weights: 40 kg, front_share: 40 % }
springs:
  front: { rate: 120 N/mm }
  rear:
    table:
      - { travel: 0 mm, force: 0 N }
      - { travel: 40 mm, force: 4000 N }
      - { travel: 50 mm, force: 6500 N }
motion_ratio:
  front: 0.72
  rear: 0.8
tyre_radius: { front: 310 mm, rear: 320 mm }
final_drive: 3.9
gears: [3.2, 2.1, 1.6, 1.3]
rolling_resistance: 0.014
tyres:
  front: { load_index: 94, speed_symbol: W }
  rear: { load_index: 96, speed_symbol: W }
";

pub const RUNS: &str = "\
log,from,to,event,session,configuration,parts,wing_position,fuel,temperature [degC],pressure,humidity,wind_speed,wind_from
a1.csv,,,Event 1,Friday,base,,4,40 kg,21,1009 hPa,45 %,2 m/s,270 deg
a2.csv,,10 min,Event 1,Friday,lip,lip,4,35 kg,70 degF,1009 hPa,0.45,,
a2.csv,10 min,,Event 1,Friday,lip+strip,lip+strip,4,30 kg,22,1009 hPa,0.45,,
";

pub const LAYOUT: &str = "\
name: plain text
text: { units_line: 2 }
time: { column: { column: Time } }
channels:
  speed: { column: Speed }
  damper_fl: { column: D FL, reversed: true }
  cooler_drop: { column: P1, unit: mbar, required: false }
";

/// A folder with a sound set of definition files; each can be overwritten.
pub struct Folder(TempDir);

impl Folder {
    pub fn new() -> Self {
        let folder = Self(TempDir::new().unwrap());
        folder.write("season.yaml", PIPELINE);
        folder.write("car.yaml", CAR);
        folder.write("runs.csv", RUNS);
        folder.write("plain.layout.yaml", LAYOUT);
        folder
    }
    pub fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        fs::write(self.0.path().join(name), text).unwrap();
    }
    pub fn path(&self) -> &Path {
        self.0.path()
    }
    pub fn read(&self) -> Result<Definitions, Issues> {
        definitions(&self.path().join("season.yaml"))
    }
    /// The full text of the faults, without the name of the temporary folder.
    fn faults(&self) -> String {
        let text = self.read().expect_err("faults").to_string();
        text.replace(&format!("{}/", self.path().display()), "")
    }
}

/// The faults after one replacement in one file.
fn after(file: &str, original: &str, from: &str, to: &str) -> String {
    assert!(original.contains(from), "nothing to replace: {from}");
    let folder = Folder::new();
    folder.write(file, original.replacen(from, to, 1));
    folder.faults()
}

fn car(from: &str, to: &str) -> String {
    after("car.yaml", CAR, from, to)
}
fn runs(from: &str, to: &str) -> String {
    after("runs.csv", RUNS, from, to)
}
fn pipeline(from: &str, to: &str) -> String {
    after("season.yaml", PIPELINE, from, to)
}
fn layout(from: &str, to: &str) -> String {
    after("plain.layout.yaml", LAYOUT, from, to)
}

/// Sound files give sound values, in SI.
#[test]
fn sound_definitions_are_read() {
    let d = Folder::new().read().unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(d.pipeline.season.as_str(), "2031");
    assert_eq!(d.sources.len(), 4);
    assert!((d.car.fuel.at_corner_weights.get() - 40.0).abs() < 1e-12);
    assert!((d.car.cg_height.get() - 0.46).abs() < 1e-12);
    let rows = &d.runs.rows;
    assert_eq!(rows.len(), 3);
    // 70 °F = 294.2611… K (Fahrenheit's definition, NIST SP 811 B.8)
    let kelvin: Vec<f64> = rows.iter().map(|r| r.temperature.as_ref().unwrap().get()).collect();
    assert!((kelvin[0] - 294.15).abs() < 1e-9 && (kelvin[1] - (70.0 + 459.67) / 1.8).abs() < 1e-9);
    assert!((rows[0].pressure.as_ref().unwrap().get() - 100_900.0).abs() < 1e-6);
    assert!((rows[1].to.as_ref().unwrap().get() - 600.0).abs() < 1e-9 && rows[1].from.is_none());
    assert_eq!(rows[2].parts, ["lip", "strip"]);
    assert_eq!((rows[2].spot.line, rows[2].wing_position, rows[2].wind_speed.is_none()), (4, Some(4.0), true));
    let LogStep::Load(load) = &d.pipeline.per_log[0].value else { panic!("load first") };
    let [(pattern, layout)] = load.resolved.layouts.as_slice() else { panic!("one layout") };
    assert_eq!((pattern.as_str(), layout.channels.len()), ("*", 3));
    assert_eq!(layout.channels["damper_fl"].spot.line, 6);
}

/// The same rows as CSV with semicolons, byte order mark and Windows line ends, and as YAML.
#[test]
fn run_sheets_of_every_form_give_the_same_rows() {
    let folder = Folder::new();
    let plain = folder.read().unwrap().runs;
    let windows = format!("\u{feff}# a remark\n\n{}\n;;;\n", RUNS.replace(',', ";")).replace('\n', "\r\n");
    folder.write("runs.csv", windows);
    let mut other = folder.read().unwrap_or_else(|e| panic!("{e}")).runs;
    for row in &mut other.rows {
        row.spot.line -= 2;
    }
    assert_eq!(other, plain);

    let yaml = "\
- { log: a1.csv, event: Event 1, session: Friday, configuration: base, wing_position: 4, fuel: 40 kg, temperature: 21 degC, pressure: 1009 hPa, humidity: 45 %, wind_speed: 2 m/s, wind_from: 270 deg }
- { log: a2.csv, to: 10 min, event: Event 1, session: Friday, configuration: lip, parts: [lip], wing_position: 4, fuel: 35 kg, temperature: 70 degF, pressure: 1009 hPa, humidity: 0.45 }
- { log: a2.csv, from: 10 min, event: Event 1, session: Friday, configuration: lip+strip, parts: [lip, strip], wing_position: 4, fuel: 30 kg, temperature: 22 degC, pressure: 1009 hPa, humidity: 0.45 }
";
    folder.write("runs.yaml", yaml);
    folder.write("season.yaml", PIPELINE.replace("runs.csv", "runs.yaml"));
    let mut other = folder.read().unwrap_or_else(|e| panic!("{e}")).runs;
    for (row, plain) in other.rows.iter_mut().zip(&plain.rows) {
        row.spot = plain.spot;
    }
    assert_eq!(other, plain);
}

/// Numbers where text is meant stay the text that was written.
#[test]
fn blanks_at_the_end_of_a_name_make_no_other_car() {
    let mut row: squarelaw::config::run_sheet::RunRow =
        serde_yaml::from_str("{ log: 'a.csv ', event: ' e', session: 's ', configuration: 'base ', parts: [' lip '] }")
            .unwrap();
    row.trim();
    let names = [row.log.as_str(), &row.event, &row.session, row.configuration.as_str(), &row.parts[0]];
    assert_eq!(names, ["a.csv", "e", "s", "base", "lip"]);
}

#[test]
fn numbers_read_as_text_keep_their_spelling() {
    let folder = Folder::new();
    folder.write("car.yaml", CAR.replace("Invented GT", "0911"));
    folder.write("season.yaml", PIPELINE.replace("season: 2031", "season: 2031.10"));
    let d = folder.read().unwrap();
    assert_eq!((d.car.name.as_str(), d.pipeline.season.as_str()), ("0911", "2031.10"));
}

/// Anchors are allowed, and a fault in an anchored value is shown where it is used.
#[test]
fn anchors() {
    let folder = Folder::new();
    folder.write("car.yaml", CAR.replace("front: 310 mm, rear: 320 mm", "front: &r 310 mm, rear: *r"));
    assert_eq!(folder.read().unwrap().car.tyre_radius.rear.get(), 0.31);
}

#[test]
fn layouts_for_some_logs_go_before_the_main_one() {
    let folder = Folder::new();
    folder.write("other.layout.yaml", LAYOUT.replace("plain text", "other"));
    let load = "layout: plain.layout.yaml, layouts: [{ logs: \"b*\", layout: other.layout.yaml }] }";
    folder.write("season.yaml", PIPELINE.replace("layout: plain.layout.yaml }", load));
    let d = folder.read().unwrap_or_else(|e| panic!("{e}"));
    let LogStep::Load(load) = &d.pipeline.per_log[0].value else { panic!("load first") };
    let names: Vec<_> = load.resolved.layouts.iter().map(|(p, l)| (p.as_str(), l.name.as_str())).collect();
    assert_eq!(names, [("b*", "other"), ("*", "plain text")]);
}

#[test]
fn a_fault_in_one_file_hides_none_in_another() {
    let folder = Folder::new();
    folder.write("season.yaml", PIPELINE.replace("rate: 50 Hz", "rate: 50"));
    folder.write("car.yaml", CAR.replace("wheelbase", "wheelbas"));
    folder.write("runs.csv", RUNS.replace("21,1009", "warm,1009"));
    same_as_before("a_fault_in_one_file_hides_none_in_another", &folder.faults());
}

#[test]
fn several_faults_of_one_file() {
    let folder = Folder::new();
    let car = CAR
        .replace("mass: 1040 kg", "mass: 1040")
        .replace("wheelbase", "wheelbas")
        .replace("rl: 281 kg", "rl: 281 mm")
        .replace("front: { rate: 120 N/mm }", "front: { rat: 120 N/mm }")
        .replace("rear: 0.8", "rear: 80 deg")
        .replace("load_index: 96, ", "");
    folder.write("car.yaml", car);
    same_as_before("several_faults_of_one_file", &folder.faults());
}

/// Holds a text to the committed one under `tests/snapshots`.
fn same_as_before(name: &str, text: &str) {
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(name, text) });
}

/// One snapshot per definition file: a title for each fault, then the full text of what is said about it.
fn sections(faults: &[(&str, String)]) -> String {
    faults.iter().map(|(title, text)| format!("## {title}\n\n{text}\n\n")).collect()
}

#[test]
fn car_faults() {
    let faults = [
        ("unknown key", car("wheelbase:", "wheelbas:")),
        ("key without likeness", car("wheelbase: 2.62 m", "wheelbase: 2.62 m\nxyz: 3")),
        ("wrong unit", car("2.62 m", "2.62 kg")),
        ("no unit", car("2.62 m", "2.62")),
        ("no value", car("2.62 m", "")),
        ("list for value", car("2.62 m", "[2.62 m]")),
        ("missing key", car("wheelbase: 2.62 m\n", "")),
        ("missing nested key", car("  rr: 279 kg\n", "")),
        ("key twice", car("mass: 1040 kg", "mass: 1040 kg\nmass: 1041 kg")),
        ("negative mass", car("mass: 1040 kg", "mass: -1040 kg")),
        ("motion ratio zero", car("front: 0.72", "front: 0")),
        ("cg above roof", car("height: 1.2 m", "height: 0.45 m")),
        ("missing corner", car("  rear: 0.8\n", "  rl: 0.8\n")),
        ("corner twice", car("  rear: 0.8\n", "  rear: 0.8\n  rl: 0.8\n")),
        ("corner weights off", car("fl: 262 kg", "fl: 362 kg")),
        ("spring without kind", car("{ rate: 120 N/mm }", "120 N/mm")),
        ("spring table falls", car("force: 6500 N", "force: 3500 N")),
        ("wheelbase in wrong unit", car("2.62 m", "262 mm")),
        ("unknown driven axle", car("rolling_resistance", "driven: back\nrolling_resistance")),
        ("unknown tyre", car("load_index: 94, speed_symbol: W", "load_index: 9, speed_symbol: X")),
        ("not yaml", car("name: Invented GT", "name: \"Invented GT")),
        ("tab", car("  fl:", "\tfl:")),
        ("tab before a key", car("wheelbase:", "\twheelbase:")),
        ("empty", car(CAR, "")),
        ("rolls like a train", car("rolling_resistance: 0.014", "rolling_resistance: 0.0014")),
        ("gears rise", car("2.1, 1.6", "1.6, 2.1")),
        ("one motion ratio", car("motion_ratio:\n  front: 0.72\n  rear: 0.8\n", "motion_ratio: 0.72\n")),
        ("brace left open", car("rear: 1.58 m }", "rear: 1.58 m")),
        ("comma before thousands", car("mass: 1040 kg", "mass: 1,040 kg")),
        ("factor over its range", car("wheelbase", "rotating_mass_factor: 1.4\nwheelbase")),
    ];
    same_as_before("car_faults", &sections(&faults));
}

#[test]
fn run_sheet_faults() {
    let faults = [
        ("bad cell", runs("40 kg", "40 l")),
        ("no unit", runs("1009 hPa", "1009")),
        ("decimal comma", runs("35 kg", "\"35,5 kg\"")),
        ("unknown column", runs("humidity", "humidty")),
        ("unit in round brackets", runs("temperature [degC]", "temperature (degC)")),
        ("workbook", runs("log,", "PK\u{3}\u{4}log,")),
        ("missing column", runs("configuration", "parts")),
        ("header unit", runs("[degC]", "[degK]")),
        ("empty cell", runs("Friday,base", ",base")),
        ("long row", runs("270 deg", "270 deg,1")),
        ("backwards", runs("10 min,,", "10 min,5 min,")),
        ("overlap", runs("10 min,,", "9 min,,")),
        ("two meanings", runs("lip+strip,lip+strip", "lip,lip+strip")),
        ("wing changed", runs("lip+strip,lip+strip,4", "lip,lip,5")),
        ("temperature in another unit", runs("21,1009", "294,1009")),
        ("pressure in another unit", runs("21,1009 hPa", "21,1009 Pa")),
        ("humidity without percent", runs("45 %", "45")),
        ("a gale", runs("2 m/s", "200 km/h")),
        ("negative fuel", runs("40 kg", "-1 kg")),
        ("wind without direction", runs("270 deg", "")),
        ("other capitals", runs("lip+strip,lip+strip", "Lip,lip")),
        ("control character", runs("Friday,base", "Friday,ba\u{1b}se")),
        ("empty", runs(RUNS, "\n")),
    ];
    same_as_before("run_sheet_faults", &sections(&faults));
}

#[test]
fn pipeline_faults() {
    let faults = [
        ("stage unknown", pipeline("steady:", "steadi:")),
        ("stage of another kind", pipeline("- steady:", "- align:")),
        ("stage option of wrong type", pipeline("steering: 4 deg", "steering: [4 deg]")),
        ("stage option unknown", pipeline("lateral:", "laterl:")),
        ("stage option missing", pipeline(", at: 160 km/h", "")),
        ("stage option backwards", pipeline("80..260 km/h", "260..80 km/h")),
        ("stage choice unknown", pipeline("from: dampers", "from: damper")),
        ("stage without options", pipeline("- air: {}", "- air")),
        ("stage with empty options", pipeline("- air: {}", "- air:")),
        ("season with slash", pipeline("season: 2031", "season: 2031/32")),
        ("car file missing", pipeline("car.yaml", "cart.yaml")),
        ("layout file missing", pipeline("plain.layout.yaml", "sub/plain.layout.yaml")),
    ];
    same_as_before("pipeline_faults", &sections(&faults));
}

#[test]
fn layout_faults() {
    let faults = [
        ("unknown dimension", layout("unit: mbar, ", "")),
        ("wrong quantity", layout("column: Speed", "column: Speed, quantity: length")),
        ("wrong unit", layout("column: Speed", "column: Speed, unit: kg")),
        ("column twice", layout("column: D FL", "column: Speed")),
        ("bad name", layout("cooler_drop", "Cooler drop")),
        ("no units", layout("text: { units_line: 2 }", "text: { header_line: 1 }")),
        ("lines", layout("units_line: 2", "header_line: 3, units_line: 4, data_line: 4")),
        ("delimiter", layout("units_line: 2", "units_line: 2, delimiter: \",\", decimal: comma")),
        ("ambiguous unit", layout("unit: mbar", "unit: g")),
    ];
    same_as_before("layout_faults", &sections(&faults));
}

#[test]
fn a_pipeline_that_is_not_there() {
    let folder = Folder::new();
    let text = definitions(&folder.path().join("saeson.yaml")).unwrap_err().to_string();
    same_as_before("pipeline_missing", &text.replace(&format!("{}/", folder.path().display()), ""));
}

#[test]
fn a_file_that_is_not_text() {
    let folder = Folder::new();
    folder.write("car.yaml", b"name: x\nmass: 10 kg\xff\n");
    same_as_before("a_file_that_is_not_text", &folder.faults());
}

/// Every shipped pipeline, with the car, run sheet and layouts that it names, is free of faults.
#[test]
fn shipped_definitions_are_sound() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines");
    let mut found = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "yaml") {
            continue;
        }
        definitions(&path).unwrap_or_else(|e| panic!("{e}"));
        found += 1;
    }
    assert!(found > 0);
}

const FILES: [(&str, &str); 4] =
    [("season.yaml", PIPELINE), ("car.yaml", CAR), ("runs.csv", RUNS), ("plain.layout.yaml", LAYOUT)];

/// A file cut off anywhere is refused or read, never a panic; the place of a fault lies inside the file.
#[test]
fn cut_files_are_refused_in_order() {
    for (name, text) in FILES {
        let folder = Folder::new();
        for (end, _) in text.char_indices().step_by(5) {
            folder.write(name, &text[..end]);
            let Err(issues) = folder.read() else { continue };
            for issue in &issues.0 {
                let lines = fs::read_to_string(&issue.file).unwrap().lines().count() as u64;
                assert!(issue.spot.line <= lines + 1, "{name} cut at {end}: {issue:?}");
            }
            assert!(issues.to_string().contains("error: "));
        }
    }
}

/// One wrong value gives faults in its own line and nowhere else: no fault is a consequence of another.
#[test]
fn a_wrong_value_is_reported_in_its_line_alone() {
    let mut refused = 0;
    for (name, text) in FILES.into_iter().filter(|f| f.0.ends_with("yaml")) {
        for (number, line) in text.lines().enumerate() {
            let Some((head, value)) = line.rsplit_once(": ") else { continue };
            let tail: String = value.chars().skip_while(|c| !matches!(c, '}' | ']')).collect();
            let wrong = text.replacen(line, &format!("{head}: what ever {tail}"), 1);
            let folder = Folder::new();
            folder.write(name, wrong);
            let Err(issues) = folder.read() else { continue };
            refused += 1;
            let at: Vec<_> = issues.0.iter().map(|i| (i.file.file_name().unwrap(), i.spot.line)).collect();
            assert!(at.iter().all(|(f, l)| *f == name && *l == number as u64 + 1), "{name}, {line}: {issues}");
        }
    }
    assert!(refused > 35, "only {refused} of the values were refused");
}

/// A misspelt key gives one fault, at the key, for every key of every file.
#[test]
fn a_misspelt_key_is_one_fault() {
    for (name, text) in FILES.into_iter().filter(|f| f.0.ends_with("yaml")) {
        for (number, line) in text.lines().enumerate() {
            let key: String = line.trim_start_matches([' ', '-']).chars().take_while(|c| *c != ':').collect();
            // Corner keys of two letters are too short for a likeness; channel names are the user's own.
            if key.len() < 4 || name.contains("layout") && line.starts_with("  ") {
                continue;
            }
            let folder = Folder::new();
            let misspelt = line.replacen(&key, &format!("{key}x"), 1);
            folder.write(name, text.replacen(line, &misspelt, 1));
            let issues = folder.read().expect_err(line);
            let at: Vec<_> = issues.0.iter().map(|i| i.spot.line).collect();
            assert_eq!(at, [number as u64 + 1], "{name}, {line}: {issues}");
        }
    }
}
