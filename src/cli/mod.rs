//! The command line: one file per subcommand. Prints for people; the rest of the library never prints.

pub mod cache;
pub mod check;
pub mod demo;
pub mod inspect;
pub mod predict;
pub mod progress;
pub mod run;
pub mod schemas;
pub mod size;

use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::error::Fatal;

/// Exit codes of the program.
pub mod exit {
    /// Every log was used.
    pub const ALL_USED: u8 = 0;
    /// Nothing was written.
    pub const NOTHING: u8 = 1;
    /// The command line was wrong.
    pub const USAGE: u8 = 2;
    /// Done, some logs set aside.
    pub const SOME_SET_ASIDE: u8 = 3;
}

/// Downforce and drag of every configuration of a race car, from a season of logger exports.
#[derive(Debug, Parser)]
#[command(name = "squarelaw", version, arg_required_else_help = true)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
    /// Log lines as JSON, one object per line, on standard error.
    #[arg(long, global = true)]
    json_log: bool,
    /// No progress and no summary; what a command is asked to show, and what wants a look, is still shown.
    #[arg(long, short, global = true)]
    quiet: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run a pipeline over its logs and write the tables.
    Run(run::RunArgs),
    /// Check a pipeline and everything it names; reads no log beyond its header.
    Check(check::CheckArgs),
    /// Predict what a combination of parts and a wing position will do.
    Predict(predict::PredictArgs),
    /// Show what is kept between runs, trim it or clear it.
    Cache(cache::CacheCommand),
    /// Make an invented season with known truth, or score tables against one.
    Demo(demo::DemoArgs),
    /// Write the schemas of definition files, tables and channels.
    Schemas(schemas::SchemasArgs),
    /// Look at an export of unknown layout and draft a layout file for it.
    Inspect(inspect::InspectArgs),
}

/// How the program speaks.
#[derive(Clone, Copy, Debug)]
pub struct Voice {
    /// Nothing but what wants a look.
    pub quiet: bool,
    /// JSON lines instead of text.
    pub json: bool,
}

/// Parses the command line, runs it, says what went wrong.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let voice = Voice { quiet: cli.quiet, json: cli.json_log };
    progress::start_tracing(voice);
    let mut out = io::stdout().lock();
    let result = match &cli.command {
        Command::Run(args) => run::run(args, voice, &mut out),
        Command::Check(args) => check::run(args, &mut out),
        Command::Predict(args) => predict::run(args, voice, &mut out),
        Command::Cache(args) => cache::run(args, &mut out),
        Command::Demo(args) => demo::run(args, &mut out),
        Command::Schemas(args) => schemas::run(args, &mut out),
        Command::Inspect(args) => inspect::run(args, &mut out).map(|()| exit::ALL_USED),
    };
    let code = match result {
        Ok(code) => code,
        Err(fatal) => {
            complain(&fatal, voice);
            if matches!(fatal, Fatal::Usage(_)) { exit::USAGE } else { exit::NOTHING }
        }
    };
    // A reader that closed the pipe early is no fault of the run.
    let _ = out.flush();
    ExitCode::from(code)
}

/// A number from one.
fn count(text: &str) -> Result<usize, String> {
    let number = text.trim().parse().ok().filter(|n| *n > 0);
    number.ok_or_else(|| format!("`{text}` is no whole number from 1"))
}

fn complain(fatal: &Fatal, voice: Voice) {
    if voice.json {
        tracing::error!(target: "squarelaw", "{fatal}");
        return;
    }
    let colour = io::stderr().is_terminal();
    // Nobody may be listening.
    let _ = match fatal {
        Fatal::Definitions(issues) => writeln!(io::stderr(), "{}", issues.render(colour)),
        other => writeln!(io::stderr(), "error: {other}"),
    };
}

/// Turns a failed write to standard output into the run's failure.
pub fn print(out: &mut dyn Write, text: &str) -> Result<(), Fatal> {
    match writeln!(out, "{text}") {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Fatal::Io { what: "can't write to", path: "standard output".into(), source: e })
        }
        _ => Ok(()),
    }
}
