//! The rooms of `src/` and the arrows between them.
//!
//! Reads the sources as tokens, so that comments and strings say nothing, and holds four things: arrows between rooms
//! go only where [`ROOMS`] lets them; pure rooms touch no clock, file, socket, task, unordered map or platform
//! mathematics; a crate that does I/O or formats is named only where [`OWNERS`] says; and a [`Permit`] cannot be made
//! outside the guard. Code under `#[cfg(test)]` is left alone: a test may stand on anything.
//!
//! [`Permit`]: lampwarden::guard::Permit

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests read files")]

use std::collections::BTreeSet;
use std::path::Path;

use proc_macro2::{Delimiter, Group, Ident, TokenStream, TokenTree};

/// Each room with the rooms it may name, lowest first: a row names only rows above it.
const ROOMS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("time", &[]),
    ("page", &[]),
    ("science", &["units", "time"]),
    ("settings", &["units", "time", "science"]),
    ("commissioning", &["units", "time", "science", "settings"]),
    ("guard", &["units", "time", "science", "settings"]),
    ("control", &["units", "time", "science", "settings", "guard"]),
    ("message", &["units", "time", "science", "settings", "guard", "control"]),
    ("notify", &["units", "time", "settings", "control"]),
    ("config", &["units", "time", "science", "settings"]),
    ("replay", &["units", "time", "science", "settings", "guard", "control", "message"]),
    ("simulator", &["units", "time", "science", "settings"]),
    (
        "rehearsal",
        &["units", "time", "page", "science", "settings", "guard", "control", "message", "config", "simulator"],
    ),
    ("report", &["units", "time", "page", "science", "settings", "guard", "control"]),
    ("wire", &["units", "time", "settings", "guard", "control", "message"]),
    ("journal", &["units", "time", "settings", "guard", "control", "message"]),
    ("post", &["units", "time", "settings", "control", "notify", "wire"]),
    ("export", &["units", "time", "settings", "guard", "control", "message", "notify", "report", "journal"]),
    ("web", &["units", "time", "page", "settings", "guard", "control", "message", "journal", "export"]),
    (
        "daemon",
        &[
            "units", "time", "settings", "guard", "control", "message", "notify", "config", "wire", "journal", "post",
            "export", "web",
        ],
    ),
    (
        "commands",
        &[
            "units",
            "time",
            "science",
            "settings",
            "commissioning",
            "guard",
            "control",
            "message",
            "notify",
            "config",
            "replay",
            "rehearsal",
            "report",
            "simulator",
            "wire",
            "journal",
            "post",
            "export",
            "web",
            "daemon",
        ],
    ),
];

/// Rooms that touch the world. Every other room is pure.
const IMPURE: &[&str] = &["wire", "journal", "post", "export", "web", "daemon", "commands"];

/// Crates that only some places may name: a room, or a path below `src/`.
const OWNERS: &[(&str, &[&str])] = &[
    ("annotate_snippets", &["config"]),
    ("argon2", &["web"]),
    ("axum", &["web"]),
    ("base64", &["web"]),
    ("clap", &["commands"]),
    ("csv", &["commands/history", "export"]),
    ("futures_util", &["web"]),
    ("icalendar", &["web"]),
    ("lettre", &["post"]),
    ("maud", &["web"]),
    ("parquet", &["export"]),
    ("prometheus_client", &["web"]),
    ("ratatui", &["commands/demo"]),
    ("ring", &["web"]),
    ("rpassword", &["commands/accounts"]),
    ("rumqttc", &["wire", "commands/demo"]),
    ("rumqttd", &["commands/demo"]),
    ("rusqlite", &["journal"]),
    ("rustls", &["wire", "post", "web", "commands", "daemon"]),
    ("rustls_native_certs", &["post"]),
    ("sd_notify", &["daemon"]),
    ("strsim", &["config"]),
    ("sunrise", &["science"]),
    ("tokio", &["wire", "journal", "post", "web", "daemon", "commands"]),
    ("tokio_rustls", &["web"]),
    ("toml", &["config"]),
    ("tower_http", &["web"]),
    ("tracing", &["wire", "journal", "post", "web", "daemon", "commands"]),
    ("tracing_subscriber", &["daemon", "commands"]),
    ("ureq", &["post"]),
];

