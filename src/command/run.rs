//! `run`: the daemon.

use anyhow::Context;
use clap::Args;

use super::{CommandResult, Outcome, SiteArgument};
use crate::daemon::{self, Options};
use crate::site;

/// Poll, tally, store and serve, day and night
#[derive(Debug, Args)]
#[command(after_help = "SIGTERM and Ctrl-C end it cleanly; SIGHUP makes it read the site file again.\n\
                        Example: tallywell run --config kestrel-creek.toml")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
}

/// Runs until it is told to end.
///
/// # Errors
/// The site file is wrong; a port or the store cannot be used.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let options = Options { config: arguments.site.config.clone(), loaded, observer: None };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .context("the system gives the daemon no way to wait for several things at once")?;
    runtime.block_on(daemon::run(options, std::future::pending()))?;
    Ok(Outcome::Good)
}
