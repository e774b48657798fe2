//! Wires in real time, asked through their serial ports.

#![expect(clippy::unwrap_used, reason = "a test that cannot set up its port has failed")]

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use tallywell_sim::frame::{frame, sound};
use tallywell_sim::image::Encoded;
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::Slave;
use tallywell_sim::wire::{Adapter, Pace, Wire};

/// Far longer than any test here takes on a healthy machine.
const PATIENCE: Duration = Duration::from_secs(10);

fn open(link: &Path) -> File {
    let not_waiting = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).unwrap();
    OpenOptions::new().read(true).write(true).custom_flags(not_waiting).open(link).unwrap()
}

/// Bytes from the port until there are `length`.
fn read(port: &mut File, length: usize) -> Vec<u8> {
    let begun = Instant::now();
    let mut heard = Vec::new();
    while heard.len() < length && begun.elapsed() < PATIENCE {
        let mut buffer = [0; 256];
        match port.read(&mut buffer) {
            Ok(count) => heard.extend_from_slice(&buffer[..count]),
            Err(error) if error.kind() == ErrorKind::WouldBlock => sleep(Duration::from_micros(200)),
            Err(error) => panic!("{error}"),
        }
    }
    heard
}

fn wire(pace: Option<Pace>) -> Wire {
    let mut wire = Wire::new(pace, Adapter::default());
    wire.attach(Slave::new(5, Encoded { unit: 5, addresses: 0..100 }));
    wire
}

#[test]
fn a_paced_wire_takes_at_least_its_time_and_answers() {
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace { baud: 9_600, bits_per_character: 11 };
    let rig = Rig::run(wire(Some(pace)), &folder.path().join("port")).unwrap();
    let mut port = open(rig.link());
    for _ in 0..3 {
        let asked = Instant::now();
        port.write_all(&frame(5, &[3, 0, 0, 0, 10])).unwrap();
        let reply = read(&mut port, 25);
        assert!(sound(&reply).is_some(), "{reply:?}");
        assert!(asked.elapsed() >= pace.characters(8 + 25) + pace.silence_between_frames());
        sleep(Duration::from_millis(8));
    }
    rig.witnessed(|witnessed| {
        assert_eq!((witnessed.requests, witnessed.short_silences, witnessed.bytes_to_master), (3, 0, 75));
    });
}

#[test]
fn a_pulled_port_fails_and_comes_back_under_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("port");
    let rig = Rig::run(wire(None), &link).unwrap();
    let mut port = open(&link);
    rig.unplug();
    let begun = Instant::now();
    while link.exists() && begun.elapsed() < PATIENCE {
        sleep(Duration::from_millis(1));
    }
    assert!(!link.exists());
    assert!(port.write_all(&[0]).is_err());
    rig.replug();
    while !link.exists() && begun.elapsed() < PATIENCE {
        sleep(Duration::from_millis(1));
    }
    let mut port = open(&link);
    port.write_all(&frame(5, &[3, 0, 0, 0, 2])).unwrap();
    assert!(sound(&read(&mut port, 9)).is_some());
    drop(rig);
    assert!(!link.exists() && !link.is_symlink());
}

/// A program that locks its port for itself leaves the lock behind when it ends; a real port loses it then.
#[test]
fn a_lock_goes_with_the_program_that_made_it() {
    let folder = tempfile::tempdir().unwrap();
    let rig = Rig::run(wire(None), &folder.path().join("port")).unwrap();
    let port = open(rig.link());
    rustix::termios::ioctl_tiocexcl(&port).unwrap();
    let locked = || {
        if !rustix::process::geteuid().is_root() {
            return File::open(rig.link()).is_err_and(|error| error.kind() == ErrorKind::ResourceBusy);
        }
        // Root passes every lock; ask as somebody else.
        let asked = std::process::Command::new("setpriv")
            .args(["--reuid=65534", "--clear-groups", "--inh-caps=-all", "sh", "-c", "exec 3<>\"$1\"", "sh"])
            .arg(rig.link().canonicalize().unwrap())
            .output()
            .unwrap();
        String::from_utf8_lossy(&asked.stderr).contains("busy")
    };
    let for_ordinary_users = std::os::unix::fs::PermissionsExt::from_mode(0o666);
    std::fs::set_permissions(rig.link(), for_ordinary_users).unwrap();
    assert!(locked());
    drop(port);
    let begun = Instant::now();
    while locked() && begun.elapsed() < PATIENCE {
        sleep(Duration::from_millis(5));
    }
    assert!(!locked());
}

#[test]
fn a_file_in_the_ports_place_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("port");
    std::fs::write(&link, "precious").unwrap();
    let refusal = Rig::run(wire(None), &link).err().unwrap().to_string();
    assert!(refusal.contains("is no symbolic link"), "{refusal}");
    assert_eq!(std::fs::read_to_string(&link).unwrap(), "precious");
}
