//! The store is deleted under the daemon, or a power cut leaves its first sector empty: it polls and judges on, a new store
//! is begun, and what stands open is in it, also after the next start.

use std::process::Child;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tallywell::store::log::LoggedDisagreement;
use tallywell::store::{Span, StoreReader};

use crate::kills::sampled;
use crate::shed::{Shed, wait_for};

fn log_of_bore_2(shed: &Shed) -> Vec<LoggedDisagreement> {
    let store = StoreReader::open(&shed.path("kestrel.db"));
    store.and_then(|store| store.disagreements(Some("bore-2"), Span::ALL)).unwrap_or_default()
}

fn readings(shed: &Shed) -> usize {
    let Ok(store) = StoreReader::open(&shed.path("kestrel.db")) else { return 0 };
    let readings: Vec<_> = store.readings("bore-2", Span::ALL).unwrap().flatten().collect();
    sampled(&readings, 0).len()
}

fn end(mut daemon: Child, shed: &Shed) {
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
}

#[test]
fn a_store_that_goes_takes_no_open_disagreement_with_it() {
    let shed = Shed::steady();
    let daemon = shed.daemon();
    wait_for("the cause of each disagreement", || {
        let log = log_of_bore_2(&shed);
        !log.is_empty() && log.iter().all(|it| it.cause.is_some())
    });
    let before = log_of_bore_2(&shed);
    std::fs::remove_file(shed.path("kestrel.db")).unwrap();
    wait_for("readings in a new store", || readings(&shed) > 10);
    let opened = |log: &[LoggedDisagreement]| -> Vec<_> {
        log.iter().map(|it| (it.disagreement.between, it.disagreement.opened, it.cause.clone())).collect()
    };
    let after = log_of_bore_2(&shed);
    assert!(after.iter().all(|it| it.disagreement.closed.is_none()), "{after:?}");
    assert!(opened(&before).iter().all(|it| opened(&after).contains(it)), "{before:?} {after:?}");
    assert_eq!(shed.log().matches("was moved or deleted while it was written").count(), 1, "{}", shed.log());
    end(daemon, &shed);

    let daemon = shed.daemon();
    let stored = readings(&shed);
    wait_for("readings of the next life", || readings(&shed) > stored + 20);
    end(daemon, &shed);
    let next = log_of_bore_2(&shed);
    assert!(next.iter().all(|it| it.disagreement.closed.is_none()), "{next:?}");
    assert_eq!(next.len(), after.len(), "nothing is forgotten, nothing found again: {after:?} {next:?}");
}

#[test]
fn a_start_on_a_store_whose_first_sector_is_empty_says_so_and_goes_on() {
    let shed = Shed::steady();
    let daemon = shed.daemon();
    wait_for("readings", || readings(&shed) > 10);
    end(daemon, &shed);
    let mut bytes = std::fs::read(shed.path("kestrel.db")).unwrap();
    bytes[..512].fill(0);
    std::fs::write(shed.path("kestrel.db"), bytes).unwrap();
    let daemon = shed.daemon();
    wait_for("readings in a new store", || readings(&shed) > 10);
    let state = shed.printed(&["watch", "--once", "--format", "json", "--config", "site.toml"]);
    let state: Value = serde_json::from_str(&state).unwrap();
    let aside = state["store"]["set_aside"].as_str().unwrap_or_default().to_owned();
    assert!(aside.contains("kestrel.db.damaged-") && shed.path(&aside).exists(), "{state}");
    end(daemon, &shed);
}