/// Paths that no pure room may name, with what to use instead.
const FORBIDDEN: &[(&[&str], &str)] = &[
    (&["std", "fs"], "a driver reads and writes files"),
    (&["TcpStream"], "a driver opens sockets"),
    (&["TcpListener"], "a driver opens sockets"),
    (&["UdpSocket"], "a driver opens sockets"),
    (&["UnixStream"], "a driver opens sockets"),
    (&["ToSocketAddrs"], "a driver asks for names"),
    (&["std", "env"], "a driver reads the environment"),
    (&["std", "thread"], "a driver runs threads"),
    (&["std", "process"], "a driver ends the process"),
    (&["std", "time", "Instant"], "the driver hands in a Moment"),
    (&["Instant", "now"], "the driver hands in a Moment"),
    (&["SystemTime"], "the driver hands in a Moment"),
    (&["Utc", "now"], "the driver hands in a Moment"),
    (&["chrono", "Local"], "the settings name the zone"),
    (&["HashMap"], "its order is random: use BTreeMap"),
    (&["HashSet"], "its order is random: use BTreeSet"),
    (&["RandomState"], "it is seeded by chance"),
    (&["rand"], "use a seeded generator of our own"),
];

/// Macros that write to the terminal.
const SPEAKING: &[&str] = &["print", "println", "eprint", "eprintln", "dbg"];

/// Methods of `f64` whose last digits differ between machines.
const PLATFORM_MATHEMATICS: &[&str] = &[
    "sin", "cos", "tan", "asin", "acos", "atan", "atan2", "sin_cos", "sinh", "cosh", "tanh", "exp", "exp2", "exp_m1",
    "ln", "ln_1p", "log", "log2", "log10", "powf", "powi", "cbrt", "hypot",
];

/// What a permit may derive: nothing that makes one out of thin air.
const PERMIT_DERIVES: &[&str] = &["Clone", "Copy", "Debug", "PartialEq", "Eq", "PartialOrd", "Ord", "Hash"];

/// Traits that would make one.
const PERMIT_MAKERS: &[&str] = &["Default", "From", "FromStr", "TryFrom", "Deserialize"];

/// A file that a head can hold; the house asks for about 500 lines, this is where it stops being a matter of taste.
const LINES_MAX: usize = 900;

/// One source file.
#[derive(Clone, Debug)]
struct Source {
    /// Below `src/`, with `/`.
    path: String,
    text: String,
}

/// What was seen.
#[derive(Debug, Default)]
struct Survey {
    /// From room, to room.
    arrows: BTreeSet<(String, String)>,
    /// One sentence each, with file and line.
    findings: Vec<String>,
    /// Modules declared under `#[cfg(test)]`, by their path in the crate.
    test_modules: Vec<Vec<String>>,
}

/// Everything wrong with `sources`.
fn survey(sources: &[Source]) -> Survey {
    let mut survey = Survey::default();
    let mut parsed = Vec::new();
    for source in sources {
        match source.text.parse::<TokenStream>() {
            Ok(tokens) => parsed.push((source, tokens.into_iter().collect::<Vec<_>>())),
            Err(error) => survey.findings.push(format!("src/{}: not Rust: {error}", source.path)),
        }
    }
    // First walk: learn which files are tests. Second walk: judge the rest.
    let mut first = Survey::default();
    for (source, tokens) in &parsed {
        File::new(source, &mut first).walk(tokens, &module_of(&source.path));
    }
    for (source, tokens) in &parsed {
        let module = module_of(&source.path);
        let is_test = first.test_modules.iter().any(|test| module.starts_with(test));
        check_shape(source, &module, &mut survey.findings);
        if !is_test {
            File::new(source, &mut survey).walk(tokens, &module);
        }
    }
    survey
}

