//! The table `windows`: every quantity of every window, fitted or not. It is most of what a night writes, and all its rows
//! together would take more memory than the rest of a season: it is made column by column, a piece at a time.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use arrow_array::types::Int32Type;
use arrow_array::{ArrayRef, BooleanArray, DictionaryArray, Float64Array, Int64Array, StringArray, new_null_array};
use arrow_schema::ArrowError;

use super::evidence::Observation;
use super::rows::{OUTLIER, zero_not_static};
use super::{SeasonFit, Wind};
use crate::error::Fatal;
use crate::stages::season::SeasonTables;
use crate::stages::window::{Measure, Window};
use crate::table::parquet_file::{self, Encode, Origin};
use crate::table::row::Row;
use crate::table::rows::WindowRow;
use crate::table::switch::Beside;

/// Windows of a piece.
const PIECE: usize = 500;

/// The table of a season; without rows where nothing was fitted.
pub struct WindowTable<'a> {
    fit: Option<&'a SeasonFit>,
    tables: &'a SeasonTables,
}

/// Columns that hold what the fit made of a window.
const OF_FIT: [&str; 5] = ["effective_v2", "headwind", "weight", "outlier", "flags"];

/// What a row is made of.
struct Line<'a> {
    window: &'a Window,
    quantity: usize,
    measure: &'a Measure,
    /// Its observation, where it is one.
    found: Option<(usize, &'a Observation)>,
}

impl<'a> WindowTable<'a> {
    /// Of what the season's stages found.
    pub fn of(tables: &'a SeasonTables) -> Self {
        Self { fit: tables.model.as_ref(), tables }
    }

    /// The rows of a piece, with their observations where the column is made of these. One after the other: nobody holds
    /// them all for every column.
    fn lines(&self, fit: &'a SeasonFit, piece: usize, column: &str) -> impl Iterator<Item = Line<'a>> {
        let of_fit = OF_FIT.contains(&column);
        let (windows, all): (_, &[Observation]) =
            (&self.tables.windows, if of_fit { &fit.evidence.observations } else { &[] });
        let first = piece * PIECE;
        let mut next = all.partition_point(|o| o.window < first);
        let measured = |(i, window): (usize, &'a Window)| {
            let of_window = window.measures.iter().enumerate();
            of_window.filter_map(move |(quantity, measure)| Some((i, window, quantity, measure.as_ref()?)))
        };
        let line = move |(i, window, quantity, measure): (usize, &'a Window, usize, &'a Measure)| {
            // Observations stand in the order of the windows and their quantities.
            let found = all.get(next).filter(|o| (o.window, o.quantity) == (i, quantity)).map(|o| (next, o));
            next += usize::from(found.is_some());
            Line { window, quantity, measure, found }
        };
        windows.iter().enumerate().skip(first).take(PIECE).flat_map(measured).map(line)
    }

    /// Values of a column of [`WindowRow`], by its name.
    fn column(
        &self,
        fit: &SeasonFit,
        name: &str,
        lines: impl Iterator<Item = Line<'a>>,
    ) -> Result<ArrayRef, ArrowError> {
        let model = &fit.model;
        Ok(match name {
            "log" => each_once(lines.map(|l| l.window.log.as_str())),
            "event" => each_once(lines.map(|l| l.window.event.as_str())),
            "session" => each_once(lines.map(|l| l.window.session.as_str())),
            "outing" => each_once(lines.map(|l| l.window.outing.as_str())),
            "configuration" => each_once(lines.map(|l| l.window.configuration.as_str())),
            "kind" => each_once(lines.map(|l| l.window.kind)),
            "quantity" => named(&self.tables.quantities, lines),
            "unit" => named(&self.tables.units, lines),
            "flags" => flags(fit, lines),
            "start" => numbers(lines.map(|l| l.window.start)),
            "duration" => numbers(lines.map(|l| l.window.duration)),
            "samples" => Arc::new(Int64Array::from_iter_values(lines.map(|l| l.window.samples as i64))),
            "mean" => numbers(lines.map(|l| l.measure.mean)),
            "standard_error" => numbers(lines.map(|l| l.measure.standard_error)),
            "speed" => numbers(lines.map(|l| l.window.speed)),
            "air_density" => numbers(lines.map(|l| l.window.air_density)),
            "course" => Arc::new(Float64Array::from_iter(lines.map(|l| l.window.course))),
            "accel_x" => numbers(lines.map(|l| l.window.accel_x)),
            "effective_v2" => numbers(lines.map(|l| l.found.map_or(l.measure.v2, |(k, _)| model.x[k]))),
            "headwind" => numbers(lines.map(|l| l.found.map_or(0.0, |(_, o)| o.headwind(model.wind[o.session].wind)))),
            "weight" => numbers(lines.map(|l| l.found.map_or(0.0, |(k, _)| model.weight[k]))),
            "outlier" => {
                let outlier = |l: Line| l.found.is_some_and(|(k, _)| model.robust[k] < OUTLIER);
                Arc::new(BooleanArray::from_iter(lines.map(|l| Some(outlier(l)))))
            }
            // A test holds every column against the declaration.
            _ => return Err(ArrowError::SchemaError(format!("nothing is known of column `{name}`"))),
        })
    }
}

impl Encode for WindowTable<'_> {
    fn encoded(&self, folder: &Path, origin: &Origin) -> Result<Beside, Fatal> {
        let (schema, windows) = (WindowRow::schema(), &self.tables.windows);
        let measured = |of: &[Window]| of.iter().map(|w| w.measures.iter().flatten().count()).sum();
        let pieces: Vec<usize> =
            if self.fit.is_some() { windows.chunks(PIECE).map(measured).collect() } else { Vec::new() };
        let column = |piece: usize, column: usize| {
            let field = schema.field(column);
            let values = |fit| self.column(fit, field.name(), self.lines(fit, piece, field.name()));
            self.fit.map_or_else(|| Ok(new_null_array(field.data_type(), 0)), values)
        };
        parquet_file::encoded_by_columns::<WindowRow>(folder, origin, &pieces, column)
    }
}

