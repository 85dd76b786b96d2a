//! `squarelaw check PIPELINE`: every static check, and the headers of the logs.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::{exit, print};
use crate::config::read;
use crate::engine;
use crate::error::Fatal;
use crate::plan::Plan;

/// Check a pipeline.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Pipeline file.
    pub pipeline: PathBuf,
}

/// Checks it and says what would run. Exit code 3 when a log would be set aside by its header.
///
/// # Errors
/// Faults of the definitions, or no log.
pub fn run(args: &CheckArgs, out: &mut dyn Write) -> Result<u8, Fatal> {
    let plan = Plan::new(read::definitions(&args.pipeline)?)?;
    print(out, &plan.to_string())?;
    let (checked, odd) = engine::headers(&plan)?;
    let bad: Vec<_> = checked.iter().filter_map(|(log, result)| result.as_ref().err().map(|e| (log, e))).collect();
    print(
        out,
        &format!(
            "  logs       {} found, {} would be set aside by their header or the run sheet",
            checked.len(),
            bad.len()
        ),
    )?;
    for (log, fault) in &bad {
        print(out, &format!("    {}: {fault} [{}]", log.shown, fault.reason()))?;
    }
    for text in &odd {
        print(out, &format!("  remark     {text}"))?;
    }
    Ok(if bad.is_empty() { exit::ALL_USED } else { exit::SOME_SET_ASIDE })
}
