//! The commands: one file each, every one a struct of arguments and a function that carries it out.
//!
//! A command returns an [`Outcome`] when it could be done, whatever the answer, and an error when it could not. Both
//! become the exit status in one place, [`main`], which is also the only place that prints an error.

pub mod check;
pub mod completions;
pub mod demo;
pub mod disagreements;
pub mod explain;
pub mod export;
mod hourly;
pub mod manual;
pub mod note;
pub mod outputs;
pub mod period;
pub mod read;
pub mod report;
pub mod run;
pub mod scan;
pub mod schema;
pub mod sim;
mod through_daemon;
pub mod timing;
pub mod trial;
pub mod watch;
mod whole_file;

use std::io::IsTerminal;
use std::os::fd::AsFd;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand, ValueEnum};
use rustix::fs::Mode;
use rustix::process::umask;
use tracing_subscriber::EnvFilter;

/// Cross-checks the three witnesses of a flow meter: its bus, its loop current and its pulses.
#[derive(Debug, Parser)]
#[command(
    name = "tallywell",
    version,
    max_term_width = 80,
    disable_help_subcommand = true,
    after_help = "Exit status: 0 done; 1 done, and the answer is bad; 2 could not be done.\n\
                  Try it without hardware: tallywell demo"
)]
pub struct CommandLine {
    #[command(flatten)]
    log: LogArguments,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Args)]
struct LogArguments {
    /// How log lines are written to standard error
    #[arg(long, value_enum, default_value_t = LogStyle::Text, global = true, hide_possible_values = false)]
    log: LogStyle,
    /// Say more in the log; twice for each transaction
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    verbose: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum LogStyle {
    /// A line for people
    Text,
    /// One JSON object a line
    Json,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Arguments),
    Outputs(Box<outputs::Arguments>),
    Check(check::Arguments),
    Read(read::Arguments),
    Report(report::Arguments),
    Scan(scan::Arguments),
    Run(run::Arguments),
    Explain(explain::Arguments),
    Disagreements(disagreements::Arguments),
    Timing(timing::Arguments),
    Trial(trial::Arguments),
    Watch(watch::Arguments),
    Note(note::Arguments),
    Export(export::Arguments),
    Sim(sim::Arguments),
    Schema(schema::Arguments),
    Completions(completions::Arguments),
    Manual(manual::Arguments),
}

/// The answer of a command that could be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Nothing is wrong: agreement, undecided and mere cautions included.
    Good,
    /// It was done, and the answer is bad.
    Bad,
}

/// What a command returns: its answer, or why it could not be done.
pub type CommandResult = Result<Outcome, anyhow::Error>;

/// How a command reports to standard output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people, at most 80 columns wide where it can be
    Text,
    /// For programs: one JSON document, nothing else
    Json,
}

/// The site file, for the commands that cannot do without it.
#[derive(Debug, Args)]
pub struct SiteArgument {
    /// The site file
    #[arg(long, value_name = "SITE.toml")]
    pub config: PathBuf,
}

/// The format, for the commands that report.
#[derive(Debug, Args)]
pub struct FormatArgument {
    /// How to report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Reads the command line, carries the command out, and turns its answer into the exit status.
#[must_use]
pub fn main() -> ExitCode {
    let line = CommandLine::parse();
    // Manual pages say nothing of a site, and everybody on the machine may read them.
    if !matches!(line.command, Command::Manual(_)) {
        keep_files_from_others();
    }
    start_log(&line.log);
    match carry_out(line.command) {
        Ok(Outcome::Good) => ExitCode::SUCCESS,
        Ok(Outcome::Bad) => ExitCode::from(1),
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            let mut stderr = std::io::stderr().lock();
            let _ = print_error(&mut stderr, &error);
            ExitCode::from(2)
        }
    }
}

