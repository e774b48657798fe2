//! Witnesses that are files of this machine: a Linux counter (`.../count`) or analogue input (`.../in_current0_input`).
//!
//! Every file has a thread of its own, and another that reads, because a read from a kernel driver or a mounted folder can
//! hang: it is given up after a time-out, costs that witness its readings and nobody else's, and is tried again by a new
//! thread. By the kernel's ABI an `in_currentN_input` file holds milliamperes and a counter's `count` file holds the count,
//! each as one number in ASCII.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use super::file_number::{FileError, Holds, read_number};

/// The shortest period of a file that is read "as fast as possible".
const SHORTEST_PERIOD: Duration = Duration::from_millis(100);
/// The slowest converters take a second for a number.
const TIME_OUT: Duration = Duration::from_secs(5);
/// A thread whose read hangs cannot be ended. So many of them, and no other is begun until one has come back.
const MOST_HANGING: usize = 8;

/// One attempt to read a file.
#[derive(Debug)]
pub struct FileReading {
    /// The file.
    pub path: PathBuf,
    /// The number, or why there is none.
    pub value: Result<f64, FileError>,
    /// Just before the read.
    pub asked: Instant,
    /// Just after it.
    pub answered: Instant,
}

type Read = dyn Fn(&Path) -> Result<f64, FileError> + Send + Sync;

/// Reads one file, each time within a time-out.
pub struct FileReader {
    path: PathBuf,
    read: Arc<Read>,
    time_out: Duration,
    reading: Option<ReadingThread>,
    /// Threads that were given up.
    hanging: Vec<JoinHandle<()>>,
    /// A new one is begun at this time, or once one of them has come back.
    next_try: Instant,
    pause: Duration,
}

/// A thread that reads once each time that it is asked.
struct ReadingThread {
    ask: SyncSender<()>,
    answers: Receiver<Result<f64, FileError>>,
    thread: JoinHandle<()>,
}

impl FileReader {
    /// For a file that is to hold such a number.
    #[must_use]
    pub fn new(path: PathBuf, holds: Holds) -> Self {
        Self::with(path, TIME_OUT, Arc::new(move |path: &Path| read_number(path, holds)))
    }

    fn with(path: PathBuf, time_out: Duration, read: Arc<Read>) -> Self {
        let (hanging, next_try) = (Vec::new(), Instant::now());
        Self { path, read, time_out, reading: None, hanging, next_try, pause: time_out }
    }

    /// The number now. While reads hang this returns at once between two tries, each after twice the time of the one before.
    ///
    /// # Errors
    /// There is none, or the read takes too long.
    pub fn read(&mut self) -> Result<f64, FileError> {
        let before = self.hanging.len();
        self.hanging.retain(|thread| !thread.is_finished());
        let is_back = self.hanging.len() < before;
        if is_back {
            self.pause = self.time_out;
        }
        let hangs = || FileError::Hangs { path: self.path.clone(), after: self.time_out };
        let waits = !self.hanging.is_empty() && self.reading.is_none() && !is_back && Instant::now() < self.next_try;
        if waits || self.hanging.len() >= MOST_HANGING {
            return Err(hangs());
        }
        let failed = |source| FileError::Unreadable { path: self.path.clone(), source };
        let reading = match self.reading.take() {
            Some(reading) => reading,
            None => self.begin().map_err(failed)?,
        };
        let lost = || failed(std::io::Error::other("the thread that reads it has ended"));
        reading.ask.send(()).map_err(|_| lost())?;
        match reading.answers.recv_timeout(self.time_out) {
            Ok(answer) => {
                self.reading = Some(reading);
                answer
            }
            Err(RecvTimeoutError::Disconnected) => Err(lost()),
            Err(RecvTimeoutError::Timeout) => {
                let error = hangs();
                // It ends by itself when its read comes back, as nobody asks or listens any more.
                self.hanging.push(reading.thread);
                self.next_try = Instant::now() + self.pause;
                self.pause *= 2;
                Err(error)
            }
        }
    }

    fn begin(&self) -> std::io::Result<ReadingThread> {
        let (path, read) = (self.path.clone(), Arc::clone(&self.read));
        let (ask, asked) = sync_channel(1);
        let (answer, answers) = sync_channel(1);
        let thread = Builder::new().name("file reader".to_owned()).spawn(move || {
            while let Ok(()) = asked.recv() {
                if answer.send(read(&path)).is_err() {
                    break;
                }
            }
        })?;
        Ok(ReadingThread { ask, answers, thread })
    }
}

