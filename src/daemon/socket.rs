//! The local socket of a running daemon: how `read`, `trial`, `note` and `watch` work while it holds port and store.
//!
//! It lies beside the store, belongs to the daemon's user alone (mode 0600), and speaks JSON, a line each way: one
//! [`Request`], then any number of answers, each `{"value": ...}`, closed by `{"done": true}` or `{"error": TEXT}`.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use tallywell_witness::declared::Table;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixListener;
use tokio::sync::mpsc;

/// A request longer than this is nobody's.
const LONGEST_REQUEST: u64 = 64 * 1024;
/// Answers that may wait for a slow reader before it is let go.
const ANSWERS_WAITING: usize = 64;
/// The system's limit on a socket's path, one byte less for its end.
const LONGEST_PATH: usize = 107;

/// What can be asked of a running daemon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "ask", deny_unknown_fields)]
pub enum Request {
    /// Read one device now, through the line that the daemon holds.
    Read {
        /// The device's name.
        device: String,
        /// Table, address and count, instead of the device's map.
        raw: Option<(Table, u16, u16)>,
    },
    /// Ask one device what it is; the answer is its words, or null.
    Identify {
        /// The device's name.
        device: String,
    },
    /// Keep a note; the store has one writer.
    Note {
        /// The note as the `note` command made it.
        note: Value,
    },
    /// The live state, now and at every change, until the asker goes away.
    Watch,
}

/// One line of an answer.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Answer {
    Value(Value),
    Done(bool),
    Error(String),
}

/// A request and where its answers go. Dropping it without an error ends the answer well.
#[derive(Debug)]
pub struct Asked {
    /// What was asked.
    pub request: Request,
    answers: mpsc::Sender<Answer>,
}

impl Asked {
    /// Sends one value; false when the asker has gone or does not keep up.
    pub fn value(&self, value: Value) -> bool {
        self.answers.try_send(Answer::Value(value)).is_ok()
    }

    /// Says that it could not be done, and ends.
    pub fn refuse(self, why: impl ToString) {
        let _ = self.answers.try_send(Answer::Error(why.to_string()));
    }
}

/// Why the socket cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// Nobody listens: no daemon runs on this store.
    #[error("no daemon runs on this store")]
    NoDaemon,
    /// The daemon said no.
    #[error("{0}")]
    Refused(String),
    /// The path cannot be a socket's.
    #[error("the path {} is longer than a socket's may be ({LONGEST_PATH} bytes); give the store a shorter path", .0.display())]
    TooLong(PathBuf),
    /// Something else.
    #[error("the daemon's socket {}", .path.display())]
    Failed {
        /// The socket.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Where the socket of a store lies.
#[must_use]
pub fn path_beside(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(".socket");
    PathBuf::from(name)
}

/// The listening end. The file goes when this is dropped.
#[derive(Debug)]
pub struct Socket {
    path: PathBuf,
    task: tokio::task::JoinHandle<()>,
}

impl Drop for Socket {
    fn drop(&mut self) {
        self.task.abort();
        let _ = std::fs::remove_file(&self.path);
    }
}

impl Socket {
    /// Listens at `path` and gives each request to `asked`. The caller holds the store's lock, so that a file found at
    /// the path was left behind by a daemon that died.
    ///
    /// # Errors
    /// When the path is too long, or the folder is not ours to write to.
    pub fn listen(path: PathBuf, asked: mpsc::Sender<Asked>) -> Result<Self, SocketError> {
        if path.as_os_str().len() > LONGEST_PATH {
            return Err(SocketError::TooLong(path));
        }
        let failed = |source| SocketError::Failed { path: path.clone(), source };
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(failed(error)),
            _ => {}
        }
        let listener = UnixListener::bind(&path).map_err(failed)?;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).map_err(failed)?;
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(converse(stream, asked.clone()));
            }
        });
        Ok(Self { path, task })
    }
}

async fn converse(mut stream: tokio::net::UnixStream, asked: mpsc::Sender<Asked>) {
    let (reader, mut writer) = stream.split();
    let mut line = String::new();
    let mut reader = tokio::io::BufReader::new(reader.take(LONGEST_REQUEST));
    if !matches!(reader.read_line(&mut line).await, Ok(1..)) {
        return;
    }
    let (answers, mut waiting) = mpsc::channel(ANSWERS_WAITING);
    match serde_json::from_str(&line) {
        Ok(request) => {
            if let Err(refused) = asked.send(Asked { request, answers }).await {
                refused.0.refuse("the daemon is ending");
            }
        }
        Err(error) => {
            let _ = answers.try_send(Answer::Error(format!("not a request: {error}")));
        }
    }
    let mut refused = false;
    while let Some(answer) = waiting.recv().await {
        refused |= matches!(answer, Answer::Error(_));
        if send(&mut writer, &answer).await.is_err() {
            return;
        }
    }
    if !refused {
        let _ = send(&mut writer, &Answer::Done(true)).await;
    }
}

