//! The dependency tree against the committed list of advisories (`tests/advisories.toml`).
//!
//! It stands in for the advisory database where that cannot be reached. `deny.toml` ignores what is accepted here and
//! nothing else.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests read files")]

use std::collections::BTreeSet;

use toml::{Table, Value};

/// A version as its three numbers; what follows a hyphen or a plus does not matter here.
type Version = [u64; 3];

/// One package of Cargo.lock.
#[derive(Clone, Debug, PartialEq)]
struct Locked {
    name: String,
    version: String,
}

/// One entry of the list.
#[derive(Clone, Debug, PartialEq)]
struct Advisory {
    id: String,
    package: String,
    /// The first version without the fault; none: every version has it.
    fixed: Option<String>,
    /// The version that may stay, and why.
    accepted: Option<(String, String)>,
}

fn version(text: &str) -> Version {
    let plain = text.split(['-', '+']).next().unwrap_or(text);
    let mut parts = plain.split('.').map(|part| part.parse().unwrap_or_else(|_| panic!("not a version: {text}")));
    std::array::from_fn(|_| parts.next().unwrap_or(0))
}

fn table(text: &str) -> Table {
    text.parse().expect("the file is TOML")
}

fn text(table: &Table, key: &str) -> Option<String> {
    table.get(key).and_then(Value::as_str).map(str::to_owned)
}

fn entries<'a>(table: &'a Table, key: &str) -> impl Iterator<Item = &'a Table> {
    table[key].as_array().expect("a list").iter().map(|entry| entry.as_table().expect("a list of tables"))
}

fn locked(lock: &str) -> Vec<Locked> {
    let lock = table(lock);
    let package = |entry: &Table| Locked {
        name: text(entry, "name").expect("a package has a name"),
        version: text(entry, "version").expect("a package has a version"),
    };
    entries(&lock, "package").map(package).collect()
}

fn advisories(list: &str) -> Vec<Advisory> {
    let list = table(list);
    let advisory = |entry: &Table| Advisory {
        id: text(entry, "id").expect("an advisory has an id"),
        package: text(entry, "package").expect("an advisory names a package"),
        fixed: text(entry, "fixed"),
        accepted: entry.get("accepted").and_then(Value::as_table).map(|accepted| {
            let part = |key| text(accepted, key).unwrap_or_else(|| panic!("an acceptance has a {key}"));
            (part("version"), part("reason"))
        }),
    };
    entries(&list, "advisory").map(advisory).collect()
}

/// Whatever is wrong with `packages` by `list`, one sentence each.
fn findings(packages: &[Locked], list: &[Advisory]) -> Vec<String> {
    let mut found = Vec::new();
    for Advisory { id, package, fixed, accepted } in list {
        let hit = |locked: &&Locked| {
            locked.name == *package && fixed.as_ref().is_none_or(|fixed| version(&locked.version) < version(fixed))
        };
        let hits: Vec<&Locked> = packages.iter().filter(hit).collect();
        let is_accepted = |locked: &Locked| accepted.as_ref().is_some_and(|(version, _)| *version == locked.version);
        for locked in hits.iter().filter(|locked| !is_accepted(locked)) {
            let cure =
                fixed.as_ref().map_or("no version is free of it".to_owned(), |fixed| format!("fixed in {fixed}"));
            found.push(format!("{id} hits {package} {}; {cure}", locked.version));
        }
        if let Some((version, reason)) = accepted {
            if !hits.iter().any(|locked| is_accepted(locked)) {
                found.push(format!("{id} is accepted for {package} {version}, which is no longer locked"));
            }
            if reason.trim().len() < 20 {
                found.push(format!("{id} is accepted without a reason"));
            }
        }
    }
    found
}

#[test]
fn no_locked_package_is_hit_by_an_advisory_that_is_not_accepted() {
    let packages = locked(include_str!("../Cargo.lock"));
    assert!(packages.iter().any(|locked| locked.name == "rustls-webpki"), "the list speaks of our tree");
    assert_eq!(findings(&packages, &advisories(include_str!("advisories.toml"))), Vec::<String>::new());
}

#[test]
fn deny_toml_ignores_what_is_accepted_here_and_nothing_else() {
    let deny = table(include_str!("../deny.toml"));
    let ignored: BTreeSet<String> = entries(deny["advisories"].as_table().expect("a table"), "ignore")
        .map(|entry| text(entry, "id").expect("an ignored advisory has an id"))
        .collect();
    let accepted: BTreeSet<String> = advisories(include_str!("advisories.toml"))
        .into_iter()
        .filter(|advisory| advisory.accepted.is_some())
        .map(|advisory| advisory.id)
        .collect();
    assert_eq!(ignored, accepted);
}

#[test]
fn a_hit_an_old_acceptance_and_an_empty_reason_are_each_found() {
    let check = |lock: &str, list: &str, expected: &[&str]| {
        assert_eq!(findings(&locked(lock), &advisories(list)), expected, "for {list}");
    };
    let lock = "[[package]]\nname = \"rope\"\nversion = \"1.9.0+spec-2\"\n";
    let entry = "[[advisory]]\nid = \"A-1\"\npackage = \"rope\"\n";
    let accepted = |version: &str, reason: &str| {
        format!("{entry}fixed = \"1.10.0\"\naccepted = {{ version = \"{version}\", reason = \"{reason}\" }}")
    };
    let reason = "only its name is used";
    check(lock, &format!("{entry}fixed = \"1.9.0\""), &[]);
    check(lock, &format!("{entry}fixed = \"1.10.0\""), &["A-1 hits rope 1.9.0+spec-2; fixed in 1.10.0"]);
    check(lock, entry, &["A-1 hits rope 1.9.0+spec-2; no version is free of it"]);
    check(lock, &accepted("1.9.0+spec-2", reason), &[]);
    check(lock, &accepted("1.9.0+spec-2", "so"), &["A-1 is accepted without a reason"]);
    check(
        lock,
        &accepted("1.8.0", reason),
        &["A-1 hits rope 1.9.0+spec-2; fixed in 1.10.0", "A-1 is accepted for rope 1.8.0, which is no longer locked"],
    );
}
