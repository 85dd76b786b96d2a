//! What a night costs, beside what it takes only to read the logs:
//! `cargo bench --bench batch -- [--python PYTHON] [--quick | --memory]`.
//!
//! Everything runs as its own process, one after the other, on seasons that `squarelaw demo` makes in the system's
//! folder for temporary files and that are deleted afterwards; the figures of one table come from one run on one
//! machine, so that their ratios mean something. PYTHON is an interpreter with benches/compare/requirements.txt
//! installed; without it the comparisons in Python are left out. `--quick` takes small seasons, to see that it works.
//! `--memory` looks at nothing but the memory of seasons of whole outings: 10, 100 and 1,000 logs of 11 MB.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use polars_core::prelude::{DataType, PlSmallStr, Schema};
use polars_io::SerReader;
use polars_io::csv::read::CsvReadOptions;
use squarelaw::config::read;
use squarelaw::plan::Plan;
use squarelaw::stages::LogStep;

/// Runs of each process; the fastest counts, as the one that others disturbed least.
const RUNS: usize = 3;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if let [mode, job] = args.as_slice()
        && mode == "plain-read"
    {
        return plain_read(Path::new(job));
    }
    let after = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1)).cloned();
    let quick = args.iter().any(|a| a == "--quick");
    let folder = tempfile::Builder::new().prefix("squarelaw-bench-").tempdir().expect("a folder for temporary files");
    if args.iter().any(|a| a == "--memory") {
        println!("| logs | MB | peak MB, first | peak MB, first, without a cache | peak MB, fit changed |");
        println!("| --- | --- | --- | --- | --- |");
        return [4, 34, 334].into_iter().for_each(|sessions| memory(folder.path(), sessions));
    }
    large(folder.path(), after("--python").as_deref(), quick);
    let sizes: &[(usize, usize)] = if quick { &[(2, 5)] } else { &[(5, 2), (25, 4), (250, 4)] };
    println!(
        "\n| logs | MB | first pass | nothing changed | one new log | selection changed | fit changed | peak MB, first | peak MB, unchanged |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (sessions, outings) in sizes {
        growing(folder.path(), *sessions, *outings);
    }
}

/// A season on disk.
struct Season {
    folder: PathBuf,
    bytes: u64,
    logs: Vec<PathBuf>,
}

impl Season {
    fn make(folder: &Path, options: &[&str]) -> Self {
        let made = program().args(["demo", "--channels", "60", "--out"]).arg(folder).args(options).output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let mut logs: Vec<PathBuf> =
            std::fs::read_dir(folder.join("logs")).unwrap().map(|e| e.unwrap().path()).collect();
        logs.sort();
        let bytes = logs.iter().map(|l| l.metadata().unwrap().len()).sum();
        // A file that was just written is hashed again by the next run; that is no part of a usual night.
        std::thread::sleep(Duration::from_millis(2100));
        Self { folder: folder.to_owned(), bytes, logs }
    }

    fn run(&self, further: &[&str]) -> Command {
        let mut command = program();
        command.arg("run").arg(self.folder.join("pipeline.yaml")).arg("-q").args(further);
        command
    }

    fn edit(&self, from: &str, to: &str) {
        season_edit(&self.folder, from, to);
    }

    /// Takes away the note by which a run knows that nothing has changed since the last one.
    fn forget_the_last_run(&self) {
        for entry in std::fs::read_dir(self.folder.join("tables/.cache")).unwrap().map(Result::unwrap) {
            if entry.file_name().to_string_lossy().starts_with("standing") {
                std::fs::remove_file(entry.path()).unwrap();
            }
        }
    }

    fn clear(&self) {
        let _ = std::fs::remove_dir_all(self.folder.join("tables"));
    }
}

fn season_edit(folder: &Path, from: &str, to: &str) {
    let path = folder.join("pipeline.yaml");
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.contains(from), "{from}");
    std::fs::write(path, text.replace(from, to)).unwrap();
}

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_squarelaw"))
}

/// The memory that a season of three outings a session takes, six minutes each.
fn memory(folder: &Path, sessions: usize) {
    let s = sessions.to_string();
    let options = ["--sessions", s.as_str(), "--outings", "3", "--minutes", "6", "--rate", "100"];
    let season = Season::make(&folder.join("memory"), &options);
    let first = time(season.run(&[]));
    season.edit("resolve: 70 N", "resolve: 69 N");
    std::fs::remove_dir_all(season.folder.join("tables/.cache/fits")).unwrap();
    let fit = time(season.run(&[]));
    season.clear();
    let bare = time(season.run(&["--no-cache"]));
    let mb = season.bytes as f64 / 1e6;
    println!("| {} | {mb:.0} | {:.0} | {:.0} | {:.0} |", season.logs.len(), first.peak, bare.peak, fit.peak);
    std::fs::remove_dir_all(&season.folder).unwrap();
}

