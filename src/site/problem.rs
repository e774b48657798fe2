//! What is wrong with a file that somebody wrote, shown where it is wrong, with what to write instead.

use std::collections::HashMap;
use std::fmt;
use std::io::IsTerminal;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use super::secrets;

/// How bad a problem is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The file cannot be used.
    Error,
    /// The file can be used, but perhaps does not say what is meant.
    Caution,
}

/// One file as it was read: what the places of problems refer to.
#[derive(Debug)]
pub(super) struct File {
    /// Its name for people.
    pub(super) path: PathBuf,
    /// All of it.
    pub(super) text: Arc<str>,
    /// All of it as it may be shown to people.
    shown: Arc<str>,
    /// Where each of its lines begins.
    line_starts: Arc<[usize]>,
    /// Its syntax is broken: what seems to be missing may only have been misread.
    pub(super) broken: bool,
}

impl File {
    /// A file of this name and text.
    pub(super) fn new(path: &Path, text: &str) -> Self {
        let after_newlines = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(index, _)| index + 1);
        let line_starts = std::iter::once(0).chain(after_newlines).collect();
        let shown = Arc::from(secrets::covered(text));
        Self { path: path.to_owned(), text: Arc::from(text), shown, line_starts, broken: false }
    }
}

/// A stretch of a file.
#[derive(Clone, Debug)]
struct Place {
    path: PathBuf,
    text: Arc<str>,
    line_starts: Arc<[usize]>,
    span: Range<usize>,
    label: String,
}

/// One thing that is wrong, or doubtful, with a file.
#[derive(Clone, Debug)]
pub struct Problem {
    severity: Severity,
    message: String,
    instead: Option<String>,
    path: PathBuf,
    place: Option<Place>,
    also: Vec<Place>,
    is_syntax: bool,
}

impl Problem {
    /// Whether it makes the file unusable.
    #[must_use]
    pub const fn severity(&self) -> Severity {
        self.severity
    }

    /// What is wrong, in one sentence.
    #[must_use]
    pub fn message(&self) -> &str {
        &self.message
    }

    /// What to write instead, or what to do.
    #[must_use]
    pub fn instead(&self) -> Option<&str> {
        self.instead.as_deref()
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Line and column, both from 1, the column in characters; none where the file as a whole is meant.
    #[must_use]
    pub fn line_and_column(&self) -> Option<(usize, usize)> {
        let place = self.place.as_ref()?;
        let line = place.line_starts.partition_point(|line_start| *line_start <= place.span.start);
        let line_start = place.line_starts[line - 1];
        Some((line, place.text[line_start..place.span.start].chars().count() + 1))
    }

    /// A problem of a whole file; the message names it.
    pub(super) fn of_file(severity: Severity, path: &Path, message: String) -> Self {
        Self {
            severity,
            message,
            instead: None,
            path: path.to_owned(),
            place: None,
            also: Vec::new(),
            is_syntax: false,
        }
    }

    /// A problem of a stretch of a file.
    pub(super) fn at(severity: Severity, file: &File, span: Range<usize>, message: String) -> Self {
        let place = Place::new(file, span, String::new());
        let path = file.path.clone();
        Self { severity, message, instead: None, path, place: Some(place), also: Vec::new(), is_syntax: false }
    }

    /// Says that it is of the file's syntax: what else is said about the same line only follows from it.
    pub(super) const fn of_syntax(&mut self) -> &mut Self {
        self.is_syntax = true;
        self
    }

    /// Says what to write instead.
    pub(super) fn write(&mut self, instead: impl Into<String>) -> &mut Self {
        self.instead = Some(instead.into());
        self
    }

    /// Says a few words right beside the underlined text.
    pub(super) fn label(&mut self, label: impl Into<String>) -> &mut Self {
        if let Some(place) = &mut self.place {
            place.label = label.into();
        }
        self
    }

    /// Shows another place that has to do with it.
    pub(super) fn see(&mut self, file: &File, span: Range<usize>, label: impl Into<String>) -> &mut Self {
        self.also.push(Place::new(file, span, label.into()));
        self
    }

    /// Where it stands, to put problems in the order in which a reader meets them.
    fn order(&self) -> usize {
        self.place.as_ref().map_or(0, |place| place.span.start)
    }

    fn groups(&self) -> Vec<Group<'_>> {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Caution => Level::WARNING.with_name("caution"),
        };
        let title = level.primary_title(folded(&self.message, BEFORE_TITLE));
        let Some(place) = &self.place else {
            let instead =
                self.instead.as_deref().map(|instead| Level::HELP.secondary_title(folded(instead, BEFORE_HELP)));
            return std::iter::once(title).chain(instead).map(Group::with_title).collect();
        };
        let mut group = title.element(place.snippet(AnnotationKind::Primary, &self.also));
        for other in self.also.iter().filter(|other| place.path != other.path) {
            group = group.element(other.snippet(AnnotationKind::Context, &[]));
        }
        if let Some(instead) = &self.instead {
            group = group.element(Level::HELP.message(folded(instead, BEFORE_HELP)));
        }
        vec![group]
    }
}

/// Words in lines of [`COLUMNS`] less what stands before them; what is quoted stays whole, to be copied.
fn folded(words: &str, before: usize) -> String {
    let mut whole: Vec<String> = Vec::new();
    for word in words.split(' ') {
        match whole.last_mut().filter(|last| last.matches('`').count() % 2 == 1) {
            Some(quoted) => *quoted = format!("{quoted} {word}"),
            None => whole.push(word.to_owned()),
        }
    }
    let mut text = String::new();
    let mut column = 0;
    for word in whole {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > COLUMNS - before {
            text.push('\n');
            column = 0;
        } else if column > 0 {
            text.push(' ');
            column += 1;
        }
        text.push_str(&word);
        column += length;
    }
    text
}

