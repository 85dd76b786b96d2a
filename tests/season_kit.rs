//! What the tests of the batch share: small invented seasons on disk, the real program, and a look at what
//! it wrote.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use arrow_array::RecordBatch;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use squarelaw::table::parquet_file;
use squarelaw::table::row::Row;
use squarelaw::table::rows::BatchRow;

/// The program under test.
pub fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_squarelaw"))
}

/// A season in a folder of its own.
pub struct Season {
    folder: tempfile::TempDir,
}

/// Six short logs of three sessions, made once.
fn model() -> &'static Path {
    static MODEL: OnceLock<tempfile::TempDir> = OnceLock::new();
    MODEL
        .get_or_init(|| {
            let folder = tempfile::tempdir().unwrap();
            let made = program()
                .args(["demo", "--sessions", "3", "--outings", "2", "--minutes", "1.5", "--rate", "20", "--out"])
                .arg(folder.path())
                .output()
                .unwrap();
            assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
            folder
        })
        .path()
}

impl Season {
    /// A fresh copy of the model season.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let logs = folder.path().join("logs");
        fs::create_dir(&logs).unwrap();
        for from in [model().to_owned(), model().join("logs")] {
            for entry in fs::read_dir(&from).unwrap().map(Result::unwrap).filter(|e| e.path().is_file()) {
                let to = if from.ends_with("logs") { &logs } else { folder.path() };
                fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
            }
        }
        Self { folder }
    }

    /// Its folder.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The folder of its tables.
    pub fn tables(&self) -> PathBuf {
        self.path().join("tables")
    }

    /// The path of one of its logs.
    pub fn log(&self, name: &str) -> PathBuf {
        self.path().join("logs").join(name)
    }

    /// Names of its logs, sorted.
    pub fn logs(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.path().join("logs"))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// The pipeline file.
    pub fn pipeline(&self) -> PathBuf {
        self.path().join("pipeline.yaml")
    }

    /// Changes a definition file.
    pub fn edit(&self, file: &str, from: &str, to: &str) {
        let path = self.path().join(file);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "`{from}` is not in {file}:\n{text}");
        fs::write(path, text.replacen(from, to, 1)).unwrap();
    }

    /// A run of the pipeline, not yet started.
    pub fn command(&self, further: &[&str]) -> Command {
        let mut command = program();
        command.arg("run").arg(self.pipeline()).args(further);
        command
    }

    /// Runs the pipeline.
    pub fn run(&self, further: &[&str]) -> Ran {
        Ran(self.command(further).output().unwrap())
    }

    /// Every table's bytes but those of `batch`, by path in the folder of tables.
    pub fn written(&self) -> BTreeMap<String, Vec<u8>> {
        let mut out = BTreeMap::new();
        for table in fs::read_dir(self.tables()).unwrap().map(|e| e.unwrap().path()) {
            let name = table.file_name().unwrap().to_str().unwrap().to_owned();
            if !table.is_dir() || name == "batch" || name.starts_with('.') {
                continue;
            }
            for file in fs::read_dir(table.join("season=2031")).unwrap().map(|e| e.unwrap().path()) {
                let file_name = file.file_name().unwrap().to_str().unwrap().to_owned();
                out.insert(format!("{name}/{file_name}"), fs::read(&file).unwrap());
            }
        }
        out
    }

    /// All rows of a table.
    pub fn rows<R: Row>(&self) -> Vec<R> {
        parquet_file::read(&parquet_file::place(&self.tables(), R::TABLE, "2031")).unwrap()
    }

    /// The newest row of `batch`.
    pub fn last(&self) -> BatchRow {
        self.rows::<BatchRow>().pop().unwrap()
    }

    /// Every table can be read to its end. What a killed run left beside its place begins with a dot, which
    /// readers of such folders pass over.
    pub fn readable(&self) -> Vec<RecordBatch> {
        let mut all = Vec::new();
        for (name, bytes) in self.written().into_iter().filter(|(name, _)| !name.contains("/.")) {
            let file = self.tables().join(name.replace('/', "/season=2031/"));
            assert_eq!(fs::read(&file).unwrap(), bytes);
            let reader = ParquetRecordBatchReaderBuilder::try_new(fs::File::open(&file).unwrap()).unwrap();
            all.extend(reader.build().unwrap().map(|b| b.unwrap_or_else(|e| panic!("{name}: {e}"))));
        }
        all
    }
}

/// A finished run.
pub struct Ran(pub Output);

impl Ran {
    /// Exit code.
    pub fn code(&self) -> Option<i32> {
        self.0.status.code()
    }

    /// Standard error.
    pub fn said(&self) -> String {
        String::from_utf8_lossy(&self.0.stderr).into_owned()
    }

    /// The summary, on standard output.
    pub fn summary(&self) -> String {
        String::from_utf8_lossy(&self.0.stdout).into_owned()
    }

    /// Demands an exit code, and shows what the run said if it is another.
    #[track_caller]
    pub fn expect(self, code: i32) -> Self {
        assert_eq!(self.code(), Some(code), "{}", self.said());
        self
    }
}
