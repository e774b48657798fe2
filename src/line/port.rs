//! Opening the bytes of a line: a serial port of this machine, or a gateway.
//!
//! Every way in which that fails is said in words that a person at the machine can act on.

use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use rustix::net::sockopt;
use tallywell_witness::declared::{Framing, Line, Parity, Port};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_serial::{ClearBuffer, DataBits, ErrorKind, FlowControl, SerialPort as _, SerialStream, StopBits};

use super::adapter::{self, AdapterNote};

/// A gateway that has not answered by then is not there.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);

/// A connection on which nothing has passed for so long is asked about, so often, so many times, before it is taken for
/// gone. Whoever only listens would never notice otherwise that the other end went without a word.
const ASKED_ABOUT_AFTER: Duration = Duration::from_secs(30);
const ASKED_ABOUT_EVERY: Duration = Duration::from_secs(10);
const ASKED_ABOUT: u32 = 3;

/// A receiver bears 2 % (MODBUS over Serial Line V1.02, section 3.2); a port that runs further off than that will not do.
const BAUD_TOLERANCE: f64 = 0.02;

/// The serial crate keeps of most errors only these texts.
const NOT_A_TERMINAL: &str = "Not a typewriter";
const INVALID: &str = "Invalid argument";

/// Why a port cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PortError {
    /// There is no such file.
    #[error("there is no port {}; ports of this machine are listed by `ls /dev/serial/by-id /dev/tty[SUA]*`", .0.display())]
    Missing(PathBuf),
    /// It is a file of another kind.
    #[error("{} is not a serial port", .0.display())]
    NotAPort(PathBuf),
    /// Somebody else has it.
    #[error("another program holds the port {}; `fuser -v {}` says which", .0.display(), .0.display())]
    Busy(PathBuf),
    /// The rights do not suffice.
    #[error("this user may not open the port {}; {}", .path.display(), remedy(.group.as_deref()))]
    Forbidden {
        /// The port.
        path: PathBuf,
        /// The group that may open it, if one may.
        group: Option<String>,
    },
    /// It does not run at this rate.
    #[error("the port {} does not run at {baud} baud{}", .path.display(), actual_rate(*.actual))]
    BaudRefused {
        /// The port.
        path: PathBuf,
        /// What was asked for.
        baud: u32,
        /// What the port runs at instead, where it says so.
        actual: Option<u32>,
    },
    /// Anything else that the system said.
    #[error("the port {} cannot be opened: {reason}", .path.display())]
    Unusable {
        /// The port.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// A gateway that cannot be reached.
    #[error("the gateway {address} cannot be reached: {}", unreached(.error))]
    Gateway {
        /// `host:port`.
        address: String,
        /// What the system said.
        error: io::Error,
    },
}

fn unreached(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => {
            "nothing there listens on that port; look the port up in its settings".into()
        }
        io::ErrorKind::TimedOut => "it does not answer; look at its address, its supply and the network".into(),
        io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            "no way leads to it; look at its address and at this machine's network".into()
        }
        _ => error.to_string(),
    }
}

fn remedy(group: Option<&str>) -> String {
    match group {
        Some(group) => format!("join its group with `sudo usermod -aG {group} $USER` and log in again"),
        None => "it belongs to another user, and to no group that may open it".to_owned(),
    }
}

fn actual_rate(actual: Option<u32>) -> String {
    actual.map(|rate| format!("; it would run at {rate}")).unwrap_or_default()
}

/// The bytes of a line.
#[derive(Debug)]
pub enum Connection {
    /// A serial port.
    Serial(Box<SerialStream>),
    /// A gateway.
    Tcp(TcpStream),
}

/// A port just opened, and what is to be said about its adapter.
#[derive(Debug)]
pub struct Opened {
    /// Its bytes.
    pub connection: Connection,
    /// What was found out about the adapter.
    pub notes: Vec<AdapterNote>,
}

/// Opens the port of a line. The port is this program's alone until it is dropped.
///
/// # Errors
/// See [`PortError`].
pub async fn open(line: &Line) -> Result<Opened, PortError> {
    match &line.port {
        Port::Serial(path) => open_serial(path, line.framing),
        Port::Tcp(address) | Port::RtuOverTcp(address) => open_gateway(address).await,
    }
}

async fn open_gateway(address: &str) -> Result<Opened, PortError> {
    let failed = |error| PortError::Gateway { address: address.to_owned(), error };
    let stream = tokio::time::timeout(CONNECT_TIMEOUT, TcpStream::connect(address))
        .await
        .map_err(|_elapsed| failed(io::ErrorKind::TimedOut.into()))?
        .map_err(failed)?;
    // A request is one small packet, and waiting to fill it would cost a reply time.
    stream.set_nodelay(true).map_err(failed)?;
    ask_about(&stream).map_err(|error| failed(error.into()))?;
    Ok(Opened { connection: Connection::Tcp(stream), notes: Vec::new() })
}

