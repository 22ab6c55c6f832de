//! Every key of a scenario, in one table, read as the configuration is.

use crate::config::form::{Bounds, Key, Kind, NONE, Plain, Rule, Section, default, optional, required, table, within};

/// Ten years: longer than any story.
const LONGEST: u64 = 3653 * 86_400;

const fn any(unit: &'static str) -> Kind {
    Kind::Number(Bounds { least: -1e6, above: false, most: 1e6, unit })
}

/// The whole scenario.
pub(super) static SCENARIO: Section = Section {
    name: "the scenario",
    doc: "A story to rehearse.",
    overrides: false,
    keys: &[
        required("title", Kind::Text(Rule::Filled), "What it is about, in a few words.", "\"A relay welds at noon\""),
        required("story", Kind::Text(Rule::Filled), "What happens, in two sentences.", "\"At noon …\""),
        optional(
            "site",
            Kind::Text(Rule::Filled),
            "`configuration` names it",
            "The configuration under test, word for word.",
            "\"…\"",
        ),
        optional(
            "configuration",
            Kind::Text(Rule::Filled),
            "`site` holds it",
            "Path of the configuration under test, from the scenario's own folder.",
            "\"../config/one-enclosure.toml\"",
        ),
        required("start", Kind::Text(Rule::Filled), "Date and time at the site.", "\"2026-06-21 00:00\""),
        required("span", Kind::Span(1, LONGEST), "How long it lasts.", "\"1d\""),
        optional("seed", Kind::Whole(0, i64::MAX), "1", "Everything left to chance follows from it.", "1"),
        default(
            "slow",
            Kind::Switch,
            Plain::Switch(false),
            "our choice",
            "Whether only an optimised build should run it.",
            "true",
        ),
        table("room", Kind::Table(&ROOM), NONE, "The room around the enclosures."),
        table("fault", Kind::Many(&FAULT), NONE, "What goes wrong."),
        table("act", Kind::Many(&ACT), NONE, "What the keeper does."),
        table("expect", Kind::Many(&EXPECT), NONE, "What must happen, and what must not."),
        optional(
            "healed",
            Kind::Text(Rule::Filled),
            "never",
            "From then on nothing is wrong any more, a person has reset everything, and all must become well.",
            "\"day 3 00:00\"",
        ),
        table("swarm", Kind::Table(&SWARM), NONE, "Site and faults are drawn by the seed."),
    ],
};

static ROOM: Section = Section {
    name: "the room",
    doc: "The room around the enclosures.",
    overrides: false,
    keys: &[
        optional("mean", within(-20.0, 45.0, "°C"), "20.5 °C", "Mean over the year.", "18.0"),
        optional("season", within(0.0, 20.0, "K"), "2 K", "Half the yearly swing.", "4.0"),
        optional("day", within(0.0, 20.0, "K"), "1.2 K", "Half the daily swing.", "2.0"),
        optional("wander", within(0.0, 10.0, "K"), "0.5 K", "Greatest departure within hours, by people.", "0.0"),
        optional("weather", within(0.0, 10.0, "K"), "0.4 K", "Standard deviation of a day's mean.", "0.0"),
        optional(
            "size",
            within(0.2, 5.0, ""),
            "1",
            "Size of every enclosure against the one its lamps were chosen for; the smaller, the hotter.",
            "0.7",
        ),
    ],
};

const AT: Key = required("at", Kind::Text(Rule::Filled), "When.", "\"12:00\"");

/// A part of a fault that some classes need.
const fn part(name: &'static str, kind: Kind, doc: &'static str, example: &'static str) -> Key {
    optional(name, kind, "it has none", doc, example)
}

const WHERE: Kind = Kind::Text(Rule::Filled);

static FAULT: Section = Section {
    name: "a fault",
    doc: "Something that goes wrong.",
    overrides: false,
    keys: &[
        AT,
        optional("until", Kind::Text(Rule::Filled), "to the end", "Until when.", "\"14:00\""),
        optional("for", Kind::Span(1, LONGEST), "to the end", "For how long.", "\"2h\""),
        required("what", Kind::Text(Rule::Filled), "Its class.", "\"relay-welds\""),
        part("enclosure", WHERE, "Whose.", "\"e1\""),
        part("lamp", WHERE, "Which lamp, or whose relay.", "\"e1/heat\""),
        part("probe", WHERE, "Which probe.", "\"e1/basking\""),
        part("other", WHERE, "The other probe.", "\"e1/cool\""),
        part("cut_off", WHERE, "Which contactor.", "\"mains\""),
        part("by", any(""), "How much.", "6.0"),
        part("share", within(0.0, 1.0, ""), "Which share.", "0.1"),
        part("over", Kind::Span(0, LONGEST), "Within or after how long.", "\"6h\""),
        part("last", Kind::Span(1, LONGEST), "How long a spell lasts, in the mean.", "\"5m\""),
        part("apart", Kind::Span(1, LONGEST), "How long between two spells, in the mean.", "\"20m\""),
        part("power", within(0.0, 20.0, ""), "Electrical power as a multiple.", "2.0"),
        part("uv", within(0.0, 20.0, ""), "UV as a multiple.", "2.0"),
        part("says", Kind::Word(&["on", "off"]), "What the command says.", "\"on\""),
    ],
};

