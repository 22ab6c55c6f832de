//! The manual pages and shell completions in `deploy/` say what the command line understands, and nothing else.

#![cfg(feature = "demo")]
#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests read files")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use clap_complete::Shell;
use lampwarden::commands::command_line;

const WRITE: &str = "LAMPWARDEN_WRITE_MANUAL";
const NAME: &str = "lampwarden";

/// The text of each file by its name.
type Files = BTreeMap<String, String>;

fn files(folder: &Path) -> Files {
    let Ok(entries) = fs::read_dir(folder) else { return Files::new() };
    let file = |path: PathBuf| {
        let name = path.file_name().expect("a file has a name").to_string_lossy().into_owned();
        let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        (name, text)
    };
    entries.map(|entry| file(entry.expect("it can be listed").path())).collect()
}

/// What `generate` writes into an empty folder.
fn generated(what: &str, generate: impl FnOnce(&Path)) -> Files {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(what);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).expect("cargo's own folder for tests can be written");
    generate(&folder);
    files(&folder)
}

/// The pages, written into a folder of the test's own.
fn manual(folder: &str) -> Files {
    generated(folder, |folder| clap_mangen::generate_to(command_line(), folder).expect("pages can be written"))
}

fn completions() -> Files {
    generated("completions", |folder| {
        for shell in [Shell::Bash, Shell::Fish, Shell::Zsh] {
            clap_complete::generate_to(shell, &mut command_line(), NAME, folder).expect("completions can be written");
        }
    })
}

/// The committed folder holds `expected`; where the keeper of the house asks, it is written anew first.
fn check(folder: &str, expected: &Files) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    if std::env::var_os(WRITE).is_some() {
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).expect("the folder can be made");
        for (name, text) in expected {
            fs::write(path.join(name), text).expect("the file can be written");
        }
    }
    let committed = files(&path);
    let differs = |name: &&String| committed.get(*name) != expected.get(*name);
    let stale: BTreeSet<_> = expected.keys().chain(committed.keys()).filter(differs).collect();
    assert!(
        stale.is_empty(),
        "{folder} is out of date: {stale:?}; write it anew with `{WRITE}=1 cargo test --test manual`, look at it, and \
         commit it"
    );
}

/// Every command of `command`, with the words that lead to it.
fn commands(command: &clap::Command, words: &str, found: &mut BTreeSet<String>) {
    found.insert(words.to_owned());
    for below in command.get_subcommands() {
        commands(below, &format!("{words}-{}", below.get_name()), found);
    }
}

#[test]
fn manual_pages_are_those_of_the_command_line() {
    check("deploy/man", &manual("man"));
}

#[test]
fn completions_are_those_of_the_command_line() {
    check("deploy/completions", &completions());
}

#[test]
fn every_command_has_a_page() {
    let mut names = BTreeSet::new();
    commands(&command_line(), NAME, &mut names);
    let pages: BTreeSet<String> =
        manual("pages").into_keys().map(|page| page.trim_end_matches(".1").to_owned()).collect();
    assert_eq!(pages, names);
    assert!(pages.len() > 10, "a page for each command: {pages:?}");
}
