//! The dialogue of a trial: questions at a terminal, or answers from a file.
//!
//! Everything here goes to standard error, so that standard output holds the result alone.

use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread::Builder;
use std::time::Duration;

use anyhow::Context;

/// Why a trial stopped before its end.
#[derive(Debug, thiserror::Error)]
pub(super) enum Stopped {
    /// Ctrl-C or SIGTERM.
    #[error("it was interrupted")]
    Interrupted,
    /// Nobody answers any more.
    #[error("the input ended at the question `{0}`")]
    InputEnded(String),
    /// The file has no such answer.
    #[error("{} has no answer `{key}`: {question}", .file.display())]
    NotAnswered {
        /// The file of answers.
        file: PathBuf,
        /// The question's name.
        key: String,
        /// The question.
        question: String,
    },
    /// An answer that is not understood, from a file, where nobody can be asked again.
    #[error("the answer `{key} = {answer:?}`: {why}")]
    NotUnderstood {
        /// The question's name.
        key: String,
        /// What was answered.
        answer: String,
        /// What is wrong with it.
        why: String,
    },
    /// The devices cannot be read.
    #[error("{0:#}")]
    Reading(anyhow::Error),
}

enum Event {
    Line(String),
    Ended,
    Interrupted,
}

/// Where answers come from.
pub(super) struct Console {
    answers: Option<(PathBuf, BTreeMap<String, String>)>,
    events: Receiver<Event>,
}

impl Console {
    /// Asks at standard input.
    pub(super) fn at_a_terminal() -> anyhow::Result<Self> {
        let console = Self::new(None, true)?;
        Ok(console)
    }

    /// Takes answers from a file.
    pub(super) fn answered(file: &Path) -> anyhow::Result<Self> {
        let cannot = || format!("the answers in {} cannot be read", file.display());
        let text = std::fs::read_to_string(file).with_context(cannot)?;
        let written: BTreeMap<String, toml::Value> = toml::from_str(&text)
            .map_err(|error| anyhow::anyhow!("{}", error.to_string().trim_end()))
            .with_context(cannot)?;
        let answers = written.into_iter().map(|(key, value)| {
            let answer = match value {
                toml::Value::String(text) => text,
                toml::Value::Boolean(true) => "yes".to_owned(),
                toml::Value::Boolean(false) => "no".to_owned(),
                other => other.to_string(),
            };
            (key, answer)
        });
        Self::new(Some((file.to_owned(), answers.collect())), false)
    }

    fn new(answers: Option<(PathBuf, BTreeMap<String, String>)>, listens: bool) -> anyhow::Result<Self> {
        let (sender, events) = channel();
        let interrupts = sender.clone();
        // Before anything is asked, so that Ctrl-C never finds nobody.
        let (ready, is_ready) = channel();
        Builder::new().name("interrupts".to_owned()).spawn(move || {
            let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
            runtime.block_on(async {
                use tokio::signal::unix::{SignalKind, signal};
                let (Ok(mut terminate), Ok(mut interrupt)) =
                    (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
                else {
                    return;
                };
                let _ = ready.send(());
                while interrupts.send(Event::Interrupted).is_ok() {
                    tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
                }
            });
        })?;
        let _ = is_ready.recv();
        // The first one only says that the thread stands ready.
        let _ = events.recv();
        if listens {
            Builder::new().name("answers".to_owned()).spawn(move || {
                for line in std::io::stdin().lock().lines() {
                    let Ok(line) = line else { break };
                    if sender.send(Event::Line(line)).is_err() {
                        return;
                    }
                }
                let _ = sender.send(Event::Ended);
            })?;
        }
        Ok(Self { answers, events })
    }

    /// Says something to the person.
    #[expect(clippy::unused_self, reason = "whoever speaks has the console")]
    pub(super) fn say(&self, text: &str) {
        let mut out = std::io::stderr().lock();
        let _ = out.write_all(text.as_bytes());
        if !text.ends_with('\n') {
            let _ = out.write_all(b"\n");
        }
    }

    /// Says how far something has come, over what it said before.
    #[expect(clippy::unused_self, reason = "whoever speaks has the console")]
    pub(super) fn progress(&self, text: &str) {
        let mut out = std::io::stderr().lock();
        let _ = write!(out, "\r\x1b[K{text}");
        let _ = out.flush();
    }

    /// Somebody can be asked again.
    pub(super) const fn is_a_person(&self) -> bool {
        self.answers.is_none()
    }

    /// The answer to a question; with a default, an empty answer is that.
    pub(super) fn ask(&mut self, key: &str, question: &str, default: Option<&str>) -> Result<String, Stopped> {
        let hint = default.filter(|default| !default.is_empty()).map(|it| format!(" [{it}]")).unwrap_or_default();
        if let Some((file, answers)) = &self.answers {
            let given = answers.get(key).cloned().or_else(|| default.map(str::to_owned));
            let answer = given.ok_or_else(|| Stopped::NotAnswered {
                file: file.clone(),
                key: key.to_owned(),
                question: question.to_owned(),
            })?;
            self.say(&format!("{question}{hint}\n> {answer}"));
            return self.unless_interrupted(answer);
        }
        let mut out = std::io::stderr().lock();
        let _ = write!(out, "{question}{hint}\n> ");
        let _ = out.flush();
        drop(out);
        match self.events.recv() {
            Ok(Event::Line(line)) if line.trim().is_empty() => Ok(default.unwrap_or_default().to_owned()),
            Ok(Event::Line(line)) => Ok(line.trim().to_owned()),
            Ok(Event::Interrupted) => Err(Stopped::Interrupted),
            Ok(Event::Ended) | Err(_) => Err(Stopped::InputEnded(key.to_owned())),
        }
    }

    /// Yes or no.
    pub(super) fn agrees(&mut self, key: &str, question: &str, default: Option<bool>) -> Result<bool, Stopped> {
        let default = default.map(|yes| if yes { "yes" } else { "no" });
        self.understood(key, &format!("{question} (yes, no)"), default, |answer| match answer {
            "yes" | "y" => Ok(true),
            "no" | "n" => Ok(false),
            _ => Err("answer yes or no".to_owned()),
        })
    }

    /// An answer that has to mean something: a person is asked until it does.
    pub(super) fn understood<T>(
        &mut self,
        key: &str,
        question: &str,
        default: Option<&str>,
        mut meaning: impl FnMut(&str) -> Result<T, String>,
    ) -> Result<T, Stopped> {
        loop {
            let answer = self.ask(key, question, default)?;
            match meaning(&answer) {
                Ok(meant) => return Ok(meant),
                Err(why) if self.is_a_person() => self.say(&format!("Not understood: {why}.")),
                Err(why) => return Err(Stopped::NotUnderstood { key: key.to_owned(), answer, why }),
            }
        }
    }

    /// Waits; true if Enter was pressed meanwhile.
    pub(super) fn pause(&mut self, time: Duration) -> Result<bool, Stopped> {
        match self.events.recv_timeout(time) {
            Ok(Event::Line(_)) => Ok(true),
            Ok(Event::Interrupted) => Err(Stopped::Interrupted),
            Err(RecvTimeoutError::Timeout) => Ok(false),
            Ok(Event::Ended) | Err(RecvTimeoutError::Disconnected) => {
                std::thread::sleep(time);
                Ok(false)
            }
        }
    }

    fn unless_interrupted(&self, answer: String) -> Result<String, Stopped> {
        match self.events.try_recv() {
            Ok(Event::Interrupted) => Err(Stopped::Interrupted),
            _ => Ok(answer),
        }
    }
}
