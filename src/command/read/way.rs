//! How one device is read: through the running daemon, or through a port of one's own.

use std::path::PathBuf;

use anyhow::Context;
use tallywell_witness::declared::{Device, Line};
use tallywell_witness::plan::Request;

use crate::command::through_daemon;
use crate::line::once::{OnceError, OwnLine, RequestRead, Wanted};
use crate::line::orders::StartError;
use crate::line::port::PortError;
use crate::line::request::UnitAddress;

/// One device within reach.
pub(super) enum Way {
    /// Through the daemon, by the device's name.
    Daemon {
        /// The daemon's socket.
        socket: PathBuf,
        /// The device.
        device: String,
    },
    /// Through an open port.
    Own {
        /// The line.
        line: Box<OwnLine>,
        /// The device's address.
        unit: UnitAddress,
        /// The device, if a site file declares it.
        device: Option<Box<(Device, Line)>>,
    },
}

impl Way {
    /// Opens the line for itself.
    pub(super) fn own(line: &Line, address: u8, device: Option<&Device>) -> anyhow::Result<Self> {
        let unit = UnitAddress::new(address).context("an address is 1 to 247")?;
        let line_opened = OwnLine::open(line).map_err(|error| match error {
            OnceError::Start(StartError::Port(port @ PortError::Busy(_))) if device.is_some() => {
                anyhow::anyhow!("{port}; if it is this site's daemon under another store, end it first")
            }
            other => other.into(),
        })?;
        let device = device.map(|device| Box::new((device.clone(), line.clone())));
        Ok(Self::Own { line: Box::new(line_opened), unit, device })
    }

    /// Reads exactly this stretch, or everything that the device's map names.
    pub(super) fn read(&mut self, raw: Option<Request>) -> anyhow::Result<Vec<RequestRead>> {
        match self {
            Self::Daemon { socket, device } => Ok(through_daemon::read(socket, device, raw)?),
            Self::Own { line, unit, device } => {
                let wanted = match (raw, device) {
                    (Some(request), _) => Wanted::exactly(&[request]),
                    (None, Some(declared)) => Wanted::map(&declared.0.map, &declared.1)?,
                    (None, None) => anyhow::bail!("nothing is known of the device: name registers with --raw"),
                };
                Ok(line.read(*unit, wanted)?)
            }
        }
    }
}
