//! Which class of faults owes what, and within which time; or why physics gives nothing to owe.

use crate::rehearsal::scenario::Mishap;

/// What a class of faults owes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Owed {
    /// The class.
    pub class: &'static str,
    /// The rules that judge it, beside the guard law, which holds always; none where physics gives nothing to owe.
    pub rules: &'static [&'static str],
    /// Within which time somebody is told, or why nobody can be.
    pub what: &'static str,
    /// Whether it can make a place hotter than the guard lets it, or hide that it is.
    pub lets_heat: bool,
}

const fn owed(class: &'static str, rules: &'static [&'static str], what: &'static str) -> Owed {
    Owed { class, rules, what, lets_heat: false }
}

/// The same for one that lets heat in, or hides it.
const fn hot(class: &'static str, rules: &'static [&'static str], what: &'static str) -> Owed {
    Owed { class, rules, what, lets_heat: true }
}

const SILENCE: &[&str] = &["silence-untold"];
const DEAFNESS: &[&str] = &["deafness-untold", "contactor-untold"];
const UV: &[&str] = &["uv-untold", "over-ceiling"];
const HEAT: &[&str] = &["too-hot"];
const NEAR: &str =
    "nothing while it reads near the truth; its twin tells after `twins_for` and 2 min, where it has one";
const TWINS: &[&str] = &["twins-untold"];

/// Every class, in the order of [`classes`](crate::rehearsal::scenario::classes).
pub const OWED: &[Owed] = &[
    hot("room-warms", HEAT, "the guard's limits as ever; no lamp can cool a room"),
    hot("heat-wave", HEAT, "the guard's limits as ever; no lamp can cool a room"),
    owed("window-opens", &["weakness-untold", "too-hot"], "a lamp too weak for it, after twice its patience"),
    owed(
        "power-fails",
        &["not-reconciled", "published"],
        "nothing can run; 5 s after daemon and broker are back all is as wanted",
    ),
    owed("draught", &["weakness-untold", "too-hot"], "a lamp too weak for it, after twice its patience"),
    owed("brown-out", &["silence-untold", "deafness-untold"], "silence 2 s after the stale time, deafness in 30 s"),
    owed("dirt-gathers", UV, "UV above its band in 2 h, below it in 7 h 30 min of readings that say so"),
    owed("uv-dies", UV, "no UV within 2 h of readings that say so, with every lamp there warm"),
    owed(
        "lamp-breaks",
        &["darkness-untold", "uv-untold", "weakness-untold"],
        "by its meter in 30 min, by its UV in 2 h, else by the missing heat",
    ),
    owed("lamp-flickers", &["chatter"], "a spell of 30 min as lamp-breaks; shorter ones come and go"),
    owed("lamp-ages-fast", UV, "UV above its band in 2 h, below it in 7 h 30 min of readings that say so"),
    hot(
        "wrong-lamp",
        &["uv-untold", "over-ceiling", "weakness-untold"],
        "too much or too little as it reads; stronger heat is the guard's",
    ),
    hot("lamp-moves", UV, "UV as it reads; more heat is the guard's"),
    hot("lamp-changed", UV, "UV as it reads: over the ceiling in 2 min, and off after its patience"),
    hot(
        "relay-welds",
        &["unstoppable-untold", "not-cut-off"],
        "over the cut: alarm and contactor within `unstoppable_after` and 10 min; below it nothing shows but the power drawn",
    ),
    owed(
        "relay-stays-open",
        &["darkness-untold", "uv-untold", "weakness-untold"],
        "as lamp-breaks: its report says on",
    ),
    hot("relay-deaf", DEAFNESS, "in 30 s where it has a state topic; else by what it does: unstoppable, dark, weak"),
    hot("relay-slow", DEAFNESS, "once it reports otherwise for 30 s, whatever the delay"),
    hot(
        "relay-lies",
        &["unstoppable-untold", "not-cut-off", "darkness-untold", "weakness-untold"],
        "by what it does: as relay-welds, or as lamp-breaks",
    ),
    owed("report-freezes", DEAFNESS, "once it reports otherwise for 30 s; while the old report is true nothing shows"),
    owed("report-lost", DEAFNESS, "in 30 s after the next switch; while the last report is true nothing shows"),
    owed("relay-reboots", DEAFNESS, "told again in 5 s, deaf in 30 s"),
    hot(
        "relay-boots-silently",
        &["darkness-untold", "weakness-untold"],
        "told again within its hold or 5 min; until then its last report stands",
    ),
    hot("relay-resumes", DEAFNESS, "told OFF again as soon as it reports on"),
    hot(
        "hold-fails",
        &["hold-not-refreshed"],
        "nothing while the daemon lives: OFF is said, not waited for; without daemon nobody is there to tell",
    ),
    owed("probe-silent", SILENCE, "2 s after the stale time, whatever the messages' delay, and no heat"),
    owed(
        "probe-reboots",
        &["doubt-untold"],
        "its power-up value at once, where it is one that the configuration rejects",
    ),
    hot("probe-drops-out", SILENCE, "2 s after the stale time"),
    owed("probe-slow", SILENCE, "2 s after the stale time"),
    owed("probe-jitter", SILENCE, "2 s after the stale time"),
    owed("probe-duplicates", &["heat-on-stale-reading"], "nothing: what is said twice is no news"),
    hot(
        "probe-reorders",
        SILENCE,
        "2 s after the stale time; without a time stamp late readings cannot be told from new ones",
    ),
    owed("probe-retains", &["heat-on-stale-reading"], "nothing: live readings count, kept ones never do"),
    hot("probe-ghosts", &["heat-on-stale-reading"], "nothing: kept readings never count"),
    hot(
        "probe-freezes",
        &["frozen-untold", "stillness-untold", "weakness-untold"],
        "`frozen_after` and 1 min after its lamp's next switch, twice that under a lamp fully on, and no heat; in 2 h under a lamp that stays off; until then its twin, where it has one",
    ),
    hot("probe-unplugged", &["doubt-untold", "silence-untold"], "at once; no heat after the stale time"),
    hot(
        "probe-wrong-unit",
        &["doubt-untold", "twins-untold"],
        "at once where no such place can be so; °C for °F may pass for a cool spot, and then the missing gain or its twin tells",
    ),
    hot("probe-noisy", TWINS, NEAR),
    hot("probe-coarse", TWINS, NEAR),
    hot("probe-gain", TWINS, NEAR),
    hot("probe-offset", TWINS, NEAR),
    hot("probe-drifts", TWINS, NEAR),
    hot("probe-warmth", UV, "nothing without a hand-held meter: a cheap probe's error looks like the lamp's"),
    hot("probe-reads-uva", UV, "nothing without a hand-held meter: a cheap probe's error looks like the lamp's"),
    hot(
        "probe-spikes",
        &["doubt-untold", "heat-after-cut"],
        "at once where implausible; an upward spike is believed, and takes heat away",
    ),
    hot(
        "probe-falls-off",
        &["weakness-untold", "twins-untold"],
        "the missing gain, after twice its patience; its twin where it has one",
    ),
    hot(
        "probe-in-water",
        &["weakness-untold", "twins-untold"],
        "the missing gain, after twice its patience; its twin where it has one",
    ),
    hot(
        "probe-moves",
        &["uv-untold", "twins-untold"],
        "UV as it reads; a warmer or cooler place looks like another room",
    ),
    hot("probes-swapped", &["weakness-untold", "twins-untold"], "the missing gain, after twice its patience"),
    hot(
        "animal-on-probe",
        &["chatter"],
        "nothing: an animal may lie where it likes; UV is judged over tens of minutes",
    ),
    owed(
        "broker-stops",
        &["broker-loss-untold", "not-reconciled", "published"],
        "in 1.5 s; 5 s after its return all is as wanted, and documents agree",
    ),
    owed(
        "broker-vanishes",
        &["broker-loss-untold", "not-reconciled", "published"],
        "1.5 s after the missed heartbeat (12 s at most)",
    ),
    owed(
        "broker-forgets",
        &["not-reconciled", "published"],
        "5 s after its return all is as wanted, and documents are there again",
    ),
    owed("half-open", &["broker-loss-untold", "published"], "1.5 s after the missed heartbeat (12 s at most)"),
    hot("messages-lost", &["silence-untold", "deafness-untold"], "as silence and deafness, by what arrives"),
    hot("messages-late", &["silence-untold", "deafness-untold"], "as silence and deafness, by what arrives"),
    owed(
        "daemon-dies",
        &["heat-while-latched", "published"],
        "nobody is there to tell; holds end the heat, latches survive, documents agree 5 s after it is back",
    ),
    owed("daemon-stops", &["heat-while-latched", "published"], "heat is told off in the same step"),
    owed(
        "daemon-reloads",
        &["reload-forgets"],
        "nothing is forgotten in the same step: latch, trips, override, alarms",
    ),
    owed("reload-refused", &["refusal-untold"], "in 1.5 s, for a day"),
    owed(
        "clock-steps",
        &["clock-untold", "off-schedule"],
        "in 130 s where it is more than a minute; lamps keep the old time for 14 min",
    ),
    owed("clock-drifts", &["off-schedule"], "nothing: below a minute it is what time services mend; lamps follow"),
    owed("clock-unset", &["clock-untold"], "in 1.5 s at the start, in 130 s later"),
    owed("disk-full", &["disk-untold"], "1.5 s after the first write that fails"),
    hot(
        "stored-command",
        &["stored-command-untold", "stored-command-stays"],
        "in 1.5 s; deleted in 5 s; what it did meanwhile is a deaf relay's",
    ),
];

/// Whether a mishap can make a place hotter than the guard lets it, or hide that it is. Without a hold on every heater
/// that goes for everything that parts it from the daemon.
pub(super) fn lets_heat(what: &Mishap, all_hold: bool) -> bool {
    let parts = matches!(
        what,
        Mishap::BrokerStops
            | Mishap::BrokerVanishes
            | Mishap::BrokerForgets
            | Mishap::HalfOpen
            | Mishap::DaemonDies
            | Mishap::DaemonStops
    );
    (parts && !all_hold) || OWED.iter().find(|owed| owed.class == what.class()).is_none_or(|owed| owed.lets_heat)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearsal::scenario::classes;

    #[test]
    fn every_class_of_faults_has_its_line() {
        let lines: Vec<_> = OWED.iter().map(|owed| owed.class).collect();
        assert_eq!(lines, classes().collect::<Vec<_>>());
    }

    #[test]
    fn every_rule_named_is_one_that_something_judges() {
        let sources = [
            include_str!("mod.rs"),
            include_str!("site.rs"),
            include_str!("../oracle.rs"),
            include_str!("../chatter.rs"),
            include_str!("../liveness.rs"),
            include_str!("../run/judging.rs"),
            include_str!("../run/documents.rs"),
            include_str!("../run/turning.rs"),
        ];
        for rule in OWED.iter().flat_map(|owed| owed.rules) {
            let quoted = format!("\"{rule}\"");
            assert!(sources.iter().any(|source| source.contains(&quoted)), "nothing judges {rule}");
        }
    }
}
