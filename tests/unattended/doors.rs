//! Nothing listens unless it was asked for: the sockets of a running daemon, as the kernel lists them.

use std::collections::BTreeSet;
use std::net::TcpListener;

use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::StoreReader;

use crate::shed::{Shed, wait_for};

/// The network sockets of a process: the protocol, and the local address and port as the kernel writes them.
fn network_sockets(process: u32) -> BTreeSet<String> {
    let files = std::fs::read_dir(format!("/proc/{process}/fd")).unwrap();
    let targets = files.filter_map(|file| std::fs::read_link(file.ok()?.path()).ok());
    let own: BTreeSet<String> = targets
        .filter_map(|target| Some(target.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned()))
        .collect();
    assert!(!own.is_empty(), "the local socket is one");
    let mut found = BTreeSet::new();
    for protocol in ["tcp", "tcp6", "udp", "udp6", "raw", "raw6"] {
        let table = std::fs::read_to_string(format!("/proc/{process}/net/{protocol}")).unwrap_or_default();
        // sl local_address rem_address st tx_queue:rx_queue tr:tm->when retrnsmt uid timeout inode (proc_net_tcp of the kernel)
        for columns in table.lines().skip(1).map(|line| line.split_whitespace().collect::<Vec<_>>()) {
            if own.contains(columns[9]) {
                found.insert(format!("{protocol} {}", columns[1]));
            }
        }
    }
    found
}

/// The sockets of a daemon that has begun to store, with this at the end of its site file.
fn sockets_with(more: &str) -> BTreeSet<String> {
    let shed = Shed::with(|site| site + more, |scenario| scenario);
    let mut daemon = shed.daemon();
    wait_for("a run", || {
        StoreReader::open(&shed.path("kestrel.db")).is_ok_and(|store| store.runs().is_ok_and(|runs| !runs.is_empty()))
            && shed.path("kestrel.db.socket").exists()
    });
    // The page is served by a thread of its own.
    std::thread::sleep(std::time::Duration::from_secs(1));
    let sockets = network_sockets(daemon.id());
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
    sockets
}

#[test]
fn nothing_listens_unless_it_was_asked_for() {
    assert_eq!(sockets_with(""), BTreeSet::new());
    let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    // 127.0.0.1 as the kernel of a little-endian machine writes it.
    let page = format!("tcp {:08X}:{port:04X}", u32::from_ne_bytes([127, 0, 0, 1]));
    assert_eq!(sockets_with(&format!("\n[page]\nlisten = \"127.0.0.1:{port}\"\n")), BTreeSet::from([page]));
}