/// What a process took.
#[derive(Clone, Copy)]
struct Took {
    seconds: f64,
    /// Largest resident memory, MB.
    peak: f64,
}

/// Runs a process to its end.
fn time(mut command: Command) -> Took {
    let began = Instant::now();
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0.0_f64;
    loop {
        // The largest so far is kept by the system, so the last look before the end is enough.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let kib = line.and_then(|l| l.trim().trim_end_matches(" kB").trim().parse::<f64>().ok());
        peak = peak.max(kib.unwrap_or(0.0) * 1024.0 / 1e6);
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success(), "{command:?} ended with {status}");
            return Took { seconds: began.elapsed().as_secs_f64(), peak };
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// The fastest of some runs; `before` puts things as they are to be, told which run it is.
fn best(mut before: impl FnMut(usize), make: impl Fn() -> Command) -> Took {
    let all: Vec<Took> = (0..RUNS)
        .map(|turn| {
            before(turn);
            time(make())
        })
        .collect();
    fastest(&all)
}

fn fastest(all: &[Took]) -> Took {
    let peak = all.iter().map(|t| t.peak).fold(0.0, f64::max);
    Took { seconds: all.iter().map(|t| t.seconds).fold(f64::INFINITY, f64::min), peak }
}

/// One line of the table: what is run, and what is done before it in each turn.
struct Job<'a> {
    name: &'a str,
    before: Box<dyn Fn(usize) + 'a>,
    make: Box<dyn Fn() -> Command + 'a>,
}

/// One season of more than a gigabyte, beside other ways to do the job.
fn large(folder: &Path, python: Option<&str>, quick: bool) {
    let options: &[&str] = if quick {
        &["--sessions", "3", "--outings", "2", "--minutes", "2", "--rate", "50"]
    } else {
        &["--sessions", "34", "--outings", "3", "--minutes", "6", "--rate", "100"]
    };
    let season = Season::make(&folder.join("large"), options);
    println!("{} logs, {:.0} MB, 60 columns each\n", season.logs.len(), season.bytes as f64 / 1e6);
    let job = write_job(&season);
    let this = std::env::current_exe().unwrap();
    let script = |script: &'static str| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/compare").join(script);
        let job = job.clone();
        move || {
            let mut command = Command::new(python.unwrap_or_default());
            command.arg(&path).arg(&job);
            command
        }
    };
    let plain_read = || {
        let mut command = Command::new(&this);
        command.arg("plain-read").arg(&job);
        command
    };
    let run = |further: &'static [&'static str]| {
        let season = &season;
        Box::new(move || season.run(further)) as Box<dyn Fn() -> Command>
    };
    let nothing = || Box::new(|_| {}) as Box<dyn Fn(usize)>;
    let lateral = |turn: usize| format!("lateral: {} g,", ["0.08", "0.079", "0.078", "0.077"][turn]);
    let at = |turn: usize| format!("at: {} km/h", 160 - turn);
    let resolve = |turn: usize| format!("resolve: {} N", 70 - turn);
    let mut jobs = vec![
        Job { name: "first pass", before: Box::new(|_| season.clear()), make: run(&[]) },
        Job { name: "first pass without a cache", before: nothing(), make: run(&["--no-cache"]) },
        Job { name: "all from the cache", before: Box::new(|_| season.forget_the_last_run()), make: run(&[]) },
        Job { name: "nothing changed", before: nothing(), make: run(&[]) },
        Job {
            name: "selection changed",
            before: Box::new(|turn| season_edit(&season.folder, &lateral(turn), &lateral(turn + 1))),
            make: run(&[]),
        },
        Job {
            name: "fit changed: another speed to report at",
            before: Box::new(|turn| season_edit(&season.folder, &at(turn), &at(turn + 1))),
            make: run(&[]),
        },
        Job {
            name: "fit changed: its steps gone through anew",
            before: Box::new(|turn| {
                season_edit(&season.folder, &resolve(turn), &resolve(turn + 1));
                // As any other option of the fit would have it, and always the same work.
                std::fs::remove_dir_all(season.folder.join("tables/.cache/fits")).unwrap();
            }),
            make: run(&[]),
        },
        Job { name: "plain read of the needed columns, polars in Rust", before: nothing(), make: Box::new(plain_read) },
    ];
    if python.is_some() {
        for (name, file) in [
            ("plain read of the needed columns, polars in Python", "read_polars.py"),
            ("plain read of the needed columns, DuckDB", "read_duckdb.py"),
            ("the same job scripted with polars", "with_polars.py"),
            ("the same job scripted with pandas and SciPy", "with_pandas.py"),
        ] {
            jobs.push(Job { name, before: nothing(), make: Box::new(script(file)) });
        }
    }
    // In turn, so that what else the machine does strikes all alike.
    let mut took: Vec<Vec<Took>> = vec![Vec::new(); jobs.len()];
    for turn in 0..RUNS {
        for (job, took) in jobs.iter().zip(&mut took) {
            (job.before)(turn);
            took.push(time((job.make)()));
        }
    }
    println!("| what | s | × first pass | peak MB |\n| --- | --- | --- | --- |");
    let first = fastest(&took[0]).seconds;
    for (job, took) in jobs.iter().zip(&took) {
        let t = fastest(took);
        println!("| {} | {:.2} | {:.2} | {:.0} |", job.name, t.seconds, t.seconds / first, t.peak);
    }
    drop(jobs);
    std::fs::remove_dir_all(&season.folder).unwrap();
}

