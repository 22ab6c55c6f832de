//! The daemon as it is released beside bare clients that do no work, in one run on one machine, through a real broker.
//!
//! `cargo bench --bench beside` measures reaction, throughput, memory, the start, what idling and what the pages cost, prints a table and
//! writes `target/figures/beside.json`; `-- reaction`, `-- flow`, `-- standing` and `-- pages` measure a part. Read the ratios:
//! absolute figures are of one machine on one day. Nothing else should run meanwhile.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "a benchmark reads clocks and starts programs")]

mod bare;
#[path = "../figures/mod.rs"]
mod figures;
mod flow;
mod pages;
mod place;
mod reaction;
mod standing;

use std::env;
use std::process::Command;

use anyhow::{Result, ensure};

use place::{Folder, Running};

fn main() -> Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let arguments: Vec<String> = env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [bare::BARE, which, port] => runtime.block_on(bare::run(which, port.parse()?)),
        ref parts => runtime.block_on(measure(parts)),
    }
}

/// Measures these parts, or all.
async fn measure(parts: &[&str]) -> Result<()> {
    let known = ["reaction", "flow", "standing", "pages"];
    ensure!(parts.iter().all(|part| known.contains(part)), "parts are {}", known.join(", "));
    let is_wanted = |part: &str| parts.is_empty() || parts.contains(&part);
    let folder = Folder::new()?;
    let mut found = Vec::new();
    let outcome = async {
        if is_wanted("reaction") {
            reaction::measure(&folder.0, &mut found).await?;
        }
        if is_wanted("flow") {
            flow::measure(&folder.0, &mut found).await?;
        }
        if is_wanted("standing") {
            standing::measure(&folder.0, &mut found).await?;
        }
        if is_wanted("pages") {
            pages::measure(&folder.0, &mut found).await?;
        }
        anyhow::Ok(())
    };
    let outcome = outcome.await;
    // What was measured before a part failed is told all the same.
    figures::tell("beside", &found);
    outcome
}

/// Starts a bare client as a process of its own.
fn bare_client(which: &str, port: u16) -> Result<Running> {
    let started = Command::new(env::current_exe()?).args([bare::BARE, which, &port.to_string()]).spawn()?;
    Ok(Running(started))
}
