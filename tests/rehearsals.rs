//! Stories of `simulations/` hold, a fixed set of swarm seeds does, and the swarm itself can see.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests read files")]

use std::path::Path;
use std::time::Duration;

use lampwarden::config::{self, Source};
use lampwarden::rehearsal::scenario::{self, Mishap, Scenario, Timed};
use lampwarden::rehearsal::{Options, draw, rehearse, shrink};
use lampwarden::settings::{EnclosureIx, LampIx, ProbeIx};
use lampwarden::simulator::{Fault, Switch};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/simulations");

fn source(path: &Path) -> Source {
    let name = path.strip_prefix(env!("CARGO_MANIFEST_DIR")).unwrap_or(path).display().to_string();
    let text = std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    Source { name, text }
}

/// Reads a scenario of the folder, or shows every finding.
fn read(path: &Path) -> Scenario {
    let folder = path.parent().expect("a file lies in a folder");
    let checked = scenario::read(&source(path), &mut |named| Ok(vec![source(&folder.join(named))]));
    checked.scenario.unwrap_or_else(|| panic!("{}", config::render(&checked.findings, &checked.sources, false)))
}

fn named(file: &str) -> Scenario {
    read(&Path::new(FOLDER).join(file))
}

fn all() -> Vec<Scenario> {
    let entries = std::fs::read_dir(FOLDER).expect("the folder is there").map(|entry| entry.expect("readable").path());
    let mut files: Vec<_> = entries.filter(|path| path.extension().is_some_and(|it| it == "toml")).collect();
    files.sort();
    files.iter().map(|file| read(file)).collect()
}

/// Panics with what a person needs to act on where anything did not hold, or where what comes of a story depends on
/// whether everything goes the whole way.
fn holds(scenario: &Scenario) {
    let outcome = rehearse(scenario, &Options::default());
    let whole = rehearse(scenario, &Options { whole_way: true, ..Options::default() });
    assert_eq!(outcome.log, whole.log, "{}", scenario.name);
    assert_eq!(outcome, whole, "{}", scenario.name);
    let found: Vec<_> = outcome
        .violations
        .iter()
        .map(|found| {
            format!(
                "{} {}: {}\n{}",
                scenario.spoken(found.at),
                found.rule,
                found.text,
                [&found.readings[..], &found.chain[..]].concat().join("\n")
            )
        })
        .collect();
    assert!(found.is_empty(), "{} ({}, seed {}):\n{}", scenario.title, scenario.name, scenario.seed, found.join("\n"));
}

/// One story in eight. `tests/run` holds all of them, at speed: by a stage of its own, and both ways where bugs are planted.
fn one_in_eight(offset: usize) {
    for story in all().iter().filter(|story| !story.slow && story.swarm.is_none()).skip(offset).step_by(8) {
        holds(story);
    }
}

#[test]
fn one_story_in_eight_holds() {
    one_in_eight(0);
}

#[test]
fn another_one_in_eight_holds() {
    one_in_eight(4);
}

#[test]
fn there_are_thirty_stories_and_each_expects_something_that_must_not_happen() {
    let stories: Vec<_> = all().into_iter().filter(|story| story.swarm.is_none()).collect();
    assert!(stories.len() >= 30, "{}", stories.len());
    for story in stories {
        assert!(story.expectations.len() >= 2, "{}", story.name);
        let forbids = |expectation: &scenario::Expectation| {
            matches!(expectation.when, scenario::When::Never(..) | scenario::When::Always(..))
        };
        assert!(story.expectations.iter().any(forbids), "{}", story.name);
    }
}

/// `tests/run` holds more seeds, at speed and both ways.
fn seed_holds(seed: u64) {
    let drawn = draw(&named("swarm.toml"), seed).unwrap_or_else(|why| panic!("seed {seed}: {why}"));
    holds(&drawn);
}

#[test]
fn a_swarm_seed_holds() {
    seed_holds(1);
}

/// It has a ramp after its configuration was read again: a glide once passed over a moment there.
#[test]
fn another_swarm_seed_holds() {
    seed_holds(11);
}

/// Its clock drifts: what goes by it once came some milliseconds apart.
#[test]
fn a_swarm_seed_whose_clock_drifts_holds() {
    seed_holds(46);
}

#[test]
fn one_seed_gives_one_log_byte_for_byte() {
    let swarm = named("swarm.toml");
    let drawn = draw(&swarm, 5).expect("it is accepted");
    let (first, second) = (rehearse(&drawn, &Options::default()), rehearse(&drawn, &Options::default()));
    assert_eq!(first, second);
    let other = draw(&swarm, 6).expect("it is accepted");
    assert_ne!(first.hash, rehearse(&other, &Options::default()).hash);
}

