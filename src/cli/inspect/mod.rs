//! `squarelaw inspect`: looks at an export of unknown layout, shows what is in it, drafts a layout file.

mod draft;
mod guess;
mod sheet;
mod show;
mod sniff;
mod words;

use std::fs::OpenOptions;
use std::io::{Error, ErrorKind, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use crate::config::issue::shown;
use crate::config::layout::Layout;
use crate::config::read;
use crate::error::Fatal;
use crate::stages::log::load;

/// Looks at an export: columns, units, rates, ranges. Drafts a layout file for it.
#[derive(Args, Clone, Debug)]
pub struct InspectArgs {
    /// The export.
    pub file: PathBuf,
    /// Layout file to write; without it the draft is printed.
    #[arg(long, value_name = "LAYOUT")]
    pub out: Option<PathBuf>,
}

/// Inspects one file.
///
/// # Errors
/// A file that can't be read or holds no table; a layout file that exists already or can't be written.
pub fn run(args: &InspectArgs, out: &mut dyn Write) -> Result<(), Fatal> {
    let refuse = |e: String| Fatal::Io {
        what: "can't make a layout of",
        path: args.file.clone(),
        source: Error::new(ErrorKind::InvalidData, e),
    };
    let sheet = sheet::read(&args.file).map_err(|fault| refuse(fault.to_string()))?;
    let guess = guess::guess(&sheet);
    let name = args.file.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let text = draft::yaml(&name, &sheet, &guess);
    let target = args.out.clone().unwrap_or_else(|| PathBuf::from("draft.layout.yaml"));
    // A file in which no channel was found has no layout that holds, but still something to show.
    let layout = if guess.mapped.is_empty() { None } else { Some(read::layout(&target, &text)) };
    let layout = layout.transpose().map_err(|issues| Fatal::Internal(format!("the draft does not hold: {issues}")))?;
    let trial = layout.as_ref().map(|layout| try_out(&args.file, layout));
    let shown = show::table(&args.file, &sheet, &guess, trial.as_ref());
    let after = match &args.out {
        None => text.trim_end().to_owned(),
        Some(path) => {
            write_new(path, &text)?;
            format!("layout written to {}", path.display())
        }
    };
    super::print(out, &format!("{shown}\n{after}"))
}

/// What came of reading the file by the draft: its seconds, or the fault.
type Trial = Result<f64, String>;

fn try_out(file: &Path, layout: &Layout) -> Trial {
    let all: Vec<String> = layout.channels.keys().cloned().collect();
    let mut frame = load::read(file, layout, &all).map_err(|e| e.to_string())?;
    let seconds = frame.time.last().copied().unwrap_or_default();
    load::in_range(&mut frame).map_err(|e| e.to_string())?;
    Ok(seconds)
}

/// Never writes over a file: a layout holds work of the user's.
fn write_new(path: &Path, text: &str) -> Result<(), Fatal> {
    let write = || OpenOptions::new().write(true).create_new(true).open(path)?.write_all(text.as_bytes());
    write().map_err(|source| match source.kind() {
        ErrorKind::AlreadyExists => Fatal::Usage(format!(
            "{} is there already and is not written over: give another name, or take it away",
            shown(path)
        )),
        _ => Fatal::Io { what: "can't write", path: path.to_owned(), source },
    })
}