/// Has the system find out whether the other end is still there.
fn ask_about(stream: &TcpStream) -> rustix::io::Result<()> {
    sockopt::set_tcp_keepidle(stream, ASKED_ABOUT_AFTER)?;
    sockopt::set_tcp_keepintvl(stream, ASKED_ABOUT_EVERY)?;
    sockopt::set_tcp_keepcnt(stream, ASKED_ABOUT)?;
    sockopt::set_socket_keepalive(stream, true)
}

fn open_serial(path: &Path, framing: Framing) -> Result<Opened, PortError> {
    match std::fs::metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Err(PortError::Missing(path.to_owned())),
        Ok(metadata) if metadata.is_dir() => return Err(PortError::NotAPort(path.to_owned())),
        _ => {}
    }
    let builder = tokio_serial::new(path.to_string_lossy(), framing.baud)
        .data_bits(DataBits::Eight)
        .parity(parity_of(framing))
        .stop_bits(stop_bits_of(framing))
        .flow_control(FlowControl::None)
        .exclusive(true);
    let stream = SerialStream::open(&builder).map_err(|error| translate(&error, path, framing.baud))?;
    confirm_rate(&stream, path, framing.baud)?;
    let notes = adapter::prepare(path, &stream);
    Ok(Opened { connection: Connection::Serial(Box::new(stream)), notes })
}

const fn parity_of(framing: Framing) -> tokio_serial::Parity {
    match framing.parity {
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
        Parity::None => tokio_serial::Parity::None,
    }
}

const fn stop_bits_of(framing: Framing) -> StopBits {
    if framing.stop_bits == 2 { StopBits::Two } else { StopBits::One }
}

/// Whether the port runs as fast as it was told; some round to what their clock gives, however far that is.
fn confirm_rate(stream: &SerialStream, path: &Path, baud: u32) -> Result<(), PortError> {
    match stream.baud_rate() {
        Ok(actual) if (f64::from(actual) / f64::from(baud) - 1.0).abs() > BAUD_TOLERANCE => {
            Err(PortError::BaudRefused { path: path.to_owned(), baud, actual: Some(actual) })
        }
        _ => Ok(()),
    }
}

/// What the serial crate said, in words for the person at the machine.
fn translate(error: &tokio_serial::Error, path: &Path, baud: u32) -> PortError {
    let path = path.to_owned();
    match error.kind() {
        ErrorKind::Io(io::ErrorKind::NotFound) => PortError::Missing(path),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            let group = group_of(&path);
            PortError::Forbidden { path, group }
        }
        // The crate says "no device" both for a port that is held and for one that is gone.
        ErrorKind::NoDevice if path.exists() => PortError::Busy(path),
        ErrorKind::NoDevice => PortError::Missing(path),
        ErrorKind::InvalidInput => PortError::BaudRefused { path, baud, actual: None },
        _ if error.description == NOT_A_TERMINAL => PortError::NotAPort(path),
        _ if error.description == INVALID => PortError::BaudRefused { path, baud, actual: None },
        _ => PortError::Unusable { path, reason: error.to_string() },
    }
}

/// The name of the group that may open a file for reading and writing; nothing if no group but root's may.
fn group_of(path: &Path) -> Option<String> {
    const GROUP_MAY_READ_AND_WRITE: u32 = 0o060;
    let metadata = std::fs::metadata(path).ok()?;
    if metadata.mode() & GROUP_MAY_READ_AND_WRITE != GROUP_MAY_READ_AND_WRITE || metadata.gid() == 0 {
        return None;
    }
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    Some(group_name(&groups, metadata.gid()).unwrap_or_else(|| metadata.gid().to_string()))
}

/// Looks a group up by its number in the text of `/etc/group`.
fn group_name(groups: &str, number: u32) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(number)).then(|| name.to_owned())
    })
}

impl Connection {
    /// Has a serial port run at other settings, and drops what it heard at the old ones; a gateway has none to change.
    ///
    /// # Errors
    /// The port at `path` does not run so, or is gone.
    pub fn set_framing(&mut self, framing: Framing, path: &Path) -> Result<(), PortError> {
        let Self::Serial(stream) = self else { return Ok(()) };
        let changed = stream
            .set_baud_rate(framing.baud)
            .and_then(|()| stream.set_parity(parity_of(framing)))
            .and_then(|()| stream.set_stop_bits(stop_bits_of(framing)))
            .and_then(|()| stream.clear(ClearBuffer::Input));
        changed.map_err(|error| translate(&error, path, framing.baud))?;
        confirm_rate(stream, path, framing.baud)
    }

