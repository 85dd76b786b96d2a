//! Keys: a hash over everything that a result depends on. Values count, not the place where they were
//! written: moving a line of a definition changes no key.
//!
//! The program itself counts by the bytes of its executable, so that a changed line of code can never be
//! answered with the result of the former one, whether or not anybody thought of raising a number. It is hashed
//! anew where its file looks otherwise than in the cache's index, as a log is. A rebuild of the same source by the
//! same compiler gives the same bytes.

use std::fs::File;
use std::io;
use std::path::PathBuf;

use blake3::Hasher;
use serde::Serialize;

use super::super::one_log::NamedLog;
use super::index::{self, Index};
use crate::config::run_sheet::RunRow;
use crate::error::Fatal;
use crate::plan::Plan;
use crate::stages::{LogStep, WindowStep};

/// Raised when the form of the entries changes.
const FORM: &str = "squarelaw cache 3";

/// Keys of one log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keys {
    /// Of what the log stages made.
    pub frame: String,
    /// Of what each of the window stages made; a single one where there is no such stage.
    pub windows: Vec<String>,
}

/// The part of the keys that all logs of a plan share.
#[derive(Clone, Debug)]
pub struct Keyer {
    frame: Hasher,
    windows: Vec<blake3::Hash>,
}

impl Keyer {
    /// For a plan and this program.
    ///
    /// # Errors
    /// The program can't read itself, or an option can't be written down.
    pub fn new(plan: &Plan, index: &mut Index) -> Result<Self, Fatal> {
        let program = program(index).map_err(|source| Fatal::Io {
            what: "can't read the program itself, for the keys of the cache,",
            path: PathBuf::from("squarelaw"),
            source,
        })?;
        let mut frame = Hasher::new();
        add(&mut frame, "form", FORM.as_bytes());
        add(&mut frame, "version", env!("CARGO_PKG_VERSION").as_bytes());
        add(&mut frame, "program", program.as_bytes());
        value(&mut frame, "car", &plan.definitions.car)?;
        // `load` counts by the layout of each log; its patterns only say which files there are.
        let steps: Vec<&LogStep> =
            plan.pipeline().per_log.iter().map(|s| &s.value).filter(|s| !matches!(s, LogStep::Load(_))).collect();
        value(&mut frame, "steps", &steps)?;
        value(&mut frame, "needed", &plan.needed)?;
        value(&mut frame, "kept", &plan.kept())?;
        let of_stages = |steps: &[WindowStep]| {
            let mut windows = Hasher::new();
            value(&mut windows, "steps", &steps)?;
            value(&mut windows, "quantities", &plan.quantities)?;
            // Nothing to the stages that find no coasting.
            let coasts = steps.iter().any(|step| step.stage().finds_coasting());
            value(&mut windows, "road load", &(coasts && plan.wants_road_load()))?;
            Ok(windows.finalize())
        };
        let steps: Vec<WindowStep> = plan.pipeline().windows.iter().map(|s| s.value.clone()).collect();
        let windows = steps.chunks(1).map(of_stages).collect::<Result<Vec<_>, Fatal>>()?;
        let windows = if windows.is_empty() { vec![of_stages(&[])?] } else { windows };
        Ok(Self { frame, windows })
    }

    /// Of the program and of all that is the same for every log.
    pub fn chain(&self) -> [u8; 64] {
        let mut out = [0; 64];
        let (frame, windows) = out.split_at_mut(32);
        frame.copy_from_slice(self.frame.finalize().as_bytes());
        let mut stages = Hasher::new();
        self.windows.iter().for_each(|hash| _ = stages.update(hash.as_bytes()));
        windows.copy_from_slice(stages.finalize().as_bytes());
        out
    }

    /// For one log with this content.
    ///
    /// # Errors
    /// An option can't be written down.
    pub fn keys(&self, plan: &Plan, named: &NamedLog, runs: &[RunRow], content: &str) -> Result<Keys, Fatal> {
        let mut hasher = self.frame.clone();
        add(&mut hasher, "content", content.as_bytes());
        // The name goes into the windows; its ending may decide the format.
        add(&mut hasher, "log", named.log.as_bytes());
        add(&mut hasher, "name", named.name.as_bytes());
        value(&mut hasher, "runs", &runs)?;
        if let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|s| &s.value) {
            value(&mut hasher, "layout", &load.layout_of(&named.name).ok())?;
        }
        let frame = hasher.finalize();
        let of_stage = |stage: &blake3::Hash| {
            let mut hasher = Hasher::new();
            hasher.update(frame.as_bytes()).update(stage.as_bytes());
            hasher.finalize().to_hex().to_string()
        };
        Ok(Keys { frame: frame.to_hex().to_string(), windows: self.windows.iter().map(of_stage).collect() })
    }
}

/// Adds a part so that no other division into parts gives the same bytes.
pub fn add(hasher: &mut Hasher, name: &str, bytes: &[u8]) {
    for part in [name.as_bytes(), bytes] {
        hasher.update(&(part.len() as u64).to_le_bytes()).update(part);
    }
}

fn value<T: Serialize>(hasher: &mut Hasher, name: &str, value: &T) -> Result<(), Fatal> {
    let bytes = serde_json::to_vec(value).map_err(|e| Fatal::Internal(format!("`{name}` can't be hashed: {e}")))?;
    add(hasher, name, &bytes);
    Ok(())
}

/// Hash of the running program's bytes.
fn program(index: &mut Index) -> io::Result<String> {
    let name = std::env::current_exe()?;
    // Linux keeps the running file at hand under this name even when another was put in its place.
    let itself = File::open("/proc/self/exe").or_else(|_| File::open(&name))?;
    let (stamp, began) = (index::stamp_of(&itself)?, index::now());
    if let Some(hash) = index.hash(&name, &stamp) {
        return Ok(hash);
    }
    let mut hasher = Hasher::new();
    hasher.update_reader(itself)?;
    let hash = hasher.finalize().to_hex().to_string();
    index.remember(&name, stamp, &hash, began);
    Ok(hash)
}