/// The thread that has one file read; it ends at the next period after this is dropped.
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
        holds: Holds,
        every: Duration,
        sink: impl FnMut(FileReading) + Send + 'static,
    ) -> std::io::Result<Self> {
        Self::run(FileReader::new(path, holds), every, sink)
    }

    fn run(
        mut reader: FileReader,
        every: Duration,
        mut sink: impl FnMut(FileReading) + Send + 'static,
    ) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let every = every.max(SHORTEST_PERIOD);
        Builder::new().name("file source".to_owned()).spawn(move || {
            let mut due = Instant::now();
            while !stopped.load(Ordering::Relaxed) {
                let asked = Instant::now();
                let value = reader.read();
                sink(FileReading { path: reader.path.clone(), value, asked, answered: Instant::now() });
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
    use std::sync::atomic::AtomicUsize;
    use std::sync::{Condvar, Mutex};

    use super::*;

    #[test]
    fn a_file_is_read_again_and_again_until_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("count");
        std::fs::write(&file, "1").unwrap();
        let (sender, receiver) = std::sync::mpsc::channel();
        let source = FileSource::start(file.clone(), Holds::Count, Duration::ZERO, move |reading| {
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

    const TIME_OUT: Duration = Duration::from_millis(150);

    /// What stands behind a file, which hangs for whom it likes: reads that began while it hung never come back by themselves.
    #[derive(Default)]
    struct Behind {
        begun: AtomicUsize,
        hangs: AtomicBool,
        let_go: (Mutex<bool>, Condvar),
    }

    impl Behind {
        fn reader(self: &Arc<Self>) -> FileReader {
            let behind = Arc::clone(self);
            let read = move |_: &Path| {
                let begun = behind.begun.fetch_add(1, Ordering::SeqCst) + 1;
                if behind.hangs.load(Ordering::SeqCst) {
                    let (is_free, freed) = &behind.let_go;
                    drop(freed.wait_while(is_free.lock().unwrap(), |is_free| !*is_free));
                }
                Ok(begun as f64)
            };
            FileReader::with("count".into(), TIME_OUT, Arc::new(read))
        }

        fn begun(&self) -> usize {
            self.begun.load(Ordering::SeqCst)
        }

        fn hang(&self, hangs: bool) {
            self.hangs.store(hangs, Ordering::SeqCst);
        }

        fn let_go(&self) {
            *self.let_go.0.lock().unwrap() = true;
            self.let_go.1.notify_all();
        }
    }

    /// Reads until a number comes.
    fn until_read(reader: &mut FileReader) -> f64 {
        for _ in 0..10_000 {
            if let Ok(value) = reader.read() {
                return value;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        panic!("it is never read again");
    }

    #[test]
    fn a_read_that_hangs_is_given_up_and_a_new_thread_reads_on_although_it_never_comes_back() {
        let behind = Arc::new(Behind::default());
        let mut reader = behind.reader();
        assert_eq!(reader.read().unwrap(), 1.0);
        behind.hang(true);
        let said = reader.read().unwrap_err();
        assert!(matches!(said, FileError::Hangs { .. }), "{said}");
        behind.hang(false);
        assert_eq!(until_read(&mut reader), 3.0);
        assert_eq!((reader.read().unwrap(), reader.hanging.len()), (4.0, 1));
        behind.let_go();
    }

    #[test]
    fn only_so_many_reads_hang_and_one_that_comes_back_is_reason_to_try_again() {
        let behind = Arc::new(Behind::default());
        let mut reader = behind.reader();
        behind.hang(true);
        while reader.hanging.len() < MOST_HANGING {
            let said = reader.read().unwrap_err();
            assert!(matches!(said, FileError::Hangs { .. }), "{said}");
            // Each try waits twice as long as the one before; the test does not.
            reader.next_try = Instant::now();
        }
        for _ in 0..20 {
            assert!(reader.read().is_err());
        }
        assert_eq!(behind.begun(), MOST_HANGING);
        behind.hang(false);
        behind.let_go();
        assert!(until_read(&mut reader) > MOST_HANGING as f64);
    }

    #[test]
    fn between_two_tries_nobody_waits() {
        let behind = Arc::new(Behind::default());
        let mut reader = behind.reader();
        behind.hang(true);
        assert!(reader.read().is_err());
        reader.next_try += Duration::from_secs(3600);
        for _ in 0..50 {
            assert!(reader.read().is_err());
        }
        assert_eq!(behind.begun(), 1, "none of them began a read");
        behind.let_go();
    }
}
