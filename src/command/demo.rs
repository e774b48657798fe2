//! `demo`: a simulated shed over a real pseudo-terminal, the real daemon on it, and a disagreement found and explained.

mod controller;

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::{Args, Parser};
use tallywell_sim::controller::Controller;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tallywell_witness::declared::Site;
use tallywell_witness::reading::Reading;
use tallywell_witness::station::Told;
use tallywell_witness::tally::Change;
use tallywell_witness::units::Milliamperes;
use tokio::sync::{mpsc::unbounded_channel, oneshot};

use super::{CommandLine, CommandResult, Outcome, carry_out};
use crate::daemon::{self, Options};
use crate::face::told;
use crate::record::format_instant;
use crate::site;

const SCENARIO: &str = include_str!("../../config/scenarios/kestrel-creek.toml");
const SITE: &str = include_str!("../../config/kestrel-creek.toml");
const MAPS: [(&str, &str); 3] = [
    ("magmeter.toml", include_str!("../../config/maps/magmeter.toml")),
    ("current-inputs.toml", include_str!("../../config/maps/current-inputs.toml")),
    ("pulse-inputs.toml", include_str!("../../config/maps/pulse-inputs.toml")),
];
/// The port that the example site names, and that the simulated one takes the place of.
const EXAMPLE_PORT: &str = "/dev/serial/by-id/usb-rs485";

/// Watch a simulated shed for a minute: no hardware, no other command
#[derive(Debug, Args)]
#[command(after_help = "Examples: tallywell demo\n\
                        \x20         tallywell demo --listen")]
pub struct Arguments {
    /// How long to poll
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u64).range(5..=3600))]
    seconds: u64,
    /// Let a simulated controller poll the shed, and only listen to it
    #[arg(long)]
    listen: bool,
    /// Leave site file, maps and store in this folder, to go on with them
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
}

/// Runs the demonstration.
///
/// # Errors
/// No pseudo-terminal, or no folder for its files.
pub fn run(arguments: &Arguments) -> CommandResult {
    let folder = Folder::make(arguments.keep.as_deref())?;
    let link = folder.path().join("line");
    let listener = folder.path().join("listener");
    let config = lay_out(folder.path(), if arguments.listen { &listener } else { &link }, arguments.listen)?;

    let scenario = Scenario::parse(SCENARIO, "kestrel-creek.toml")?;
    let out = || std::io::stdout().lock();
    writeln!(out(), "{}", wrapped(&scenario.about))?;
    let seconds = arguments.seconds;
    let over = "a simulated RS-485 line at 19200 bit/s";
    let (rig, controller) = if arguments.listen {
        writeln!(
            out(),
            "{}\n",
            wrapped(&format!(
                "A controller polls it over {over}; this program listens for {seconds} s and sends nothing."
            ))
        )?;
        let rig = Rig::start_overheard(scenario, &link, controller::ears(), &listener)?;
        (rig, Some(Controller::start(&link, controller::polling())?))
    } else {
        writeln!(out(), "Polling it for {seconds} s over {over}.\n")?;
        (Rig::start(scenario, &link)?, None)
    };
    let disagreed = poll(&config, Duration::from_secs(seconds))?;
    drop(controller);
    let (requests, short_silences, sent) =
        rig.witnessed(|seen| (seen.requests, seen.short_silences, seen.bytes_from_listener));
    if arguments.listen {
        writeln!(
            out(),
            "\nThe simulated wire saw {requests} requests of the controller, and {sent} bytes from this program."
        )?;
    } else {
        writeln!(
            out(),
            "\nThe simulated wire saw {requests} requests, {short_silences} of them after too short a silence."
        )?;
    }
    drop(rig);

    let config = config.display().to_string();
    let mut commands = vec![vec!["timing", "--config", &config], vec!["disagreements", "--config", &config]];
    if arguments.listen {
        commands.insert(0, vec!["check", "--config", &config]);
    }
    commands.extend(disagreed.iter().map(|meter| vec!["explain", "--config", &config, "--meter", meter]));
    for command in commands {
        writeln!(out(), "\n$ tallywell {}", command.join(" "))?;
        let line = CommandLine::try_parse_from(["tallywell"].iter().chain(&command))?;
        carry_out(line.command)?;
    }
    writeln!(out(), "\n{}", folder.where_it_is())?;
    Ok(Outcome::Good)
}

/// Polls with the real daemon and prints what the meters tell. Returns the meters of which a disagreement was opened.
fn poll(config: &Path, time: Duration) -> anyhow::Result<BTreeSet<String>> {
    let loaded = site::load(config)?;
    let declared = loaded.site.clone();
    let (observer, mut heard) = unbounded_channel();
    let options = Options { config: config.to_owned(), loaded, observer: Some(observer) };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
    runtime.block_on(async {
        let (printed, not_printed) = oneshot::channel::<()>();
        let printer = tokio::spawn(async move {
            // Dropped where nothing can be printed any more, and then there is nothing to poll for.
            let _printed = printed;
            writeln!(std::io::stdout(), "{HEADING}")?;
            let mut disagreed = BTreeSet::new();
            while let Some(told) = heard.recv().await {
                if let Told::Reading { meter, changes, .. } = &told
                    && changes.iter().any(|change| matches!(change, Change::Opened(_)))
                {
                    disagreed.insert(meter.clone());
                }
                print(&declared, &told)?;
            }
            Ok(disagreed)
        });
        let ended = async {
            let _ = tokio::time::timeout(time, not_printed).await;
        };
        daemon::run(options, ended).await?;
        printer.await.context("the demonstration's printer failed")?
    })
}

