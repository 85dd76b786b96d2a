//! A fit comes to rest: where it did not, its figures are flagged as rough.

use squarelaw::table::parquet_file::{self, place};
use squarelaw::table::row::Row;
use squarelaw::table::rows::FitRow;

use crate::season_kit::program;

/// Clean seasons whose steps were once refused for ever, each for being held against what the linearised model had left.
#[test]
fn clean_seasons_come_to_rest() {
    for seed in ["7", "9"] {
        let folder = tempfile::tempdir().unwrap();
        let options = ["--sessions", "4", "--outings", "2", "--minutes", "3", "--seed", seed, "--out"];
        assert!(program().arg("demo").args(options).arg(folder.path()).output().unwrap().status.success());
        let ran = program().arg("run").arg(folder.path().join("pipeline.yaml")).output().unwrap();
        assert_eq!(ran.status.code(), Some(0), "{}", String::from_utf8_lossy(&ran.stderr));
        let fits: Vec<FitRow> =
            parquet_file::read(&place(&folder.path().join("tables"), FitRow::TABLE, "2031")).unwrap();
        assert!(fits.iter().any(|row| row.value.is_some()));
        let unsettled = fits.iter().filter(|row| row.flags.contains("iteration_not_settled")).count();
        assert_eq!(unsettled, 0, "seed {seed}");
    }
}
