//! `squarelaw run PIPELINE`.

use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::Args;

use super::{Voice, exit, print, progress, size};
use crate::config::read;
use crate::engine::outcome::Outcome;
use crate::engine::{self, CacheAt, Options};
use crate::error::Fatal;
use crate::plan::Plan;
use crate::report::summary;

/// Run a pipeline.
#[derive(Debug, Args)]
pub struct RunArgs {
    /// Pipeline file.
    pub pipeline: PathBuf,
    /// Logs worked on at once; one per core by default.
    #[arg(long, value_name = "N", value_parser = super::count)]
    pub threads: Option<usize>,
    #[command(flatten)]
    pub cache: CacheArgs,
}

/// Where results are kept between runs.
#[derive(Debug, Default, Args)]
pub struct CacheArgs {
    /// Folder that keeps the results of each log between runs; `.cache` in the folder of the tables by default.
    #[arg(long, value_name = "DIR")]
    pub cache: Option<PathBuf>,
    /// Work on every log anew and keep nothing.
    #[arg(long, conflicts_with_all = ["cache", "cache_limit"])]
    pub no_cache: bool,
    /// Size that the cache is kept under.
    #[arg(long, value_name = "SIZE", value_parser = size::parse, default_value = "5 GB")]
    pub cache_limit: u64,
}

impl CacheArgs {
    /// Where that is.
    pub fn place(&self) -> CacheAt {
        match &self.cache {
            _ if self.no_cache => CacheAt::Nowhere,
            Some(folder) => CacheAt::Folder(folder.clone()),
            None => CacheAt::Usual,
        }
    }
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
    // A limit on the size of files is an error of the write that meets it, which says what could not be written.
    signal_hook::flag::register(signal_hook::consts::SIGXFSZ, Arc::new(AtomicBool::new(false)))
        .map_err(|e| Fatal::Internal(format!("no signal handler: {e}")))?;
    let options = Options {
        threads: args.threads.unwrap_or(0),
        cache: args.cache.place(),
        cache_limit: Some(args.cache.cache_limit),
    };
    let say = |outcome: &Outcome| summary::text(outcome, &plan);
    let ran = engine::run(&plan, &options, &stop, progress::watcher(voice).as_ref(), &say)?;
    let b = &ran.batch;
    let exit = if b.set_aside > 0 { exit::SOME_SET_ASIDE } else { exit::ALL_USED };
    if voice.json {
        // On a terminal and in a plain journal the summary says as much.
        tracing::info!(logs = b.logs, used = b.used, set_aside = b.set_aside, windows = b.windows, exit, "finished");
    }
    if !voice.quiet {
        // The tables are in place by now.
        print(out, &ran.said).unwrap_or_else(|e| tracing::warn!("the tables are written, but not said: {e}"));
    }
    // The process ends here: the system takes back at once what would be given back piece by piece.
    std::mem::forget(ran);
    Ok(exit)
}