const HEADING: &str = "time (UTC)    meter      bus L/s   loop mA = L/s      total L    pulses";

fn print(site: &Site, told: &Told) -> std::io::Result<()> {
    let Told::Reading { meter, reading, changes } = told else { return Ok(()) };
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}", row(site, meter, reading))?;
    for change in changes {
        match change {
            Change::Opened(it) => writeln!(out, "\n  ! {meter}: {}\n", told::disagreement_line(it))?,
            Change::Closed(it) => writeln!(out, "\n  . {meter}: over: {}\n", told::disagreement_line(it))?,
            Change::EventBegan(it) => writeln!(out, "  - {meter}: {}", told::event_words(&it.what))?,
            Change::EventEnded(it) => writeln!(out, "  - {meter}: over: {}", told::event_words(&it.what))?,
            Change::Grew(_) | Change::Step(_) | Change::Hour(_) => {}
        }
    }
    Ok(())
}

fn row(site: &Site, meter: &str, reading: &Reading) -> String {
    let cell = |value: Option<f64>, digits: usize| value.map_or_else(|| "-".to_owned(), |it| format!("{it:.digits$}"));
    let value = |sample: Option<tallywell_witness::reading::Sample>| sample.map(|sample| sample.value);
    let current = value(reading.loop_ma);
    let declared = site.meters.get(meter).and_then(|meter| meter.current_loop.as_ref());
    let looped = current.zip(declared).map(|(current, declared)| declared.flow_of(Milliamperes(current)).0);
    // Only the time of day: the demonstration lasts a minute.
    let time = format_instant(reading.wall);
    let time = time.split_once('T').map_or(time.as_str(), |(_, time)| time.trim_end_matches('Z'));
    format!(
        "{time}  {meter:<8} {:>9} {:>9} {:>7} {:>12} {:>9}",
        cell(value(reading.flow), 2),
        cell(current, 3),
        cell(looped, 2),
        cell(value(reading.total), 0),
        cell(value(reading.pulses), 0),
    )
}

/// Writes the example site and its maps, with the simulated port in the place of the real one.
fn lay_out(folder: &Path, link: &Path, listens: bool) -> anyhow::Result<PathBuf> {
    let write = |path: &Path, text: &str| {
        if std::fs::read_to_string(path).is_ok_and(|there| there != text) {
            anyhow::bail!("{} is there already and is another one; name another folder", path.display());
        }
        std::fs::write(path, text).with_context(|| format!("cannot write {}", path.display()))
    };
    let maps = folder.join("maps");
    std::fs::create_dir_all(&maps).with_context(|| format!("cannot make {}", maps.display()))?;
    for (name, text) in MAPS {
        write(&maps.join(name), text)?;
    }
    let config = folder.join("kestrel-creek.toml");
    let mut site = SITE.replace(EXAMPLE_PORT, &link.display().to_string());
    if listens {
        site = site.replacen("[line.shed]\n", "[line.shed]\nmode = \"listen\"\n", 1);
    }
    write(&config, &site)?;
    Ok(config)
}

/// Where the demonstration's files are.
enum Folder {
    /// Gone at the end.
    Passing(PathBuf),
    /// The user's.
    Kept(PathBuf),
}

impl Folder {
    fn make(keep: Option<&Path>) -> anyhow::Result<Self> {
        let (path, kept) = match keep {
            Some(folder) => (folder.to_owned(), true),
            None => (std::env::temp_dir().join(format!("tallywell-demo-{}", std::process::id())), false),
        };
        std::fs::create_dir_all(&path).with_context(|| format!("cannot make the folder {}", path.display()))?;
        let path = path.canonicalize().with_context(|| format!("cannot find the folder {}", path.display()))?;
        Ok(if kept { Self::Kept(path) } else { Self::Passing(path) })
    }

    fn path(&self) -> &Path {
        match self {
            Self::Passing(path) | Self::Kept(path) => path,
        }
    }

    fn where_it_is(&self) -> String {
        match self {
            Self::Kept(path) => format!("Everything is in {}; try `tallywell export` on it.", path.display()),
            Self::Passing(_) => "To go on with these files, run it with `--keep FOLDER`.".to_owned(),
        }
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if let Self::Passing(path) = self {
            let _ = std::fs::remove_dir_all(path);
        }
    }
}

/// Folded at 78 columns.
fn wrapped(text: &str) -> String {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].len() + word.len() >= 78 {
            lines.push(word.to_owned());
        } else {
            if !lines[last].is_empty() {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        }
    }
    lines.join("\n")
}
