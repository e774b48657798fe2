//! Witnesses that are files of this machine: a Linux counter (`.../count`) or analogue input (`.../in_current0_input`).
//!
//! Every file has a thread of its own, because a read from a kernel driver can take long or hang; a hung read then
//! costs that witness its readings and nobody else's. By the kernel's ABI an `in_currentN_input` file holds milliamperes
//! and a counter's `count` file holds the count, each as one number in ASCII.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// A number takes less than this; a file that holds more is not one of these.
const LONGEST_NUMBER: u64 = 64;
/// The shortest period of a file that is read "as fast as possible".
const SHORTEST_PERIOD: Duration = Duration::from_millis(100);

/// Why a file gave no number.
#[derive(Debug, thiserror::Error)]
pub enum FileSourceError {
    /// It could not be read.
    #[error("cannot read {}", .path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// It holds something else.
    #[error("{} holds {found:?}, which is not a number", .path.display())]
    NotANumber {
        /// The file.
        path: PathBuf,
        /// The beginning of what it holds.
        found: String,
    },
}

/// One attempt to read a file.
#[derive(Debug)]
pub struct FileReading {
    /// The file.
    pub path: PathBuf,
    /// The number, or why there is none.
    pub value: Result<f64, FileSourceError>,
    /// Just before the read.
    pub asked: Instant,
    /// Just after it.
    pub answered: Instant,
}

/// Reads one number from a file.
///
/// # Errors
/// When the file cannot be read or does not hold exactly one number.
pub fn read_number(path: &Path) -> Result<f64, FileSourceError> {
    let mut text = String::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LONGEST_NUMBER).read_to_string(&mut text))
        .map_err(|source| FileSourceError::Unreadable { path: path.to_owned(), source })?;
    // Rust reads "nan" and "inf" as numbers; from a counter or a current input they are none.
    text.trim().parse().ok().filter(|number: &f64| number.is_finite()).ok_or_else(|| FileSourceError::NotANumber {
        path: path.to_owned(),
        found: text.trim().chars().take(24).collect(),
    })
}

/// The thread that reads one file; it ends at the next period after this is dropped.
#[derive(Debug)]
pub struct FileSource {
    stop: Arc<AtomicBool>,
}

impl FileSource {
    /// Starts to read `path` once a period, and gives each attempt to `sink` on the reading thread.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        path: PathBuf,
        every: Duration,
        mut sink: impl FnMut(FileReading) + Send + 'static,
    ) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let every = every.max(SHORTEST_PERIOD);
        std::thread::Builder::new().name("file source".to_owned()).spawn(move || {
            let mut due = Instant::now();
            while !stopped.load(Ordering::Relaxed) {
                let asked = Instant::now();
                let value = read_number(&path);
                sink(FileReading { path: path.clone(), value, asked, answered: Instant::now() });
                // Periods missed while a read hung are skipped, not made up for.
                while due <= Instant::now() {
                    due += every;
                }
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
            }
        })?;
        Ok(Self { stop })
    }
}

impl Drop for FileSource {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_as_the_kernel_writes_them() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("count");
        for (text, value) in [("1234\n", 1234.0), ("11.482666015\n", 11.482_666_015), ("-0.5", -0.5)] {
            std::fs::write(&file, text).unwrap();
            assert_eq!(read_number(&file).unwrap(), value);
        }
    }

    #[test]
    fn what_is_no_number_is_quoted() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("count");
        std::fs::write(&file, "no device\n").unwrap();
        let said = read_number(&file).unwrap_err().to_string();
        assert!(said.ends_with("holds \"no device\", which is not a number"), "{said}");
        std::fs::write(&file, "nan").unwrap();
        assert!(read_number(&file).is_err());
        std::fs::write(&file, "7 ".repeat(500)).unwrap();
        assert!(read_number(&file).is_err());
        assert!(read_number(&folder.path().join("absent")).unwrap_err().to_string().starts_with("cannot read"));
    }

    #[test]
    fn a_file_is_read_again_and_again_until_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("count");
        std::fs::write(&file, "1").unwrap();
        let (sender, receiver) = std::sync::mpsc::channel();
        let source = FileSource::start(file.clone(), Duration::ZERO, move |reading| {
            let _ = sender.send(reading.value.unwrap());
        })
        .unwrap();
        assert_eq!(receiver.recv().unwrap(), 1.0);
        // Replaced in one step: a reader must never meet a half-written file.
        let next = folder.path().join("next");
        std::fs::write(&next, "2").unwrap();
        std::fs::rename(next, file).unwrap();
        assert!(receiver.iter().any(|value| value == 2.0));
        drop(source);
        assert!(receiver.iter().all(|value| value == 2.0), "the channel closes when the thread ends");
    }
}
