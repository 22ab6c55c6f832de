//! Keys of lamps, relays and dimmers.

use super::care::{CUT, TARGET};
use super::{
    CHOICE, DAY, GUESS, HOUR, Kind, MINUTE, NONE, Plain, Rule, Section, above, default, optional, required, table,
};

/// The words of `fitting`; a test holds them equal to those of [`Fitting`](crate::settings::Fitting).
const FITTINGS: &[&str] = &[
    "halogen",
    "ceramic-emitter",
    "heat-mat",
    "radiant-panel",
    "fluorescent-uvb",
    "compact-uvb",
    "mercury-vapour",
    "metal-halide",
    "led",
];

pub(super) static SPARE: Section = Section {
    name: "a spare",
    doc: "Spare lamps of one kind. Change the count when one is fitted or bought.",
    overrides: false,
    keys: &[
        required("fitting", Kind::Word(FITTINGS), "What kind of lamp it is.", "\"fluorescent-uvb\""),
        optional(
            "watts",
            above(0.0, 20_000.0, "W"),
            "of any",
            "Rated power; it must be that of the lamp it replaces.",
            "24",
        ),
        required("count", Kind::Whole(0, 100_000), "How many are in stock.", "2"),
    ],
};

/// Name of a probe of the same enclosure.
const PROBE_NAME: Kind = Kind::Text(Rule::Filled);

pub(super) static LAMP: Section = Section {
    name: "a lamp",
    doc: "Anything driven that warms or lights. A lamp that warms needs a guard: a temperature probe and a cut.",
    overrides: false,
    keys: &[
        required("fitting", Kind::Word(FITTINGS), "What kind of lamp is in it.", "\"halogen\""),
        optional("watts", above(0.0, 20_000.0, "W"), "not known", "Rated power.", "75"),
        table("relay", Kind::Table(&RELAY), NONE, "The relay that switches it; a lamp has a relay or a dimmer."),
        table("dimmer", Kind::Table(&DIMMER), NONE, "The dimmer that sets its level."),
        optional(
            "cut_off",
            Kind::Text(Rule::Filled),
            "no contactor above it",
            "Name of the contactor above it.",
            "\"shelf-heat\"",
        ),
        optional(
            "circuit",
            Kind::Text(Rule::Filled),
            "its load is not added up and it waits for nobody",
            "Name of the circuit it draws from.",
            "\"left-wall\"",
        ),
        default(
            "priority",
            Kind::Whole(1, 9),
            Plain::Whole(5),
            CHOICE,
            "Which lamps of its circuit go first where its soft limit lets not all be on: the higher.",
            "7",
        ),
        optional(
            "power",
            PROBE_NAME,
            "its power is not watched",
            "Name of the power probe that measures this lamp alone.",
            "\"heat-power\"",
        ),
        // When
        optional(
            "when",
            Kind::Word(&["day", "night", "always"]),
            "`always` for a lamp with `warms`, else `day`",
            "When it may be on.",
            "\"day\"",
        ),
        default(
            "after_dawn",
            Kind::Span(0, DAY),
            Plain::Seconds(0),
            CHOICE,
            "A lamp of the day comes on this long after lights-on; a lamp of the night goes off then.",
            "\"1h\"",
        ),
        default(
            "before_dusk",
            Kind::Span(0, DAY),
            Plain::Seconds(0),
            CHOICE,
            "A lamp of the day goes off this long before lights-off; a lamp of the night comes on then.",
            "\"1h\"",
        ),
        default(
            "ramp",
            Kind::Span(0, 6 * HOUR),
            Plain::Seconds(0),
            CHOICE,
            "A dimmer rises over this span at the start of its time and sinks over it before the end.",
            "\"30m\"",
        ),
        default("level", above(0.0, 1.0, ""), Plain::Number(1.0), CHOICE, "Level while fully on.", "0.8"),
        // Heat
        optional(
            "warms",
            PROBE_NAME,
            "it has no thermostat",
            "Name of the temperature probe that regulates and guards it.",
            "\"basking\"",
        ),
        optional(
            "control",
            Kind::Word(&["on-off", "pulse", "dim"]),
            "`dim` for a dimmer with `warms`, else `on-off`",
            "How its thermostat drives it.",
            "\"pulse\"",
        ),
        table("target", Kind::Table(&TARGETS), NONE, "Targets of its own, instead of the care sheet's."),
        default(
            "hysteresis",
            above(0.0, 10.0, "K"),
            Plain::Number(0.5),
            GUESS,
            "Half the band of on-off control.",
            "0.5",
        ),
        default(
            "period",
            Kind::Span(10, HOUR),
            Plain::Seconds(MINUTE),
            GUESS,
            "Length of a period of pulse control.",
            "\"60s\"",
        ),
        default(
            "band",
            above(0.0, 50.0, "K"),
            Plain::Number(4.0),
            GUESS,
            "Deficit that alone calls for full level, for pulse and dim control.",
            "4.0",
        ),
        default(
            "integral",
            Kind::Span(1, DAY),
            Plain::Seconds(20 * MINUTE),
            GUESS,
            "Integral time of pulse and dim control.",
            "\"20m\"",
        ),
        optional(
            "min_on",
            Kind::Span(0, 6 * HOUR),
            "30 s for on-off control of a relay (guess), else none",
            "Shortest time on; only the guard ends it early.",
            "\"30s\"",
        ),
        optional(
            "min_off",
            Kind::Span(0, 6 * HOUR),
            "30 s for on-off control of a relay (guess), else none; never less than the lamp needs to strike again",
            "Shortest time off.",
            "\"30s\"",
        ),
        // Guard
        optional(
            "guards",
            Kind::List(&PROBE_NAME, 1, 16),
            "the probe named by `warms` alone",
            "Names of further temperature probes of its guard; the hottest counts and each must be fresh.",
            "[\"surface\"]",
        ),
        optional(
            "cut",
            CUT,
            "the cut of the spot it warms",
            "A guard reading at or above it switches the lamp off in the same step.",
            "40.0",
        ),
        optional(
            "limit",
            CUT,
            "the spot's, else 5 K above the cut (guess)",
            "A guard reading at or above it switches the lamp off until a person resets it.",
            "45.0",
        ),
        default(
            "gap",
            above(0.0, 20.0, "K"),
            Plain::Number(2.0),
            "the guard law, point 2",
            "After a trip the reading must have been this far below the cut …",
            "2.0",
        ),
        default(
            "rest",
            Kind::Span(30, DAY),
            Plain::Seconds(5 * MINUTE),
            "the guard law, point 2",
            "… for this long before the lamp may be on again.",
            "\"5m\"",
        ),
        default(
            "slew",
            above(0.0, 5.0, "K/s"),
            Plain::Number(0.05),
            GUESS,
            "Worst rise assumed while a guard reading is overdue and the lamp may be on.",
            "0.05",
        ),
        default(
            "twins_apart",
            above(0.0, 50.0, "K"),
            Plain::Number(5.0),
            GUESS,
            "Guard probes further apart than this disagree …",
            "5.0",
        ),
        default(
            "twins_for",
            Kind::Span(1, DAY),
            Plain::Seconds(5 * MINUTE),
            GUESS,
            "… once it has lasted this long.",
            "\"5m\"",
        ),
        default(
            "frozen_after",
            Kind::Span(MINUTE, DAY),
            Plain::Seconds(30 * MINUTE),
            GUESS,
            "A guard probe that has not moved at all this long after its lamp switched is frozen.",
            "\"30m\"",
        ),
        default(
            "unstoppable_after",
            Kind::Span(10, HOUR),
            Plain::Seconds(3 * MINUTE),
            GUESS,
            "A lamp told off that still heats or draws power after this long is unstoppable.",
            "\"3m\"",
        ),
        // UV
        optional(
            "lights",
            PROBE_NAME,
            "its UV is not watched",
            "Name of the UVI probe its UV arrives at.",
            "\"basking-uv\"",
        ),
        default(
            "uv_patience",
            Kind::Span(1, DAY),
            Plain::Seconds(10 * MINUTE),
            GUESS,
            "UVI above the ceiling for longer than this switches the lamp off and latches it.",
            "\"10m\"",
        ),
    ],
};

