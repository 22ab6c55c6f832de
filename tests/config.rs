//! The files in `config/`: examples without findings, and a schema that is up to date.

#![allow(clippy::disallowed_methods, reason = "tests read files")]

use std::path::Path;

use lampwarden::config::{Source, parse, render, schema};

const SCHEMA: &str = "config/lampwarden.schema.json";
const WRITE: &str = "LAMPWARDEN_WRITE_SCHEMA";

fn read(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn examples() -> Vec<Source> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let files = std::fs::read_dir(folder).expect("the folder is part of the package");
    let names = files.map(|file| file.expect("it can be listed").file_name().into_string().expect("plain names"));
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".toml")).collect();
    names.sort();
    names.into_iter().map(|name| Source { text: read(&format!("config/{name}")), name }).collect()
}

#[test]
fn every_example_is_clean_and_cautious() {
    let examples = examples();
    assert_eq!(examples.len(), 3);
    for example in examples {
        let checked = parse(std::slice::from_ref(&example));
        let report = render(&checked.findings, std::slice::from_ref(&example), false);
        assert!(checked.settings.is_some() && checked.findings.is_empty(), "{report}");
        let head: String = example.text.lines().take_while(|line| line.starts_with('#')).collect();
        for word in
            ["CAUTION", "thermal cut-out", "residual-current", "licensed electrician", "local code", "veterinarian"]
        {
            assert!(head.contains(word), "{}: `{word}` is not in its head", example.name);
        }
    }
}

#[test]
fn the_schema_for_editors_is_up_to_date() {
    let mut text = serde_json::to_string_pretty(&schema()).expect("a schema is plain data");
    text.push('\n');
    if std::env::var_os(WRITE).is_some() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(SCHEMA);
        std::fs::write(&path, &text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    }
    let committed: serde_json::Value = serde_json::from_str(&read(SCHEMA)).expect("the committed schema is JSON");
    assert!(
        committed == schema(),
        "{SCHEMA} is out of date; write it anew with `{WRITE}=1 cargo test --test config`, look at it, and commit it"
    );
}
