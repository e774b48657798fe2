//! What other commands ask of a running daemon, through its socket.

use std::time::Duration;

use serde_json::json;
use tallywell_witness::declared::Table;
use tallywell_witness::plan::Request as PlanRequest;

use super::Core;
use crate::daemon::socket::{Asked, Request};
use crate::daemon::sources::Sources;
use crate::line::once::{Wanted, identify_through, read_through};
use crate::line::request::UnitAddress;
use crate::store::log::{Note, NoteKind};

/// A disk that takes longer has trouble, and whoever wrote a note should know.
const NOTE_ON_DISK_WITHIN: Duration = Duration::from_secs(5);

impl Core {
    pub(super) fn asked(&mut self, asked: Asked, sources: &Sources) {
        match asked.request.clone() {
            Request::Watch => {
                let state = self.state();
                self.faces.watch(asked, &state);
            }
            Request::Note { note } => match serde_json::from_value::<Note>(note) {
                Ok(note) => {
                    if let Some(noted) = note.of_receiver() {
                        self.stations.note(&note.meter, noted);
                    }
                    match &note.what {
                        NoteKind::MaintenanceBegins { .. } => self.stations.set_maintenance(&note.meter, true),
                        NoteKind::MaintenanceEnds { .. } => self.stations.set_maintenance(&note.meter, false),
                        NoteKind::Remark { .. } | NoteKind::Reading { .. } | NoteKind::Trial { .. } => true,
                    };
                    self.writer.note(note);
                    let disk = self.writer.flusher();
                    // Who is told that a note is kept may look for it the next moment. On a thread of its own, because
                    // nothing else here may wait for a disk.
                    tokio::task::spawn_blocking(move || {
                        if disk.flush(NOTE_ON_DISK_WITHIN) {
                            asked.value(json!({ "kept": true }));
                        } else {
                            asked.refuse("the disk takes nothing now; the note waits in memory until it does");
                        }
                    });
                }
                Err(error) => asked.refuse(format!("not a note: {error}")),
            },
            Request::Read { device, raw } => self.read_once(asked, &device, raw, sources),
            Request::Identify { device } => self.identify_once(asked, &device, sources),
        }
    }

    /// Reads a device between the transactions of the schedule, for a person who waits.
    fn read_once(&self, asked: Asked, device: &str, raw: Option<(Table, u16, u16)>, sources: &Sources) {
        let Some(device) = self.site.devices.get(device) else {
            return asked.refuse(format!("the daemon knows no device {device}; it may run on an older site file"));
        };
        let on_line = self.site.lines.get(&device.line).zip(sources.line(&device.line));
        let (Some((line, thread)), Some(unit)) = (on_line, UnitAddress::new(device.address)) else {
            return asked.refuse(format!("the daemon does not hold the line of {}", device.name));
        };
        let wanted = match raw {
            Some((table, start, count)) => Ok(Wanted::exactly(&[PlanRequest { table, start, count }])),
            None => Wanted::map(&device.map, line),
        };
        let wanted = match wanted {
            Ok(wanted) => wanted,
            Err(error) => return asked.refuse(error),
        };
        let handle = thread.handle();
        let runtime = tokio::runtime::Handle::current();
        // On a thread of its own, because what it waits for is not bound to this one.
        tokio::task::spawn_blocking(move || match runtime.block_on(read_through(&handle, unit, wanted)) {
            Ok(reads) => {
                for read in reads {
                    asked.value(json!(read));
                }
            }
            Err(why) => asked.refuse(why),
        });
    }

    /// Asks a device what it is, between the transactions of the schedule.
    fn identify_once(&self, asked: Asked, device: &str, sources: &Sources) {
        let known = self.site.devices.get(device);
        let line = known.and_then(|device| sources.line(&device.line));
        let unit = known.and_then(|device| UnitAddress::new(device.address));
        let (Some(line), Some(unit)) = (line, unit) else {
            return asked.refuse(format!("the daemon does not hold the line of {device}"));
        };
        let handle = line.handle();
        let runtime = tokio::runtime::Handle::current();
        tokio::task::spawn_blocking(move || match runtime.block_on(identify_through(&handle, unit)) {
            Ok(identity) => {
                asked.value(json!(identity.in_words()));
            }
            Err(why) => asked.refuse(why),
        });
    }
}
