//! A pseudo-terminal in raw mode, under a name of the user's choice.

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags, fcntl_setfl, inotify, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{ControlModes, InputModes, OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};

use crate::wire::{Characters, ParityBit};

/// Why there is no serial port where one was asked for.
#[derive(Debug, thiserror::Error)]
pub enum PortError {
    /// The system gives no pseudo-terminal.
    #[error("the system gave no pseudo-terminal; is /dev/pts mounted?")]
    NoTerminal(#[source] io::Error),
    /// Something else is where the link should be.
    #[error("{} exists and is no symbolic link; choose another path for the port, or move it away", .0.display())]
    Occupied(PathBuf),
    /// The link cannot be made.
    #[error("cannot make the link {}; does its folder exist, and may you write there?", .path.display())]
    NoLink {
        /// Where it should be.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// The wire's end of a pseudo-terminal, with a link to the other end.
#[derive(Debug)]
pub struct Port {
    wire_end: OwnedFd,
    /// Held open, so that the port outlives each program that opens and closes it and stays raw between them.
    program_end: OwnedFd,
    /// Tells when a program closes the port; absent where the system watches no more files for this user.
    closings: Option<OwnedFd>,
    link: PathBuf,
    device: PathBuf,
}

impl Port {
    /// Makes a pseudo-terminal, and a symbolic link at `link` that programs open as their serial port.
    ///
    /// # Errors
    /// No pseudo-terminal, or no link.
    pub fn open(link: &Path) -> Result<Self, PortError> {
        let (wire_end, program_end, device) = open_pair().map_err(|error| PortError::NoTerminal(error.into()))?;
        match fs::symlink_metadata(link) {
            Ok(found) if !found.is_symlink() => return Err(PortError::Occupied(link.to_owned())),
            Ok(_) => fs::remove_file(link),
            Err(_) => Ok(()),
        }
        .and_then(|()| symlink(&device, link))
        .map_err(|source| PortError::NoLink { path: link.to_owned(), source })?;
        let closings = watch_closings(&device)
            .inspect_err(|error| tracing::debug!("a port locked by a program stays locked: {error}"))
            .ok();
        Ok(Self { wire_end, program_end, closings, link: link.to_owned(), device })
    }

    /// How the program has set its port. The kernel takes the parity bit itself off a pseudo-terminal, but leaves whether it is
    /// checked, and which one.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn characters(&self) -> io::Result<Characters> {
        let settings = tcgetattr(&self.program_end)?;
        let parity = match (settings.input_modes.contains(InputModes::INPCK), settings.control_modes) {
            (false, _) => ParityBit::Absent,
            (true, modes) if modes.contains(ControlModes::PARODD) => ParityBit::Odd,
            (true, _) => ParityBit::Even,
        };
        let stop_bits = if settings.control_modes.contains(ControlModes::CSTOPB) { 2 } else { 1 };
        Ok(Characters { baud: settings.output_speed(), parity, stop_bits })
    }

    /// What becomes readable when a program closes the port.
    pub fn closings(&self) -> Option<BorrowedFd<'_>> {
        self.closings.as_ref().map(AsFd::as_fd)
    }

    /// Takes back the lock that a program put on the port and left when it closed it. A real port loses it then, but a
    /// pseudo-terminal keeps it while its other end is open, and would refuse every further program.
    pub fn unlock_if_closed(&self) {
        let Some(closings) = &self.closings else { return };
        let mut events = [0; 1024];
        if rustix::io::read(closings, &mut events).is_ok_and(|length| length > 0) {
            // This end stays open and is a terminal; there is nothing that could fail.
            let _ = ioctl_tiocnxcl(&self.program_end);
        }
    }

    /// What the program has sent, as far as `buffer` holds it; nothing if it has sent nothing.
    ///
    /// # Errors
    /// Whatever the system says, but that there is nothing.
    pub fn read<'a>(&self, buffer: &'a mut [u8]) -> io::Result<&'a [u8]> {
        match rustix::io::read(&self.wire_end, &mut *buffer) {
            Ok(length) => Ok(&buffer[..length]),
            Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => Ok(&[]),
            Err(error) => Err(error.into()),
        }
    }

    /// Gives bytes to the program. What its buffer does not hold is lost, as with a real port that nobody reads.
    ///
    /// # Errors
    /// Whatever the system says, but that the buffer is full.
    pub fn write(&self, bytes: &[u8]) -> io::Result<()> {
        match rustix::io::write(&self.wire_end, bytes) {
            Ok(_) | Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

impl AsFd for Port {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.wire_end.as_fd()
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        // Another port may stand under the name by now.
        if fs::read_link(&self.link).is_ok_and(|target| target == self.device) {
            // The port is going away: a link that cannot be removed leads nowhere, and does no harm.
            let _ = fs::remove_file(&self.link);
        }
    }
}

fn watch_closings(device: &Path) -> rustix::io::Result<OwnedFd> {
    let watch = inotify::init(inotify::CreateFlags::CLOEXEC | inotify::CreateFlags::NONBLOCK)?;
    inotify::add_watch(&watch, device, inotify::WatchFlags::CLOSE_WRITE | inotify::WatchFlags::CLOSE_NOWRITE)?;
    Ok(watch)
}

fn open_pair() -> rustix::io::Result<(OwnedFd, OwnedFd, PathBuf)> {
    let wire_end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&wire_end)?;
    unlockpt(&wire_end)?;
    let name = ptsname(&wire_end, Vec::new())?;
    let device = PathBuf::from(OsStr::from_bytes(name.as_bytes()));
    let program_end = open(&device, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
    let mut settings = tcgetattr(&program_end)?;
    settings.make_raw();
    tcsetattr(&program_end, OptionalActions::Now, &settings)?;
    fcntl_setfl(&wire_end, OFlags::NONBLOCK)?;
    Ok((wire_end, program_end, device))
}
