//! `lampwarden rehearse`: runs scenarios on all cores, and tells what did not hold.

mod telling;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, IsTerminal as _, Write as _};
use std::ops::Range;
use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

use clap::Args;
use serde_json::Value;

use super::check::{self, UNUSABLE};
use crate::config::{self, Finding, Source};
use crate::rehearsal::scenario::{self, Scenario};
use crate::rehearsal::{self, Coverage, Entry, Options, Outcome, Shrunk, Violation};

use telling::Progress;

/// Where shrunk scenarios are put without `--report`.
const FOUND: &str = "found";

/// A sampled seed is rehearsed twice: one of this many.
const SAMPLED: u64 = 8;

/// Arguments of `rehearse`.
#[derive(Args)]
pub(super) struct Arguments {
    /// Scenarios: files, or folders of *.toml files
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<PathBuf>,
    /// Rehearse each with these seeds instead of its own; the last is not included
    #[arg(long, value_name = "A..B", value_parser = seeds)]
    seeds: Option<Range<u64>>,
    /// Print the outcomes as a JSON array
    #[arg(long)]
    json: bool,
    /// Write a page with plots for each rehearsal here, and over several an index
    #[arg(long, value_name = "DIR")]
    report: Option<PathBuf>,
    /// Leave out scenarios marked as slow
    #[arg(long)]
    quick: bool,
    /// Print which faults, guard states and alarms were reached, and how often
    #[arg(long)]
    coverage: bool,
}

fn seeds(text: &str) -> Result<Range<u64>, String> {
    let number = |part: &str| match part.strip_prefix("0x") {
        Some(hex) => u64::from_str_radix(hex, 16).ok(),
        None => part.parse().ok(),
    };
    let range = text.split_once("..").and_then(|(from, to)| Some(number(from)?..number(to)?));
    range.filter(|range| range.start < range.end).ok_or_else(|| "write a range such as 0..100".to_owned())
}

/// One rehearsal to run.
struct Job {
    scenario: Scenario,
    seed: u64,
    /// What its page is called, without the ending.
    page: String,
}

/// One rehearsal that was run.
struct Done {
    scenario: Scenario,
    outcome: Outcome,
    /// Of a swarm's failure, what it comes down to, and the file that holds it.
    shrunk: Option<(Shrunk, Option<PathBuf>)>,
    page: String,
    took: Duration,
}

/// Runs the command: 0 all held, 1 something did not, 2 a scenario cannot be used.
pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let unusable = |report: &str| {
        eprint!("{report}");
        ExitCode::from(UNUSABLE)
    };
    let scenarios = match load(&arguments.paths) {
        Ok(scenarios) => scenarios,
        Err(report) => return unusable(&report),
    };
    let scenarios: Vec<_> = scenarios.into_iter().filter(|scenario| !(arguments.quick && scenario.slow)).collect();
    if scenarios.is_empty() {
        return unusable("every scenario here is marked as slow, and --quick leaves those out\n");
    }
    if let Some(folder) = &arguments.report
        && let Err(error) = std::fs::create_dir_all(folder)
    {
        return unusable(&format!("{}: the pages cannot be written there: {error}\n", folder.display()));
    }
    super::told(rehearse_all(&jobs(scenarios, arguments.seeds.as_ref()), arguments))
}

/// Every rehearsal to run, each with a name of its own for its page.
fn jobs(scenarios: Vec<Scenario>, seeds: Option<&Range<u64>>) -> Vec<Job> {
    let mut jobs = Vec::new();
    let mut names = BTreeSet::from(["index".to_owned()]);
    for scenario in scenarios {
        let stem = Path::new(&scenario.name).file_stem().unwrap_or_default().to_string_lossy().into_owned();
        for seed in seeds.cloned().unwrap_or(scenario.seed..scenario.seed.saturating_add(1)) {
            let plain = format!("{stem}-{seed}");
            let numbered = (2..).map(|number| format!("{plain}-{number}"));
            let page = std::iter::once(plain.clone()).chain(numbered).find(|name| !names.contains(name));
            let page = page.unwrap_or(plain);
            names.insert(page.clone());
            jobs.push(Job { scenario: scenario.clone(), seed, page });
        }
    }
    jobs
}

