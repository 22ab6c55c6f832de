//! How many enclosure-years are rehearsed in a second, the whole controller among them, beside a bare loop in the same
//! run.
//!
//! `cargo bench --bench rehearsal --no-default-features` runs a calm year of one enclosure: a basking probe that speaks
//! every ten seconds, or every half minute as common ones do, as if every message went through the real codec and every oracle judged
//! every step. Read the ratios: absolute figures are of one machine on one day. Times are those the threads have spent
//! themselves, where the kernel tells.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads clocks")]

mod bare;

use lampwarden::config::{self, Source};
use lampwarden::rehearsal::scenario::{self, Scenario};
use lampwarden::rehearsal::{Options, rehearse};

use bare::{Done, bare, best};

/// A common enclosure. Invented.
const SITE: &str = r#"
[site]
name = "bench"
timezone = "UTC"
latitude = 40.0
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 33.0, night = 20.0, cut = 42.0 }
photoperiod = { follow = "clock", on = "07:00", off = "19:00" }

[[enclosure]]
id = "e"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e/basking"
every = "EVERY"
spot = "basking"

[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"
when = "day"
relay = { set = "e/heat/set", state = "e/heat", hold = "5m" }
"#;

/// A calm year of it.
fn year(every: &str) -> Scenario {
    let site = SITE.replace("EVERY", every);
    let text = format!(
        "title = \"a year\"\nstory = \"a year\"\nstart = \"2026-01-01 00:00\"\nspan = \"365d\"\nsite = '''{site}'''\n"
    );
    let source = Source { name: "bench.toml".to_owned(), text };
    let checked = scenario::read(&source, &mut |_| Err("it stands in the scenario".to_owned()));
    match checked.scenario {
        Some(scenario) => scenario,
        None => panic!("{}", config::render(&checked.findings, &checked.sources, false)),
    }
}

fn run(scenario: &Scenario) -> Done {
    let outcome = rehearse(scenario, &Options::default());
    assert!(outcome.is_good(), "{:?}", outcome.violations.first());
    Done { messages: outcome.messages, ..Done::default() }
}

/// Rates of as many threads at once, added up; each counts its own time alone.
fn at_once(threads: usize, scenario: &Scenario) -> f64 {
    std::thread::scope(|scope| {
        let rates: Vec<_> = (0..threads).map(|_| scope.spawn(|| best(|| run(scenario)).0)).collect();
        rates.into_iter().map(|rate| rate.join().unwrap_or(f64::NAN)).sum()
    })
}

/// Arguments that are no options name the intervals to run.
fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with('-')).collect();
    let is_wanted = |every: &str| wanted.is_empty() || wanted.iter().any(|known| known == every);
    let (least, _) = best(bare);
    println!("bare loop                       {least:8.2} enclosure-years/s");
    for every in ["10s", "30s", "1m"].into_iter().filter(|every| is_wanted(every)) {
        let scenario = year(every);
        let (rate, done) = best(|| run(&scenario));
        let ratio = least / rate;
        let messages = done.messages;
        println!(
            "rehearsal, readings every {every:>4}  {rate:8.2} enclosure-years/s, {ratio:6.1} bare loops, {messages} messages"
        );
        let both = at_once(2, &scenario);
        println!("   … in two threads at once     {both:8.2} enclosure-years/s, {:6.2} times one", both / rate);
    }
}