    /// Reads what is there now, by asking the system itself rather than the runtime's memory of it.
    ///
    /// # Errors
    /// `WouldBlock` if nothing is there, else what the system said.
    pub fn read_now(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Serial(stream) => stream.try_read(into),
            // The runtime's own attempt asks nobody while it believes that nothing has come.
            Self::Tcp(stream) => Ok(rustix::io::read(stream, into)?),
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        match self.get_mut() {
            Self::Serial(stream) => Pin::new(stream).poll_read(context, into),
            Self::Tcp(stream) => Pin::new(stream).poll_read(context, into),
        }
    }
}

impl AsyncWrite for Connection {
    fn poll_write(self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        match self.get_mut() {
            Self::Serial(stream) => Pin::new(stream).poll_write(context, from),
            Self::Tcp(stream) => Pin::new(stream).poll_write(context, from),
        }
    }

    /// Nothing is held back here. Waiting for a serial port to send would block the line's thread in the kernel.
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAMING: Framing = Framing { baud: 19200, parity: Parity::None, stop_bits: 1 };

    fn refused(path: &Path) -> String {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_io().build().expect("a runtime can be had in a test");
        let _inside = runtime.enter();
        open_serial(path, FRAMING).expect_err("this port cannot be opened").to_string()
    }

    #[test]
    fn a_missing_port_and_a_plain_file_are_told_apart() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let missing = folder.path().join("no-port");
        assert!(refused(&missing).starts_with("there is no port"), "{}", refused(&missing));
        let file = folder.path().join("file");
        std::fs::write(&file, "").expect("a file in the test's own folder");
        assert!(refused(&file).ends_with("is not a serial port"), "{}", refused(&file));
        assert!(refused(folder.path()).ends_with("is not a serial port"), "{}", refused(folder.path()));
    }

    #[test]
    fn errors_name_the_remedy() {
        let path = Path::new("/dev/ttyUSB0").to_owned();
        let said = [
            PortError::Busy(path.clone()),
            PortError::Forbidden { path: path.clone(), group: Some("dialout".to_owned()) },
            PortError::Forbidden { path: path.clone(), group: None },
            PortError::BaudRefused { path: path.clone(), baud: 250_000, actual: Some(230_400) },
            PortError::Missing(path),
            PortError::Gateway { address: "192.0.2.10:502".to_owned(), error: io::ErrorKind::ConnectionRefused.into() },
            PortError::Gateway { address: "192.0.2.10:502".to_owned(), error: io::ErrorKind::TimedOut.into() },
        ]
        .map(|error| error.to_string());
        insta::assert_snapshot!(said.join("\n"), @r"
        another program holds the port /dev/ttyUSB0; `fuser -v /dev/ttyUSB0` says which
        this user may not open the port /dev/ttyUSB0; join its group with `sudo usermod -aG dialout $USER` and log in again
        this user may not open the port /dev/ttyUSB0; it belongs to another user, and to no group that may open it
        the port /dev/ttyUSB0 does not run at 250000 baud; it would run at 230400
        there is no port /dev/ttyUSB0; ports of this machine are listed by `ls /dev/serial/by-id /dev/tty[SUA]*`
        the gateway 192.0.2.10:502 cannot be reached: nothing there listens on that port; look the port up in its settings
        the gateway 192.0.2.10:502 cannot be reached: it does not answer; look at its address, its supply and the network
        ");
    }

    #[tokio::test]
    async fn a_gateway_that_goes_without_a_word_is_asked_about() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port of this machine");
        let address = listener.local_addr().expect("it is bound").to_string();
        let opened = open_gateway(&address).await.expect("somebody listens");
        let Connection::Tcp(stream) = opened.connection else { panic!("a gateway is no serial port") };
        assert_eq!(sockopt::socket_keepalive(&stream), Ok(true));
        assert_eq!(sockopt::tcp_keepidle(&stream), Ok(ASKED_ABOUT_AFTER));
        let at_most = ASKED_ABOUT_AFTER + ASKED_ABOUT_EVERY * ASKED_ABOUT;
        assert!(at_most <= Duration::from_secs(60), "known within a minute");
    }

    #[test]
    fn groups_are_found_by_number() {
        let groups = "root:x:0:\ndialout:x:20:alice,bob\nuucp:x:10:\n";
        assert_eq!(group_name(groups, 20).as_deref(), Some("dialout"));
        assert_eq!(group_name(groups, 5), None);
    }
}
