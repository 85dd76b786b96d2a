//! Reads everything that a pipeline names: car, run sheet, layouts. A fault in one file hides none in
//! another.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::car::Car;
use super::check::{self, Findings};
use super::issue::{Issue, Issues, shown};
use super::layout::Layout;
use super::pipeline::Pipeline;
use super::run_sheet::{RunRow, RunSheet};
use super::{figures_csv, run_csv, text, yaml};
use crate::located::{Located, Spot};
use crate::stages::season::expected::figure::Figure;
use crate::stages::{LogStep, SeasonStep, WindowStep};
use crate::units::nearest;

/// A file that a result depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceFile {
    /// Where it was read from.
    pub path: PathBuf,
    /// Hash of its bytes.
    pub hash: blake3::Hash,
}

/// Everything that the user defined, read and held to sense.
#[derive(Clone, Debug)]
pub struct Definitions {
    /// The pipeline file.
    pub pipeline_path: PathBuf,
    /// Its folder: what every path in it is relative to.
    pub base: PathBuf,
    /// The pipeline, its layouts read into [`crate::stages::log::load::Load::resolved`].
    pub pipeline: Pipeline,
    /// The car.
    pub car: Car,
    /// File of the car, for faults that show later.
    pub car_path: PathBuf,
    /// The run sheet.
    pub runs: RunSheet,
    /// File of the run sheet, for faults that show later.
    pub run_sheet_path: PathBuf,
    /// Every definition file, in the order of reading.
    pub sources: Vec<SourceFile>,
}

impl Definitions {
    /// A path of the pipeline file, from its folder.
    pub fn path(&self, written: &str) -> PathBuf {
        self.base.join(written)
    }
}

/// Reads a pipeline and every definition file that it names.
///
/// # Errors
/// All faults of all files, in the order of file and place.
pub fn definitions(pipeline: &Path) -> Result<Definitions, Issues> {
    let base = match pipeline.parent() {
        Some(p) if p.as_os_str().is_empty() => PathBuf::from("."),
        Some(p) => p.to_owned(),
        None => PathBuf::from("."),
    };
    let mut reader = Reader { issues: Issues::default(), sources: Vec::new() };
    let read = reader.all(pipeline, &base);
    let Reader { mut issues, sources } = reader;
    match read {
        Some((pipeline_read, car, runs)) if issues.is_empty() => Ok(Definitions {
            car_path: base.join(pipeline_read.car.as_str()),
            run_sheet_path: base.join(pipeline_read.run_sheet.as_str()),
            pipeline_path: pipeline.to_owned(),
            base,
            pipeline: pipeline_read,
            car,
            runs,
            sources,
        }),
        _ => {
            issues.sort();
            Err(issues)
        }
    }
}

/// A layout from its text, held to sense.
///
/// # Errors
/// All faults of the text; `file` is where they are said to stand.
pub fn layout(file: &Path, source: &str) -> Result<Layout, Issues> {
    let mut issues = Issues::default();
    let layout: Option<Layout> = yaml::read(file, source, &mut issues);
    if let Some(layout) = &layout {
        check::layout::check(layout, &mut Findings::new(file, &mut issues));
    }
    match layout {
        Some(layout) if issues.is_empty() => Ok(layout),
        _ => Err(issues),
    }
}

/// The files that a pipeline names, read even where its stages have faults.
#[derive(Deserialize)]
struct Named {
    car: Option<Located<String>>,
    run_sheet: Option<Located<String>>,
}

/// Where a file is named.
#[derive(Clone, Copy)]
struct NamedAt<'a> {
    file: &'a Path,
    spot: Spot,
    what: &'a str,
}

/// Collects faults and sources over all files.
struct Reader {
    issues: Issues,
    sources: Vec<SourceFile>,
}

impl Reader {
    fn all(&mut self, path: &Path, base: &Path) -> Option<(Pipeline, Car, RunSheet)> {
        let text = self.text(path, None)?;
        let mut pipeline = self.pipeline(path, &text);
        let named = match &pipeline {
            Some(p) => (Some(p.car.clone()), Some(p.run_sheet.clone())),
            None => named(&text),
        };
        let at = |spot, what| NamedAt { file: path, spot, what };
        let sheet = named.clone();
        let car = named.0.and_then(|n| self.car(&base.join(n.as_str()), at(n.spot, "car file")));
        let runs = named.1.and_then(|n| self.run_sheet(&base.join(n.as_str()), at(n.spot, "run sheet")));
        // Against a mass that is wrong itself it would say nothing.
        if let (Some(car), Some(runs), (_, Some(named)), true) = (&car, &runs, sheet, self.issues.is_empty()) {
            let path = base.join(named.as_str());
            check::run_sheet::fuel(runs, car.mass.get(), &mut Findings::new(&path, &mut self.issues));
        }
        if let Some(pipeline) = &mut pipeline {
            self.layouts(pipeline, path, base);
            self.expected(pipeline, path, base);
        }
        Some((pipeline?, car?, runs?))
    }