fn numbers(values: impl Iterator<Item = f64>) -> ArrayRef {
    Arc::new(Float64Array::from_iter_values(values))
}

/// What is said of the quantities of some rows.
fn named<'l>(names: &[String], lines: impl Iterator<Item = Line<'l>>) -> ArrayRef {
    each_once(lines.map(|l| names.get(l.quantity).map_or("", String::as_str)))
}

/// Texts that repeat each other: every one of them once, and per line which it is.
fn each_once<'t>(texts: impl Iterator<Item = &'t str>) -> ArrayRef {
    let (mut numbers, mut all, mut keys) = (BTreeMap::new(), Vec::new(), Vec::new());
    let (mut last, mut key) = (None::<&str>, 0);
    for text in texts {
        // Neighbours are mostly one and the same text, not only alike.
        if !last.is_some_and(|last| std::ptr::eq(last, text)) {
            key = *numbers.entry(text).or_insert_with(|| {
                all.push(text);
                all.len() as i32 - 1
            });
            last = Some(text);
        }
        keys.push(key);
    }
    Arc::new(DictionaryArray::<Int32Type>::new(keys.into(), Arc::new(StringArray::from(all))))
}

/// Remarks on the quantities of windows: those of the log, and what the fit made of them.
fn flags<'l>(fit: &SeasonFit, lines: impl Iterator<Item = Line<'l>>) -> ArrayRef {
    let (mut all, mut last) = (Vec::<String>::new(), None::<(&Window, OfFit)>);
    let mut keys = Vec::new();
    for l in lines {
        let of_fit = flags_of_fit(fit, &l);
        // Neighbours mostly share their remarks.
        if !last.is_some_and(|(o, of)| Arc::ptr_eq(&o.stretch, &l.window.stretch) && of == of_fit) {
            let of_log = l.window.flags.iter().map(String::as_str);
            let flags: BTreeSet<&str> = of_log.chain(of_fit.into_iter().flatten()).collect();
            all.push(flags.into_iter().collect::<Vec<_>>().join(","));
            last = Some((l.window, of_fit));
        }
        keys.push(all.len().saturating_sub(1));
    }
    each_once(keys.into_iter().filter_map(|k| all.get(k)).map(String::as_str))
}

