//! Files that are handed out: each is written whole, or what bore its name before is left as it was.

use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;

/// Has `fill` write a file, beside it first, so that a half-written one never bears its name. A terminal, a pipe or a
/// device is written into as it is, and never replaced.
///
/// # Errors
/// What `fill` said, or why the file cannot be written.
pub(super) fn write<T>(path: &Path, fill: impl FnOnce(&mut dyn Write) -> anyhow::Result<T>) -> anyhow::Result<T> {
    let cannot = || format!("the file {} cannot be written", path.display());
    let fill = |out: &mut dyn Write| {
        // What `fill` reads is named by itself.
        fill(out).map_err(|error| if error.is::<io::Error>() { error.context(cannot()) } else { error })
    };
    if path.metadata().is_ok_and(|metadata| !metadata.is_file() && !metadata.is_dir()) {
        let mut out =
            BufWriter::with_capacity(1 << 16, OpenOptions::new().write(true).open(path).with_context(cannot)?);
        let filled = fill(&mut out)?;
        out.flush().with_context(cannot)?;
        return Ok(filled);
    }
    // Where the name is a link, what it leads to is written.
    let path = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let mut name = OsString::from(&path);
    name.push(".part");
    let part = PathBuf::from(name);
    let begin = || {
        if path.is_dir() {
            return Err(io::Error::other("it is a folder; name a file in it"));
        }
        File::create(&part).map_err(|error| match (error.kind(), path.parent()) {
            (io::ErrorKind::NotFound, Some(folder)) => {
                io::Error::other(format!("there is no folder {}; make it first", folder.display()))
            }
            _ => error,
        })
    };
    let mut out = BufWriter::with_capacity(1 << 16, begin().with_context(cannot)?);
    let done = fill(&mut out).and_then(|filled| {
        let file = out.into_inner().map_err(io::IntoInnerError::into_error).with_context(cannot)?;
        file.sync_all().with_context(cannot)?;
        std::fs::rename(&part, &path).with_context(cannot)?;
        Ok(filled)
    });
    if done.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_whole_or_as_it_was_and_nothing_else_is_replaced() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let file = folder.path().join("june.csv");
        let link = folder.path().join("latest.csv");
        write(&file, |out| Ok(out.write_all(b"whole")?)).expect("it can be written");
        std::os::unix::fs::symlink(&file, &link).expect("a link can be made");
        write(&link, |out| {
            out.write_all(b"half")?;
            Err::<(), _>(anyhow::anyhow!("the store is damaged"))
        })
        .expect_err("it was not filled");
        let read = |path: &Path| std::fs::read_to_string(path).expect("it is there");
        assert_eq!(read(&file), "whole");
        write(&link, |out| Ok(out.write_all(b"new")?)).expect("it can be written");
        assert_eq!(read(&file), "new");
        assert!(link.is_symlink());
        assert_eq!(folder.path().read_dir().expect("it is a folder").count(), 2);

        let said = |path: &Path| {
            format!("{:#}", write(path, |out| Ok(out.write_all(b"lost")?)).expect_err("no file can be there"))
        };
        assert!(said(folder.path()).ends_with("it is a folder; name a file in it"));
        assert!(said(&folder.path().join("gone/june.csv")).ends_with("gone; make it first"));

        let full = said(Path::new("/dev/full"));
        assert!(full.starts_with("the file /dev/full cannot be written"), "{full}");

        let terminal = rustix::pty::openpt(rustix::pty::OpenptFlags::RDWR).expect("a terminal can be had");
        rustix::pty::unlockpt(&terminal).expect("it can be unlocked");
        let name = rustix::pty::ptsname(&terminal, Vec::new()).expect("it has a name");
        let name = Path::new(name.to_str().expect("names of terminals are plain"));
        write(name, |out| Ok(out.write_all(b"seen")?)).expect("a terminal can be written to");
        let mut seen = [0; 4];
        rustix::io::read(&terminal, &mut seen).expect("it was written to");
        assert_eq!(&seen, b"seen");
        assert!(!name.is_file());
    }
}
