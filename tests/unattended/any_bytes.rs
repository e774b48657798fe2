//! The short form of fuzzing, on any toolchain: the corpus that the fuzzer found, and some thousand changes of it. The long
//! form is `tests/fuzz/run.sh`.

use std::path::Path;

use proptest::prelude::*;
use proptest::sample::Index;
use proptest::test_runner::{Config, TestRunner};

use crate::subjects;

/// One change of a file.
#[derive(Clone, Debug)]
enum Change {
    Set(Index, u8),
    Flip(Index, u8),
    Remove(Index, usize),
    Insert(Index, Vec<u8>),
    Copy(Index, Index, usize),
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (any::<Index>(), any::<u8>()).prop_map(|(at, byte)| Change::Set(at, byte)),
        (any::<Index>(), 0..8_u8).prop_map(|(at, bit)| Change::Flip(at, bit)),
        (any::<Index>(), 1..40_usize).prop_map(|(at, many)| Change::Remove(at, many)),
        (any::<Index>(), prop::collection::vec(any::<u8>(), 1..9)).prop_map(|(at, bytes)| Change::Insert(at, bytes)),
        (any::<Index>(), "[0-9a-z\"'=.,;\\[\\]\n -]{1,6}").prop_map(|(at, text)| Change::Insert(at, text.into_bytes())),
        (any::<Index>(), any::<Index>(), 1..60_usize).prop_map(|(from, to, many)| Change::Copy(from, to, many)),
    ]
}

fn changed(mut bytes: Vec<u8>, changes: Vec<Change>) -> Vec<u8> {
    for change in changes {
        let length = bytes.len();
        if length == 0 {
            return bytes;
        }
        match change {
            Change::Set(at, byte) => bytes[at.index(length)] = byte,
            Change::Flip(at, bit) => bytes[at.index(length)] ^= 1 << bit,
            Change::Remove(at, many) => {
                let at = at.index(length);
                drop(bytes.drain(at..(at + many).min(length)));
            }
            Change::Insert(at, insert) => {
                let at = at.index(length + 1);
                drop(bytes.splice(at..at, insert));
            }
            Change::Copy(from, to, many) => {
                let from = from.index(length);
                let copy = bytes[from..(from + many).min(length)].to_vec();
                let to = to.index(length + 1);
                drop(bytes.splice(to..to, copy));
            }
        }
    }
    bytes
}

/// The kept inputs of a target.
fn corpus(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(target);
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

fn bears(take: fn(&[u8]), corpus: Vec<Vec<u8>>, cases: u32) {
    assert!(corpus.len() >= 3, "the corpus is gone");
    corpus.iter().for_each(|input| take(input));
    let strategy = (any::<Index>(), prop::collection::vec(change(), 1..6));
    let config = Config { cases, failure_persistence: None, ..Config::default() };
    TestRunner::new(config)
        .run(&strategy, |(which, changes)| {
            take(&changed(which.get(&corpus).clone(), changes));
            Ok(())
        })
        .unwrap_or_else(|error| panic!("{error}"));
}

#[test]
fn what_comes_over_the_wire_may_be_anything() {
    bears(subjects::frames::take, corpus("frames"), 3_000);
}

#[test]
fn what_passes_between_others_may_be_anything() {
    bears(subjects::cutter::take, corpus("cutter"), 3_000);
}

#[test]
fn a_register_map_may_be_anything() {
    bears(subjects::maps::take, corpus("maps"), 500);
}

#[test]
fn a_site_file_may_be_anything() {
    bears(subjects::sites::take, corpus("sites"), 500);
}

#[test]
fn a_csv_file_may_be_anything() {
    bears(subjects::readings::take, corpus("readings"), 2_000);
}

#[test]
fn what_lies_in_a_store_may_be_anything() {
    bears(subjects::stored::take, [corpus("stored"), subjects::stored::sound()].concat(), 2_000);
}