    fn pipeline(&mut self, path: &Path, text: &str) -> Option<Pipeline> {
        let has = |key: &str| text.lines().any(|line| line.strip_prefix(key).is_some_and(|rest| rest.starts_with(':')));
        let other = [("wheelbase", "a car file"), ("channels", "a layout")];
        if let Some((_, what)) = other.iter().find(|(key, _)| has(key) && !has("per_log")) {
            let issue = Issue::whole(path, format!("this is {what}, and a pipeline is wanted"));
            self.issues.push(issue.hint("name the file that has `per_log`, `windows` and `season_wide`"));
            return None;
        }
        let bare = bare_stages(path, text);
        if !bare.is_empty() {
            self.issues.extend(bare);
            return None;
        }
        let pipeline: Pipeline = yaml::read(path, text, &mut self.issues)?;
        check::pipeline::check(&pipeline, &mut Findings::new(path, &mut self.issues));
        Some(pipeline)
    }

    fn car(&mut self, path: &Path, named: NamedAt) -> Option<Car> {
        let (mut car, text): (Car, _) = self.yaml(path, named)?;
        for place in [&mut car.springs.spot, &mut car.motion_ratio.spot] {
            // What lacks in a mapping is shown at its key.
            *place = text::owner(&text, *place).map_or(*place, |o| o.spot);
        }
        check::car::check(&car, &mut Findings::new(path, &mut self.issues));
        Some(car)
    }

    fn run_sheet(&mut self, path: &Path, named: NamedAt) -> Option<RunSheet> {
        let rows = if has_ending(path, &["yaml", "yml"]) {
            let (rows, _): (Vec<Located<RunRow>>, _) = self.yaml(path, named)?;
            let mut rows: Vec<RunRow> = rows.into_iter().map(|r| RunRow { spot: r.spot, ..r.value }).collect();
            rows.iter_mut().for_each(RunRow::trim);
            rows
        } else {
            let text = self.text(path, Some(named))?;
            let before = self.issues.0.len();
            let rows = run_csv::read(path, &text, &mut self.issues);
            if rows.is_empty() && self.issues.0.len() > before {
                return None;
            }
            rows
        };
        let sheet = RunSheet { rows };
        check::run_sheet::check(&sheet, &mut Findings::new(path, &mut self.issues));
        Some(sheet)
    }

    /// Reads every layout once, whatever the number of stages and patterns that name it.
    fn layouts(&mut self, pipeline: &mut Pipeline, path: &Path, base: &Path) {
        let mut known: BTreeMap<PathBuf, Option<Layout>> = BTreeMap::new();
        for step in &mut pipeline.per_log {
            let LogStep::Load(load) = &mut step.value else { continue };
            let special = load.layouts.iter().map(|l| (l.logs.value.clone(), &l.layout));
            let all = special.chain([("*".to_owned(), &load.layout)]);
            let mut resolved = Vec::new();
            for (pattern, written) in all {
                let file = base.join(written.as_str());
                let named = NamedAt { file: path, spot: written.spot, what: "layout" };
                let layout = known.entry(file.clone()).or_insert_with(|| self.layout(&file, named));
                resolved.extend(layout.clone().map(|l| (pattern, l)));
            }
            load.resolved.layouts = resolved;
        }
    }

    /// Reads the files of expected figures.
    fn expected(&mut self, pipeline: &mut Pipeline, path: &Path, base: &Path) {
        for step in &mut pipeline.season_wide {
            let SeasonStep::Expected(expected) = &mut step.value else { continue };
            let Some(written) = &expected.file else { continue };
            let file = base.join(written.as_str());
            let named = NamedAt { file: path, spot: written.spot, what: "file of expected figures" };
            expected.read = if has_ending(&file, &["yaml", "yml"]) {
                let read: Option<(Vec<Located<Figure>>, _)> = self.yaml(&file, named);
                let with_file = |f: Located<Figure>| Located {
                    value: Figure { file: Some(file.clone()), ..f.value },
                    spot: f.spot,
                };
                read.map(|(figures, _)| figures.into_iter().map(with_file).collect()).unwrap_or_default()
            } else {
                let Some(text) = self.text(&file, Some(named)) else { continue };
                figures_csv::read(&file, &text, &mut self.issues)
            };
        }
    }

    fn layout(&mut self, path: &Path, named: NamedAt) -> Option<Layout> {
        let (layout, _) = self.yaml(path, named)?;
        check::layout::check(&layout, &mut Findings::new(path, &mut self.issues));
        Some(layout)
    }

