//! Writes a simulated season as the files a team would have: logs, car file, run sheet, pipeline, layouts;
//! and the truth.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::export::Form;
use super::season::{LogPlan, Season, SimLog};
use super::{csv_log, parquet_log};
use crate::error::Fatal;

/// How a season is written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Files {
    /// Form of the logs.
    pub form: Form,
    /// Logs in another form: index and form.
    pub others: Vec<(usize, Form)>,
    /// A log of which a copy is added that ends in the middle of a line.
    pub cut_copy_of: Option<usize>,
    /// Leave out pipeline and layouts.
    pub logs_only: bool,
}

impl Files {
    fn form_of(&self, index: usize) -> Form {
        self.others.iter().find(|o| o.0 == index).map_or(self.form, |o| o.1)
    }
}

/// What was written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Logs.
    pub logs: usize,
    /// Their bytes.
    pub bytes: u64,
}

/// Writes a season to a folder. Logs are simulated and written in parallel, one per thread at a time.
///
/// # Errors
/// When a file or folder can't be written.
pub fn write(season: &Season, files: &Files, folder: &Path) -> Result<Written, Fatal> {
    let logs = folder.join("logs");
    fs::create_dir_all(&logs).map_err(|e| fatal(&logs, e))?;
    let sizes: Vec<Vec<u64>> = (0..season.logs.len())
        .into_par_iter()
        .map(|i| write_log(season, files, i, &logs))
        .collect::<Result<_, Fatal>>()?;
    write_definitions(season, files, folder)?;
    Ok(Written { logs: sizes.iter().flatten().count(), bytes: sizes.iter().flatten().sum() })
}

/// Whether a season may be written to a folder: not over files that are no demo's, and not beside logs of another season,
/// which a run would take for its own.
///
/// # Errors
/// The first file that stands in the way.
pub fn check_folder(season: &Season, files: &Files, folder: &Path) -> Result<(), Fatal> {
    let refused = |what: String| Fatal::Usage(format!("{what}: choose another folder, or an empty one"));
    if !folder.join("truth.json").exists() {
        let own = ["car.yaml", "runs.csv", "pipeline.yaml"].into_iter().find(|name| folder.join(name).exists());
        if let Some(name) = own {
            return Err(refused(format!("{} is no demo's and would be replaced", folder.join(name).display())));
        }
    }
    let mut ours: BTreeSet<String> = BTreeSet::new();
    for (i, log) in season.logs.iter().enumerate() {
        let form = files.form_of(i);
        ours.insert(format!("{}.{}", log.name, form.ending()));
        if files.cut_copy_of == Some(i) {
            ours.insert(cut_name(&log.name, form));
        }
    }
    let there = fs::read_dir(folder.join("logs")).into_iter().flatten().flatten();
    let mut names: Vec<String> = there.map(|item| item.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    match names.iter().find(|name| !ours.contains(*name)) {
        Some(name) => Err(refused(format!("{} is of another season", folder.join("logs").join(name).display()))),
        None => Ok(()),
    }
}

/// Writes everything but the logs: car file, run sheet, truth, and unless left out pipeline and layouts.
///
/// # Errors
/// When a file or folder can't be written.
pub fn write_definitions(season: &Season, files: &Files, folder: &Path) -> Result<(), Fatal> {
    fs::create_dir_all(folder).map_err(|e| fatal(folder, e))?;
    let mut texts = vec![
        (folder.join("car.yaml"), season.scenario.car.yaml()),
        (folder.join("runs.csv"), run_sheet(season, files)),
        (folder.join("truth.json"), truth(season)?),
    ];
    if !files.logs_only {
        texts.push((folder.join("pipeline.yaml"), pipeline(season, files.form)));
        for form in [Form::Csv, Form::CommaCsv, Form::Parquet] {
            texts.push((folder.join(form.layout_file()), form.layout()));
        }
    }
    for (path, text) in texts {
        fs::write(&path, text).map_err(|e| fatal(&path, e))?;
    }
    Ok(())
}

fn fatal(path: &Path, source: io::Error) -> Fatal {
    Fatal::Io { what: "can't write", path: path.to_owned(), source }
}

/// Writes a log, and its copy where it has one; the sizes of the files.
fn write_log(season: &Season, files: &Files, index: usize, folder: &Path) -> Result<Vec<u64>, Fatal> {
    let log = season.log(index).ok_or_else(|| Fatal::Internal(format!("the season has no log {index}")))?;
    let form = files.form_of(index);
    let path = folder.join(format!("{}.{}", log.name, form.ending()));
    write_form(&log, form, &path).map_err(|e| fatal(&path, e))?;
    let mut written = vec![path];
    if files.cut_copy_of == Some(index) {
        let copy = folder.join(cut_name(&log.name, form));
        cut(&written[0], &copy).map_err(|e| fatal(&copy, e))?;
        written.push(copy);
    }
    written.iter().map(|path| fs::metadata(path).map(|m| m.len()).map_err(|e| fatal(path, e))).collect()
}

fn write_form(log: &SimLog, form: Form, path: &Path) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    match form {
        Form::Parquet => parquet_log::write(log, &mut out).map_err(io::Error::other)?,
        Form::Csv | Form::CommaCsv => csv_log::write(log, form, &mut out)?,
    }
    out.flush()
}