static TARGETS: Section = Section {
    name: "a target",
    doc: "What a thermostat holds.",
    overrides: false,
    keys: &[
        required("day", TARGET, "While it is day.", "32.0"),
        required("night", TARGET, "While it is night.", "20.0"),
    ],
};

const SET: super::Key = required("set", Kind::Text(Rule::Topic), "Command topic.", "\"garden/e1/heat/set\"");
const STATE: super::Key = optional(
    "state",
    Kind::Text(Rule::Topic),
    "its state is not reported",
    "Topic it reports its state on.",
    "\"garden/e1/heat\"",
);
const POINTER: super::Key = optional(
    "pointer",
    Kind::Text(Rule::Pointer),
    "the payload is the state",
    "RFC 6901 pointer to the state in a JSON report.",
    "\"/output\"",
);
/// An output is told again well within its hold; less than 15 s would let one lost message darken the lamp. Guess.
const HOLD: super::Key = optional(
    "hold",
    Kind::Span(15, DAY),
    "it stays on until told off, also when the daemon or the broker dies",
    "It ends by itself this long after its last ON; sent with every ON and refreshed.",
    "\"5m\"",
);

pub(super) static RELAY: Section = Section {
    name: "a relay",
    doc: "What switches a lamp. Payloads may hold `{hold}` in whole seconds.",
    overrides: false,
    keys: &[
        SET,
        STATE,
        POINTER,
        default("on", Kind::Text(Rule::Filled), Plain::Text("ON"), CHOICE, "Payload for on.", "\"ON\""),
        default("off", Kind::Text(Rule::Filled), Plain::Text("OFF"), CHOICE, "Payload for off.", "\"OFF\""),
        optional("reports_on", Kind::Text(Rule::Filled), "the same as `on`", "What it reports while on.", "\"on\""),
        optional("reports_off", Kind::Text(Rule::Filled), "the same as `off`", "What it reports while off.", "\"off\""),
        HOLD,
    ],
};

static DIMMER: Section = Section {
    name: "a dimmer",
    doc: "What sets a lamp's level. Payloads may hold `{level}` (0 to 1), `{percent}` (0 to 100) and `{hold}` in whole \
          seconds.",
    overrides: false,
    keys: &[
        SET,
        STATE,
        POINTER,
        default(
            "level",
            Kind::Text(Rule::Filled),
            Plain::Text("{level}"),
            CHOICE,
            "Payload for a level above zero.",
            "\"{percent}\"",
        ),
        default("off", Kind::Text(Rule::Filled), Plain::Text("0"), CHOICE, "Payload for off.", "\"0\""),
        optional(
            "full",
            above(0.0, 1.0e6, ""),
            "100 where `level` holds `{percent}`, else 1",
            "The number it reports at full level.",
            "255",
        ),
        HOLD,
    ],
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Fitting;

    #[test]
    fn every_fitting_has_its_word_here() {
        let words: Vec<_> = Fitting::ALL.iter().map(|fitting| fitting.traits().word).collect();
        assert_eq!(words, FITTINGS);
    }
}
