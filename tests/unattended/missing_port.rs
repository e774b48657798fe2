//! A port that is not there when the daemon starts: the other lines are polled, and it is tried again by its name.

use std::process::Command;

use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::{Span, StoreReader};
use tallywell_sim::rig::Rig;
use tallywell_sim::wire::{Adapter, Wire};

use crate::shed::{Shed, wait_for};

const ANOTHER_LINE: &str = "
[line.yard]
port = \"yard\"
baud = 19200

[device.tank]
line = \"yard\"
address = 7
map = \"maps/magmeter.toml\"
every = \"1s\"
";

#[test]
fn a_port_that_is_missing_at_the_start_stops_no_other_line() {
    let shed = Shed::with(|site| site + ANOTHER_LINE, |scenario| scenario);
    let yard = shed.path("yard");
    let site = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let named = format!("port = \"{}\"", yard.display());
    std::fs::write(shed.path("site.toml"), site.replace("port = \"yard\"", &named)).unwrap();
    let mut daemon = shed.daemon();
    let readings = || {
        let Ok(store) = StoreReader::open(&shed.path("kestrel.db")) else { return 0 };
        store.readings("bore-1", Span::ALL).map_or(0, Iterator::count)
    };
    wait_for("readings of the line that is there", || readings() > 3);
    let lost = format!("line yard: the port is lost and tried again by its name: there is no port {}", yard.display());
    assert_eq!(shed.log().matches(&lost).count(), 1, "said, and once:\n{}", shed.log());
    let state = shed.printed(&["watch", "--once", "--format", "json", "--config", "site.toml"]);
    assert!(state.contains("there is no port"), "{state}");

    let plugged_in = Rig::run(Wire::new(None, Adapter::default()), &yard).unwrap();
    wait_for("the port that was plugged in", || shed.log().contains("line yard: the port is open"));
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
    drop(plugged_in);

    // Without any port there is nothing to go on with.
    shed.rig.unplug();
    let mut run = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    let output = run.args(["run", "--config", "site.toml"]).current_dir(shed.folder.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert_eq!(said.matches("there is no port").count(), 1, "{said}");
}