/// Length, module doc, and whether the room is known.
fn check_shape(source: &Source, module: &[String], findings: &mut Vec<String>) {
    let Source { path, text } = source;
    let lines = text.lines().count();
    if lines > LINES_MAX {
        findings.push(format!("src/{path}: {lines} lines; a head holds {LINES_MAX} at most"));
    }
    if !text.trim_start().starts_with("//!") {
        findings.push(format!("src/{path}: no module documentation (`//!`) at its head"));
    }
    if module.first().is_some_and(|room| allowed(room).is_none()) {
        findings.push(format!("src/{path}: the room `{}` is not in the table of rooms", module[0]));
    }
}

/// The module path of a file below `src/`; empty for the crate root.
fn module_of(path: &str) -> Vec<String> {
    let mut parts: Vec<String> = path.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
    if parts.last().is_some_and(|last| matches!(last.as_str(), "mod" | "lib" | "main")) {
        parts.pop();
    }
    parts
}

fn allowed(room: &str) -> Option<&'static [&'static str]> {
    ROOMS.iter().find(|(name, _)| *name == room).map(|(_, rooms)| *rooms)
}

/// A path found in the source, with its line.
struct Found<'a> {
    segments: &'a [String],
    line: usize,
    in_use: bool,
}

/// The walk over one file.
struct File<'a> {
    path: &'a str,
    survey: &'a mut Survey,
}

