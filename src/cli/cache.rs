//! `squarelaw cache PIPELINE`: what is kept between runs, and less of it on request.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::{exit, print, size};
use crate::config::read;
use crate::engine::cache::room::{self, Used};
use crate::engine::{self, CacheAt, lock};
use crate::error::Fatal;
use crate::plan::Plan;

/// Show, trim or clear the cache.
#[derive(Debug, Args)]
pub struct CacheCommand {
    /// Pipeline file.
    pub pipeline: PathBuf,
    /// Folder of the cache; `.cache` in the folder of the tables by default.
    #[arg(long, value_name = "DIR")]
    pub cache: Option<PathBuf>,
    /// Take away what was not used for longest until no more than this is left.
    #[arg(long, value_name = "SIZE", value_parser = size::parse, conflicts_with = "clear")]
    pub trim: Option<u64>,
    /// Take everything away: the next run works on every log anew.
    #[arg(long)]
    pub clear: bool,
}

/// Runs the command.
///
/// # Errors
/// Faults of the definitions, a batch at work, a folder that can't be read or written.
pub fn run(args: &CacheCommand, out: &mut dyn Write) -> Result<u8, Fatal> {
    let plan = Plan::new(read::definitions(&args.pipeline)?)?;
    let at = args.cache.clone().map_or(CacheAt::Usual, CacheAt::Folder);
    let Some(folder) = at.folder(&plan) else { return Ok(exit::ALL_USED) };
    let failed = |source| Fatal::Io { what: "can't look after the cache", path: folder.clone(), source };
    // Taking away what a batch at work has just written would only make it slow, but that is no use either.
    let _lock = (args.clear || args.trim.is_some()).then(|| lock::take(&engine::tables_folder(&plan))).transpose()?;
    if args.clear {
        room::clear(&folder).map_err(failed)?;
    }
    let room = match args.trim {
        Some(limit) => room::trim(&folder, limit),
        None => room::look(&folder),
    }
    .map_err(failed)?;
    print(out, &format!("cache {}", folder.display()))?;
    for (what, used) in
        [("logs after the log stages", room.frames), ("windows", room.windows), ("fits of the season", room.fits)]
    {
        let Used { entries, bytes } = used;
        print(out, &format!("  {what:<26} {entries:>7} entries {:>10}", size::shown(bytes)))?;
    }
    Ok(exit::ALL_USED)
}
