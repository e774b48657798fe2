//! The shipped site in a folder of its own, for tests that run the shipped binary on it.

use std::path::{Path, PathBuf};

/// Puts the shipped maps and the shipped site, changed, into a folder as `site.toml`; the port of its line is `line` there.
pub fn site_in(folder: &Path, changed: impl FnOnce(String) -> String) -> PathBuf {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let line = folder.join("line");
    std::fs::create_dir_all(folder.join("maps")).unwrap();
    for map in std::fs::read_dir(config.join("maps")).unwrap() {
        let map = map.unwrap();
        std::fs::copy(map.path(), folder.join("maps").join(map.file_name())).unwrap();
    }
    let site = changed(std::fs::read_to_string(config.join("kestrel-creek.toml")).unwrap());
    let site = site.replace("/dev/serial/by-id/usb-rs485", &line.display().to_string());
    std::fs::write(folder.join("site.toml"), site).unwrap();
    line
}
