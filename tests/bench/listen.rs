//! How well the polling of masters that no one here wrote is followed in real time, and what that costs.
//!
//! `cargo bench --bench listen [-- --seconds N] [-- --baud N] [-- --short]`: pymodbus and libmodbus (`tests/setup.sh` installs them), ten
//! registers a request and one, repetitions and none, every reply sound and one frame in ten bad, at 9600 to 115200, in
//! lumps of 1 to 64 bytes. A run in which the simulated wire itself was late is marked: the listener was kept waiting, too.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot be set up has to fail")]

#[path = "../listen/account.rs"]
mod account;
#[path = "line/machine.rs"]
mod machine;
#[path = "../listen/rig.rs"]
#[allow(dead_code, reason = "the tests use more of it")]
mod rig;
#[path = "line/site.rs"]
mod site;

use std::fmt::Write as _;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use account::Account;
use rig::{Case, DEVICES, Master, Outcome, REGISTERS};
use site::{Plain, write_site};
use tallywell_sim::wire::Ears;

/// What is promised.
const LEAST_SHARE: f64 = 0.999;
const MOST_PROCESSOR: f64 = 0.02;
/// A wire that is late by so much says that the machine is busy.
const BUSY: Duration = Duration::from_millis(3);
/// The start of the daemon is not what is measured.
const WARM_UP: Duration = Duration::from_secs(3);

fn main() {
    let mut seconds = 20;
    let mut bauds = vec![9_600, 19_200, 38_400, 115_200];
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--bench" => {}
            "--seconds" => seconds = arguments.next().and_then(|text| text.parse().ok()).unwrap(),
            "--short" => (seconds, bauds) = (5, vec![38_400]),
            "--baud" => bauds = vec![arguments.next().and_then(|text| text.parse().ok()).unwrap()],
            other => panic!("{other}: only --seconds N, --baud N and --short are known"),
        }
    }
    let length = Duration::from_secs(seconds);
    println!("Listening beside another master, {seconds} s a run, {DEVICES} devices of {REGISTERS} registers");
    println!("master      baud  registers  bad frames  lumps   good replies     used  wrong  sent  processor");
    let mut all = Sum::default();
    for master in [Master::Libmodbus, Master::Pymodbus] {
        for &baud in &bauds {
            for (place, at_a_time) in [10, 1].into_iter().enumerate() {
                for bad in [0.0, 0.1] {
                    let lumps = [(1, 64), (1, 1), (64, 64), (8, 14)][place * 2 + usize::from(bad > 0.0)];
                    let case = case(master, baud, at_a_time, bad, lumps, length);
                    let outcome = rig::run(&case);
                    println!("{}", row(&case, bad, &outcome));
                    outcome.wrong.iter().for_each(|wrong| println!("    {wrong}"));
                    all.add(bad, &outcome);
                }
            }
        }
    }
    all.tell();
    daemon(length);
}

fn case(master: Master, baud: u32, at_a_time: u16, bad: f64, lumps: (usize, usize), length: Duration) -> Case {
    // Half of the bad frames are bad on the wire, for everybody; the other half is heard wrong by the listener alone.
    Case {
        ears: Ears { lumps, hold: Duration::from_millis(4), spoiled: bad / 2.0, seed: u64::from(baud) },
        faults: rig::bad_frames(bad / 2.0),
        retries: if bad > 0.0 { 2 } else { 0 },
        ..Case::healthy(master, baud, at_a_time, length)
    }
}

fn row(case: &Case, bad: f64, outcome: &Outcome) -> String {
    let Outcome { account: Account { used, good, .. }, wrong, sent, late, processor, .. } = outcome;
    let mut row =
        format!("{:<10}{:>6}{:>11}{:>10.0} %", format!("{:?}", case.master), case.baud, case.at_a_time, bad * 100.0);
    let lumps = format!("{}-{}", case.ears.lumps.0, case.ears.lumps.1);
    write!(
        row,
        "{lumps:>7}{good:>15}{:>7.2} %{:>7}{sent:>6}{:>9.2} %",
        *used as f64 / *good as f64 * 100.0,
        wrong.len(),
        processor * 100.0
    )
    .unwrap();
    if *late > BUSY {
        write!(row, "  busy: the wire was late by {:.1} ms", late.as_secs_f64() * 1e3).unwrap();
    }
    row
}

