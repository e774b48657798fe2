//! Independent programs on the other end of the line: masters that no one here wrote against our simulated slaves.
//!
//! The peers are pymodbus and minimalmodbus (PyPI) and libmodbus (Debian); `tests/setup.sh` installs them. A machine
//! without them fails these tests: a check that passes because nobody came proves nothing.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::path::{Path, PathBuf};
use std::process::Command;

use std::time::Duration;

use tallywell_sim::frame::Table;
use tallywell_sim::image::{Fixed, Gaps};
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::{Identity, Slave};
use tallywell_sim::wire::{Adapter, Pace, Talker, Wire};

/// The common rate without parity: a pseudo-terminal has no parity, and the peers' own checks of it fail now and then.
const PACE: Pace = Pace { baud: 19_200, bits_per_character: 10 };

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn peer(program: &str) -> PathBuf {
    let path = project().join("target/peers/bin").join(program);
    assert!(path.exists(), "{} is missing: run tests/setup.sh", path.display());
    path
}

/// The masters, each as the beginning of a command line that takes port, baud, address, table, start and count.
fn masters() -> [(&'static str, Vec<PathBuf>); 3] {
    let python = |script: &str| vec![peer("python3"), project().join("tests/peers").join(script)];
    [
        ("libmodbus", vec![peer("libmodbus_master")]),
        ("pymodbus", python("pymodbus_master.py")),
        ("minimalmodbus", python("minimalmodbus_master.py")),
    ]
}

/// What a master makes of asking once: its words, or `error:` and why.
fn asked(command: &[PathBuf], port: &Path, what: [&str; 3]) -> String {
    let ask = &mut Command::new(&command[0]);
    let output = ask.args(&command[1..]).arg(port).args(["19200", "17"]).args(what).output().unwrap();
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

/// Whether a refusal was understood as exception 02 (MODBUS Application Protocol V1.1b3, section 7): each says it otherwise.
fn is_illegal_address(said: &str) -> bool {
    said.starts_with("error:")
        && (said.to_lowercase().contains("illegal data address") || said.contains("exception_code=2"))
}

#[test]
fn independent_masters_read_simulated_slaves() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let mut wire = Wire::new(Some(PACE), Adapter::default());
    let registers: Vec<u16> = (0..300).map(|number| number * 7 + 1).collect();
    let bits: Vec<u16> = (0..2000).map(|number: u16| number.count_ones() as u16 & 1).collect();
    let image = Fixed::default()
        .with(Table::Holding, 100, &registers)
        .with(Table::Input, 0, &[0x1234, 0xFFFF])
        .with(Table::Coil, 1000, &bits)
        .with(Table::Coil, 19, &[1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1])
        .with(Table::Discrete, 196, &[0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1]);
    wire.attach(Slave::new(17, Gaps { image, missing: vec![150..160, 290..295] }));
    let rig = Rig::run(wire, &link).unwrap();

    let words = |words: &[u16]| words.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ");
    let cases: [(&str, &str, &str, Option<String>); 8] = [
        ("holding", "100", "50", Some(words(&registers[..50]))),
        // The most that one request may ask for: MODBUS Application Protocol V1.1b3, section 6.3.
        ("holding", "160", "125", Some(words(&registers[60..185]))),
        ("input", "0", "2", Some("4660 65535".to_owned())),
        // The worked examples of sections 6.1 and 6.2: outputs 20 to 38, inputs 197 to 218.
        ("coil", "19", "19", Some("1 0 1 1 0 0 1 1 1 1 0 1 0 1 1 0 1 0 1".to_owned())),
        ("discrete", "196", "22", Some("0 0 1 1 0 1 0 1 1 1 0 1 1 0 1 1 1 0 1 0 1 1".to_owned())),
        // The most bits: section 6.1.
        ("coil", "1000", "2000", Some(words(&bits))),
        // Not there.
        ("holding", "148", "4", None),
        ("input", "9000", "1", None),
    ];
    for (name, command) in masters() {
        for (table, start, count, expected) in &cases {
            let said = asked(&command, &link, [table, start, count]);
            match expected {
                Some(expected) => assert_eq!(&said, expected, "{name} reading {count} of {table} from {start}"),
                None => assert!(is_illegal_address(&said), "{name}: {table} {start} should be refused: {said}"),
            }
        }
    }
    rig.witnessed(|seen| {
        assert_eq!(seen.bad_requests, 0);
        assert_eq!(seen.requests, 3 * 8, "one request each, none repeated");
        // MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters of silence stand between two frames.
        let silence = Duration::from_secs_f64(3.5 * f64::from(PACE.bits_per_character) / f64::from(PACE.baud));
        let passages: Vec<_> = seen.passages.iter().collect();
        let replies =
            passages.windows(2).filter(|pair| pair[0].from == Talker::Master && pair[1].from != Talker::Master);
        let soonest = replies.clone().map(|pair| pair[1].begun - pair[0].ended).min().unwrap();
        assert_eq!(replies.count(), 3 * 8);
        assert!(soonest >= silence - Duration::from_micros(1), "a reply after {soonest:?}");
    });
}

/// The functions by which a device says who it is, and returns what it was sent (sections 6.13, 6.21, 6.8).
#[test]
fn independent_masters_understand_who_a_simulated_slave_is() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let mut wire = Wire::new(Some(PACE), Adapter::default());
    let objects = vec![(0, "Example".to_owned()), (1, "FM-3".to_owned()), (2, "1.07".to_owned())];
    wire.attach(Slave::new(17, Fixed::default()).with_identity(Identity { objects }));
    let rig = Rig::run(wire, &link).unwrap();
    let [(_, libmodbus), (_, pymodbus), _] = masters();
    assert_eq!(asked(&libmodbus, &link, ["server-id", "0", "0"]), "FM-3");
    let said = asked(&pymodbus, &link, ["server-id", "0", "0"]);
    // It takes the last byte, whatever that is, for the indicator of running; the standard leaves the order to the device.
    assert_eq!(said, r"b'\x01\xffFM-'");
    assert_eq!(asked(&pymodbus, &link, ["identification", "0", "1"]), "0=Example 1=FM-3 2=1.07");
    let said = asked(&pymodbus, &link, ["echo", "165", "55"]);
    assert_eq!(said, r"b'\xa57'");
    rig.witnessed(|seen| assert_eq!((seen.bad_requests, seen.requests), (0, 4)));
}
