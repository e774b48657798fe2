//! `sim`: simulated slaves on a serial port, for bench tests of register maps, masters and this program itself.

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tokio::signal::unix::{SignalKind, signal};

use super::{CommandResult, Outcome};

/// Put simulated devices behind a serial port, for bench testing
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
                        tallywell sim --scenario config/scenarios/kestrel-creek.toml \\\n    \
                        --link /tmp/shed\n\
                        Then, elsewhere:\n  \
                        tallywell read --port /tmp/shed --address 11 --raw holding 0 4")]
pub struct Arguments {
    /// The scenario: a shed, its devices, its line, and what goes wrong when
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Where the serial port shall appear
    #[arg(long, value_name = "PATH")]
    link: PathBuf,
    /// End by itself after so many seconds; otherwise Ctrl-C or SIGTERM ends it
    #[arg(long, value_name = "SECONDS")]
    seconds: Option<u64>,
}

/// Runs the scenario until it is told to end, then says what the wire saw.
///
/// # Errors
/// The scenario cannot be read, or there can be no port at the link.
pub fn run(arguments: &Arguments) -> CommandResult {
    let scenario = Scenario::load(&arguments.scenario)?;
    let devices: Vec<String> = scenario.devices.iter().map(|(name, address)| format!("{name} ({address})")).collect();
    let about = scenario.about.clone();
    let rig = Rig::start(scenario, &arguments.link)?;
    say(format_args!("{about}"));
    say(format_args!("Serial port {} with {}", arguments.link.display(), devices.join(", ")));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
    runtime.block_on(until_ended(arguments.seconds.map(Duration::from_secs)))?;
    rig.witnessed(|seen| {
        say(format_args!(
            "Seen on the wire: {} requests, {} of them broken, {} without an answer; {} silences too short",
            seen.requests + seen.bad_requests,
            seen.bad_requests,
            seen.unanswered,
            seen.short_silences
        ));
    });
    Ok(Outcome::Good)
}

/// What is said while the port is there goes to standard error; a reader who has gone is no reason to take the port away.
fn say(words: std::fmt::Arguments<'_>) {
    let _ = writeln!(std::io::stderr(), "{words}");
}

async fn until_ended(limit: Option<Duration>) -> std::io::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let limited = async {
        match limit {
            Some(limit) => tokio::time::sleep(limit).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        ended = tokio::signal::ctrl_c() => ended,
        _ = terminate.recv() => Ok(()),
        () = limited => Ok(()),
    }
}