/// `caution: `
const BEFORE_TITLE: usize = 9;
/// A line number and `= help: `.
const BEFORE_HELP: usize = 13;
/// The width of the terminals that reports are made for.
const COLUMNS: usize = 80;

impl Place {
    /// The stretch, kept inside the text and on character boundaries, and never empty where there is text to underline.
    fn new(file: &File, span: Range<usize>, label: String) -> Self {
        let text = &file.shown;
        let start = text.floor_char_boundary(span.start.min(text.len()));
        let end = text.ceil_char_boundary(span.end.clamp(start, text.len()));
        let (text, line_starts) = (Arc::clone(text), Arc::clone(&file.line_starts));
        Self { path: file.path.clone(), text, line_starts, span: start..end, label }
    }

    /// The lines of this place, and of the others that are in the same file.
    fn snippet<'a>(
        &'a self,
        kind: AnnotationKind,
        others: &'a [Self],
    ) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
        let annotation = |kind: AnnotationKind, place: &'a Self| {
            let annotation = kind.span(place.span.clone());
            if place.label.is_empty() { annotation } else { annotation.label(place.label.as_str()) }
        };
        let in_same_file = others.iter().filter(|other| other.path == self.path);
        Snippet::source(&*self.text)
            .path(self.path.to_string_lossy())
            .fold(true)
            .annotation(annotation(kind, self))
            .annotations(in_same_file.map(|other| annotation(AnnotationKind::Context, other)))
    }
}

/// Everything that is wrong with a site file and its maps. It displays itself, in colour where standard error is a
/// terminal that wants colour.
#[derive(Clone, Debug)]
pub struct Problems {
    all: Vec<Problem>,
}

impl Problems {
    /// The problems, in the order in which a reader of the files meets them.
    #[must_use]
    pub fn all(&self) -> &[Problem] {
        &self.all
    }

    /// One problem alone.
    pub(super) fn of(problem: Problem) -> Self {
        Self { all: vec![problem] }
    }

    /// The problems themselves.
    pub(super) fn into_all(self) -> Vec<Problem> {
        self.all
    }

    /// The report for people.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        let mut report = render(&self.all, colour);
        let count = |severity| self.all.iter().filter(|problem| problem.severity == severity).count();
        let errors = count(Severity::Error);
        let cautions = count(Severity::Caution);
        let mut summary = counted(errors, "error");
        if cautions > 0 {
            summary = format!("{summary} and {}", counted(cautions, "caution"));
        }
        if self.all.len() > 1 {
            report.push_str(&format!("\n{summary}\n"));
        }
        report.truncate(report.trim_end().len());
        report
    }
}

/// `1 error`, `2 errors`.
fn counted(count: usize, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
}

/// Problems as text for people, one after another with an empty line between.
#[must_use]
pub fn render(problems: &[Problem], colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() }.term_width(COLUMNS);
    let mut report = String::new();
    for problem in problems.iter().take(MOST_SHOWN) {
        for group in problem.groups() {
            report.push_str(&renderer.render(&[group]));
            report.push('\n');
        }
        report.push('\n');
    }
    report.truncate(report.trim_end().len());
    report.push('\n');
    if problems.len() > MOST_SHOWN {
        report.push_str(&format!("\nand {} more, not shown\n", problems.len() - MOST_SHOWN));
    }
    report
}

/// More than these nobody reads in one go.
const MOST_SHOWN: usize = 100;

/// Whether a stream wants colour: a terminal, and nobody said no.
#[must_use]
pub fn wants_colour(stream: &impl IsTerminal) -> bool {
    stream.is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}

impl fmt::Display for Problems {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.render(wants_colour(&std::io::stderr())))
    }
}

impl std::error::Error for Problems {}

/// Collects problems while files are read.
#[derive(Debug, Default)]
pub(super) struct Report {
    problems: Vec<Problem>,
}

impl Report {
    /// Notes an error.
    pub(super) fn error(&mut self, file: &File, span: Range<usize>, message: impl Into<String>) -> &mut Problem {
        self.add(Problem::at(Severity::Error, file, span, message.into()))
    }

    /// Notes a caution.
    pub(super) fn caution(&mut self, file: &File, span: Range<usize>, message: impl Into<String>) -> &mut Problem {
        self.add(Problem::at(Severity::Caution, file, span, message.into()))
    }

    /// Notes a problem and hands it back for more to be said.
    pub(super) fn add(&mut self, problem: Problem) -> &mut Problem {
        let index = self.problems.len();
        self.problems.push(problem);
        &mut self.problems[index]
    }

    /// True where nothing forbids to go on.
    pub(super) fn is_usable(&self) -> bool {
        self.problems.iter().all(|problem| problem.severity == Severity::Caution)
    }

    /// Everything noted: file after file in the order of `files`, errors and cautions as they stand in each.
    pub(super) fn into_sorted(mut self, files: &[PathBuf]) -> Problems {
        let broken: Vec<(PathBuf, usize)> = self
            .problems
            .iter()
            .filter(|problem| problem.is_syntax)
            .filter_map(|problem| Some((problem.path.clone(), problem.line_and_column()?.0)))
            .collect();
        self.problems.retain(|problem| {
            let line = problem.line_and_column().map(|(line, _)| line);
            problem.is_syntax || !broken.iter().any(|(path, number)| *path == problem.path && Some(*number) == line)
        });
        let ranks: HashMap<&PathBuf, usize> = files.iter().zip(0..).collect();
        let rank = |problem: &Problem| ranks.get(&problem.path).copied().unwrap_or(files.len());
        self.problems.sort_by_cached_key(|problem| (rank(problem), problem.order()));
        Problems { all: self.problems }
    }
}
