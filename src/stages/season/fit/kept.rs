//! What a fit is known by, so that one that was made before is not gone through again.

use blake3::Hasher;
use rayon::prelude::*;
use serde::Serialize;

use super::Fit;
use super::evidence::Evidence;
use super::model::Settled;
use crate::located::Located;
use crate::units::{Ratio, Speed};

/// Observations that are hashed as one.
const PIECE: usize = 4096;

/// Where fits of former runs are found and new ones kept. Nothing that it answers is needed to be right: no answer costs
/// time, never a number.
pub trait Kept: Sync {
    /// What was kept under a key.
    fn find(&self, key: &str) -> Option<Settled>;
    /// Keeps one.
    fn keep(&self, key: &str, settled: &Settled);
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
