//! A scenario: the world of a test in a short TOML file, made into a wire that can run.

mod build;
mod direct;
mod faults;
mod hands;
mod usual;
mod written;

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

pub use self::direct::Stretch;
pub use self::hands::{Hands, NoSuchMeter};

use self::build::Builder;
use self::written::Written;
use crate::fault::Injected;
use crate::wire::Wire;

/// A wire made from a scenario file, ready to run once.
pub struct Scenario {
    /// What the file says of itself.
    pub about: String,
    /// The wire with its slaves, faults and strangers.
    pub wire: Wire,
    /// When the port is pulled out and put back, from the start of the wire.
    pub absences: Vec<Range<Duration>>,
    /// What its faults will have done.
    pub injected: Injected,
    /// The devices by name, with their addresses.
    pub devices: Vec<(String, u8)>,
    /// What can be done to its meters while it runs.
    pub hands: Hands,
}

/// What is wrong with a scenario file.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// It cannot be read.
    #[error("cannot read the scenario {}", file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is not TOML, or has a key that no scenario has, or lacks one.
    #[error("{name}: {}", error.to_string().trim_end())]
    Syntax {
        /// The file's name.
        name: String,
        /// Where and what. Its text is in this error's own: it is no source of it.
        error: Box<toml::de::Error>,
    },
    /// It says what cannot be; all of it at once.
    #[error("{name}: {}", listed(faults))]
    Nonsense {
        /// The file's name.
        name: String,
        /// One sentence for each thing wrong.
        faults: Vec<String>,
    },
}

fn listed(faults: &[String]) -> String {
    let mut text = String::new();
    for (number, fault) in faults.iter().enumerate() {
        let separator = if number == 0 { "" } else { "\n  " };
        // Writing to a string cannot fail.
        let _ = write!(text, "{separator}{fault}");
    }
    text
}

impl Scenario {
    /// Reads a scenario file.
    ///
    /// # Errors
    /// The file cannot be read, is no scenario, or says what cannot be.
    pub fn load(file: &Path) -> Result<Self, ScenarioError> {
        let text =
            fs::read_to_string(file).map_err(|source| ScenarioError::Unreadable { file: file.to_owned(), source })?;
        Self::parse(&text, &file.display().to_string())
    }

    /// Makes a wire of a scenario's text; `name` stands in errors.
    ///
    /// # Errors
    /// The text is no scenario, or says what cannot be.
    pub fn parse(text: &str, name: &str) -> Result<Self, ScenarioError> {
        let written = read(text, name)?;
        Builder::new(&written).build().map_err(|faults| ScenarioError::Nonsense { name: name.to_owned(), faults })
    }
}

fn read(text: &str, name: &str) -> Result<Written, ScenarioError> {
    let mut written: Written = toml::from_str(text)
        .map_err(|error| ScenarioError::Syntax { name: name.to_owned(), error: Box::new(error) })?;
    if written.usual_devices {
        usual::add_devices(&mut written);
    }
    Ok(written)
}

#[cfg(test)]
mod tests;
