//! `manual`: the manual pages, from the one definition of the command line.

use std::path::PathBuf;

use anyhow::Context;
use clap::{Args, CommandFactory};

use super::{CommandLine, CommandResult, Outcome};

/// Write the manual pages of all commands into a folder
#[derive(Debug, Args)]
#[command(after_help = "Example: tallywell manual /usr/local/share/man/man1")]
pub struct Arguments {
    /// The folder; it has to be there
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// Writes the pages.
///
/// # Errors
/// The folder cannot be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    clap_mangen::generate_to(CommandLine::command(), &arguments.folder)
        .with_context(|| format!("the folder {} cannot be written", arguments.folder.display()))?;
    tracing::info!("the pages are in {}", arguments.folder.display());
    Ok(Outcome::Good)
}
