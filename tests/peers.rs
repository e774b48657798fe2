//! Independent programs on the other end of the line: masters that no one here wrote against our simulated slaves.
//!
//! The peers are pymodbus and minimalmodbus (PyPI) and libmodbus (Debian); `tests/setup.sh` installs them. A machine
//! without them fails these tests: a check that passes because nobody came proves nothing.

use std::path::{Path, PathBuf};
use std::process::Command;

use tallywell_sim::frame::Table;
use tallywell_sim::image::{Fixed, Gaps};
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::Slave;
use tallywell_sim::wire::{Adapter, Pace, Wire};

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

#[test]
fn independent_masters_read_simulated_slaves() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let mut wire = Wire::new(Some(PACE), Adapter::default());
    let registers: Vec<u16> = (0..300).map(|number| number * 7 + 1).collect();
    let image = Fixed::default()
        .with(Table::Holding, 100, &registers)
        .with(Table::Input, 0, &[0x1234, 0xFFFF])
        .with(Table::Coil, 19, &[1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1])
        .with(Table::Discrete, 196, &[0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1]);
    wire.attach(Slave::new(17, Gaps { image, missing: vec![150..160, 290..295] }));
    let rig = Rig::run(wire, &link).unwrap();

    let words = |words: &[u16]| words.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ");
    let cases: [(&str, &str, &str, Option<String>); 7] = [
        ("holding", "100", "50", Some(words(&registers[..50]))),
        // The most that one request may ask for: MODBUS Application Protocol V1.1b3, section 6.3.
        ("holding", "160", "125", Some(words(&registers[60..185]))),
        ("input", "0", "2", Some("4660 65535".to_owned())),
        // The worked examples of sections 6.1 and 6.2: outputs 20 to 38, inputs 197 to 218.
        ("coil", "19", "19", Some("1 0 1 1 0 0 1 1 1 1 0 1 0 1 1 0 1 0 1".to_owned())),
        ("discrete", "196", "22", Some("0 0 1 1 0 1 0 1 1 1 0 1 1 0 1 1 1 0 1 0 1 1".to_owned())),
        // Not there: exception 02, section 7.
        ("holding", "148", "4", None),
        ("input", "9000", "1", None),
    ];
    for (name, command) in masters() {
        for (table, start, count, expected) in &cases {
            let ask = &mut Command::new(&command[0]);
            ask.args(&command[1..]).arg(&link).args(["19200", "17", table, start, count]);
            let output = ask.output().unwrap();
            let said = String::from_utf8_lossy(&output.stdout).trim().to_owned();
            match expected {
                Some(expected) => assert_eq!(&said, expected, "{name} reading {count} of {table} from {start}"),
                None => assert!(said.starts_with("error:"), "{name}: {table} {start} should be refused: {said}"),
            }
        }
    }
    rig.witnessed(|seen| {
        assert_eq!(seen.bad_requests, 0);
        assert_eq!(seen.requests, 3 * 7, "one request each, none repeated");
    });
}
