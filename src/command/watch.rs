//! `watch`: how things stand now, in a terminal at the end of a slow link.

mod screen;
mod text;

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::Context;
use clap::Args;
use serde_json::Value;
use tallywell_witness::units::parse;

use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::daemon::socket::{self, Request, SocketError};
use crate::face::state::State;
use crate::site;
use screen::Screen;

/// A daemon that tells nothing for so long is asked anew.
const PATIENCE: Duration = Duration::from_secs(10);
/// A daemon that has gone is looked for so often.
const LOOK_AGAIN: Duration = Duration::from_secs(2);

/// Show how things stand now, from the running daemon
#[derive(Debug, Args)]
#[command(after_help = "Signs between witnesses: = agree, != disagree, ? undecided.\n\
                        B:L is the bus flow against the loop, T:P the total against the pulses,\n\
                        T:B the total against the bus flow.\n\
                        With --format json and without --once: one JSON document a line, for\n\
                        as long as it runs.\n\
                        Exit status: 0 shown; 2 could not be done (no daemon runs, for instance).\n\
                        Example: tallywell watch --config kestrel-creek.toml --every 5s")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// Show it once and end
    #[arg(long)]
    once: bool,
    /// How often to show it anew; only what changed is sent to the terminal
    #[arg(long, value_name = "TIME", default_value = "2s", value_parser = every, conflicts_with = "once")]
    every: Duration,
    #[command(flatten)]
    format: FormatArgument,
}

fn every(text: &str) -> Result<Duration, String> {
    let every = parse::duration(text).map_err(|error| error.to_string())?;
    if every < Duration::from_millis(250) { Err("no quicker than 250ms".to_owned()) } else { Ok(every) }
}

/// Shows.
///
/// # Errors
/// The site file is wrong; no daemon runs on its store.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let path = socket::path_beside(&loaded.site.store.path);
    let format = arguments.format.format;
    if arguments.once {
        let state = first(&path).map_err(|error| in_words(error, arguments))?;
        let mut out = std::io::stdout().lock();
        match format {
            Format::Json => writeln!(out, "{state:#}")?,
            Format::Text => {
                out.write_all(text::lines(&understood(state)?).join("\n").as_bytes()).and_then(|()| writeln!(out))?
            }
        }
        return Ok(Outcome::Good);
    }
    follow(&path, arguments)
}

/// The state as it is now.
fn first(path: &Path) -> Result<Value, SocketError> {
    let mut state = None;
    socket::ask(path, &Request::Watch, Some(PATIENCE), |value| {
        state = Some(value);
        false
    })?;
    state.ok_or_else(|| SocketError::Refused("the daemon told nothing".to_owned()))
}

/// Shows every change, no more often than asked for, until it is ended from outside.
fn follow(path: &Path, arguments: &Arguments) -> CommandResult {
    let mut screen = Screen::new(std::io::stdout().is_terminal());
    let mut shown: Option<Instant> = None;
    loop {
        let mut failed = None;
        let asked = socket::ask(path, &Request::Watch, Some(PATIENCE), |value| {
            if shown.is_some_and(|shown| shown.elapsed() < arguments.every) {
                return true;
            }
            shown = Some(Instant::now());
            failed = show(value, arguments.format.format, &mut screen).err();
            failed.is_none()
        });
        if let Some(error) = failed {
            return Err(error);
        }
        match asked {
            Err(SocketError::NoDaemon) if shown.is_none() => return Err(in_words(SocketError::NoDaemon, arguments)),
            Err(SocketError::NoDaemon | SocketError::Refused(_)) => {
                if arguments.format.format == Format::Text {
                    screen.say("The daemon has ended; this is how things stood last. Waiting for it to come back.")?;
                }
                std::thread::sleep(LOOK_AGAIN);
            }
            Err(SocketError::Failed { source, .. }) if is_silence(&source) => {
                if arguments.format.format == Format::Text {
                    screen.say("The daemon has told nothing for 10 s: it is stuck, or the machine is.")?;
                }
            }
            Err(error) => return Err(error.into()),
            Ok(()) => {}
        }
    }
}

fn show(value: Value, format: Format, screen: &mut Screen) -> anyhow::Result<()> {
    match format {
        Format::Json => {
            let mut out = std::io::stdout().lock();
            writeln!(out, "{value}")?;
            out.flush()?;
        }
        Format::Text => screen.show(text::lines(&understood(value)?))?,
    }
    Ok(())
}

fn understood(state: Value) -> anyhow::Result<State> {
    serde_json::from_value(state)
        .context("the running daemon tells its state in another way: it is of another version; start it again")
}

fn is_silence(error: &std::io::Error) -> bool {
    matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut)
}

fn in_words(error: SocketError, arguments: &Arguments) -> anyhow::Error {
    match error {
        SocketError::NoDaemon => anyhow::anyhow!(
            "no daemon runs on this store, so nothing is known of now; start it with `tallywell run --config {}`",
            arguments.site.config.display()
        ),
        error => error.into(),
    }
}
