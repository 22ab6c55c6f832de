//! Each relay tried once: on for two seconds, and off again whatever happens.

use std::io::{self, BufRead as _, IsTerminal as _, Write as _};
use std::time::Duration;

use anyhow::bail;

use crate::control::OutputRef;
use crate::guard::Permit;
use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx};
use crate::time::spoken;

use super::hearing::outputs;
use super::report::Trial;
use super::room::Room;

/// How long a relay is on.
const ON_FOR: Duration = Duration::from_secs(2);
/// How long a relay may take to report; a guess.
const REPORT_WITHIN: Duration = Duration::from_secs(3);
/// How often OFF is said again until it is delivered.
const AGAIN: Duration = Duration::from_secs(1);
/// How often at most.
const TIMES: u32 = 15;

/// How often it is looked whether a person has answered.
const GLANCE: Duration = Duration::from_millis(100);

const CAUTION: &str = "\
CAUTION: this switches mains. Every lamp goes off first; then each relay goes on for two seconds.
  Lamps that warm get hot within seconds, and UV lamps hurt eyes: take animals and hands out, look away, stand by the plug.
  Wiring is for a licensed electrician, to the local code; a thermal cut-out and a residual-current device come first.";

/// Tries every lamp's relay after a question each, or without with `yes`. Contactors are closed meanwhile and left open.
pub(super) async fn try_relays(room: &mut Room<'_>, yes: bool) -> anyhow::Result<Vec<Trial>> {
    if room.daemon_online() {
        bail!("the daemon of this site is running and would switch against us: stop it, then try relays");
    }
    eprintln!("{CAUTION}");
    if !yes {
        if !io::stdin().is_terminal() {
            bail!("nobody is there to be asked: use --yes to try relays without a question");
        }
        if !asked(room, "Switch everything off now and go on?").await {
            return Ok(Vec::new());
        }
    }
    let settings = room.settings;
    let stuck = all_off(room).await;
    let mut trials: Vec<_> =
        stuck.into_iter().map(|name| Trial::failed(name, "the broker did not take its OFF")).collect();
    if trials.is_empty() {
        room.close_contactors();
        try_lamps(room, yes, &mut trials).await;
        for (output, name, _) in outputs(settings).filter(|(output, ..)| matches!(output, OutputRef::CutOff(_))) {
            trials.push(match off(room, output).await {
                true => Trial::skipped(name, "closed for the trial and left open; the daemon closes it when it starts"),
                false => Trial::failed(name, "could not be opened again"),
            });
        }
    }
    Ok(trials)
}

async fn try_lamps(room: &mut Room<'_>, yes: bool, trials: &mut Vec<Trial>) {
    let settings = room.settings;
    for (e, enclosure) in settings.enclosures.iter().enumerate() {
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let name = format!("{} {}", enclosure.id, lamp.name);
            if room.interrupted() {
                trials.push(Trial::skipped(name, "interrupted"));
            } else if !yes && !asked(room, &question(enclosure, lamp)).await {
                trials.push(Trial::skipped(name, "not wanted"));
            } else {
                trials.push(try_lamp(room, EnclosureIx(e), LampIx(l), name).await);
            }
        }
    }
}

/// One lamp: on while its guard lets it, for two seconds at most, and then off.
async fn try_lamp(room: &mut Room<'_>, enclosure: EnclosureIx, lamp: LampIx, name: String) -> Trial {
    let output = OutputRef::Lamp(enclosure, lamp);
    let of = &room.settings.enclosures[enclosure.0].lamps[lamp.0];
    let reports = of.output.state.is_some();
    if let Some(why) = of.cut_off.and_then(|cut_off| room.why_open(cut_off)) {
        return Trial::failed(name, &format!("not tried, the cut-off above it was opened: {why}"));
    }
    let permit = match room.permit(enclosure, lamp) {
        Ok(permit) => permit,
        Err(refusal) => {
            let why = refusal.map_or_else(String::new, |refusal| refusal.to_string());
            return Trial::failed(name, &format!("not tried, the guard refuses: {why}"));
        }
    };
    eprintln!("{name}: on");
    room.forget_report(output);
    let on = room.switch(output, permit);
    room.until(ON_FOR, |room| room.refusal(enclosure, lamp).is_some()).await;
    let cut = room.refusal(enclosure, lamp);
    let said_on = room.report(output).is_some_and(|level| !level.is_off());
    let delivered = room.is_delivered(on);
    eprintln!("{name}: off");
    if !off(room, output).await {
        return Trial::failed(name, "COULD NOT BE SWITCHED OFF: pull its plug now");
    }
    let said_off = |room: &Room<'_>| room.report(output).is_some_and(|level| level.is_off());
    if reports && !room.until_whatever(REPORT_WITHIN, said_off).await {
        return Trial::failed(name, "does not report off: make sure that it is, and look at its state topic");
    }
    match (cut, delivered, reports && !said_on) {
        (Some(refusal), ..) => Trial::failed(name, &format!("switched off at once by the guard: {refusal}")),
        (None, false, _) => Trial::failed(name, "the broker did not take its ON within two seconds"),
        (None, true, true) => Trial::failed(name, "did not report on within two seconds: does it get its commands?"),
        (None, true, false) => Trial::done(name, reports),
    }
}

/// Switches every lamp off; the names of those whose OFF the broker did not take.
pub(super) async fn all_off(room: &mut Room<'_>) -> Vec<String> {
    let mut stuck = Vec::new();
    for (output, name, _) in outputs(room.settings).filter(|(output, ..)| matches!(output, OutputRef::Lamp(..))) {
        if !off(room, output).await {
            stuck.push(name);
        }
    }
    stuck
}

/// Says OFF until the broker has it.
pub(super) async fn off(room: &mut Room<'_>, output: OutputRef) -> bool {
    for _ in 0..TIMES {
        room.forget_report(output);
        let ticket = room.switch(output, Permit::OFF);
        if room.delivers(ticket, AGAIN).await {
            return true;
        }
    }
    false
}

/// What is asked before a lamp is tried.
fn question(enclosure: &Enclosure, lamp: &Lamp) -> String {
    let traits = lamp.fitting.traits();
    let warning = match (traits.emits.heat, traits.restrike.value.is_zero()) {
        (_, false) => format!("; it must then cool for {} before it strikes again", spoken(traits.restrike.value)),
        (true, true) => "; it gets hot".to_owned(),
        (false, true) => String::new(),
    };
    format!("{} {}: switch the {} on for two seconds{warning}?", enclosure.title, lamp.name, traits.title)
}

/// Asks at the terminal, and goes on listening meanwhile so that the guards stay fed. Anything but yes is no.
async fn asked(room: &mut Room<'_>, question: &str) -> bool {
    eprint!("{question} [y/N] ");
    let _ = io::stderr().flush();
    let answer = tokio::task::spawn_blocking(|| {
        let mut line = String::new();
        io::stdin().lock().read_line(&mut line).map(|_| line)
    });
    while !answer.is_finished() {
        if room.interrupted() {
            return false;
        }
        room.until(GLANCE, |_| answer.is_finished()).await;
    }
    matches!(answer.await, Ok(Ok(line)) if matches!(line.trim(), "y" | "Y" | "yes"))
}
