//! What the README tells people to type, typed: every command in it is run as it stands there, by a shell.
//!
//! Only what names this machine's own things is replaced: the port by a simulated line, and the installed program by the
//! one under test. A command that is new in the README is run without a word here, unless it goes on until it is ended.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod shipped;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use pulldown_cmark::{CodeBlockKind, Event, Parser, Tag, TagEnd};
use rustix::process::{Pid, Signal, kill_process};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

/// What cargo and the shell run; what they measure takes too long for a test.
const NOT_OURS: [&str; 6] =
    ["cargo bench", "cargo test", "cargo nextest", "tests/run.sh", "tests/fuzz/run.sh", "tests/setup.sh"];
/// Commands that need the port for themselves: they are run while no daemon holds it.
const NEED_THE_PORT: [&str; 2] = ["scan --port", "read --port"];
/// Commands that go on until they are ended.
const GO_ON: [&str; 2] = ["tallywell run ", "tallywell sim "];
/// A command that asks a person; `tests/trial.rs` answers it.
const ASKS: &str = "tallywell trial ";

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every code span and every line of an unmarked code block that is a command, in the order of the text.
fn commands() -> Vec<String> {
    let text = std::fs::read_to_string(project().join("README.md")).unwrap();
    let (mut found, mut in_block) = (Vec::new(), false);
    for event in Parser::new_ext(&text, pulldown_cmark::Options::ENABLE_TABLES) {
        match event {
            Event::Start(Tag::CodeBlock(CodeBlockKind::Fenced(language))) => in_block = language.is_empty(),
            Event::End(TagEnd::CodeBlock) => in_block = false,
            Event::Text(block) if in_block => found.extend(block.replace("\\\n", " ").lines().map(str::to_owned)),
            Event::Code(span) => found.push(span.replace("\\|", "|")),
            _ => {}
        }
    }
    // Settings of a long test stand before its command.
    found.retain(|it| {
        let command = it.split_whitespace().find(|word| !word.contains('=')).unwrap_or_default();
        ["tallywell", "cargo"].contains(&command) || command.starts_with("tests/")
    });
    found
}

/// A program that ends with the test, also with one that fails.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A folder such as the README's reader has: the shipped configuration, a site file, and a line.
struct Reader {
    folder: tempfile::TempDir,
    _line: Rig,
}

impl Reader {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink(project().join("config"), folder.path().join("config")).unwrap();
        let link = shipped::site_in(folder.path(), |site| site);
        let scenario = Scenario::load(&project().join("config/scenarios/kestrel-creek.toml")).unwrap();
        let line = Rig::start(scenario, &link).unwrap();
        Self { folder, _line: line }
    }

    fn shell(&self, command: &str) -> Command {
        let program = Path::new(env!("CARGO_BIN_EXE_tallywell"));
        let here = self.folder.path().display().to_string();
        let command = command
            .replace("/tmp/", &format!("{here}/"))
            .replace("/dev/ttyUSB0", &format!("{here}/line"))
            .replace("scan --port", "scan --addresses 10-13 --port");
        let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
        let mut shell = Command::new("sh");
        shell.args(["-c", &format!("exec {command}")]).current_dir(self.folder.path()).env("PATH", path);
        shell
    }

    fn runs(&self, command: &str) -> Output {
        let output = self.shell(command).output().unwrap();
        let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert_eq!(output.status.code(), Some(0), "`{command}` said\n{said}");
        assert!(!said.trim().is_empty(), "`{command}` said nothing");
        output
    }

    /// Starts a command that goes on, does `meanwhile`, and ends it.
    fn goes_on(&self, command: &str, meanwhile: impl FnOnce()) {
        let mut child = Running(self.shell(command).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
        meanwhile();
        assert!(child.0.try_wait().unwrap().is_none(), "`{command}` ended by itself");
        kill_process(Pid::from_child(&child.0), Signal::TERM).unwrap();
        assert_eq!(child.0.wait().unwrap().code(), Some(0), "`{command}`");
    }

    fn has(&self, name: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        let until = Instant::now() + Duration::from_secs(30);
        while !path.exists() {
            assert!(Instant::now() < until, "{} never came", path.display());
            std::thread::sleep(Duration::from_millis(50));
        }
        path
    }
}

#[test]
fn every_command_in_the_readme_does_what_it_says() {
    let mut commands = commands();
    commands.retain(|it| {
        !it.starts_with(ASKS) && !NOT_OURS.iter().any(|words| it.contains(words)) && !it.contains("-- demo")
    });
    let is = |command: &str, list: &[&str]| list.iter().any(|words| command.contains(words));
    assert!(commands.len() >= 12, "{commands:#?}");
    let reader = Reader::new();
    for command in commands.iter().filter(|it| is(it, &NEED_THE_PORT)) {
        reader.runs(command);
    }
    for command in commands.iter().filter(|it| it.contains("tallywell sim ")) {
        reader.goes_on(command, || drop(reader.has("shed")));
    }
    let daemon = commands.iter().find(|it| it.contains("tallywell run ")).unwrap();
    reader.goes_on(daemon, || {
        reader.has("kestrel.db");
        // A few readings are wanted before anybody asks for them.
        std::thread::sleep(Duration::from_secs(6));
        for command in commands.iter().filter(|it| !is(it, &NEED_THE_PORT) && !is(it, &GO_ON)) {
            reader.runs(command);
        }
    });
}

/// The first command: a fault is found, named and explained within a minute, without anything else.
#[test]
fn the_demonstration_finds_the_fault_and_names_it() {
    assert!(commands().iter().any(|it| it == "cargo run --release -- demo"), "the README begins with it");
    let output = Command::new(env!("CARGO_BIN_EXE_tallywell")).arg("demo").output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let (_, log) = said.split_once("$ tallywell disagreements").unwrap();
    assert!(log.contains("bore-1  total/pulse  open") && log.contains("1 disagreement, open."), "{said}");
    // The daemon looked for it by itself, before anybody asked.
    assert!(log.contains("  cause: pulse-weight\n"), "{said}");
    let (_, explained) = said.split_once("$ tallywell explain").unwrap();
    assert!(explained.contains(" 1. pulse-weight  ("), "{said}");
    assert!(explained.contains("The meter behaves as if one pulse were 10 L; the receiver takes it as 5 L."), "{said}");
}

/// A figure in the README names the command that prints it, and that command is there.
#[test]
fn every_benchmark_that_the_readme_names_is_there() {
    let manifest = std::fs::read_to_string(project().join("Cargo.toml")).unwrap();
    let manifest: toml::Table = manifest.parse().unwrap();
    let benches = manifest["bench"].as_array().unwrap();
    for command in commands().iter().filter(|it| it.starts_with("cargo bench")) {
        let name = command.split_whitespace().skip_while(|&word| word != "--bench").nth(1).unwrap();
        assert!(benches.iter().any(|bench| bench["name"].as_str() == Some(name)), "`{command}`");
    }
    let of_tests = ["cargo nextest", "cargo test"];
    for command in commands().iter().filter(|it| of_tests.iter().any(|words| it.contains(words))) {
        let name = command.split_whitespace().skip_while(|&word| word != "--test").nth(1);
        assert!(
            name.is_none_or(|name| project().join("tests").join(name).exists()
                || project().join(format!("tests/{name}.rs")).exists()),
            "`{command}`"
        );
    }
}