impl<'a> File<'a> {
    fn new(source: &'a Source, survey: &'a mut Survey) -> File<'a> {
        File { path: &source.path, survey }
    }

    fn find(&mut self, line: usize, what: &str) {
        self.survey.findings.push(format!("src/{}:{line}: {what}", self.path));
    }

    /// Goes through the tokens of `module`.
    fn walk(&mut self, tokens: &[TokenTree], module: &[String]) {
        let mut at = 0;
        let mut derives = Vec::new();
        while at < tokens.len() {
            let rest = &tokens[at..];
            if let Some((length, attribute)) = attribute(rest) {
                at += length;
                if is_cfg_test(attribute) {
                    if length == 3 {
                        return;
                    }
                    at += self.skip_item(&tokens[at..], module);
                } else {
                    derives.extend(derived(attribute));
                    self.walk(&children(attribute), module);
                }
                continue;
            }
            let before = at.checked_sub(1).map(|before| &tokens[before]);
            at += self.step(rest, before, module, &mut derives);
        }
    }

    /// Handles what stands at the head of `rest` and tells how many tokens that took.
    fn step(
        &mut self,
        rest: &[TokenTree],
        before: Option<&TokenTree>,
        module: &[String],
        derives: &mut Vec<String>,
    ) -> usize {
        match rest {
            [TokenTree::Ident(word), TokenTree::Group(scope), ..] if word == "pub" && is_paren(scope) => 2,
            [TokenTree::Ident(word), TokenTree::Ident(name), TokenTree::Group(body), ..]
                if word == "mod" && is_brace(body) =>
            {
                self.walk(&children(body), &[module, &[name.to_string()]].concat());
                3
            }
            [TokenTree::Ident(word), ..] if word == "use" => {
                let length = rest.iter().take_while(|token| !is_punct(token, ';')).count();
                self.use_tree(&rest[1..length], &[], module);
                length
            }
            [TokenTree::Ident(word), TokenTree::Ident(name), TokenTree::Group(body), ..]
                if word == "struct" && name == "Permit" =>
            {
                self.check_permit(line(name), derives, body);
                2
            }
            [TokenTree::Ident(word), ..] if word == "impl" => {
                self.check_permit_impl(line(word), rest);
                1
            }
            [TokenTree::Ident(word), TokenTree::Punct(bang), TokenTree::Group(_), ..]
                if bang.as_char() == '!' && SPEAKING.iter().any(|speaking| word == speaking) =>
            {
                if is_pure(module) {
                    self.find(line(word), &format!("`{word}!` in a pure room; a driver speaks"));
                }
                2
            }
            [TokenTree::Ident(method), TokenTree::Group(call), ..]
                if before.is_some_and(|token| is_punct(token, '.')) && is_paren(call) =>
            {
                if is_pure(module) && PLATFORM_MATHEMATICS.iter().any(|platform| method == platform) {
                    self.find(line(method), &platform_mathematics(&method.to_string()));
                }
                1
            }
            [TokenTree::Ident(first), ..] => {
                let (length, segments) = path(rest);
                self.judge(&Found { segments: &segments, line: line(first), in_use: false }, module);
                length
            }
            [TokenTree::Group(group), ..] => {
                self.walk(&children(group), module);
                if is_brace(group) {
                    derives.clear();
                }
                1
            }
            [token, ..] => {
                if is_punct(token, ';') {
                    derives.clear();
                }
                1
            }
            [] => 1,
        }
    }

    /// Steps over the item that a `#[cfg(test)]` stands on, and notes it where it is a module of its own file.
    fn skip_item(&mut self, tokens: &[TokenTree], module: &[String]) -> usize {
        let mut ends_at_semicolon = false;
        let mut at = 0;
        while at < tokens.len() {
            match &tokens[at..] {
                [TokenTree::Ident(word), TokenTree::Ident(name), TokenTree::Punct(end), ..]
                    if word == "mod" && end.as_char() == ';' =>
                {
                    self.survey.test_modules.push([module, &[name.to_string()]].concat());
                    return at + 3;
                }
                [TokenTree::Ident(word), ..] if word == "use" || word == "const" || word == "static" => {
                    ends_at_semicolon = !matches!(&tokens[at + 1..], [TokenTree::Ident(next), ..] if next == "fn");
                }
                [token, ..] if is_punct(token, ';') => return at + 1,
                [TokenTree::Group(body), ..] if is_brace(body) && !ends_at_semicolon => return at + 1,
                _ => {}
            }
            at += 1;
        }
        at
    }

    /// Judges every path of a `use` tree below `prefix`.
    fn use_tree(&mut self, tokens: &[TokenTree], prefix: &[String], module: &[String]) {
        for branch in tokens.split(|token| is_punct(token, ',')) {
            let mut segments = prefix.to_vec();
            let mut at_line = 0;
            let mut grouped = false;
            for token in branch {
                match token {
                    TokenTree::Ident(word) if word == "as" => break,
                    TokenTree::Ident(word) if word == "self" && !segments.is_empty() => at_line = line(word),
                    TokenTree::Ident(word) => {
                        at_line = line(word);
                        segments.push(word.to_string());
                    }
                    TokenTree::Punct(star) if star.as_char() == '*' => segments.push("*".to_owned()),
                    TokenTree::Group(group) => {
                        self.use_tree(&children(group), &segments, module);
                        grouped = true;
                    }
                    _ => {}
                }
            }
            if !grouped && !segments.is_empty() {
                self.judge(&Found { segments: &segments, line: at_line, in_use: true }, module);
            }
        }
    }

    /// Judges one path.
    fn judge(&mut self, found: &Found, module: &[String]) {
        match resolve(found.segments, module) {
            Some(target) => self.judge_arrow(found, &target, module),
            None => self.judge_outside(found, module),
        }
    }

    /// A path within the crate: does its arrow go the right way?
    fn judge_arrow(&mut self, found: &Found, target: &[String], module: &[String]) {
        let Some(from) = module.first() else { return };
        let Some(rooms) = allowed(from) else { return };
        match target.first().map(String::as_str) {
            None | Some("*") if found.in_use => self.find(found.line, "names the whole crate; name the room"),
            None => {}
            Some(to) if to == from => {}
            Some(to) if allowed(to).is_none() => {
                self.find(found.line, &format!("`crate::{to}` is in no room of the table"));
            }
            Some(to) => {
                self.survey.arrows.insert((from.clone(), to.to_owned()));
                if !rooms.contains(&to) {
                    self.find(found.line, &format!("`{from}` must not use `{to}`"));
                }
            }
        }
    }

    /// A path out of the crate: may this place name it?
    fn judge_outside(&mut self, found: &Found, module: &[String]) {
        let segments: Vec<&str> = found.segments.iter().map(String::as_str).collect();
        let names_crate = found.in_use || segments.len() > 1;
        if let Some((name, owners)) = OWNERS.iter().find(|(name, _)| names_crate && segments[0] == *name) {
            let owned = owners.iter().any(|owner| module.join("/").starts_with(owner));
            if !owned && !module.is_empty() {
                self.find(found.line, &format!("the crate `{name}` belongs to {}", owners.join(" and ")));
            }
        }
        if !is_pure(module) {
            return;
        }
        for (needle, instead) in FORBIDDEN {
            if segments.windows(needle.len()).any(|window| window == *needle) {
                self.find(found.line, &format!("`{}` in a pure room; {instead}", segments.join("::")));
                return;
            }
        }
        if let ["f64", method] = segments[..]
            && PLATFORM_MATHEMATICS.contains(&method)
        {
            self.find(found.line, &platform_mathematics(method));
        }
    }

    /// No trait makes a permit, and no function or constant that hands one out is seen outside the guard.
    fn check_permit_impl(&mut self, at_line: usize, tokens: &[TokenTree]) {
        let head: Vec<String> = tokens.iter().take_while(|token| !is_block(token)).map(ToString::to_string).collect();
        if !head.ends_with(&["Permit".to_owned()]) {
            return;
        }
        if let Some(maker) = head.iter().find(|word| PERMIT_MAKERS.contains(&word.as_str())) {
            self.find(at_line, &format!("`{maker}` for `Permit` may make one out of thin air"));
        }
        let Some(TokenTree::Group(body)) = tokens.get(head.len()) else { return };
        let body = children(body);
        // Each item ends in a block or a semicolon; its words outside of brackets tell what it is.
        for item in body.split_inclusive(|token| is_block(token) || is_punct(token, ';')) {
            let words: Vec<String> = item.iter().map(ToString::to_string).collect();
            let Some(at) = words.iter().position(|word| word == "pub") else { continue };
            let is_own =
                matches!(&item[at + 1..], [TokenTree::Group(scope), ..] if scope.stream().to_string() == "super");
            let text = words[at..].join(" ");
            // Anybody may switch a lamp off.
            let is_off = text.starts_with("pub const OFF : Permit = ") && text.contains("Level :: OFF");
            if !is_own && !is_off && words[at..].iter().any(|word| word == "Permit" || word == "Self") {
                self.find(at_line, &format!("`{text}` hands out a `Permit` beyond the guard"));
            }
        }
    }

    /// The fields of a permit are the guard's own, and nothing it derives can make one.
    fn check_permit(&mut self, at_line: usize, derives: &[String], body: &Group) {
        if children(body).iter().any(|token| matches!(token, TokenTree::Ident(word) if word == "pub")) {
            self.find(at_line, "a field of `Permit` is public, so anybody can make one");
        }
        for derive in derives.iter().filter(|derive| !PERMIT_DERIVES.contains(&derive.as_str())) {
            self.find(at_line, &format!("`Permit` derives `{derive}`, which may make one out of thin air"));
        }
    }
}

