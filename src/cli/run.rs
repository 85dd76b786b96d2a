//! `squarelaw run PIPELINE`.

use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::Args;

use super::{Voice, exit, print, progress};
use crate::config::read;
use crate::engine::{self, Options};
use crate::error::Fatal;
use crate::plan::Plan;
use crate::report::summary;

/// Run a pipeline.
#[derive(Debug, Args)]
pub struct RunArgs {
    /// Pipeline file.
    pub pipeline: PathBuf,
    /// Logs worked on at once; one per core by default.
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
}

/// Runs it; the exit code says whether logs were set aside.
///
/// # Errors
/// What leaves nothing written.
pub fn run(args: &RunArgs, voice: Voice, out: &mut dyn Write) -> Result<u8, Fatal> {
    let plan = Plan::new(read::definitions(&args.pipeline)?)?;
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&stop))
            .map_err(|e| Fatal::Internal(format!("no signal handler: {e}")))?;
    }
    let options = Options { threads: args.threads.unwrap_or(0) };
    let outcome = engine::run(&plan, &options, &stop, progress::watcher(voice).as_ref())?;
    if !voice.quiet {
        print(out, &summary::text(&outcome, &plan))?;
    }
    Ok(if outcome.batch.set_aside > 0 { exit::SOME_SET_ASIDE } else { exit::ALL_USED })
}
