//! What a run tells while it works: a bar on a terminal, plain lines otherwise, JSON lines on request.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use tracing::{info, warn};
use tracing_subscriber::filter::LevelFilter;

use super::Voice;
use crate::engine::Watcher;
use crate::engine::one_log::LogResult;

/// Starts the log lines on standard error.
pub fn start_tracing(voice: Voice) {
    let level = if voice.quiet { LevelFilter::WARN } else { LevelFilter::INFO };
    let builder = tracing_subscriber::fmt().with_writer(|| Unheard(io::stderr())).with_max_level(level);
    // A second start (a test in the same process) keeps the first.
    let _ = if voice.json {
        builder.json().with_target(false).with_current_span(false).with_span_list(false).try_init()
    } else {
        builder.with_target(false).with_ansi(false).without_time().try_init()
    };
}

/// Standard error, whether or not anybody listens: a terminal that was closed or a full disk under a file of log lines
/// must not end the night.
struct Unheard(io::Stderr);

impl Write for Unheard {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let _ = self.0.write_all(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        let _ = self.0.flush();
        Ok(())
    }
}

/// The watcher that fits the voice and the terminal.
pub fn watcher(voice: Voice) -> Box<dyn Watcher> {
    if !voice.quiet && !voice.json && io::stderr().is_terminal() {
        let style = ProgressStyle::with_template("{msg:<12} {bar:32} {pos}/{len} logs, {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .progress_chars("#. ");
        let bar = ProgressBar::new(0).with_style(style).with_message("reading");
        bar.enable_steady_tick(Duration::from_millis(200));
        Box::new(Bar(bar))
    } else {
        Box::new(Lines)
    }
}

struct Bar(ProgressBar);

impl Watcher for Bar {
    fn remark(&self, text: &str) {
        self.0.println(text);
    }
    fn found(&self, logs: usize) {
        self.0.set_length(logs as u64);
    }
    fn done(&self, result: &LogResult) {
        if let Err(fault) = &result.outcome {
            self.0.println(format!("set aside {}: {fault}", result.named.log));
        }
        self.0.inc(1);
    }
    fn season(&self, _windows: usize) {
        self.0.finish_and_clear();
    }
    fn stands(&self, text: &str) {
        self.0.println(text);
        self.0.finish_and_clear();
    }
}

struct Lines;

impl Watcher for Lines {
    fn remark(&self, text: &str) {
        warn!("{text}");
    }
    fn found(&self, logs: usize) {
        info!(logs, "logs found");
    }
    fn done(&self, result: &LogResult) {
        let log = result.named.log.as_str();
        match &result.outcome {
            Ok(_) => info!(log, windows = result.found.all, from = result.from.as_str(), "used"),
            Err(fault) => warn!(log, reason = fault.reason(), "set aside: {fault}"),
        }
    }
    fn season(&self, windows: usize) {
        info!(windows, "fitting");
    }
    fn stands(&self, text: &str) {
        info!("{text}");
    }
}
