//! The commands on a line that another master polls, as whole programs: what it reads is drawn up and becomes a site, the
//! daemon follows it, what it leaves out is said, and not one byte is sent.

use std::fs::File;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tallywell::store::{Span, StoreReader};
use tallywell_sim::controller::{Controller, Polling};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tallywell_sim::wire::{Ears, Talker};

use crate::rig::{Case, Master, Running, start_peer};
use crate::web::get;

/// Longer than anything here takes.
const PATIENCE: Duration = Duration::from_secs(60);
const BAUD: &str = "38400";
/// What is said of the setting that the other master never reads.
const NEEDED: &str = "bore_setting of unit-2; it would have to poll holding register 25 of address 2";

/// The shipped shed with its modules' channels in holding registers at addresses that every master here asks, and a
/// second port that only hears.
struct Shed {
    folder: tempfile::TempDir,
    rig: Rig,
    page: SocketAddr,
}

impl Shed {
    fn begin() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/scenarios/kestrel-creek.toml");
        let mut scenario = std::fs::read_to_string(shipped).unwrap();
        for (old, new) in [
            ("baud = 19200", "baud = 38400"),
            ("address = 11,", "address = 1,"),
            ("address = 12,", "address = 2,"),
            ("address = 13,", "address = 3,"),
            ("address = 40\n", "address = 4\nfills = [0, 99]\n"),
            ("address = 41\n", "address = 5\n"),
            ("table = \"input\", type = \"u16\", scale_ma", "table = \"holding\", type = \"u16\", scale_ma"),
            ("counts = { table = \"input\"", "counts = { table = \"holding\""),
            // Water runs from the first moment on, and nothing is set wrong.
            ("[[0, 0], [8, 0], [14, 11]", "[[0, 9], [8, 10], [14, 11]"),
            ("goes_wrong = [{ begins = \"20s\", what = { code = \"pulse-weight\", ratio = 0.5 } }]\n", ""),
        ] {
            assert!(scenario.contains(old), "the shipped scenario has no {old:?} any more");
            scenario = scenario.replace(old, new);
        }
        let scenario = Scenario::parse(&scenario, "kestrel-creek.toml").unwrap();
        let ears = Ears { lumps: (1, 64), hold: Duration::from_millis(4), spoiled: 0.0, seed: 20_261_127 };
        let (link, listener) = (folder.path().join("line"), folder.path().join("listener"));
        let rig = Rig::start_overheard(scenario, &link, ears, &listener).unwrap();
        // The system names a free port; it is free again by the time the daemon takes it.
        let page = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        Self { folder, rig, page }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        command.args(arguments).current_dir(self.folder.path());
        command
    }

    fn text(&self, arguments: &[&str]) -> String {
        let output = self.command(arguments).output().unwrap();
        let text = done(arguments, &output);
        for line in text.lines() {
            assert!(line.chars().count() <= 80 || line.contains("/tmp"), "{arguments:?}: {line}");
        }
        // As one sentence, wherever lines are broken.
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    fn json(&self, arguments: &[&str]) -> Value {
        let arguments = [arguments, &["--format", "json"]].concat();
        serde_json::from_str(&done(&arguments, &self.command(&arguments).output().unwrap())).unwrap()
    }

    fn daemon(&self) -> Child {
        let log = File::create(self.path("log")).unwrap();
        self.command(&["run", "--config", "site.toml"]).stdout(Stdio::null()).stderr(log).spawn().unwrap()
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    /// Readings of the meter that hold all of flow, total, current and pulses.
    fn whole_readings(&self) -> usize {
        let Ok(store) = StoreReader::open(&self.path("tallywell.db")) else { return 0 };
        let Ok(readings) = store.readings("bore", Span::ALL) else { return 0 };
        let whole = readings.filter_map(Result::ok).filter(|reading| {
            reading.flow.is_some() && reading.total.is_some() && reading.loop_ma.is_some() && reading.pulses.is_some()
        });
        whole.count()
    }

    fn nothing_was_sent(&self) {
        self.rig.witnessed(|seen| {
            assert_eq!(seen.bytes_from_listener, 0, "the listening port sent");
            assert!(seen.from_master().count() > 50, "the other master hardly spoke");
            assert!(seen.passages.iter().any(|passage| passage.from == Talker::Unit(5)));
        });
    }

    /// Everything from the first scan to the report on the other master.
    fn is_taken_from_scan_to_timing(&self) {
        let scan = ["scan", "--port", "listener", "--listen-only", "5", "--baud", "38400", "--parity", "even"];
        let heard = self.json(&scan);
        assert_eq!((&heard["nothing_sent"], &heard["other_master"]), (&true.into(), &true.into()), "{heard:#}");
        assert_eq!(heard["settings"]["baud"], 38_400);
        let read = |unit: u64, start: u64| {
            let polls = heard["polls"].as_array().unwrap();
            polls
                .iter()
                .find(|poll| {
                    poll["address"] == unit
                        && poll["start"].as_u64() <= Some(start)
                        && poll["start"].as_u64().unwrap() + poll["count"].as_u64().unwrap() > start
                })
                .cloned()
        };
        for unit in 1..=5 {
            assert!(read(unit, 0).is_some_and(|poll| poll["answered"].as_u64() > Some(1)), "{unit}: {heard:#}");
        }
        let flow = &read(1, 0).unwrap()["decodings"][0];
        assert_eq!((&flow["type"], &flow["looks_like"]), (&"f32".into(), &"flow".into()), "{heard:#}");
        assert!(read(1, 20).is_none() && read(1, 90).is_none(), "{heard:#}");

        // The first site is sound as it was written, but for what no register tells: what is to be watched.
        let said = self.text(&[&scan[..], &["--write", "site.toml"]].concat());
        assert!(said.contains("Nothing was sent") && said.contains("site.toml is written"), "{said}");
        let site = std::fs::read_to_string(self.path("site.toml")).unwrap();
        assert!(site.contains("mode = \"listen\"\nbaud = 38400\nparity = \"even\"\n"), "{site}");
        let output = self.command(&["check", "--config", "site.toml"]).output().unwrap();
        let missing = String::from_utf8_lossy(&output.stderr);
        assert!(missing.matches("error").count() == 1 && missing.contains("there is no `meter`"), "{missing}");
        self.complete(&site);
        let said = self.text(&["check", "--config", "site.toml"]);
        assert!(said.contains("Nothing was heard yet"), "{said}");

        let mut daemon = self.daemon();
        let until = Instant::now() + PATIENCE;
        while self.whole_readings() < 6 {
            assert!(daemon.try_wait().unwrap().is_none() && Instant::now() < until, "{}", self.log());
            std::thread::sleep(Duration::from_millis(100));
        }
        self.page_says_what_is_not_read();
        kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
        assert!(daemon.wait().unwrap().success(), "{}", self.log());

        let checked = self.json(&["check", "--config", "site.toml"]);
        let unread = checked["lines"][0]["heard"]["unread"].as_array().unwrap();
        let left_out: Vec<&str> = unread.iter().filter_map(|device| device["device"].as_str()).collect();
        assert_eq!(left_out, ["unit-2"], "{checked:#}");
        let said = self.text(&["check", "--config", "site.toml"]);
        assert!(said.contains(NEEDED), "{said}");
        self.nothing_was_sent();
    }

    /// The page of a running daemon, for people and for programs.
    fn page_says_what_is_not_read(&self) {
        let until = Instant::now() + PATIENCE;
        let asked = |accept: &str| get(self.page, "/lines", &[accept]).filter(|answer| answer.status == 200);
        let unread = || {
            let answer = asked("Accept: application/json")?;
            let lines: Value = serde_json::from_str(&answer.body).unwrap();
            Some(lines["lines"][0]["unread"].clone()).filter(|unread| unread.as_array().is_some_and(|it| it.len() == 1))
        };
        let told = loop {
            if let Some(told) = unread() {
                break told;
            }
            assert!(Instant::now() < until, "{:?}; {}", asked("Accept: application/json"), self.log());
            std::thread::sleep(Duration::from_millis(200));
        };
        assert_eq!(told[0], NEEDED);
        let page = asked("Accept: text/html").unwrap().body;
        assert!(page.contains(&format!("<li>{NEEDED}</li>")), "{page}");
    }

    /// Adds what only a person knows: what the registers mean, and a setting that the other master never reads.
    fn complete(&self, site: &str) {
        let meter = "[meter.bore]\nflow = \"unit-1.flow\"\ntotal = \"unit-1.total\"\n\
                     [meter.bore.loop]\ncurrent = \"unit-4.current\"\nfull_scale = \"36 L/s\"\n\
                     [meter.bore.pulse]\ncount = \"unit-5.count\"\nvolume = \"5 L\"\non_time = \"60ms\"\n";
        let store = "site = \"New site\"\n[store]\npath = \"tallywell.db\"\n";
        let page = format!("[page]\nlisten = \"{}\"\n", self.page);
        let site = site.replace("site = \"New site\"\n", store) + meter + &page;
        std::fs::write(self.path("site.toml"), site).unwrap();
        let flow = "[entry.flow]\ntable = \"holding\"\naddress = 0\ntype = \"f32\"\nunit = \"L/s\"\n";
        let total = "[entry.total]\ntable = \"holding\"\naddress = 2\ntype = \"u32\"\nunit = \"L\"\n";
        let bore = "[entry.bore_setting]\ntable = \"holding\"\naddress = 25\ntype = \"u16\"\nunit = \"mm\"\n";
        let current =
            "[entry.current]\ntable = \"holding\"\naddress = 0\ntype = \"u16\"\nunit = \"mA\"\nscale = 0.001\n";
        let count = "[entry.count]\ntable = \"holding\"\naddress = 0\ntype = \"u32\"\nunit = \"pulses\"\n";
        for (unit, entries) in
            [(1, [flow, total].concat()), (2, bore.to_owned()), (4, current.to_owned()), (5, count.to_owned())]
        {
            let map = self.path(&format!("maps/unit-{unit}.toml"));
            let written = std::fs::read_to_string(&map).unwrap();
            assert!(written.contains("[entry.holding_0]"), "{written}");
            std::fs::write(&map, written + "\n" + &entries).unwrap();
        }
    }
}

fn done(arguments: &[&str], output: &Output) -> String {
    let error = String::from_utf8_lossy(&output.stderr);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {error}{text}");
    text
}

#[test]
fn a_line_that_a_controller_polls_becomes_a_site_and_what_it_leaves_out_is_said() {
    let shed = Shed::begin();
    let read = |unit: u8, count: u16| (unit, [&[3, 0, 0][..], &count.to_be_bytes()].concat());
    // It also writes, speaks to everybody, and asks an address at which nobody is.
    let requests = vec![
        read(1, 6),
        read(2, 6),
        read(3, 6),
        read(4, 4),
        read(5, 8),
        (1, vec![6, 0, 50, 0, 1]),
        (0, vec![6, 0, 50, 0, 1]),
        read(9, 2),
    ];
    let polling = Polling {
        requests,
        every: Duration::from_millis(800),
        patience: Duration::from_millis(60),
        retries: 1,
        silence: Duration::from_millis(5),
    };
    let _controller = Controller::start(&shed.path("line"), polling).unwrap();
    shed.is_taken_from_scan_to_timing();

    let timing = shed.json(&["timing", "--config", "site.toml"]);
    let line = &timing["lines"][0];
    let master = &line["master"];
    let count = |name: &str| master[name].as_u64().unwrap_or_else(|| panic!("{name}: {master:#}"));
    assert!(count("writes") > 2 && count("broadcasts") > 2 && count("retries") > 0, "{master:#}");
    assert_eq!((&master["two_masters"], count("unknown_frames")), (&false.into(), 0), "{master:#}");
    let polls = master["polls"].as_array().unwrap();
    let nobody = polls.iter().find(|poll| poll["address"] == 9).unwrap();
    assert_eq!(nobody["answered"], 0, "{nobody:#}");
    let asked = polls.iter().find(|poll| poll["address"] == 1).unwrap();
    assert_eq!((&asked["device"], &asked["start"], &asked["count"]), (&"unit-1".into(), &0.into(), &6.into()));
    assert!((700.0..900.0).contains(&asked["every_ms"]["p50"].as_f64().unwrap()), "{asked:#}");
    let said = shed.text(&["timing", "--config", "site.toml"]);
    assert!(said.contains("Another master polls this line; nothing is sent"), "{said}");
    assert!(said.contains("writing requests") && said.contains("requests to everybody"), "{said}");
    assert!(said.contains("ms for a reply that does not come"), "{said}");
}

#[test]
fn lines_of_masters_that_no_one_here_wrote_become_sites() {
    for (master, at_a_time) in [(Master::Libmodbus, 2), (Master::Pymodbus, 6)] {
        let shed = Shed::begin();
        let case = Case::healthy(master, BAUD.parse().unwrap(), at_a_time, PATIENCE * 2);
        let Running::Peer(mut peer) = start_peer(&case, &shed.path("line"), 5, 6) else {
            panic!("a peer is a program")
        };
        let taken = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| shed.is_taken_from_scan_to_timing()));
        peer.kill().unwrap();
        peer.wait().unwrap();
        if let Err(failed) = taken {
            std::panic::resume_unwind(failed);
        }
        let timing = shed.json(&["timing", "--config", "site.toml"]);
        let polls = timing["lines"][0]["master"]["polls"].as_array().unwrap();
        assert!(polls.iter().all(|poll| poll["count"] == u64::from(at_a_time)), "{timing:#}");
    }
}
