//! All of a fit that does not depend on what is asked of it afterwards, and what it is known by: one that was made before
//! is not gone through again.

use std::collections::BTreeMap;

use blake3::Hasher;
use nalgebra::DMatrix;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::evidence::Evidence;
use super::lack_of_fit::{self, Bend};
use super::model::{self, Model, Pair};
use super::{Fit, Wind, scatter};
use crate::located::Located;
use crate::numerics::blocked::{Rows, Solution};
use crate::units::{Ratio, Speed};

/// Observations that are hashed as one.
const PIECE: usize = 4096;

/// Where fits of former runs are found and new ones kept. Nothing that it answers is needed to be right: no answer costs
/// time, never a number.
pub trait Kept: Sync {
    /// What was kept under a key.
    fn find(&self, key: &str) -> Option<Solved>;
    /// Keeps one.
    fn keep(&self, key: &str, solved: &Solved);
}

/// What a season's windows say, whatever the speed it is reported at and the scatter that is assumed where none shows.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Solved {
    /// The solved model.
    pub model: Model,
    /// Per block and row, the window it belongs to; the straight where gusts are told.
    pub windows_of_rows: Vec<Vec<usize>>,
    /// Covariance of the coefficients by the scatter of the windows inside their sessions.
    pub within: DMatrix<f64>,
    /// Per session, coefficients × quantities: how they move if its sensor of a quantity reads the factor 1 + 1.
    pub moved: Vec<DMatrix<f64>>,
    /// How far every pair is from the square law.
    pub bends: BTreeMap<Pair, Bend>,
}

impl Solved {
    /// Fits what the evidence holds, or takes what was kept of the same fit.
    pub(super) fn of(evidence: &Evidence, quantities: usize, options: &Fit, kept: Option<&dyn Kept>) -> Self {
        let key = kept.and_then(|_| key(evidence, quantities, options));
        let kept = kept.zip(key.as_deref());
        if let Some(found) = kept.and_then(|(kept, key)| kept.find(key)) {
            return found;
        }
        let solved = Self::new(evidence, quantities, options);
        // What did not come to rest is no answer to keep.
        if let (Some((kept, key)), true) = (kept, solved.model.converged) {
            kept.keep(key, &solved);
        }
        solved
    }

    fn new(evidence: &Evidence, quantities: usize, options: &Fit) -> Self {
        let keep = |observations: &[usize], solution: &Solution, rows: Rows| {
            let windows = windows_of_rows(evidence, observations, options);
            let moved = rows.moved(solution, &scatter::quantities_of_rows(evidence, observations), quantities);
            (rows.grouped(&windows), (moved, windows))
        };
        let (model, kept) = model::fit(evidence, quantities, options, keep);
        let (each, (moved, windows_of_rows)): (Vec<_>, (_, _)) = kept.into_iter().unzip();
        let within = model.fit.as_ref().map(|fit| fit.sandwich(&each)).unwrap_or_default();
        let bends = if model.fit.is_some() { lack_of_fit::bends(evidence, &model) } else { BTreeMap::new() };
        Self { model, windows_of_rows, within, moved, bends }
    }
}

/// Rows of one window count together, where gusts are told those of one straight; the wind's prior rows stand alone. Of
/// one session, by the observations of its rows.
fn windows_of_rows(evidence: &Evidence, rows: &[usize], options: &Fit) -> Vec<usize> {
    let extra = usize::from(options.wind == Wind::Estimate) * 2;
    let mut seen = BTreeMap::new();
    let mut out: Vec<usize> = Vec::with_capacity(rows.len() + extra);
    for i in rows {
        let next = seen.len();
        let window = evidence.observations[*i].window;
        let straight = evidence.straights.get(window).copied().filter(|_| extra > 0);
        out.push(*seen.entry((straight, window * usize::from(straight.is_none()))).or_insert(next));
    }
    if !rows.is_empty() {
        out.extend((0..extra).map(|k| seen.len() + k));
    }
    out
}

/// A hash over all that the iteration depends on: the evidence, to the last bit, and the options, but those that are
/// only asked for once it has come to rest. `None` where a value can't be
/// written down.
pub(super) fn key(evidence: &Evidence, quantities: usize, options: &Fit) -> Option<String> {
    let later = Fit {
        at: Located::nowhere(Speed::si(1.0)),
        assumed_session_scatter: Located::nowhere(Ratio::si(0.0)),
        ..options.clone()
    };
    let mut hasher = Hasher::new();
    let mut add = |bytes: &[u8]| {
        hasher.update(&(bytes.len() as u64).to_le_bytes()).update(bytes);
    };
    add(&serde_json::to_vec(&later).ok()?);
    let Evidence {
        observations,
        sessions,
        sheet_wind,
        measured,
        outings,
        straights,
        middles,
        configurations,
        left_out,
    } = evidence;
    add(&bytes(&(quantities, sessions, sheet_wind, measured, outings))?);
    add(&bytes(&(straights, middles, configurations, left_out))?);
    let pieces: Vec<blake3::Hash> =
        observations.par_chunks(PIECE).map(|o| bytes(&o).map(|b| blake3::hash(&b))).collect::<Option<_>>()?;
    pieces.iter().for_each(|hash| add(hash.as_bytes()));
    Some(hasher.finalize().to_hex().to_string())
}

fn bytes(value: &impl Serialize) -> Option<Vec<u8>> {
    postcard::to_allocvec(value).ok()
}