fn platform_mathematics(method: &str) -> String {
    format!("`{method}` differs between machines; use the libm crate in a pure room")
}

/// Whether the module is in a pure room; the crate root is none.
fn is_pure(module: &[String]) -> bool {
    module.first().is_some_and(|room| !IMPURE.contains(&room.as_str()))
}

/// The path within the crate, where it is one that says so.
fn resolve(segments: &[String], module: &[String]) -> Option<Vec<String>> {
    match segments.first()?.as_str() {
        "crate" => Some(segments[1..].to_vec()),
        "self" if segments.len() > 1 => Some([module, &segments[1..]].concat()),
        "super" => {
            let ups = segments.iter().take_while(|segment| *segment == "super").count();
            Some([&module[..module.len().saturating_sub(ups)], &segments[ups..]].concat())
        }
        _ => None,
    }
}

/// The path at the head of `tokens`: how many tokens, and its segments.
fn path(tokens: &[TokenTree]) -> (usize, Vec<String>) {
    let mut segments = Vec::new();
    let mut at = 0;
    while let Some(TokenTree::Ident(word)) = tokens.get(at) {
        segments.push(word.to_string());
        at += 1;
        match &tokens[at..] {
            [first, second, TokenTree::Ident(_), ..] if is_punct(first, ':') && is_punct(second, ':') => at += 2,
            _ => break,
        }
    }
    (at, segments)
}

