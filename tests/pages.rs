//! What the pages for keepers must hold, whoever edits them.

#![allow(clippy::disallowed_methods, reason = "tests read files")]

use std::path::Path;

fn read(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The first cell of each row of the first table of `page`, without its head.
fn first_cells(page: &str) -> Vec<&str> {
    let rows = page.lines().filter_map(|line| line.strip_prefix("| ")).skip(1);
    rows.filter_map(|row| row.split('|').next()).map(str::trim).collect()
}

#[test]
fn every_page_that_leads_to_mains_carries_its_cautions() {
    for (page, words) in [
        (
            "deploy/first-hour.md",
            &["licensed electrician", "local code", "residual-current", "thermal cut-out", "UV lamps", "veterinarian"]
                [..],
        ),
        ("deploy/README.md", &["licensed", "local code", "residual-current", "thermal cut-out", "cautions"]),
        ("deploy/alarms.md", &["residual-current", "thermal cut-out", "licensed", "local code", "veterinarian"]),
        ("deploy/upgrade.md", &["thermal cut-out", "Unplug what warms"]),
        (
            "deploy/Containerfile",
            &["CAUTION", "thermal cut-out", "residual-current", "licensed electrician", "local code"],
        ),
    ] {
        let text = read(page);
        for word in words {
            assert!(text.contains(word), "{page}: nothing of `{word}`");
        }
    }
}

#[test]
fn the_changelog_knows_this_version() {
    let changelog = read("CHANGELOG.md");
    let newest = changelog.lines().find_map(|line| line.strip_prefix("## ")).expect("a version");
    assert_eq!(newest.split(' ').next(), Some(env!("CARGO_PKG_VERSION")));
}

/// The first line of an entry is `package (version) distribution; urgency=…` (Debian Policy, 4.4).
#[test]
fn the_packages_changelog_knows_this_version() {
    let changelog = read("deploy/debian/changelog");
    let (name, rest) = changelog.split_once(" (").expect("an entry");
    let version = rest.split_once(')').expect("a version").0;
    let upstream = version.rsplit_once('-').map_or(version, |(upstream, _)| upstream);
    assert_eq!((name, upstream), ("lampwarden", env!("CARGO_PKG_VERSION")));
}

#[test]
fn configuration_changes_are_dated_newest_first() {
    let page = read("deploy/configuration-changes.md");
    let dates: Vec<chrono::NaiveDate> =
        first_cells(&page).into_iter().map(|cell| cell.parse().unwrap_or_else(|_| panic!("no date: {cell}"))).collect();
    assert!(!dates.is_empty());
    assert!(dates.is_sorted_by(|newer, older| newer >= older), "{dates:?}");
}

#[test]
fn links_of_the_pages_lead_somewhere() {
    for page in ["deploy/README.md", "deploy/first-hour.md", "deploy/upgrade.md", "deploy/configuration-changes.md"] {
        let text = read(page);
        for link in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            assert!(!read(&format!("deploy/{link}")).is_empty(), "{page}: {link}");
        }
    }
}
