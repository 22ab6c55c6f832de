//! Rehearses stories one after the other, and says of each whether all held. Built only by `tests/planted/run`, from a
//! copy of the sources into which bugs were planted.
//!
//! Arguments: the number of the bug that is awake (0: none), then paths of scenarios, each perhaps followed by `@A..B` for
//! seeds of a swarm. Prints a line each: `held` or `broken`, the path, the seed, and the first rule broken. Ends with 0 where
//! all held, 1 where not, 2 where it cannot tell. With `--until COUNT` after the number it ends when so many have not held,
//! with `--both-ways` what comes of a story must not depend on whether everything goes the whole way.

use std::path::Path;
use std::process::ExitCode;
use std::{env, fs, panic};

use lampwarden::config::Source;
use lampwarden::planted;
use lampwarden::rehearsal::scenario::{self, Scenario};
use lampwarden::rehearsal::{Options, Outcome, draw, rehearse};

fn main() -> ExitCode {
    let mut arguments: Vec<String> = env::args().skip(1).collect();
    let Some(bug) = arguments.first().and_then(|number| number.parse().ok()) else { return ExitCode::from(2) };
    planted::wake(bug);
    arguments.remove(0);
    let mut until = usize::MAX;
    if arguments.first().is_some_and(|first| first == "--until") {
        let Some(count) = arguments.get(1).and_then(|count| count.parse().ok()) else { return ExitCode::from(2) };
        until = count;
        arguments.drain(..2);
    }
    let both_ways = arguments.first().is_some_and(|first| first == "--both-ways");
    if both_ways {
        arguments.remove(0);
    }
    let mut broken_so_far = 0;
    for argument in arguments {
        let (path, seeds) = match argument.split_once('@') {
            Some((path, seeds)) => (path.to_owned(), Some(seeds.to_owned())),
            None => (argument, None),
        };
        let Some(story) = read(&path) else { return ExitCode::from(2) };
        let seeds = match seeds.as_deref().map(range) {
            None => story.seed..story.seed + 1,
            Some(Some(seeds)) => seeds,
            Some(None) => return ExitCode::from(2),
        };
        for seed in seeds {
            let story = match draw(&story, seed) {
                Ok(drawn) => drawn,
                Err(error) => {
                    println!("unusable\t{path}\t{seed}\t{error}");
                    return ExitCode::from(2);
                }
            };
            // A bug may well panic; that is seen, too.
            let outcome = panic::catch_unwind(|| rehearse(&story, &Options::default()));
            let broken = match &outcome {
                Ok(short) if both_ways && differs(&story, short).is_some() => differs(&story, short),
                Ok(outcome) => outcome.violations.first().map(|first| {
                    format!("{} {}: {}", story.spoken(first.at), first.rule, first.text.lines().next().unwrap_or(""))
                }),
                Err(_) => Some("it panicked".to_owned()),
            };
            match broken {
                None => println!("held\t{path}\t{seed}"),
                Some(broken) => {
                    println!("broken\t{path}\t{seed}\t{broken}");
                    broken_so_far += 1;
                    if broken_so_far >= until {
                        return ExitCode::from(1);
                    }
                }
            }
        }
    }
    ExitCode::from(u8::from(broken_so_far > 0))
}

/// Where the log of the whole way is another one.
fn differs(story: &Scenario, short: &Outcome) -> Option<String> {
    let whole = rehearse(story, &Options { whole_way: true, ..Options::default() });
    if whole.hash == short.hash {
        return None;
    }
    let told = |log: &[(u64, String)], at: usize| match log.get(at) {
        Some((ms, line)) => format!("{ms} ms {line:?}"),
        None => "nothing".to_owned(),
    };
    let last = short.log.len().max(whole.log.len());
    let at = (0..last).find(|&at| short.log.get(at) != whole.log.get(at)).unwrap_or(0);
    Some(format!("both-ways: the log says {}, and the whole way {}", told(&short.log, at), told(&whole.log, at)))
}

fn range(text: &str) -> Option<std::ops::Range<u64>> {
    let (from, to) = text.split_once("..")?;
    Some(from.parse().ok()?..to.parse().ok()?)
}

fn read(path: &str) -> Option<Scenario> {
    let source = |path: &Path| match fs::read_to_string(path) {
        Ok(text) => Some(Source { name: path.display().to_string(), text }),
        Err(error) => {
            println!("unusable\t{}\t{error}", path.display());
            None
        }
    };
    let beside = Path::new(path).parent()?;
    let configuration = &mut |named: &str| match source(&beside.join(named)) {
        Some(source) => Ok(vec![source]),
        None => Err("it cannot be read".to_owned()),
    };
    let checked = scenario::read(&source(Path::new(path))?, configuration);
    if checked.scenario.is_none() {
        println!("unusable\t{path}\t{}", lampwarden::config::render(&checked.findings, &checked.sources, false));
    }
    checked.scenario
}