/// Rehearses one scenario with one seed, and writes what is to be written about it.
fn rehearse_one(job: &Job, report: Option<&Path>) -> io::Result<Done> {
    let begun = Instant::now();
    let drawn = rehearsal::draw(&job.scenario, job.seed).map_err(io::Error::other)?;
    let options = Options { trace: report.is_some(), ..Options::default() };
    let caught = panic::catch_unwind(AssertUnwindSafe(|| {
        let outcome = rehearsal::rehearse(&drawn, &options);
        let again = job.seed.is_multiple_of(SAMPLED).then(|| rehearsal::rehearse(&drawn, &Options::default()).hash);
        (outcome, again)
    }));
    let mut outcome = match caught {
        Ok((mut outcome, again)) => {
            if again.is_some_and(|hash| hash != outcome.hash) {
                outcome
                    .violations
                    .push(Violation::of_all("not-deterministic", "two rehearsals of one seed went differently"));
            }
            outcome
        }
        Err(_) => Outcome::of(Violation::of_all("panic", "the program ended in a panic; what it said is on stderr")),
    };
    let shrunk = match outcome.violations.first() {
        Some(first) if job.scenario.swarm.is_some() => {
            panic::catch_unwind(AssertUnwindSafe(|| rehearsal::shrink(&drawn, &first.rule))).ok().flatten()
        }
        _ => None,
    };
    if let (Some(folder), Some(trace)) = (report, &outcome.trace) {
        let page = rehearsal::page(&drawn, &outcome, trace, shrunk.as_ref());
        std::fs::write(folder.join(format!("{}.html", job.page)), page)?;
    }
    let shrunk = shrunk.map(|shrunk| {
        let file = keep(report.unwrap_or(Path::new(FOUND)), &job.page, &shrunk);
        (shrunk, file)
    });
    // A thousand rehearsals would fill the memory with these.
    (outcome.trace, outcome.log) = (None, Vec::new());
    Ok(Done { scenario: drawn, outcome, shrunk, page: job.page.clone(), took: begun.elapsed() })
}

/// Writes a shrunk scenario down; none where that cannot be done: then it is printed.
fn keep(folder: &Path, name: &str, shrunk: &Shrunk) -> Option<PathBuf> {
    let file = folder.join(format!("{name}.toml"));
    std::fs::create_dir_all(folder).ok()?;
    std::fs::write(&file, shrunk.scenario.to_toml()).ok()?;
    Some(file)
}

/// Reads every scenario, or gives the report of why not.
fn load(paths: &[PathBuf]) -> Result<Vec<Scenario>, String> {
    let mut scenarios = Vec::new();
    let (mut findings, mut sources): (Vec<Finding>, Vec<Source>) = (Vec::new(), Vec::new());
    let mut note = |of: Vec<Finding>, texts: Vec<Source>| {
        for finding in of {
            // A configuration that several scenarios share is wrong once.
            if !findings.contains(&finding) {
                findings.push(finding);
            }
        }
        for text in texts {
            if !sources.iter().any(|known| known.name == text.name) {
                sources.push(text);
            }
        }
    };
    for path in paths {
        let files = match check::files(path) {
            Ok(files) => files,
            Err(finding) => {
                note(vec![*finding], Vec::new());
                continue;
            }
        };
        for file in files {
            let source = match check::read(&file) {
                Ok(source) => source,
                Err(finding) => {
                    note(vec![*finding], Vec::new());
                    continue;
                }
            };
            let checked = scenario::read(&source, &mut |named| configuration(&file, named));
            match checked.scenario {
                Some(scenario) => scenarios.push(scenario),
                None => note(checked.findings, checked.sources),
            }
        }
    }
    if findings.is_empty() {
        Ok(scenarios)
    } else {
        Err(config::render(&findings, &sources, io::stderr().is_terminal()))
    }
}

/// The files of a configuration that the scenario in `file` names.
fn configuration(file: &Path, named: &str) -> Result<Vec<Source>, String> {
    let path = file.parent().unwrap_or(Path::new("")).join(named);
    let files = check::files(&path).map_err(|finding| finding.wrong.clone())?;
    files.iter().map(|file| check::read(file).map_err(|finding| finding.wrong.clone())).collect()
}

