//! The notice program: one JSON object on its standard input for each event and disagreement that begins or ends.
//!
//! The program is run once for each notice, one after the other, so that it sees them in order. One that hangs is ended
//! after [`PATIENCE`]; while it hangs, [`QUEUE`] notices wait and later ones are counted and dropped.

use std::process::{ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::io::AsyncWriteExt;
use tokio::process::Command;
use tokio::sync::mpsc;

/// How long one run of the program may take.
pub const PATIENCE: Duration = Duration::from_secs(30);
/// How many notices may wait for the program.
pub const QUEUE: usize = 256;

/// Where the daemon puts its notices. Cheap to clone; never blocks.
#[derive(Clone, Debug)]
pub struct Notices {
    queue: mpsc::Sender<String>,
    dropped: Arc<AtomicU64>,
}

/// Why a notice did not reach anybody.
#[derive(Debug, thiserror::Error)]
enum NoticeError {
    #[error("cannot start `{program}`")]
    Start { program: String, source: std::io::Error },
    #[error("`{program}` did not end within {} s and was stopped", PATIENCE.as_secs())]
    Hung { program: String },
    #[error("`{program}` ended with {status}{}", quoted(.said))]
    Failed { program: String, status: ExitStatus, said: String },
    #[error("lost touch with `{program}`")]
    Lost { program: String, source: std::io::Error },
}

fn quoted(said: &str) -> String {
    match said.lines().next() {
        Some(line) => format!(", saying: {line}"),
        None => String::new(),
    }
}

impl Notices {
    /// Starts the task that runs the program; it ends, after the notices that wait, when every clone is dropped.
    ///
    /// `command` is the program and its arguments; it must not be empty, which the site file's check ensures.
    #[must_use]
    pub fn start(command: Vec<String>) -> (Self, tokio::task::JoinHandle<()>) {
        let (queue, waiting) = mpsc::channel(QUEUE);
        let dropped = Arc::new(AtomicU64::new(0));
        let task = tokio::spawn(deliver(command, waiting, PATIENCE));
        (Self { queue, dropped }, task)
    }

    /// Queues one notice, or counts it as dropped when the program has fallen too far behind.
    pub fn send(&self, notice: &serde_json::Value) {
        if self.queue.try_send(notice.to_string()).is_err() {
            let dropped = self.dropped.fetch_add(1, Ordering::Relaxed) + 1;
            if dropped.is_power_of_two() {
                tracing::warn!(dropped, "the notice program does not keep up; notices are dropped");
            }
        }
    }

    /// How many notices found the queue full.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

async fn deliver(command: Vec<String>, mut waiting: mpsc::Receiver<String>, patience: Duration) {
    let mut failing = false;
    while let Some(notice) = waiting.recv().await {
        match run_once(&command, &notice, patience).await {
            Ok(()) => {
                if failing {
                    tracing::info!("the notice program works again");
                }
                failing = false;
            }
            Err(error) => {
                let because = std::error::Error::source(&error).map(ToString::to_string);
                tracing::error!(because, notice, "notice not delivered: {error}");
                failing = true;
            }
        }
    }
}

async fn run_once(command: &[String], notice: &str, patience: Duration) -> Result<(), NoticeError> {
    let Some((program, arguments)) = command.split_first() else {
        return Ok(());
    };
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(|source| NoticeError::Start { program: program.clone(), source })?;
    let stdin = child.stdin.take();
    let line = format!("{notice}\n");
    let whole_run = async {
        if let Some(mut stdin) = stdin {
            // A program that does not read its input is not at fault for that.
            let _ = stdin.write_all(line.as_bytes()).await;
        }
        child.wait_with_output().await
    };
    match tokio::time::timeout(patience, whole_run).await {
        Err(_) => Err(NoticeError::Hung { program: program.clone() }),
        Ok(Err(source)) => Err(NoticeError::Lost { program: program.clone(), source }),
        Ok(Ok(output)) if output.status.success() => Ok(()),
        Ok(Ok(output)) => Err(NoticeError::Failed {
            program: program.clone(),
            status: output.status,
            said: String::from_utf8_lossy(&output.stderr).trim().to_owned(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shell(script: &str) -> Vec<String> {
        ["sh", "-c", script].map(String::from).to_vec()
    }

    #[tokio::test]
    async fn each_notice_reaches_the_program_in_order() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("told");
        let (notices, task) = Notices::start(shell(&format!("cat >> '{}'", file.display())));
        for number in 0..5 {
            notices.send(&serde_json::json!({ "number": number }));
        }
        drop(notices);
        task.await.unwrap();
        let told = std::fs::read_to_string(file).unwrap();
        assert_eq!(told, (0..5).map(|number| format!("{{\"number\":{number}}}\n")).collect::<String>());
    }

    #[tokio::test]
    async fn a_program_that_hangs_is_stopped() {
        let result = run_once(&shell("sleep 600"), "{}", Duration::from_millis(50)).await;
        assert!(matches!(result, Err(NoticeError::Hung { .. })), "{result:?}");
    }

    #[tokio::test]
    async fn a_program_that_fails_is_quoted() {
        let result = run_once(&shell("echo no modem >&2; exit 3"), "{}", PATIENCE).await;
        assert_eq!(result.unwrap_err().to_string(), "`sh` ended with exit status: 3, saying: no modem");
        let missing = run_once(&["/nowhere/tell".to_owned()], "{}", PATIENCE).await.unwrap_err();
        assert_eq!(missing.to_string(), "cannot start `/nowhere/tell`");
    }

    #[tokio::test]
    async fn a_full_queue_drops_and_counts() {
        let (notices, task) = Notices::start(shell("sleep 600"));
        for _ in 0..=QUEUE + 10 {
            notices.send(&serde_json::Value::Null);
        }
        assert!(notices.dropped() >= 10, "{}", notices.dropped());
        task.abort();
    }
}
