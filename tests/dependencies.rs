//! What the program is built of: under which licences, from where, and without `unsafe` of its own.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// Licences under which a binary may be handed on. MPL-2.0 asks for the source of the files under it, which is public.
const TAKEN: [&str; 12] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MPL-2.0",
    "Unicode-3.0",
    "Zlib",
];

/// True where every part that must be kept has an alternative that is taken.
fn is_taken(licence: &str) -> bool {
    let bare = licence.replace(['(', ')'], "").replace('/', " OR ");
    bare.split(" AND ").all(|part| part.split(" OR ").any(|one| TAKEN.contains(&one.trim())))
}

#[test]
fn every_dependency_has_a_licence_that_can_be_kept_and_comes_from_the_registry() {
    assert!(
        is_taken("(MIT OR GPL-3.0-only) AND Unicode-3.0") && !is_taken("GPL-3.0-only") && !is_taken("MIT AND SSPL-1.0")
    );
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    for package in packages {
        let name = &package["name"];
        let licence = package["license"].as_str().unwrap_or_default();
        assert!(is_taken(licence), "{name}: {licence:?}");
        if let Some(source) = package["source"].as_str() {
            assert!(source.starts_with("registry+"), "{name} comes from {source}");
        }
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

/// The compiler denies `unsafe`; this holds that no file takes the denial back.
#[test]
fn no_file_of_ours_allows_unsafe() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let manifest = std::fs::read_to_string(root.join("Cargo.toml")).unwrap();
    assert!(manifest.contains("unsafe_code = \"deny\""));
    for member in ["Cargo.toml", "src/witness/Cargo.toml", "sim/Cargo.toml"] {
        let manifest = std::fs::read_to_string(root.join(member)).unwrap();
        assert!(manifest.contains("[lints]\nworkspace = true"), "{member} does not take the workspace's lints");
    }
    let mut files = Vec::new();
    ["src", "sim"].iter().for_each(|folder| sources(&root.join(folder), &mut files));
    assert!(files.len() > 150);
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(!text.contains("unsafe_code"), "{}", file.display());
    }
}
