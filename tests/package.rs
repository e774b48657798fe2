//! The Debian package, unpacked into a clean root and run from there. `tests/setup.sh` installs cargo-deb.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn done(command: &mut Command) -> String {
    let output: Output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{command:?}: {said}{}", String::from_utf8_lossy(&output.stderr));
    said
}

/// Every file and link under a folder, in order.
fn files(folder: &Path, root: &Path, found: &mut Vec<String>) {
    let mut entries: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            files(&path, root, found);
        } else {
            found.push(path.strip_prefix(root).unwrap().display().to_string());
        }
    }
}

/// The packaged daemon on the packaged example, its line simulated by the packaged program.
fn runs(program: &Path, example: &Path, folder: &Path) {
    let line = folder.join("line");
    let site = std::fs::read_to_string(example.join("kestrel-creek.toml")).unwrap();
    let site = site.replace("/dev/serial/by-id/usb-rs485", &line.display().to_string());
    std::fs::write(folder.join("site.toml"), site).unwrap();
    std::os::unix::fs::symlink(example.join("maps"), folder.join("maps")).unwrap();
    let scenario = example.join("scenarios/kestrel-creek.toml");
    let start = |arguments: &[&Path]| {
        let mut command = Command::new(program);
        command.args(arguments).current_dir(folder).stdout(Stdio::null()).stderr(Stdio::null());
        command.spawn().unwrap()
    };
    let mut simulator = start(&["sim".as_ref(), "--scenario".as_ref(), &scenario, "--link".as_ref(), &line]);
    wait_for("the simulated line", || line.exists());
    let mut daemon = start(&["run".as_ref(), "--config".as_ref(), "site.toml".as_ref()]);
    wait_for("readings", || {
        let mut export = Command::new(program);
        export.args(["export", "--config", "site.toml", "--meter", "booster"]).current_dir(folder);
        export.output().unwrap().stdout.iter().filter(|byte| **byte == b'\n').count() > 3
    });
    for child in [&mut daemon, &mut simulator] {
        kill_process(Pid::from_child(child), Signal::TERM).unwrap();
        assert_eq!(child.wait().unwrap().code(), Some(0));
    }
}

fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + Duration::from_secs(60);
    while !is_so() {
        assert!(Instant::now() < until, "{what} never came");
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Its script of installation, run on the root as it is run there: the service gets its user, and nothing is started.
fn installs(package: &Path, root: &Path, control: &Path) {
    done(Command::new("dpkg-deb").arg("-e").arg(package).arg(control));
    std::fs::create_dir(root.join("etc")).unwrap();
    let mut script = Command::new("sh");
    done(script.arg(control.join("postinst")).args(["configure", ""]).env("DPKG_ROOT", root));
    let users = std::fs::read_to_string(root.join("etc/passwd")).unwrap();
    assert!(users.lines().any(|user| user.starts_with("tallywell:") && user.ends_with("/nologin")), "{users}");
    assert!(!root.join("etc/systemd").exists(), "whoever writes the site file enables the service");
    let control = std::fs::read_to_string(control.join("control")).unwrap();
    assert!(control.contains("systemd-standalone-sysusers"), "what makes the user has to be there: {control}");
}

#[test]
fn the_package_is_whole_and_runs_from_a_clean_root() {
    let folder = tempfile::tempdir().unwrap();
    let (output, root) = (folder.path().join("package"), folder.path().join("root"));
    assert!(project().join("target/tools/bin/cargo-deb").exists(), "cargo-deb is missing: run tests/setup.sh");
    done(Command::new(project().join("config/debian/package.sh")).arg("--debug").arg(&output));
    let package = std::fs::read_dir(&output).unwrap().next().unwrap().unwrap().path();
    let control = done(Command::new("dpkg-deb").arg("--field").arg(&package).args(["Package", "Version", "Depends"]));
    assert!(control.contains("Package: tallywell") && control.contains("libc6"), "{control}");
    done(Command::new("dpkg-deb").arg("-x").arg(&package).arg(&root));
    let mut found = Vec::new();
    files(&root, &root, &mut found);
    // Each command has a page, each scenario is an example: those grow with the program.
    found.retain(|name| !name.contains("man1/tallywell-") && !name.contains("examples/scenarios/"));
    insta::assert_snapshot!(found.join("\n"));

    let program = root.join("usr/bin/tallywell");
    assert!(done(Command::new(&program).arg("--version")).starts_with("tallywell "));
    // The example is whole where it lies.
    let example = root.join("usr/share/doc/tallywell/examples");
    let said = done(Command::new(&program).arg("check").arg("--config").arg(example.join("kestrel-creek.toml")));
    assert!(said.contains("shed"), "{said}");
    runs(&program, &example, folder.path());
    // The shells take their completions, and the manual names every command.
    for (shell, completions) in [
        ("bash", "usr/share/bash-completion/completions/tallywell"),
        ("zsh", "usr/share/zsh/vendor-completions/_tallywell"),
        ("fish", "usr/share/fish/vendor_completions.d/tallywell.fish"),
    ] {
        done(Command::new(shell).arg("-n").arg(root.join(completions)));
    }
    let asked = "source $argv[1]; complete -C 'tallywell read --pa'";
    let fish = root.join("usr/share/fish/vendor_completions.d/tallywell.fish");
    assert!(done(Command::new("fish").args(["-c", asked]).arg(fish)).starts_with("--parity"));
    let page = done(Command::new("gzip").arg("-dc").arg(root.join("usr/share/man/man1/tallywell.1.gz")));
    assert!(page.contains(".TH tallywell 1"), "{page}");
    for command in ["run", "check", "explain", "export"] {
        assert!(page.contains(&format!("tallywell\\-{command}(1)")), "{command}: {page}");
    }
    installs(&package, &root, &folder.path().join("control"));
}