/// The attribute at the head of `tokens`: how many tokens (three for an inner one), and what stands in its brackets.
fn attribute(tokens: &[TokenTree]) -> Option<(usize, &Group)> {
    match tokens {
        [hash, TokenTree::Group(group), ..] if is_punct(hash, '#') && is_bracket(group) => Some((2, group)),
        [hash, bang, TokenTree::Group(group), ..]
            if is_punct(hash, '#') && is_punct(bang, '!') && is_bracket(group) =>
        {
            Some((3, group))
        }
        _ => None,
    }
}

fn is_cfg_test(attribute: &Group) -> bool {
    match &children(attribute)[..] {
        [TokenTree::Ident(cfg), TokenTree::Group(condition)] if cfg == "cfg" => {
            matches!(&children(condition)[..], [TokenTree::Ident(test)] if test == "test")
        }
        _ => false,
    }
}

fn derived(attribute: &Group) -> Vec<String> {
    match &children(attribute)[..] {
        [TokenTree::Ident(derive), TokenTree::Group(names)] if derive == "derive" => children(names)
            .iter()
            .filter(|token| matches!(token, TokenTree::Ident(_)))
            .map(ToString::to_string)
            .collect(),
        _ => Vec::new(),
    }
}

fn children(group: &Group) -> Vec<TokenTree> {
    group.stream().into_iter().collect()
}

fn line(word: &Ident) -> usize {
    word.span().start().line
}

fn is_punct(token: &TokenTree, mark: char) -> bool {
    matches!(token, TokenTree::Punct(punct) if punct.as_char() == mark)
}

fn is_paren(group: &Group) -> bool {
    group.delimiter() == Delimiter::Parenthesis
}

fn is_brace(group: &Group) -> bool {
    group.delimiter() == Delimiter::Brace
}

fn is_block(token: &TokenTree) -> bool {
    matches!(token, TokenTree::Group(group) if is_brace(group))
}

fn is_bracket(group: &Group) -> bool {
    group.delimiter() == Delimiter::Bracket
}

/// Every Rust file below `folder`, by path.
fn sources(folder: &Path, below: &str, into: &mut Vec<Source>) {
    let mut entries: Vec<_> = std::fs::read_dir(folder).expect("readable").map(|entry| entry.expect("entry")).collect();
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = format!("{below}{}", entry.file_name().to_str().expect("file names are ASCII"));
        if entry.path().is_dir() {
            sources(&entry.path(), &format!("{path}/"), into);
        } else if path.ends_with(".rs") {
            into.push(Source { text: std::fs::read_to_string(entry.path()).expect("readable"), path });
        }
    }
}

fn house() -> Vec<Source> {
    let mut found = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), "", &mut found);
    found
}

#[test]
fn every_arrow_goes_one_way_and_pure_rooms_stay_pure() {
    let survey = survey(&house());
    assert!(survey.findings.is_empty(), "\n{}\n", survey.findings.join("\n"));
}

#[test]
fn the_survey_sees_the_house_it_judges() {
    let sources = house();
    for (room, _) in ROOMS {
        let is_there = |source: &Source| module_of(&source.path).first().is_some_and(|first| first == room);
        assert!(sources.iter().any(is_there), "no file in the room {room}");
    }
    let arrows = survey(&sources).arrows;
    for (from, to) in [("control", "guard"), ("control", "settings"), ("settings", "units")] {
        assert!(arrows.contains(&(from.to_owned(), to.to_owned())), "{from} uses {to}, and the survey missed it");
    }
    let permits = sources.iter().filter(|source| source.text.contains("struct Permit ")).map(|source| &source.path);
    assert!(permits.clone().all(|path| path.starts_with("guard")) && permits.count() == 1, "one permit, the guard's");
}