/// All runs together.
#[derive(Default)]
struct Sum {
    /// Of the healthy lines, and of the bad ones.
    accounts: [Account; 2],
    wrong: usize,
    sent: u64,
    processor: f64,
    /// Silences that were too short on the wire, and those that the listener says were.
    short: [u64; 2],
    /// Runs in which it says more than there were.
    accused: u64,
}

impl Sum {
    fn add(&mut self, bad: f64, outcome: &Outcome) {
        let which = usize::from(bad > 0.0);
        self.accounts[which].add(&outcome.account);
        self.wrong += outcome.wrong.len();
        self.sent += outcome.sent;
        let short = [outcome.short_silences, outcome.said_short()];
        self.short.iter_mut().zip(short).for_each(|(sum, more)| *sum += more);
        self.accused += u64::from(short[1] > short[0]);
        self.processor = self.processor.max(outcome.processor);
    }

    fn tell(&self) {
        for (Account { good, untold, used, unused }, what) in
            self.accounts.iter().zip(["no frame bad", "one frame in ten bad"])
        {
            let share = *used as f64 / *good as f64;
            println!(
                "{what}: {used} of {good} good replies used, {:.2} %  (at least {} %)  {}; {untold} more answered requests \
                 that were not heard well",
                share * 100.0,
                LEAST_SHARE * 100.0,
                verdict(share >= LEAST_SHARE)
            );
            for (why, count) in unused {
                println!("    {count:>6}  {:.3} %  {why}", *count as f64 / *good as f64 * 100.0);
            }
        }
        println!("wrong values: {}  {}", self.wrong, verdict(self.wrong == 0));
        println!("bytes sent: {}  {}", self.sent, verdict(self.sent == 0));
        let [short, said] = self.short;
        println!(
            "silences certainly too short: {said} of {short} that were, more than were in {} runs  {}",
            self.accused,
            verdict(self.accused == 0)
        );
        println!(
            "processor of the listener's thread, the worst run: {:.2} % of a core  (under {} %)  {}",
            self.processor * 100.0,
            MOST_PROCESSOR * 100.0,
            verdict(self.processor < MOST_PROCESSOR)
        );
    }
}

const fn verdict(reached: bool) -> &'static str {
    if reached { "reached" } else { "MISSED" }
}

/// The whole daemon beside a master that never pauses, on the quickest line.
fn daemon(length: Duration) {
    let case = Case::healthy(Master::Libmodbus, 115_200, 10, length + WARM_UP * 2);
    let folder = tempfile::tempdir().unwrap();
    let (link, listener) = (folder.path().join("port"), folder.path().join("listener"));
    let rig = rig::overheard(&case, &link, &listener);
    let line = "port = \"listener\"\nmode = \"listen\"\nbaud = 115200\nparity = \"none\"\nstop_bits = 2";
    write_site(folder.path(), &Plain { line, devices: DEVICES, registers: REGISTERS, every: "100ms" });
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_tallywell"))
        .args(["run", "--config", "site.toml"])
        .current_dir(folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let master = rig::start_peer(&case, &link, DEVICES, REGISTERS);
    std::thread::sleep(WARM_UP);
    let before = (machine::processor_time(&daemon).unwrap(), requests(&rig), Instant::now());
    std::thread::sleep(length);
    let used = machine::processor_time(&daemon).unwrap() - before.0;
    let (asked, elapsed) = (requests(&rig) - before.1, before.2.elapsed().as_secs_f64());
    let memory = machine::resident_mib(&daemon).unwrap();
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    master.stop();
    let sent = rig.witnessed(|seen| seen.bytes_from_listener);
    println!(
        "the whole daemon at 115200, {:.0} replies a second read and judged: {:.2} % of a core, {memory:.1} MiB, {sent} bytes sent",
        asked as f64 / elapsed,
        used.as_secs_f64() / elapsed * 100.0,
    );
}

fn requests(rig: &tallywell_sim::rig::Rig) -> u64 {
    rig.witnessed(|seen| seen.requests)
}