async fn send(writer: &mut (impl AsyncWriteExt + Unpin), answer: &Answer) -> std::io::Result<()> {
    let mut line = serde_json::to_vec(answer)?;
    line.push(b'\n');
    writer.write_all(&line).await
}

/// Whether a daemon listens there.
///
/// # Errors
/// The socket is there and may not be used.
pub fn is_answered(path: &Path) -> Result<bool, SocketError> {
    match UnixStream::connect(path) {
        Ok(_) => Ok(true),
        Err(error) => match error.kind() {
            std::io::ErrorKind::NotFound | std::io::ErrorKind::ConnectionRefused => Ok(false),
            _ => Err(SocketError::Failed { path: path.to_owned(), source: error }),
        },
    }
}

/// Asks a running daemon, and gives each value of its answer to `each` until that returns false.
///
/// # Errors
/// [`SocketError::NoDaemon`] when none listens; what the daemon said, when it refused.
pub fn ask(
    path: &Path,
    request: &Request,
    patience: Option<Duration>,
    mut each: impl FnMut(Value) -> bool,
) -> Result<(), SocketError> {
    let failed = |source| SocketError::Failed { path: path.to_owned(), source };
    let mut stream = UnixStream::connect(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound | std::io::ErrorKind::ConnectionRefused => SocketError::NoDaemon,
        _ => failed(error),
    })?;
    stream.set_read_timeout(patience).map_err(failed)?;
    let mut line = serde_json::to_vec(request).map_err(|error| failed(error.into()))?;
    line.push(b'\n');
    stream.write_all(&line).map_err(failed)?;
    for line in BufReader::new(stream).lines() {
        match serde_json::from_str(&line.map_err(failed)?).map_err(|error| failed(error.into()))? {
            Answer::Value(value) => {
                if !each(value) {
                    return Ok(());
                }
            }
            Answer::Done(_) => return Ok(()),
            Answer::Error(why) => return Err(SocketError::Refused(why)),
        }
    }
    Err(SocketError::Refused("the daemon ended before it had answered".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn in_background(path: &Path, request: Request) -> tokio::task::JoinHandle<(Result<(), SocketError>, Vec<Value>)> {
        let path = path.to_owned();
        tokio::task::spawn_blocking(move || {
            let mut values = Vec::new();
            let result = ask(&path, &request, Some(Duration::from_secs(20)), |value| {
                values.push(value);
                true
            });
            (result, values)
        })
    }

    #[tokio::test]
    async fn a_request_gets_its_answers_and_an_end() {
        let folder = tempfile::tempdir().unwrap();
        let path = path_beside(&folder.path().join("site.db"));
        let (sender, mut requests) = mpsc::channel(4);
        let socket = Socket::listen(path.clone(), sender).unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);

        let request = Request::Read { device: "bore-1".to_owned(), raw: Some((Table::Holding, 0, 4)) };
        let asker = in_background(&path, request.clone());
        let asked = requests.recv().await.unwrap();
        assert_eq!(asked.request, request);
        assert!(asked.value(serde_json::json!(1)) && asked.value(serde_json::json!(2)));
        drop(asked);
        let (result, values) = asker.await.unwrap();
        result.unwrap();
        assert_eq!(values, [serde_json::json!(1), serde_json::json!(2)]);

        let asker = in_background(&path, Request::Watch);
        requests.recv().await.unwrap().refuse("not now");
        assert!(matches!(asker.await.unwrap().0, Err(SocketError::Refused(why)) if why == "not now"));

        drop(socket);
        assert!(!path.exists());
        assert!(matches!(ask(&path, &Request::Watch, None, |_| true), Err(SocketError::NoDaemon)));
    }

    #[tokio::test]
    async fn nonsense_is_refused_and_a_dead_socket_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s");
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        assert!(path.exists(), "a daemon that died leaves its socket behind");
        let (sender, _requests) = mpsc::channel(4);
        let _socket = Socket::listen(path.clone(), sender).unwrap();
        let said = tokio::task::spawn_blocking(move || {
            let mut stream = UnixStream::connect(path).unwrap();
            stream.write_all(b"{\"ask\":\"write\"}\n").unwrap();
            let mut said = String::new();
            BufReader::new(stream).read_line(&mut said).unwrap();
            said
        })
        .await
        .unwrap();
        assert!(said.starts_with("{\"error\":\"not a request: unknown variant `write`"), "{said}");
    }
}