#[test]
fn the_table_of_rooms_has_no_circle() {
    for (row, (room, rooms)) in ROOMS.iter().enumerate() {
        for below in *rooms {
            assert!(ROOMS[..row].iter().any(|(name, _)| name == below), "{room} names {below}, which is not above it");
        }
    }
}

/// Plants `code` at `path` and expects exactly these findings about it, each without its file.
#[track_caller]
fn check(path: &str, code: &str, expected: &[&str]) {
    let text = format!("//! Planted.\n{code}");
    let findings = survey(&[Source { path: path.to_owned(), text }]).findings;
    let expected: Vec<String> = expected.iter().map(|finding| format!("src/{path}:{finding}")).collect();
    assert_eq!(findings, expected, "for {code}");
}

#[test]
fn planted_arrows_are_found_however_they_are_written() {
    let control = "2: `guard` must not use `control`";
    check("guard/mod.rs", "use crate::control::Event;", &[control]);
    check("guard/mod.rs", "use crate::{units::Level, control::{self, Event}};", &[control, control]);
    check("guard/mod.rs", "use super::control as c;", &[control]);
    check("guard/trip.rs", "use super::super::control::Event;", &[control]);
    check("guard/trip.rs", "mod inner { use super::super::super::control::Event; }", &[control]);
    check("guard/mod.rs", "fn f() -> crate::control::Event { todo!() }", &[control]);
    check("guard/mod.rs", "fn f() { let _ = format!(\"{}\", crate::control::NAME); }", &[control]);
    check("guard/mod.rs", "impl From<crate::control::Event> for X {}", &[control]);
    check("guard/mod.rs", "use crate::*;", &["2: names the whole crate; name the room"]);
    check("guard/mod.rs", "use crate as house;", &["2: names the whole crate; name the room"]);
    check("guard/mod.rs", "use crate::attic::Box;", &["2: `crate::attic` is in no room of the table"]);
    check("simulator/plant.rs", "use crate::control::Event;", &["2: `simulator` must not use `control`"]);
    check("simulator/plant.rs", "use crate::guard::Permit;", &["2: `simulator` must not use `guard`"]);
    check("units.rs", "use crate::time::Mono;", &["2: `units` must not use `time`"]);
    check("daemon/mod.rs", "use crate::simulator::Plant;", &["2: `daemon` must not use `simulator`"]);
}

#[test]
fn what_is_allowed_is_not_found() {
    check("control/heat.rs", "use crate::{guard::Permit, units::{Celsius, Level}};\nuse super::Event;", &[]);
    check("control/heat.rs", "//! crate::wire\n// crate::wire\nconst S: &str = \"crate::wire std::fs\";", &[]);
    check("control/heat.rs", "pub(crate) fn f() {}\npub(in crate::control) fn g() { self::f() }", &[]);
    check("control/heat.rs", "fn f(x: &Table) { x.log; x.max(1.0); libm::exp(1.0); }", &[]);
    check("wire/mod.rs", "use std::net::IpAddr;\nuse rumqttc::Event;\nfn f() { Instant::now(); }", &[]);
    check("guard/mod.rs", "#[cfg(test)]\nmod tests { use crate::control::Event; use std::fs; }\nfn f() {}", &[]);
    check("guard/mod.rs", "#[cfg(test)]\nuse crate::control::{Event};\nuse crate::units::Level;", &[]);
}

#[test]
fn only_the_item_under_cfg_test_is_left_alone() {
    let code = "#[cfg(test)]\nmod tests { use std::fs; }\nuse std::fs;";
    check("guard/mod.rs", code, &["4: `std::fs` in a pure room; a driver reads and writes files"]);
    check("guard/mod.rs", "#[cfg(not(test))]\nuse crate::wire::X;", &["3: `guard` must not use `wire`"]);
}

