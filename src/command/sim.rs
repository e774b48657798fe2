//! `sim`: simulated slaves on a serial port, for bench tests of register maps, masters and this program itself.

use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::{Hands, Scenario};
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
    /// Take what is done at the meters' keys from standard input, a line
    /// each: `current METER MA`, `pulses METER COUNT`, `measure METER`
    #[arg(long)]
    hands: bool,
}

/// Runs the scenario until it is told to end, then says what the wire saw.
///
/// # Errors
/// The scenario cannot be read, or there can be no port at the link.
pub fn run(arguments: &Arguments) -> CommandResult {
    let scenario = Scenario::load(&arguments.scenario)?;
    let devices: Vec<String> = scenario.devices.iter().map(|(name, address)| format!("{name} ({address})")).collect();
    let about = scenario.about.clone();
    let hands = arguments.hands.then(|| scenario.hands.clone());
    let rig = Rig::start(scenario, &arguments.link)?;
    say(format_args!("{about}"));
    say(format_args!("Serial port {} with {}", arguments.link.display(), devices.join(", ")));
    if let Some(hands) = hands {
        // It waits for a line for ever, and ends with the program.
        std::thread::Builder::new().name("hands".to_owned()).spawn(move || obey(&hands))?;
    }
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

fn obey(hands: &Hands) {
    for line in std::io::stdin().lock().lines().map_while(Result::ok).filter(|line| !line.trim().is_empty()) {
        match act(hands, &line) {
            Ok(()) => say(format_args!("done: {line}")),
            Err(why) => say(format_args!("not done: {line}: {why}")),
        }
    }
}

/// More than any output drives: 21 to 23 mA mean a fault.
const MOST_CURRENT_MA: f64 = 30.0;

fn act(hands: &Hands, line: &str) -> Result<(), String> {
    const ACTS: &str = "write current METER MA, pulses METER COUNT or measure METER";
    let words: Vec<&str> = line.split_whitespace().collect();
    match words.as_slice() {
        ["current", meter, current] => {
            let in_range = |current: &f64| (0.0..=MOST_CURRENT_MA).contains(current);
            let current = current.parse().ok().filter(in_range);
            let current =
                current.ok_or_else(|| format!("{:?} is not a number of mA from 0 to {MOST_CURRENT_MA}", words[2]))?;
            hands.simulate_current(meter, current).map_err(|error| error.to_string())
        }
        ["pulses", meter, count] => {
            let count = count.parse().map_err(|_| format!("{count:?} is not a count"))?;
            hands.send_pulses(meter, count).map_err(|error| error.to_string())
        }
        ["measure", meter] => hands.measure(meter).map_err(|error| error.to_string()),
        _ => Err(ACTS.to_owned()),
    }
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
