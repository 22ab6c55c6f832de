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
        match self.checked.settings {
            Some(settings) => Ok(settings),
            None => Err(config::render(&self.checked.findings, &self.sources, colour)),
        }
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
pub(super) fn files(path: &Path) -> Result<Vec<PathBuf>, Box<Finding>> {
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

/// Reads one file.
pub(super) fn read(path: &Path) -> Result<Source, Box<Finding>> {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder of its own, gone with the test.
    struct Folder(PathBuf);

    impl Folder {
        fn new(test: &str) -> Folder {
            let path = std::env::temp_dir().join(format!("lampwarden-check-{test}-{}", std::process::id()));
            std::fs::create_dir_all(&path).expect("the temporary folder can be written");
            Folder(path)
        }

        fn with(self, name: &str, bytes: &[u8]) -> Folder {
            std::fs::write(self.0.join(name), bytes).expect("the temporary folder can be written");
            self
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    /// What `check` prints, and whether it lets anything start.
    fn run(path: &Path, json: bool) -> (String, bool) {
        let mut out = Vec::new();
        let code = check(&[path.to_owned()], json, false, &mut out).expect("a vector can always be written");
        let text = String::from_utf8(out).expect("reports are text");
        // Exit codes compare by their debug text alone.
        (text, format!("{code:?}") == format!("{:?}", ExitCode::SUCCESS))
    }

    const SITE: &[u8] = b"[site]\nname = \"house\"\ntimezone = \"Europe/Lisbon\"\nlatitude = 38.7\nlongitude = -9.1\n";
    const BROKER: &[u8] = b"[broker]\nurl = \"mqtt://127.0.0.1\"\n";
    const ENCLOSURE: &[u8] =
        b"[[enclosure]]\nid = \"e1\"\ncare = \"c\"\n[care.c]\nphotoperiod = { follow = \"site\" }\n";

    #[test]
    fn a_folder_is_read_in_the_order_of_its_names() {
        let folder = Folder::new("folder").with("b.toml", BROKER).with("a.toml", SITE).with("c.toml", ENCLOSURE);
        let folder = folder.with("notes.txt", b"not TOML").with(".a.toml", b"not TOML");
        let loaded = load(std::slice::from_ref(&folder.0));
        let names: Vec<_> = loaded.sources.iter().filter_map(|source| source.name.rsplit('/').next()).collect();
        assert_eq!(names, ["a.toml", "b.toml", "c.toml"]);
        assert_eq!(run(&folder.0, false), ("no errors, no warnings\n".to_owned(), true));
        assert_eq!(run(&folder.0, true), ("[]\n".to_owned(), true));
        assert!(load(std::slice::from_ref(&folder.0)).settings(false).is_ok());
    }

    #[test]
    fn what_cannot_be_read_is_told_and_refused() {
        let folder = Folder::new("unreadable").with("latin.toml", b"[site]\nname = \"Stra\xdfe\"\n");
        let check = |path: &Path, words: &[&str]| {
            let (text, good) = run(path, false);
            assert!(!good);
            for word in words {
                assert!(text.contains(word), "`{word}` is not in {text}");
            }
            let (json, good) = run(path, true);
            let findings: Vec<serde_json::Value> = serde_json::from_str(&json).expect("it is JSON");
            assert!(!good && findings.iter().any(|finding| finding["severity"] == "error"), "{json}");
        };
        check(&folder.0.join("latin.toml"), &["not UTF-8", "latin.toml:2:13", "1 error, 0 warnings"]);
        check(&folder.0.join("none.toml"), &["cannot be read", "none.toml"]);
        check(&folder.0, &["not UTF-8"]);
        let empty = Folder::new("empty");
        check(&empty.0, &["holds no *.toml file"]);
        let text = load(std::slice::from_ref(&empty.0)).settings(false).expect_err("nothing can start");
        assert!(text.ends_with("1 error, 0 warnings\n"), "{text}");
    }

    #[test]
    fn a_warning_stops_nothing_and_an_error_everything() {
        let unused = b"[care.unused]\nphotoperiod = { follow = \"site\" }\n";
        let folder = Folder::new("codes").with("a.toml", &[SITE, BROKER, ENCLOSURE, unused].concat());
        let (text, good) = run(&folder.0, false);
        assert!(good && text.ends_with("0 errors, 1 warning\n"), "{text}");
        let folder = folder.with("b.toml", b"nonsense = 1\n");
        let (text, good) = run(&folder.0, false);
        assert!(!good && text.ends_with("1 error, 1 warning\n"), "{text}");
    }
}
