//! Files and folders that a site file names besides its maps: where they are named, so that one that is not there can be
//! told about at its place once the disk is looked at.

use std::fs::Metadata;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::problem::{File, Problem, Severity};

/// What a named path has to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MentionKind {
    /// A file that will be made in a folder that has to be there.
    Made,
    /// A program to be run.
    Program,
    /// A file that only its owner may read.
    Secret,
    /// A file.
    File,
    /// A serial port, by a name that should stay.
    Port,
}

/// A path that the site file names.
#[derive(Clone, Debug)]
pub(super) struct Mention {
    pub(super) kind: MentionKind,
    pub(super) path: PathBuf,
    pub(super) span: Range<usize>,
}

impl Mention {
    /// Looks at the disk, and says what is doubtful.
    pub(super) fn look(&self, file: &File) -> Option<Problem> {
        let (message, instead) = self.doubt()?;
        let mut problem = Problem::at(Severity::Caution, file, self.span.clone(), message);
        problem.write(instead);
        Some(problem)
    }

    fn doubt(&self) -> Option<(String, String)> {
        let shown = self.path.display();
        match self.kind {
            MentionKind::Made => {
                let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty())?;
                let missing = !folder.is_dir();
                missing.then(|| {
                    let folder = folder.display();
                    (format!("there is no folder {folder}"), format!("make it before the start: mkdir -p {folder}"))
                })
            }
            MentionKind::Program => {
                // A bare name is looked for along the path of whoever starts the daemon.
                let metadata = std::fs::metadata(Some(&self.path).filter(|path| path.is_absolute())?);
                match metadata {
                    Err(_) => {
                        Some((format!("there is no program {shown}"), "install it, or correct its path".to_owned()))
                    }
                    Ok(metadata) if !is_program(&metadata) => Some((
                        format!("{shown} is not a program"),
                        format!("chmod +x {shown}, if it is meant to be one"),
                    )),
                    Ok(_) => None,
                }
            }
            MentionKind::Secret => match std::fs::metadata(&self.path) {
                Err(_) => Some((format!("there is no file {shown}"), "write the password alone into it".to_owned())),
                Ok(metadata) if is_open_to_others(&metadata) => {
                    Some((format!("every user of this machine may read {shown}"), format!("chmod 600 {shown}")))
                }
                Ok(_) => None,
            },
            MentionKind::File => {
                let missing = !self.path.exists();
                missing.then(|| (format!("there is no file {shown}"), "correct its path, or put it there".to_owned()))
            }
            MentionKind::Port => lasting_name(&self.path).map(|lasting| {
                let message =
                    format!("{shown} is numbered as adapters are plugged in, and may come back under another name");
                (message, format!("write the name that stays: {}", lasting.display()))
            }),
        }
    }
}

/// The name that an adapter keeps, for a port that goes by a number: the device manager makes links to it beside it.
fn lasting_name(port: &Path) -> Option<PathBuf> {
    let name = port.file_name()?.to_str()?;
    if !name.starts_with("ttyUSB") && !name.starts_with("ttyACM") {
        return None;
    }
    let means = std::fs::canonicalize(port).ok()?;
    // Two adapters of one kind without a serial number share a name by what they are, and differ by where they are.
    ["serial/by-id", "serial/by-path"].iter().find_map(|links| {
        let links = std::fs::read_dir(port.parent()?.join(links)).ok()?;
        let mut found: Vec<PathBuf> = links.filter_map(|link| Some(link.ok()?.path())).collect();
        found.sort();
        found.into_iter().find(|link| std::fs::canonicalize(link).is_ok_and(|target| target == means))
    })
}

/// Whoever can write a site file can name a program to be run, and change what counts as evidence.
pub(super) fn writable_by_all(path: &Path) -> Option<Problem> {
    use std::os::unix::fs::PermissionsExt;
    let mode = std::fs::metadata(path).ok()?.permissions().mode();
    (mode & 0o002 != 0).then(|| {
        let message = format!("every user of this machine may change {}", path.display());
        let mut problem = Problem::of_file(Severity::Caution, path, message);
        problem.write(format!("chmod o-w {}", path.display()));
        problem
    })
}

fn is_program(metadata: &Metadata) -> bool {
    use std::os::unix::fs::PermissionsExt;
    metadata.is_file() && metadata.permissions().mode() & 0o111 != 0
}

fn is_open_to_others(metadata: &Metadata) -> bool {
    use std::os::unix::fs::PermissionsExt;
    metadata.permissions().mode() & 0o004 != 0
}