/// Flags of what the fit made of a window.
type OfFit = [Option<&'static str>; 3];

/// Those of one quantity of a window.
fn flags_of_fit(fit: &SeasonFit, l: &Line) -> OfFit {
    let Some((_, o)) = l.found else { return [None; 3] };
    let by_sheet = fit.options.as_ref().is_some_and(|f| f.wind == Wind::RunSheet);
    let unknown =
        by_sheet && !l.window.air_speed_measured && (l.window.sheet_wind.is_none() || l.window.course.is_none());
    [
        fit.evidence.left_out.contains(&(o.session, o.quantity)).then_some("session_left_out"),
        zero_not_static(fit, o).then_some("zero_not_static"),
        unknown.then_some("wind_unknown"),
    ]
}

#[cfg(test)]
pub(super) mod tests {
    use arrow_array::RecordBatch;
    use arrow_array::cast::AsArray;

    use super::*;
    use crate::stages::season::fit::tests::{ROBUST, Season, make, solve};

    /// A column with every text written out.
    fn plain(column: ArrayRef) -> ArrayRef {
        match column.as_dictionary_opt::<Int32Type>().and_then(|d| d.downcast_dict::<StringArray>()) {
            Some(texts) => Arc::new(texts.into_iter().collect::<StringArray>()),
            None => column,
        }
    }

    /// The rows that the table has.
    pub fn rows(fit: &SeasonFit, tables: &SeasonTables) -> Vec<WindowRow> {
        let (table, schema) = (WindowTable { fit: Some(fit), tables }, Arc::new(WindowRow::schema()));
        let piece = |piece: usize| {
            let column = |name: &str| table.column(fit, name, table.lines(fit, piece, name)).unwrap();
            let columns = schema.fields().iter().map(|field| plain(column(field.name()))).collect();
            let batch = RecordBatch::try_new(Arc::clone(&schema), columns).unwrap();
            WindowRow::from_batch(&batch).unwrap()
        };
        (0..tables.windows.len().div_ceil(PIECE)).flat_map(piece).collect()
    }

    #[test]
    fn every_row_is_what_its_window_says() {
        let mut tables = make(&Season { windows: 100, ..Default::default() }, 3);
        // One quantity was not measured here, another has no number there.
        tables.windows[7].measures[1] = None;
        tables.windows[PIECE].measures[2].as_mut().unwrap().mean = f64::NAN;
        let fit = solve(&tables, ROBUST, 3);
        let rows = rows(&fit, &tables);
        assert!(tables.windows.len() > PIECE && rows.len() == 3 * tables.windows.len() - 1);
        let mut next = rows.iter();
        for (i, w) in tables.windows.iter().enumerate() {
            for (q, m) in w.measures.iter().enumerate().filter_map(|(q, m)| Some((q, m.as_ref()?))) {
                let row = next.next().unwrap();
                assert_eq!((&row.log, &row.outing, &row.configuration), (&w.log, &w.outing, &w.configuration));
                assert_eq!((&row.quantity, &row.unit), (&tables.quantities[q], &tables.units[q]));
                assert_eq!((row.start, row.duration, row.samples), (w.start, w.duration, w.samples as i64));
                assert_eq!((row.standard_error, row.speed, row.course), (m.standard_error, w.speed, w.course));
                let k = fit.evidence.observations.iter().position(|o| (o.window, o.quantity) == (i, q));
                assert_eq!(k.is_none(), row.mean.is_nan());
                let (x, weight) = k.map_or((m.v2, 0.0), |k| (fit.model.x[k], fit.model.weight[k]));
                assert_eq!((row.effective_v2, row.weight), (x, weight));
            }
        }
    }
}