/// What a keeper can do.
pub(super) const DOINGS: &[&str] = &[
    "acknowledge",
    "shelve",
    "unshelve",
    "out-of-service",
    "in-service",
    "reset",
    "reset-cut-off",
    "override",
    "meter-reading",
    "lamp-change",
    "season",
];

static ACT: Section = Section {
    name: "an act",
    doc: "Something the keeper does.",
    overrides: false,
    keys: &[
        AT,
        required("do", Kind::Word(DOINGS), "What.", "\"reset\""),
        part("enclosure", WHERE, "Whose alarms or guards.", "\"e1\""),
        part("lamp", WHERE, "Which lamp.", "\"e1/heat\""),
        part("cut_off", WHERE, "Which contactor.", "\"mains\""),
        part("alarm", WHERE, "Which kind of alarm; all without it.", "\"lamp-dark\""),
        part("level", within(0.0, 1.0, ""), "What an override asks for; without it the override ends.", "1.0"),
        part("for", Kind::Span(1, 30 * 86_400), "How long an override lasts, or an alarm is shelved.", "\"20m\""),
        part(
            "why",
            WHERE,
            "Why an alarm is shelved, or an enclosure is out of service.",
            "\"a new lamp is on its way\"",
        ),
        part("spot", WHERE, "Where the meter is held.", "\"basking\""),
        part("uvi", within(0.0, 200.0, ""), "What the meter shows.", "4.2"),
        part("season", Kind::Word(&["hold", "go-on", "break-off"]), "What is said of a cooling season.", "\"hold\""),
        optional("guess", Kind::Switch, "false", "The keeper calls the reading a guess.", "true"),
    ],
};

/// Words for what something is or is told.
pub(super) const STATES: &[&str] = &["on", "off", "open", "closed", "clear", "waiting", "tripped", "latched"];

static EXPECT: Section = Section {
    name: "an expectation",
    doc: "Something that must happen, or must not.",
    overrides: false,
    keys: &[
        part("within", Kind::Span(1, LONGEST), "It must hold at some moment within this time of `of`.", "\"30m\""),
        part("of", WHERE, "From when `within` counts.", "\"12:00\""),
        part("always", Kind::Switch, "It must hold at every moment.", "true"),
        part("never", Kind::Switch, "It must not hold at any moment.", "true"),
        part("by_the_end", Kind::Switch, "It must hold at the end.", "true"),
        optional("from", WHERE, "the start", "From when `always` and `never` count.", "\"08:00\""),
        optional("until", WHERE, "the end", "Until when `always` and `never` count.", "\"18:00\""),
        part("alarm", WHERE, "An alarm of this kind stands, or `any`.", "\"relay-deaf\""),
        part("except", Kind::List(&WHERE, 1, 20), "Kinds of alarm that do not count.", "[\"heat-weak\"]"),
        part("least", Kind::Word(&["low", "medium", "high", "critical"]), "Least priority that counts.", "\"high\""),
        part("aside", Kind::Switch, "Whether it is put aside: shelved, suppressed or out of service.", "true"),
        optional("enclosure", WHERE, "anybody's", "Whose alarm; `site` for the site's own.", "\"e1\""),
        part("lamp", WHERE, "A lamp.", "\"e1/heat\""),
        part("guard", WHERE, "The guard over a lamp.", "\"e1/heat\""),
        part("cut_off", WHERE, "A contactor.", "\"mains\""),
        part("is", Kind::Word(STATES), "What it really is.", "\"on\""),
        part("told", Kind::Word(&["on", "off"]), "What the lamp is told.", "\"off\""),
        part("because", WHERE, "Words in the lamp's reason.", "\"night\""),
        part("place", WHERE, "The true temperature of surface, air, warm or cool side.", "\"e1/surface\""),
        part("probe", WHERE, "The last good reading of a probe.", "\"e1/basking\""),
        part("truth", WHERE, "What a perfect probe would read there.", "\"e1/uv\""),
        part("above", any(""), "Above this.", "28.0"),
        part("below", any(""), "Below this.", "45.0"),
    ],
};

static SWARM: Section = Section {
    name: "a swarm",
    doc: "How a swarm draws its site and faults.",
    overrides: false,
    keys: &[
        required("safety", Kind::Span(3600, LONGEST), "How long things go wrong.", "\"2d\""),
        required("liveness", Kind::Span(3600, LONGEST), "How long all has to become well again.", "\"1d\""),
        required("faults", Kind::Whole(1, 100), "Faults at most.", "8"),
    ],
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_readme_tells_every_key() {
        let told = include_str!("../../../simulations/README.md");
        for section in [&SCENARIO, &ROOM, &FAULT, &ACT, &EXPECT, &SWARM] {
            for key in section.keys {
                let name = key.name;
                let is_told = [format!("`{name}`"), format!("`{name} = "), format!("[{name}]"), format!("\n{name} = ")];
                assert!(is_told.iter().any(|told_as| told.contains(told_as)), "{}: {name}", section.name);
            }
        }
        for word in STATES.iter().chain(DOINGS) {
            assert!(
                [format!("`{word}`"), format!("\"{word}\"")].iter().any(|as_told| told.contains(as_told)),
                "{word}"
            );
        }
    }
}