fn cut_name(log: &str, form: Form) -> String {
    format!("{log}-copy.{}", form.ending())
}

/// Copies the first fifth of a file, up to the middle of a line.
fn cut(from: &Path, to: &PathBuf) -> io::Result<()> {
    let bytes = fs::read(from)?;
    let fifth = bytes.get(..bytes.len() / 5).unwrap_or(&bytes);
    let line = fifth.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    fs::write(to, bytes.get(..line + 29).unwrap_or(&bytes))
}

fn truth(season: &Season) -> Result<String, Fatal> {
    let mut text = serde_json::to_string_pretty(&season.truth()).map_err(|e| Fatal::Internal(e.to_string()))?;
    text.push('\n');
    Ok(text)
}

/// The run sheet as the team would keep it: weather as read in the morning, wind by feel.
pub fn run_sheet(season: &Season, files: &Files) -> String {
    let mut out = String::from(
        "log,outing,event,session,configuration,parts,wing_position,fuel [kg],temperature [degC],pressure [hPa],\
         humidity [%],altitude [m],wind_speed [m/s],wind_from [deg]\n",
    );
    for (index, log) in season.logs.iter().enumerate() {
        let form = files.form_of(index);
        sheet_rows(season, log, &format!("{}.{}", log.name, form.ending()), &mut out);
        if files.cut_copy_of == Some(index) {
            sheet_rows(season, log, &cut_name(&log.name, form), &mut out);
        }
    }
    out
}

fn sheet_rows(season: &Season, log: &LogPlan, file: &str, out: &mut String) {
    let Some(session) = season.sessions.get(log.session) else { return };
    let w = &session.weather;
    for outing in log.outings.iter().filter_map(|o| session.outings.get(*o)) {
        let Some(c) = season.scenario.configurations.get(outing.configuration) else { continue };
        let parts: Vec<&str> = c.parts.iter().map(|p| p.name).collect();
        let number = if log.outings.len() > 1 { outing.number.to_string() } else { String::new() };
        let _ = writeln!(
            out,
            "{file},{number},{},{},{},{},{},{:.0},{:.1},{:.1},{:.0},{:.0},{:.1},{:.0}",
            session.event,
            session.session,
            c.name,
            parts.join("+"),
            c.wing,
            outing.fuel,
            w.temperature - 273.15,
            w.pressure / 100.0,
            w.humidity * 100.0,
            session.circuit.altitude,
            (w.wind_speed() * 2.0).round() / 2.0,
            (w.wind_from() / 10.0).round() * 10.0,
        );
    }
}

