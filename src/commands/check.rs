//! `lampwarden check`, and how every other command gets its configuration.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::config::{self, Checked, Finding, Source};
use crate::settings::Settings;

/// Largest configuration file read, so that a wrong path cannot fill the memory. Our choice: 10,000 enclosures take a
/// quarter of it.
const FILE_BYTES_MAX: u64 = 64 * 1024 * 1024;

/// Exit code for unusable arguments or an unusable configuration.
pub const UNUSABLE: u8 = 2;

/// A configuration as it was found on disk.
#[derive(Debug)]
pub struct Loaded {
    /// The files that could be read.
    pub sources: Vec<Source>,
    /// What became of them; a file that could not be read is a finding too.
    pub checked: Checked,
}

impl Loaded {
    /// The findings as a person reads them, and a summary line.
    pub fn report(&self, colour: bool) -> String {
        config::render(&self.checked.findings, &self.sources, colour)
    }

    /// The settings, or the report of why there are none.
    pub fn settings(self, colour: bool) -> Result<Settings, String> {
        let report = self.report(colour);
        self.checked.settings.ok_or(report)
    }
}

/// Reads a configuration: each path is a file, or a folder whose `*.toml` files are taken in the order of their names.
pub fn load(paths: &[PathBuf]) -> Loaded {
    let mut sources = Vec::new();
    let mut unreadable = Vec::new();
    for path in paths {
        match files(path) {
            Ok(files) => {
                for file in files {
                    match read(&file) {
                        Ok(source) => sources.push(source),
                        Err(finding) => unreadable.push(*finding),
                    }
                }
            }
            Err(finding) => unreadable.push(*finding),
        }
    }
    // Half a configuration would be called wrong in places where nothing is.
    if unreadable.is_empty() {
        let checked = config::parse(&sources);
        return Loaded { sources, checked };
    }
    Loaded { sources, checked: Checked { settings: None, findings: unreadable } }
}

/// Runs `check`: findings as text or, with `json`, as an array, to `out`. The exit code is 2 where there is an error;
/// a warning alone stops nothing.
pub fn check(paths: &[PathBuf], json: bool, colour: bool, out: &mut dyn Write) -> io::Result<ExitCode> {
    let loaded = load(paths);
    if json {
        serde_json::to_writer_pretty(&mut *out, &loaded.checked.findings)?;
        writeln!(out)?;
    } else {
        write!(out, "{}", loaded.report(colour))?;
    }
    out.flush()?;
    Ok(if loaded.checked.is_refused() { ExitCode::from(UNUSABLE) } else { ExitCode::SUCCESS })
}

/// The files of a path, by name.
fn files(path: &Path) -> Result<Vec<PathBuf>, Box<Finding>> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let entries = std::fs::read_dir(path).and_then(Iterator::collect::<io::Result<Vec<_>>>);
    let entries = entries.map_err(|error| unreadable(path, &error))?;
    let is_toml = |file: &PathBuf| {
        let hidden = file.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        !hidden && file.extension().is_some_and(|extension| extension == "toml")
    };
    let mut files: Vec<_> = entries.into_iter().map(|entry| entry.path()).filter(is_toml).collect();
    files.sort();
    if files.is_empty() {
        let right = "put the configuration into files whose names end in .toml";
        return Err(Box::new(Finding::about_file(&shown(path), "this folder holds no *.toml file", right)));
    }
    Ok(files)
}

fn read(path: &Path) -> Result<Source, Box<Finding>> {
    let mut bytes = Vec::new();
    let file = File::open(path).and_then(|file| file.take(FILE_BYTES_MAX + 1).read_to_end(&mut bytes));
    file.map_err(|error| unreadable(path, &error))?;
    if bytes.len() as u64 > FILE_BYTES_MAX {
        let wrong = format!("this file is larger than {} MiB", FILE_BYTES_MAX / 1024 / 1024);
        let right = "name a configuration file; large sites can be split over a folder";
        return Err(Box::new(Finding::about_file(&shown(path), wrong, right)));
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Source { name: shown(path), text }),
        Err(error) => {
            let good = error.utf8_error().valid_up_to();
            let text = String::from_utf8_lossy(&error.as_bytes()[..good]).into_owned();
            let (line, column) = config::line_and_column(&text, good);
            let wrong = "this file is not UTF-8 text from here on";
            let finding = Finding::about_file(&shown(path), wrong, "save it as UTF-8, without other encodings in it");
            Err(Box::new(Finding { line, column, span: (good, good), ..finding }))
        }
    }
}

fn unreadable(path: &Path, error: &io::Error) -> Box<Finding> {
    let right = match error.kind() {
        io::ErrorKind::NotFound => "name a file that is there, or a folder of *.toml files",
        io::ErrorKind::PermissionDenied => "let the user the daemon runs as read it",
        _ => "see that it can be read",
    };
    Box::new(Finding::about_file(&shown(path), format!("this cannot be read: {error}"), right))
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}