/// Store, exports, reports and socket say how a site is run: none of them is for everybody on the machine. What the user
/// keeps from the group too stays so.
fn keep_files_from_others() {
    let before = umask(Mode::RWXO);
    umask(before | Mode::RWXO);
}

fn carry_out(command: Command) -> CommandResult {
    match command {
        Command::Check(arguments) => check::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
        Command::Run(arguments) => run::run(&arguments),
        Command::Sim(arguments) => sim::run(&arguments),
        Command::Completions(arguments) => completions::run(&arguments),
        Command::Disagreements(arguments) => disagreements::run(&arguments),
        Command::Explain(arguments) => explain::run(&arguments),
        Command::Export(arguments) => export::run(&arguments),
        Command::Manual(arguments) => manual::run(&arguments),
        Command::Note(arguments) => note::run(&arguments),
        Command::Outputs(arguments) => outputs::run(&arguments),
        Command::Read(arguments) => read::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Scan(arguments) => scan::run(&arguments),
        Command::Schema(arguments) => schema::run(&arguments),
        Command::Timing(arguments) => timing::run(&arguments),
        Command::Trial(arguments) => trial::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
    }
}

/// Prints an error and its causes, each on a line of its own.
fn print_error(out: &mut impl std::io::Write, error: &anyhow::Error) -> std::io::Result<()> {
    let message = match error.downcast_ref::<std::io::Error>() {
        // Whatever else is read or written is named by whoever does it.
        Some(bare) if error.chain().count() == 1 => format!("standard output cannot be written: {bare}"),
        _ => error.to_string(),
    };
    // A report on the user's files names each of its errors as one, in colour where that is wanted.
    let names_itself = message.starts_with("error") || error.is::<crate::site::Problems>();
    let label = if names_itself { "" } else { "error: " };
    writeln!(out, "{label}{message}")?;
    for cause in error.chain().skip(1) {
        writeln!(out, "  because: {cause}")?;
    }
    Ok(())
}

/// True where the reader of our output went away (`tallywell ... | head`): that is its right.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<std::io::Error>())
        .any(|cause| cause.kind() == std::io::ErrorKind::BrokenPipe)
}

/// Whether a stream is the one that the service manager connected to its journal: it says which by device and inode, and
/// whoever is started with its environment may have another stream.
fn is_journal(stream: impl AsFd) -> bool {
    let Some(journal) = std::env::var_os("JOURNAL_STREAM") else { return false };
    rustix::fs::fstat(stream).is_ok_and(|status| journal == *format!("{}:{}", status.st_dev, status.st_ino))
}

/// Logs go to standard error; without a time stamp where a service manager adds its own.
fn start_log(arguments: &LogArguments) {
    let level = match arguments.verbose {
        0 => "info",
        1 => "debug",
        _ => "trace",
    };
    let filter =
        EnvFilter::try_from_env("TALLYWELL_LOG").unwrap_or_else(|_| EnvFilter::new(format!("warn,tallywell={level}")));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    match (arguments.log, is_journal(std::io::stderr())) {
        (LogStyle::Json, _) => builder.json().init(),
        (LogStyle::Text, true) => builder.without_time().init(),
        (LogStyle::Text, false) => builder.init(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    /// People read help on 80 columns, and copy the examples out of it.
    #[test]
    fn every_help_has_an_example_and_fits_a_terminal() {
        let mut whole = CommandLine::command();
        whole.build();
        for command in whole.get_subcommands_mut() {
            let name = command.get_name().to_owned();
            let after = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            assert!(after.contains(&format!("tallywell {name}")), "{name} has no example");
            for help in [command.render_help().to_string(), command.render_long_help().to_string()] {
                let lines: Vec<&str> = help.lines().collect();
                for line in &lines {
                    assert!(line.chars().count() <= 80, "{name}: {line}");
                }
                for line in after.lines() {
                    assert!(lines.contains(&line.trim_end()), "{name}: broken in the middle: {line}");
                }
            }
        }
    }
}