    fn yaml<T: DeserializeOwned>(&mut self, path: &Path, named: NamedAt) -> Option<(T, String)> {
        let text = self.text(path, Some(named))?;
        let value = yaml::read(path, &text, &mut self.issues)?;
        Some((value, text))
    }

    /// The text of a file, without byte order mark.
    fn text(&mut self, path: &Path, named: Option<NamedAt>) -> Option<String> {
        let bytes = match std::fs::read(path) {
            Ok(b) => b,
            Err(e) => {
                self.issues.push(unreadable(path, named, &e));
                return None;
            }
        };
        self.sources.push(SourceFile { path: path.to_owned(), hash: blake3::hash(&bytes) });
        if bytes.starts_with(WORKBOOK) {
            let issue = Issue::whole(path, "the file is a workbook or another archive, not text");
            self.issues.push(issue.hint("save the sheet as CSV and name that"));
            return None;
        }
        match String::from_utf8(bytes) {
            Ok(text) => Some(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text)),
            Err(e) => {
                let good = e.utf8_error().valid_up_to();
                let line = e.as_bytes().iter().take(good).filter(|b| **b == b'\n').count() as u64 + 1;
                let spot = Spot { line, column: 1, length: 0 };
                let issue = Issue::at(path, spot, "the file is not UTF-8 text", "the first other byte is in this line");
                self.issues.push(issue.hint("save it as UTF-8"));
                None
            }
        }
    }
}

/// What a workbook of a spreadsheet program begins with: it is a ZIP archive (ECMA-376 part 2; ZIP by APPNOTE 4.3.7).
const WORKBOOK: &[u8] = b"PK\x03\x04";

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    path.extension().is_some_and(|e| endings.iter().any(|x| e.eq_ignore_ascii_case(x)))
}

/// A file that can't be opened, shown where it is named.
fn unreadable(path: &Path, named: Option<NamedAt>, error: &std::io::Error) -> Issue {
    let absent = error.kind() == std::io::ErrorKind::NotFound;
    let reason = match error.kind() {
        std::io::ErrorKind::NotFound => "does not exist".to_owned(),
        std::io::ErrorKind::IsADirectory => "is a folder; name a file in it".to_owned(),
        _ => format!("can't be read: {error}"),
    };
    let issue = match named {
        Some(n) => Issue::at(n.file, n.spot, format!("the {} {} {reason}", n.what, shown(path)), "named here"),
        None => Issue::whole(path, format!("the pipeline {} {reason}", shown(path))),
    };
    match neighbour(path).filter(|_| absent) {
        Some(near) => issue.hint(format!("its folder holds `{near}`")),
        None => issue,
    }
}

/// The file of the same folder with the most similar name.
fn neighbour(path: &Path) -> Option<String> {
    let wanted = path.file_name()?.to_str()?;
    let parent = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut names: Vec<String> =
        std::fs::read_dir(parent).ok()?.filter_map(|e| e.ok()?.file_name().into_string().ok()).collect();
    names.sort();
    nearest(wanted, names.iter().map(String::as_str)).map(str::to_owned)
}

/// Car and run sheet of a pipeline whose stages can't be read.
fn named(text: &str) -> (Option<Located<String>>, Option<Located<String>>) {
    serde_yaml::from_str::<Named>(text).map_or((None, None), |n| (n.car, n.run_sheet))
}

/// Stages without their colon. The parser would take the next list item for their options.
fn bare_stages(file: &Path, text: &str) -> Issues {
    let mut issues = Issues::default();
    let mut names: &[&str] = &[];
    let mut dash = None;
    for (i, line) in text.lines().enumerate() {
        if line.starts_with(char::is_alphabetic) {
            (names, dash) = (stages_of(line), None);
        }
        let code = line.split(" #").next().unwrap_or_default().trim_end();
        let Some((at, word)) = code.trim_start().strip_prefix("- ").map(|w| (code.find('-'), w.trim())) else {
            continue;
        };
        if *dash.get_or_insert(at) == at && names.contains(&word) {
            let column = line.find(word).map_or(1, |b| b as u64 + 1);
            let spot = Spot { line: i as u64 + 1, column, length: word.len() as u64 };
            let message = format!("stage `{word}` has no options");
            issues.push(Issue::at(file, spot, message, format!("write `{word}: {{}}` where the defaults will do")));
        }
    }
    issues
}

/// The stages that may stand under a key of the pipeline.
fn stages_of(key: &str) -> &'static [&'static str] {
    match key.split(':').next() {
        Some("per_log") => LogStep::NAMES,
        Some("windows") => WindowStep::NAMES,
        Some("season_wide") => SeasonStep::NAMES,
        _ => &[],
    }
}