/// A pipeline for the season, to lie beside its car file and run sheet.
pub fn pipeline(season: &Season, form: Form) -> String {
    let scenario = &season.scenario;
    let gradient = if scenario.grade == 0.0 { "" } else { ", gradient: channel" };
    format!(
        "season: \"{season}\"
car: car.yaml
run_sheet: runs.csv
tables: tables
per_log:
  - load:
      logs: [\"logs/*.csv\", \"logs/*.parquet\"]
      layout: {plain}
      layouts: [{{ logs: \"*.parquet\", layout: {parquet} }}]
  - align: {{ rate: {rate} Hz }}
  - air: {{ reference_density: 1.225 kg/m3 }}
  - resistance: {{ from: wheel_torque{gradient} }}
  - loads: {{ from: dampers }}
windows:
  - steady: {STEADY}
  - coastdown: {COASTDOWN}
season_wide:
  - fit: {{ quantities: [front_downforce, rear_downforce, drag, radiator_pressure_drop], at: 160 km/h, wind: {wind} }}
  - compare: {{ against: {base}, resolve: 70 N }}
",
        season = scenario.season,
        plain = if form == Form::CommaCsv { form } else { Form::Csv }.layout_file(),
        parquet = Form::Parquet.layout_file(),
        rate = scenario.rate,
        wind = if scenario.pitot { "none" } else { "estimate" },
        base = scenario.configurations.first().map_or("base", |c| c.name.as_str()),
    )
}

const STEADY: &str = "{ speed: 80..260 km/h, lateral: 0.08 g, steering: 4 deg, longitudinal: 0.03 g, \
                      lasting: 1.5..5 s, settle: 0.3 s }";
const COASTDOWN: &str = "{ speed: 60..260 km/h, lateral: 0.08 g, steering: 4 deg, lasting: 2..20 s }";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Scenario, simulate};

    fn season() -> Season {
        simulate(&Scenario { sessions: 2, outings: 2, minutes: 0.4, rate: 10.0, joined_every: 2, ..Default::default() })
    }

    #[test]
    fn the_files_are_there_and_equal_when_written_again() {
        let files = Files { others: vec![(0, Form::Parquet)], cut_copy_of: Some(1), ..Files::default() };
        let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let written = write(&season(), &files, a.path()).unwrap();
        write(&season(), &files, b.path()).unwrap();
        // Three of the season, and the copy.
        assert_eq!(written.logs, 4);
        let mut names = Vec::new();
        for folder in ["", "logs"] {
            for entry in fs::read_dir(a.path().join(folder)).unwrap() {
                let path = entry.unwrap().path();
                if path.is_file() {
                    let relative = path.strip_prefix(a.path()).unwrap().to_owned();
                    assert_eq!(fs::read(&path).unwrap(), fs::read(b.path().join(&relative)).unwrap(), "{relative:?}");
                    names.push(relative.to_string_lossy().into_owned());
                }
            }
        }
        names.sort();
        let logs = ["logs/e01-s1-o1.parquet", "logs/e01-s1-o2-copy.csv", "logs/e01-s1-o2.csv", "logs/e01-s2.csv"];
        assert!(logs.iter().all(|l| names.iter().any(|n| n == l)), "{names:?}");
        assert!(["car.yaml", "pipeline.yaml", "runs.csv", "truth.json"].iter().all(|l| names.iter().any(|n| n == l)));
    }

    #[test]
    fn the_cut_copy_ends_inside_a_line() {
        let files = Files { cut_copy_of: Some(1), ..Files::default() };
        let folder = tempfile::tempdir().unwrap();
        write(&season(), &files, folder.path()).unwrap();
        let text = fs::read_to_string(folder.path().join("logs/e01-s1-o2-copy.csv")).unwrap();
        let (head, last) = (text.lines().next().unwrap(), text.lines().last().unwrap());
        assert!(!text.ends_with('\n') && last.matches(',').count() < head.matches(',').count());
    }

    #[test]
    fn every_outing_has_its_row() {
        let text = run_sheet(&season(), &Files::default());
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), 4);
        assert_eq!((&rows[3][0], &rows[3][1], &rows[3][4]), ("e01-s2.csv", "2", "splitter_planes"));
        assert_eq!(&rows[3][5], "splitter_extension+dive_planes");
    }
}
