//! This season beside the others whose tables lie in the same folder.

use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::path::Path;

use super::series::{Change, Point, compare, put};
use super::{History, names};
use crate::error::Fatal;
use crate::stages::SeasonCx;
use crate::stages::season::SeasonTables;
use crate::stages::season::answers::unit_of;
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::evidence::Observation;
use crate::table::parquet_file;
use crate::table::verdicts::HistoryRow;
use crate::table_row;

table_row! {
    /// The part of `fits` that a comparison of seasons needs, whatever other columns its version had.
    pub struct FitDigest in "fits" {
        configuration: String, "-", "configuration";
        quantity: String, "-", "quantity";
        coefficient: Option<f64>, "unit.s2/m2", "value per effective v²";
        coefficient_se: Option<f64>, "unit.s2/m2", "standard error";
        reference_density: f64, "kg/m3", "reference density";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution";
        windows: i64, "1", "windows";
        sessions: i64, "1", "sessions";
    }
}

table_row! {
    /// The part of `logs` that says what a season rests on.
    pub struct LogDigest in "logs" {
        content_hash: String, "-", "BLAKE3 of the file's bytes";
        status: String, "-", "used or set_aside";
    }
}

table_row! {
    /// The part of `configurations` that says whether a name means the same car.
    pub struct ConfigurationDigest in "configurations" {
        configuration: String, "-", "configuration";
        parts: String, "-", "parts";
        wing_position: Option<f64>, "1", "wing position";
    }
}

impl ConfigurationDigest {
    /// Whether it has these parts, joined as tables write them; former versions joined them otherwise.
    pub(super) fn has(&self, parts: &str) -> bool {
        let own: BTreeSet<&str> = self.parts.split([',', '+']).filter(|p| !p.is_empty()).collect();
        own == parts.split('+').filter(|p| !p.is_empty()).collect()
    }
}

/// Another season's numbers, or why there are none.
struct Other {
    season: String,
    fits: Result<Vec<FitDigest>, String>,
    configurations: Vec<ConfigurationDigest>,
    /// Content hashes of the logs that it used.
    logs: Vec<String>,
}

impl History {
    /// Rows of whole seasons; none where this one stands alone.
    pub(super) fn of_seasons(&self, fit: &SeasonFit, tables: &SeasonTables, cx: &SeasonCx) -> Vec<HistoryRow> {
        let others = self.others(cx);
        if others.is_empty() {
            return Vec::new();
        }
        let mut seasons: Vec<&str> = others.iter().map(|o| o.season.as_str()).chain([cx.season]).collect();
        seasons.sort_unstable();
        let mut out = Vec::new();
        for name in names(fit).into_iter().filter(|n| !SeasonFit::is_ratio(n)) {
            let unit = unit_of(&name, &tables.quantities, &tables.units);
            let series: Vec<(usize, Vec<Point>)> = (0..fit.evidence.configurations.len())
                .map(|k| (k, self.series(fit, k, &name, cx, &others, &seasons)))
                .filter(|(_, s)| !s.is_empty())
                .collect();
            let changes = compare(&series.iter().map(|(_, s)| s.clone()).collect::<Vec<_>>(), "season");
            for ((k, points), changes) in series.iter().zip(changes) {
                for (point, change) in points.iter().zip(changes) {
                    out.push(row(&seasons, fit, *k, &name, &unit, point, &change));
                }
            }
        }
        out.extend(others.iter().filter_map(unreadable));
        out
    }

    fn others(&self, cx: &SeasonCx) -> Vec<Other> {
        let mut names: Vec<String> = match &self.seasons {
            Some(named) => named.iter().map(|s| s.value.clone()).collect(),
            None => found(cx.tables),
        };
        names.retain(|n| n != cx.season);
        names.sort();
        names.dedup();
        let mut out: Vec<Other> = names.into_iter().map(|n| read(cx.tables, n)).collect();
        // A season that was given another name leaves its tables behind: the same logs, which are no second witness.
        let mut seen: Vec<(&str, BTreeSet<&str>)> = vec![(cx.season, cx.logs.iter().map(String::as_str).collect())];
        for other in &mut out {
            let Other { season, fits, logs, .. } = other;
            let logs: BTreeSet<&str> = logs.iter().map(String::as_str).collect();
            let twice = seen.iter().find(|(_, of)| !of.is_disjoint(&logs));
            match twice {
                Some((of, these)) if fits.is_ok() => {
                    let n = these.intersection(&logs).count();
                    *fits = Err(format!(
                        "its tables rest on {n} of the logs of season `{of}`: take those of one of the two out of the folder"
                    ));
                }
                _ if fits.is_ok() => seen.push((season.as_str(), logs)),
                _ => {}
            }
        }
        out
    }

