//! `completions`: what a shell needs to complete our commands, from the one definition of the command line.

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::{CommandLine, CommandResult, Outcome};

/// Print the completions for a shell
#[derive(Debug, Args)]
#[command(after_help = "Example: tallywell completions bash > /etc/bash_completion.d/tallywell")]
pub struct Arguments {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

/// Prints the completions to standard output.
///
/// # Errors
/// None of its own; a closed standard output ends it quietly.
pub fn run(arguments: &Arguments) -> CommandResult {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut CommandLine::command(), "tallywell", &mut script);
    std::io::Write::write_all(&mut std::io::stdout().lock(), &script)?;
    Ok(Outcome::Good)
}
