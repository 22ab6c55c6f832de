//! How many enclosure-years are rehearsed in a second, the whole controller among them, beside a bare loop in the same
//! run.
//!
//! `cargo bench --bench rehearsal --no-default-features` runs a calm year of one enclosure: a basking probe that speaks
//! every ten seconds, or every half minute as common ones do, every message through the real codec, every oracle at
//! every step. Read the ratios: absolute figures are of one machine on one day.

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

fn main() {
    let (least, _) = best(bare);
    println!("bare loop                       {least:8.2} enclosure-years/s");
    for every in ["10s", "30s", "1m"] {
        let scenario = year(every);
        let (rate, done) = best(|| run(&scenario));
        let ratio = least / rate;
        let messages = done.messages;
        println!(
            "rehearsal, readings every {every:>4}  {rate:8.2} enclosure-years/s, {ratio:6.1} bare loops, {messages} messages"
        );
    }
}