    /// The numbers of one configuration and quantity, season by season; a season in which the name meant other parts
    /// or another wing position is left out.
    fn series(
        &self,
        fit: &SeasonFit,
        k: usize,
        name: &str,
        cx: &SeasonCx,
        others: &[Other],
        seasons: &[&str],
    ) -> Vec<Point> {
        let v2 = fit.speed * fit.speed;
        let Some(configuration) = fit.evidence.configurations.get(k) else { return Vec::new() };
        let parts = configuration.parts_joined();
        let mut out = Vec::new();
        for (position, season) in seasons.iter().enumerate() {
            if *season == cx.season {
                let Some(e) = fit.named(k, name).and_then(|(d, _)| fit.estimate(&d.times(v2))) else { continue };
                let count = |f: fn(&Observation) -> usize| fit.behind(k, name).map(f).collect::<BTreeSet<_>>().len();
                out.push(point(position, e.value, e.se, e.dof, count(|o| o.window), count(|o| o.session)));
                continue;
            }
            let Some(other) = others.iter().find(|o| o.season == *season) else { continue };
            let same = |c: &ConfigurationDigest| c.has(&parts) && c.wing_position == configuration.wing_position;
            if !other.configurations.iter().any(|c| c.configuration == configuration.name && same(c)) {
                continue;
            }
            let row = other.fits.iter().flatten().find(|f| f.configuration == configuration.name && f.quantity == name);
            if let Some(f) = row
                && let (Some(c), Some(se)) = (f.coefficient, f.coefficient_se)
            {
                // The coefficient belongs to its own season's reference density.
                let scale = v2 * fit.density / f.reference_density;
                let dof = f.degrees_of_freedom.unwrap_or(f64::INFINITY);
                out.push(point(position, c * scale, se * scale, dof, f.windows as usize, f.sessions as usize));
            }
        }
        out
    }
}

fn point(position: usize, value: f64, se: f64, dof: f64, windows: usize, sessions: usize) -> Point {
    Point { position, value, within: (se * se, dof), common: (0.0, f64::INFINITY), windows, sessions }
}

fn row(
    seasons: &[&str],
    fit: &SeasonFit,
    k: usize,
    name: &str,
    unit: &str,
    point: &Point,
    change: &Change,
) -> HistoryRow {
    let mut row = HistoryRow {
        of_season: seasons.get(point.position).map(|s| (*s).to_owned()).unwrap_or_default(),
        position: point.position as i64 + 1,
        configuration: fit.evidence.configurations.get(k).map(|c| c.name.clone()).unwrap_or_default(),
        quantity: name.to_owned(),
        unit: unit.to_owned(),
        reference_speed: fit.speed,
        reference_density: fit.density,
        ..Default::default()
    };
    put(&mut row, point, change);
    row
}

/// A season whose tables can't be read is a row that says so.
fn unreadable(other: &Other) -> Option<HistoryRow> {
    let why = other.fits.as_ref().err()?;
    Some(HistoryRow {
        of_season: other.season.clone(),
        verdict: "not comparable".to_owned(),
        why: why.clone(),
        ..Default::default()
    })
}

/// Names of the seasons that have fits in a folder of tables.
fn found(tables: &Path) -> Vec<String> {
    let folder = tables.join("fits");
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.filter_map(|e| Some(e.file_name().to_str()?.strip_prefix("season=")?.to_owned())).collect()
}

fn read(tables: &Path, season: String) -> Other {
    // Where the folder of the tables lies is no part of what they say.
    let place = |table: &str| parquet_file::place(Path::new(""), table, &season);
    let told = |e: Fatal| {
        let detail = match e {
            Fatal::Table { detail, .. } => detail,
            Fatal::Io { source, .. } if source.kind() == ErrorKind::NotFound => "there is none".to_owned(),
            Fatal::Io { source, .. } => source.to_string(),
            other => other.to_string(),
        };
        format!("can't read table {}: {detail}", place("fits").display())
    };
    let fits = parquet_file::read::<FitDigest>(&tables.join(place("fits"))).map_err(told);
    // Without it no configuration is known to be the same, and the season drops out.
    let configurations =
        parquet_file::read::<ConfigurationDigest>(&tables.join(place("configurations"))).unwrap_or_default();
    let logs = parquet_file::read::<LogDigest>(&tables.join(place("logs"))).unwrap_or_default();
    let logs = logs.into_iter().filter(|l| l.status == "used").map(|l| l.content_hash).collect();
    Other { season, fits, configurations, logs }
}