/// Runs `jobs` on all cores, and tells of each in their order, as soon as it can.
fn rehearse_all(jobs: &[Job], arguments: &Arguments) -> io::Result<ExitCode> {
    let started = Instant::now();
    let next = AtomicUsize::new(0);
    let workers = thread::available_parallelism().map_or(1, usize::from).min(jobs.len());
    let (sender, receiver) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..workers {
            let (sender, next) = (sender.clone(), &next);
            scope.spawn(move || {
                loop {
                    let ix = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(ix) else { return };
                    let done = rehearse_one(job, arguments.report.as_deref());
                    // Nobody listens any more where telling has failed.
                    if sender.send((ix, done)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut teller = Teller::new(arguments, jobs.len());
        let told = teller.listen(&receiver);
        // Where telling has failed, no further rehearsal begins.
        next.store(jobs.len(), Ordering::Relaxed);
        drop(receiver);
        told.and_then(|()| teller.finish(started.elapsed()))
    })
}

/// Tells what came of rehearsals, in the order of the jobs.
struct Teller<'a> {
    arguments: &'a Arguments,
    progress: Progress,
    documents: Vec<Value>,
    entries: Vec<Entry>,
    coverage: Coverage,
    good: usize,
    /// Enclosure-years rehearsed.
    years: f64,
}

impl<'a> Teller<'a> {
    fn new(arguments: &'a Arguments, count: usize) -> Teller<'a> {
        Teller {
            arguments,
            progress: Progress::new(count),
            documents: Vec::new(),
            entries: Vec::new(),
            coverage: Coverage::default(),
            good: 0,
            years: 0.0,
        }
    }

    fn listen(&mut self, receiver: &mpsc::Receiver<(usize, io::Result<Done>)>) -> io::Result<()> {
        let mut early = BTreeMap::new();
        let mut next = 0;
        let mut finished = 0;
        loop {
            self.progress.draw(finished);
            let (ix, done) = match receiver.recv_timeout(telling::PROGRESS_EVERY) {
                Ok(done) => done,
                Err(mpsc::RecvTimeoutError::Timeout) => continue,
                Err(mpsc::RecvTimeoutError::Disconnected) => break,
            };
            finished += 1;
            early.insert(ix, done?);
            while let Some(done) = early.remove(&next) {
                next += 1;
                self.tell(&done)?;
            }
        }
        self.progress.clear();
        Ok(())
    }

    fn tell(&mut self, done: &Done) -> io::Result<()> {
        self.good += usize::from(done.outcome.is_good());
        self.years += telling::enclosure_years(done);
        self.coverage.add(&done.outcome.coverage);
        self.entries.push(Entry::new(&format!("{}.html", done.page), &done.scenario, &done.outcome));
        if self.arguments.json {
            self.documents.push(telling::as_json(done));
            return Ok(());
        }
        self.progress.clear();
        let mut out = io::stdout().lock();
        write!(out, "{}", telling::in_words(done))?;
        out.flush()
    }

    fn finish(self, took: Duration) -> io::Result<ExitCode> {
        let mut pages = None;
        if let Some(folder) = &self.arguments.report {
            let only = self.entries.first().filter(|_| self.entries.len() == 1);
            let first = folder.join(only.map_or("index.html", |entry| &entry.page));
            if only.is_none() {
                std::fs::write(&first, rehearsal::index(&self.entries, &self.coverage))?;
            }
            pages = Some(first);
        }
        let mut out = io::stdout().lock();
        if self.arguments.json {
            serde_json::to_writer_pretty(&mut out, &Value::Array(self.documents))?;
            writeln!(out)?;
        } else {
            if self.arguments.coverage {
                write!(out, "{}", self.coverage.table())?;
            }
            let bad = self.entries.len() - self.good;
            let (years, took) = (self.years, took.as_secs_f64());
            writeln!(out, "{} held, {bad} did not; {years:.2} enclosure-years in {took:.1} s", self.good)?;
            if let Some(pages) = pages {
                writeln!(out, "pages: {}", pages.display())?;
            }
        }
        out.flush()?;
        Ok(if self.good == self.entries.len() { ExitCode::SUCCESS } else { ExitCode::from(1) })
    }
}