#[test]
fn shrinking_finds_the_planted_cause() {
    // A calm day with eight faults that the day bears, and one that it does not: the expectation forbids any alarm.
    let (e, l, p) = (EnclosureIx(0), LampIx(0), ProbeIx(1));
    let mut story = named("calm-day.toml");
    let harmless = [
        Mishap::Plant(Fault::ProbeRepeats(e, p, 0.3)),
        Mishap::Plant(Fault::ProbeIsCoarse(e, p, 2.0)),
        Mishap::Plant(Fault::Draught(e, 1.05)),
        Mishap::ClockDrifts(20.0),
        Mishap::Plant(Fault::ProbeRetains(e, p)),
        Mishap::MessagesLate(Duration::from_secs(1)),
        Mishap::Plant(Fault::RelayIsSlow(Switch::Lamp(e, l), Duration::from_secs(1))),
        Mishap::Plant(Fault::ProbeStumbles(e, p, 0.1)),
    ];
    let hours = |hours: u64| Duration::from_secs(3600 * hours);
    story.mishaps = (6..).zip(harmless).map(|(hour, what)| timed(hours(hour), hours(hour + 3), what)).collect();
    holds(&story);
    let planted = Mishap::Plant(Fault::ProbeIsSilent(e, ProbeIx(0)));
    story.mishaps.insert(4, timed(hours(9) + Duration::from_secs(777), hours(15), planted.clone()));
    let first =
        rehearse(&story, &Options::default()).violations.into_iter().next().expect("a silent probe is an alarm");
    assert_eq!(first.rule, "expectation 1");

    let shrunk = shrink(&story, &first.rule).expect("it fails again");
    let [left] = &shrunk.scenario.mishaps[..] else { panic!("{:?}", shrunk.scenario.mishaps) };
    assert_eq!(left.what, planted);
    assert_eq!(left.at.as_secs() % 60, 0, "rounded");
    let lasts = left.until.map(|until| until - left.at);
    assert!(lasts.is_none_or(|lasts| lasts <= Duration::from_secs(300)), "a probe is silent after 90 s; {lasts:?}");
    assert!(shrunk.scenario.span < hours(10));

    // What it prints is a scenario, and it fails in the same way.
    let text = Source { name: "shrunk.toml".to_owned(), text: shrunk.scenario.to_toml() };
    let load = &mut |named: &str| Ok(vec![source(&Path::new(FOLDER).join(named))]);
    let again = scenario::read(&text, load).scenario.expect("it reads back");
    assert_eq!(rehearse(&again, &Options::default()).violations[0].rule, shrunk.violation.rule);
}

fn timed(at: Duration, until: Duration, what: Mishap) -> Timed<Mishap> {
    Timed { at, until: Some(until), what }
}

/// Every block of TOML in the README for keepers, with the line it begins on.
fn examples(text: &str) -> Vec<(usize, String)> {
    let mut examples = Vec::new();
    let mut inside: Option<(usize, String)> = None;
    for (number, line) in (1..).zip(text.lines()) {
        match (&mut inside, line) {
            (None, "```toml") => inside = Some((number, String::new())),
            (Some(_), "```") => examples.extend(inside.take()),
            (Some((_, block)), line) => {
                block.push_str(line);
                block.push('\n');
            }
            (None, _) => {}
        }
    }
    assert!(inside.is_none(), "a block is never closed");
    examples
}

#[test]
fn every_example_in_the_readme_is_a_story_or_part_of_one() {
    let path = Path::new(FOLDER).join("README.md");
    let text = source(&path).text;
    let examples = examples(&text);
    assert!(examples.len() >= 6, "{}", examples.len());
    for (line, block) in examples {
        let is_whole = block.starts_with("title");
        let head = "title = \"A part\"\nstory = \"Of a story.\"\nconfiguration = \"sites/woodland.toml\"\n\
                    start = \"2026-06-21 06:00\"\nspan = \"3d\"\n\n";
        let whole = if is_whole { block } else { format!("{head}{block}") };
        let given = Source { name: format!("README.md, line {line}"), text: whole };
        let checked = scenario::read(&given, &mut |named| Ok(vec![source(&Path::new(FOLDER).join(named))]));
        assert!(checked.findings.is_empty(), "{}", config::render(&checked.findings, &checked.sources, false));
        assert!(checked.scenario.is_some());
    }
}

#[test]
fn the_readme_names_every_class_of_faults_and_no_other() {
    let text = source(&Path::new(FOLDER).join("README.md")).text;
    let (_, tables) = text.split_once("## What can go wrong").expect("there is such a section");
    let (table, _) = tables.split_once("## The swarm").expect("there is such a section");
    let rows = table.lines().filter_map(|line| line.strip_prefix("| `")?.split_once('`'));
    let mut told: Vec<_> = rows.map(|(class, _)| class).collect();
    let mut known: Vec<_> = scenario::classes().collect();
    told.sort_unstable();
    known.sort_unstable();
    assert_eq!(told, known);
}