/// Writes down the columns that the pipeline needs, the logs and their configurations, for the comparisons.
fn write_job(season: &Season) -> PathBuf {
    let plan = Plan::new(read::definitions(&season.folder.join("pipeline.yaml")).unwrap()).unwrap();
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) else { panic!("no load") };
    let layout = load.layout_of("e01-s1-o1.csv").unwrap();
    let text = std::fs::read_to_string(&season.logs[0]).unwrap();
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let needed = |c: &str| layout.channels.iter().any(|(n, s)| s.column.as_str() == c && plan.needed.contains(n));
    let columns: Vec<&str> = header.iter().copied().filter(|c| *c == "Time" || needed(c)).collect();
    let configuration = |name: &str| {
        let rows = &plan.definitions.runs.rows;
        rows.iter().find(|r| r.log.as_str() == name).map_or("", |r| r.configuration.as_str())
    };
    let logs: Vec<_> = season
        .logs
        .iter()
        .map(|p| serde_json::json!({ "path": p, "configuration": configuration(p.file_name().unwrap().to_str().unwrap()) }))
        .collect();
    println!("{} of {} columns are needed\n", columns.len(), header.len());
    let job = season.folder.join("job.json");
    std::fs::write(&job, serde_json::json!({ "columns": columns, "header": header, "logs": logs }).to_string())
        .unwrap();
    job
}

/// Reads the needed columns of all logs with the CSV reader that `load` uses, on all its threads, and nothing else.
fn plain_read(job: &Path) {
    let job: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(job).unwrap()).unwrap();
    let texts = |v: &serde_json::Value| -> Vec<String> {
        v.as_array().unwrap().iter().map(|c| c.as_str().unwrap().to_owned()).collect()
    };
    let (columns, header) = (texts(&job["columns"]), texts(&job["header"]));
    let schema: Schema = header.iter().map(|c| (PlSmallStr::from_str(c), DataType::Float64)).collect();
    let schema = Arc::new(schema);
    let wanted: Vec<usize> = (0..header.len()).filter(|i| columns.contains(&header[*i])).collect();
    for log in job["logs"].as_array().unwrap() {
        let frame = CsvReadOptions::default()
            .with_has_header(false)
            .with_skip_rows(2)
            .with_schema(Some(Arc::clone(&schema)))
            .with_projection(Some(Arc::new(wanted.clone())))
            .with_rechunk(false)
            .map_parse_options(|o| o.with_quote_char(None))
            .try_into_reader_with_file_path(Some(PathBuf::from(log["path"].as_str().unwrap())))
            .unwrap()
            .finish()
            .unwrap();
        assert!(frame.height() > 100 && frame.width() == columns.len());
    }
}

/// The nights of a season of many short logs.
fn growing(folder: &Path, sessions: usize, outings: usize) {
    let (s, o) = (sessions.to_string(), outings.to_string());
    let options = ["--sessions", s.as_str(), "--outings", &o, "--minutes", "1", "--rate", "50"];
    let season = Season::make(&folder.join("growing"), &options);
    let held_back = season.folder.join("held-back.csv");
    let newest = season.logs.last().unwrap();
    let first = best(|_| season.clear(), || season.run(&[]));
    let unchanged = best(|_| {}, || season.run(&[]));
    season.clear();
    std::fs::rename(newest, &held_back).unwrap();
    time(season.run(&[]));
    std::fs::rename(&held_back, newest).unwrap();
    let one_new = time(season.run(&[]));
    season.edit("lateral: 0.08 g,", "lateral: 0.079 g,");
    let selection = time(season.run(&[]));
    let at = |turn: usize| format!("at: {} km/h", 160 - turn);
    let fit = best(|turn| season.edit(&at(turn), &at(turn + 1)), || season.run(&[]));
    println!(
        "| {} | {:.0} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} | {:.0} | {:.0} |",
        season.logs.len(),
        season.bytes as f64 / 1e6,
        first.seconds,
        unchanged.seconds,
        one_new.seconds,
        selection.seconds,
        fit.seconds,
        first.peak,
        unchanged.peak
    );
    std::fs::remove_dir_all(&season.folder).unwrap();
}