#[test]
fn a_test_module_in_its_own_file_is_left_alone_and_its_neighbour_is_not() {
    let source = |path: &str, text: &str| Source { path: path.to_owned(), text: format!("//! Planted.\n{text}") };
    let findings = survey(&[
        source("guard/mod.rs", "#[cfg(test)]\nmod tests;\nmod trip;"),
        source("guard/tests.rs", "use crate::control::Event;"),
        source("guard/tests/deep.rs", "use crate::control::Event;"),
        source("guard/trip.rs", "use crate::control::Event;"),
    ])
    .findings;
    assert_eq!(findings, ["src/guard/trip.rs:2: `guard` must not use `control`"]);
}

#[test]
fn planted_impurities_are_found() {
    let moment = "2: `Instant::now` in a pure room; the driver hands in a Moment";
    check("control/mod.rs", "fn f() { Instant::now(); }", &[moment]);
    let named = "2: `std::time::Instant` in a pure room; the driver hands in a Moment";
    check("control/mod.rs", "use std::time::{Duration, Instant};", &[named]);
    check(
        "control/mod.rs",
        "use chrono::Utc;\nfn f() { Utc::now(); }",
        &["3: `Utc::now` in a pure room; the driver hands in a Moment"],
    );
    check(
        "message/mod.rs",
        "use std::collections::HashMap;",
        &["2: `std::collections::HashMap` in a pure room; its order is random: use BTreeMap"],
    );
    check(
        "config/mod.rs",
        "fn f() { ::std::fs::read(p); }",
        &["2: `std::fs::read` in a pure room; a driver reads and writes files"],
    );
    check(
        "science/sun.rs",
        "fn f(x: f64) -> f64 { x.sin() }",
        &["2: `sin` differs between machines; use the libm crate in a pure room"],
    );
    check(
        "science/sun.rs",
        "fn f(x: f64) -> f64 { f64::exp(x) }",
        &["2: `exp` differs between machines; use the libm crate in a pure room"],
    );
    check("control/mod.rs", "fn f() { println!(\"{}\", 1); }", &["2: `println!` in a pure room; a driver speaks"]);
}

#[test]
fn planted_crates_are_found_where_they_do_not_belong() {
    check(
        "control/mod.rs",
        "use tokio::sync::mpsc;",
        &["2: the crate `tokio` belongs to wire and journal and post and web and daemon and commands"],
    );
    check("message/mod.rs", "fn f() { toml::from_str(s); }", &["2: the crate `toml` belongs to config"]);
    check("daemon/mod.rs", "use rumqttc::Event;", &["2: the crate `rumqttc` belongs to wire and commands/demo"]);
    check("commands/demo/mod.rs", "use rumqttc::Event;", &[]);
    check("commands/serve.rs", "use rumqttc::Event;", &["2: the crate `rumqttc` belongs to wire and commands/demo"]);
}

#[test]
fn a_permit_that_anybody_could_make_is_found() {
    check("guard/mod.rs", "#[derive(Clone, Debug)]\npub struct Permit { level: Level }", &[]);
    check(
        "guard/mod.rs",
        "pub struct Permit { pub level: Level }",
        &["2: a field of `Permit` is public, so anybody can make one"],
    );
    check(
        "guard/mod.rs",
        "pub struct Permit(pub(crate) Level);",
        &["2: a field of `Permit` is public, so anybody can make one"],
    );
    check(
        "guard/mod.rs",
        "#[derive(Default)]\npub struct Permit { level: Level }",
        &["3: `Permit` derives `Default`, which may make one out of thin air"],
    );
}

#[test]
fn a_file_too_long_or_without_its_words_is_found() {
    let findings = |text: String| survey(&[Source { path: "units.rs".to_owned(), text }]).findings;
    assert_eq!(findings("fn f() {}".to_owned()), ["src/units.rs: no module documentation (`//!`) at its head"]);
    let long = format!("//! Long.\n{}", "\n".repeat(LINES_MAX));
    assert_eq!(findings(long), ["src/units.rs: 901 lines; a head holds 900 at most"]);
    let attic = survey(&[Source { path: "attic/mod.rs".to_owned(), text: "//! New.".to_owned() }]).findings;
    assert_eq!(attic, ["src/attic/mod.rs: the room `attic` is not in the table of rooms"]);
}
