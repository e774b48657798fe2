//! One number in a file of this machine, and what kind of number belongs there.

use std::fmt;
use std::io::Read;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::OFlags;
use tallywell_witness::declared::{Entry, ValueType};
use tallywell_witness::units::Dimension;

/// A number takes less than this, and no more is read; a file that holds more is not one of these.
const LONGEST_NUMBER: u64 = 64;
/// So much of what a file holds is quoted.
const QUOTED: usize = 24;
/// No loop carries more, in milliamperes: the 24 V that commonly feed it drive so much through 240 ohms and nothing else
/// (common practice, no source), and a transmitter at fault less than 30.
const MOST_CURRENT_MA: f64 = 100.0;

/// What a file is to hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Holds {
    /// Any number.
    Number,
    /// The current of a loop, in milliamperes.
    Current,
    /// A count, which is never negative and has no fraction.
    Count,
}

impl Holds {
    /// What a file holds that is read as this entry.
    #[must_use]
    pub fn of(entry: &Entry) -> Self {
        match (entry.unit.dimension, entry.value_type) {
            (Dimension::Current, _) => Self::Current,
            (_, ValueType::U64) => Self::Count,
            _ => Self::Number,
        }
    }

    fn read(self, text: &str) -> Option<f64> {
        if self == Self::Count {
            return text.parse::<u64>().ok().map(|count| count as f64);
        }
        // Rust reads "nan" and "inf" as numbers; from a current input they are none.
        let number: f64 = text.parse().ok()?;
        (number.is_finite() && (self == Self::Number || number.abs() <= MOST_CURRENT_MA)).then_some(number)
    }
}

impl fmt::Display for Holds {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number => out.write_str("a number"),
            Self::Current => {
                write!(out, "the current of a loop in mA, a number from -{MOST_CURRENT_MA} to {MOST_CURRENT_MA}")
            }
            Self::Count => write!(out, "a count, a whole number from 0 to {}", u64::MAX),
        }
    }
}

/// Why a file gave no number.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// It could not be read.
    #[error("cannot read {}", .path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A pipe, a folder or a device stands in its place.
    #[error("{} is not a file: expected one that holds {expected}", .path.display())]
    NotAFile {
        /// The path.
        path: PathBuf,
        /// What belongs there.
        expected: Holds,
    },
    /// It holds something else.
    #[error("{} holds {found:?}, which is not a number: expected {expected}", .path.display())]
    NotANumber {
        /// The file.
        path: PathBuf,
        /// The beginning of what it holds.
        found: String,
        /// What belongs there.
        expected: Holds,
    },
    /// It holds a number that cannot be what it is to hold.
    #[error("{} holds {found}, which cannot be: expected {expected}", .path.display())]
    Absurd {
        /// The file.
        path: PathBuf,
        /// What it holds.
        found: String,
        /// What belongs there.
        expected: Holds,
    },
    /// The system does not answer.
    #[error(
        "reading {} takes longer than {} s: what stands behind it hangs, a driver or the mount of another machine; it is \
         tried again, less and less often", .path.display(), .after.as_secs()
    )]
    Hangs {
        /// The file.
        path: PathBuf,
        /// How long was waited.
        after: Duration,
    },
}

/// Reads one number from a file. It may take as long as what stands behind the file wants; a pipe in its place is not waited
/// for.
///
/// # Errors
/// When the file cannot be read or does not hold exactly one number that can be what `expected` says.
pub fn read_number(path: &Path, expected: Holds) -> Result<f64, FileError> {
    let unreadable = |source| FileError::Unreadable { path: path.to_owned(), source };
    // Without waiting for somebody at a pipe's other end, and without becoming a terminal's owner.
    let flags = i32::try_from((OFlags::NONBLOCK | OFlags::NOCTTY).bits()).unwrap_or_default();
    let file = std::fs::OpenOptions::new().read(true).custom_flags(flags).open(path).map_err(unreadable)?;
    if !file.metadata().map_err(unreadable)?.is_file() {
        return Err(FileError::NotAFile { path: path.to_owned(), expected });
    }
    let mut bytes = Vec::new();
    file.take(LONGEST_NUMBER).read_to_end(&mut bytes).map_err(unreadable)?;
    let text = String::from_utf8_lossy(&bytes);
    let text = text.trim();
    let is_cut = bytes.len() as u64 == LONGEST_NUMBER;
    expected.read(text).filter(|_| !is_cut).ok_or_else(|| {
        let (path, found) = (path.to_owned(), text.chars().take(QUOTED).collect());
        let is_number = !is_cut && text.parse::<f64>().is_ok_and(f64::is_finite);
        if is_number {
            FileError::Absurd { path, found, expected }
        } else {
            FileError::NotANumber { path, found, expected }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holding(text: &str, expected: Holds) -> Result<f64, String> {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("in");
        std::fs::write(&file, text).unwrap();
        let shown = file.display().to_string();
        read_number(&file, expected).map_err(|error| error.to_string().replace(&shown, "FILE"))
    }

    #[test]
    fn numbers_as_the_kernel_writes_them() {
        for (text, expected, value) in [
            ("1234\n", Holds::Count, 1234.0),
            ("0\n", Holds::Count, 0.0),
            ("18446744073709551615\n", Holds::Count, 18_446_744_073_709_551_615.0),
            ("11.482666015\n", Holds::Current, 11.482_666_015),
            ("-0.5", Holds::Current, -0.5),
            ("1e6", Holds::Number, 1e6),
        ] {
            assert_eq!(holding(text, expected), Ok(value), "{text}");
        }
    }

    #[test]
    fn what_cannot_be_is_told_with_what_was_expected() {
        let count = "a count, a whole number from 0 to 18446744073709551615";
        for text in ["-5", "12.7", "1e30", "18446744073709551616"] {
            assert_eq!(
                holding(text, Holds::Count),
                Err(format!("FILE holds {text}, which cannot be: expected {count}"))
            );
        }
        let current = "the current of a loop in mA, a number from -100 to 100";
        for text in ["1e30", "-101", "12000"] {
            assert_eq!(
                holding(text, Holds::Current),
                Err(format!("FILE holds {text}, which cannot be: expected {current}"))
            );
        }
        for text in ["no device\n", "nan", "inf", "", "7 7"] {
            let said = holding(text, Holds::Count);
            let quoted = text.trim();
            assert_eq!(said, Err(format!("FILE holds {quoted:?}, which is not a number: expected {count}")));
        }
        let long = holding(&"7".repeat(500), Holds::Number).unwrap_err();
        assert!(long.starts_with("FILE holds \"777777777777777777777777\", which is not"), "{long}");
    }

    #[test]
    fn what_is_no_file_is_not_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        rustix::fs::mkfifoat(rustix::fs::CWD, &pipe, rustix::fs::Mode::RUSR).unwrap();
        for place in [&pipe, folder.path()] {
            let said = read_number(place, Holds::Count).unwrap_err().to_string();
            assert!(said.contains(" is not a file: expected one that holds a count"), "{said}");
        }
        let absent = read_number(&folder.path().join("absent"), Holds::Count).unwrap_err();
        assert!(absent.to_string().starts_with("cannot read"));
    }
}
