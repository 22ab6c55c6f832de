//! Keys of enclosures, racks, probes and cut-offs.

use super::care::SPOTS;
use super::lamp::{LAMP, RELAY};
use super::{
    DAY, GUESS, HOUR, Kind, MINUTE, NONE, Need, Plain, Rule, Section, above, default, optional, required, table, within,
};

/// Any number a probe could be told of; bounds by what it measures are checked later.
const READING: Kind = within(-1.0e9, 1.0e9, "");

/// Words for units with the quantity each belongs to.
const UNITS: &[&str] = &["C", "°C", "F", "°F", "uvi", "lx", "lux", "W", "%"];

const CARE: super::Key = required("care", Kind::Text(Rule::Filled), CARE_DOC, "\"woodland-basker\"");
const CARE_DOC: &str = "Name of the care sheet: an own one, else one that comes with the program.";
const SEASON_SHIFT: super::Key = default(
    "season_shift",
    Kind::Span(0, 364 * DAY),
    Plain::Seconds(0),
    "its year is the calendar's",
    "How many whole days later than the calendar the year of its care sheet runs: day lengths by latitude, table or year, \
     targets and the cooling season.",
    "\"56d\"",
);
const IN_SERVICE: super::Key = default(
    "in_service",
    Kind::Switch,
    Plain::Switch(true),
    "an animal lives there",
    "Whether an animal lives there. Where none does, lamps and guards go on as always, and only alarms of the guard are told.",
    "false",
);
const PROBES: super::Key = table("probes", Kind::Named(&PROBE), NONE, "Everything that measures, by name.");
const LAMPS: super::Key = table("lamps", Kind::Named(&LAMP), NONE, "Everything driven that warms or lights, by name.");

pub(in crate::config) static ENCLOSURE: Section = Section {
    name: "an enclosure",
    doc: "One animal's housing.",
    overrides: false,
    keys: &[
        required("id", Kind::Text(Rule::Name), "Names the enclosure in topics.", "\"e1\""),
        optional("title", Kind::Text(Rule::Filled), "the id", "What a person calls it.", "\"By the window\""),
        CARE,
        SEASON_SHIFT,
        IN_SERVICE,
        PROBES,
        LAMPS,
    ],
};

pub(super) static RACK: Section = Section {
    name: "a rack",
    doc: "Many alike enclosures, described once: bay `07` of rack `r1` becomes the enclosure `r1-07`.",
    overrides: false,
    keys: &[
        required("id", Kind::Text(Rule::Name), "Names the rack.", "\"r1\""),
        required("bays", Kind::Bays, "A range that keeps its leading zeros, or a list of names.", "\"01..24\""),
        optional(
            "title",
            Kind::Text(Rule::Filled),
            "the id",
            "What a person calls a bay; `{rack}` and `{bay}` are filled in.",
            "\"Rack {rack}, bay {bay}\"",
        ),
        CARE,
        SEASON_SHIFT,
        IN_SERVICE,
        table("probes", Kind::Named(&PROBE), NONE, "As for an enclosure; `{rack}` and `{bay}` in any topic."),
        table("lamps", Kind::Named(&LAMP), NONE, "As for an enclosure; `{rack}` and `{bay}` in any topic."),
        table("bay", Kind::Named(&BAY), NONE, "What is different in single bays, by the bay's name."),
    ],
};

pub(super) static BAY: Section = Section {
    name: "a bay",
    doc: "Keys that differ in one bay; all others are the rack's.",
    overrides: true,
    keys: &[
        default("absent", Kind::Switch, Plain::Switch(false), "the bay is in use", "Leaves this bay out.", "true"),
        optional(
            "title",
            Kind::Text(Rule::Filled),
            "the rack's",
            "What a person calls it.",
            "\"Bay {bay}, quarantine\"",
        ),
        optional("care", Kind::Text(Rule::Filled), "the rack's", CARE_DOC, "\"woodland-basker\""),
        SEASON_SHIFT,
        IN_SERVICE,
        PROBES,
        LAMPS,
    ],
};

pub(super) static PROBE: Section = Section {
    name: "a probe",
    doc: "Anything that measures.",
    overrides: false,
    keys: &[
        required(
            "measures",
            Kind::Word(&["temperature", "uvi", "illuminance", "power", "humidity"]),
            "What it measures.",
            "\"temperature\"",
        ),
        required("topic", Kind::Text(Rule::Topic), "Topic its readings arrive on.", "\"garden/e1/basking\""),
        optional(
            "pointer",
            Kind::Text(Rule::Pointer),
            "the payload is the number",
            "RFC 6901 pointer to the number in a JSON payload.",
            "\"/t\"",
        ),
        optional(
            "stamp",
            Kind::Text(Rule::Pointer),
            "a reading is as old as its message",
            "RFC 6901 pointer to the time of the reading: RFC 3339, or seconds or milliseconds since 1970.",
            "\"/at\"",
        ),
        optional(
            "unit",
            Kind::Word(UNITS),
            "°C, UVI, lux, watts or percent",
            "Unit of the payload; only temperatures have two.",
            "\"F\"",
        ),
        required("every", Kind::Span(1, HOUR), "How often it reports.", "\"30s\""),
        optional(
            "stale",
            Kind::Span(1, DAY),
            "three times `every`",
            "A reading older than this does not count.",
            "\"90s\"",
        ),
        default(
            "spot",
            Kind::Word(SPOTS),
            Plain::Text("basking"),
            "the design's default",
            "Where it sits; meter readings taken at this spot belong to it.",
            "\"cool\"",
        ),
        optional(
            "plausible",
            Kind::List(&READING, 2, 2),
            "temperature -30 to 120 °C, UVI 0 to 60, illuminance 0 to 200000 lx, power 0 to 5000 W (guesses), humidity \
             0 to 100 %",
            "Least and greatest plausible value.",
            "[-10.0, 80.0]",
        ),
        optional(
            "reject",
            Kind::List(&READING, 0, 16),
            "85 and -127 for temperature (a probe just powered, a probe cut off), else none",
            "Values that stand for a fault and are never readings.",
            "[85.0, -127.0]",
        ),
        optional(
            "fastest",
            above(0.0, 1.0e6, "per second"),
            "2 K/s for temperature (guess), else not checked",
            "Fastest believable change per second.",
            "2.0",
        ),
    ],
};

pub(super) static CIRCUIT: Section = Section {
    name: "a circuit",
    doc: "A circuit with a breaker of its own. Wiring, breaker and residual-current device are a licensed electrician's work \
          to the local code; what stands here changes none of them.",
    overrides: false,
    keys: &[
        required("breaker", above(0.0, 1000.0, "A"), "Rating of its breaker.", "16"),
        required("voltage", within(12.0, 1000.0, "V"), "Mains voltage.", "230"),
        default(
            "stagger",
            Kind::Span(0, 10 * MINUTE),
            Plain::Seconds(20),
            GUESS,
            "All its lamps have struck within this, one after the other and at most a second apart, however many are to go on at \
             once; never an OFF.",
            "\"30s\"",
        ),
        optional(
            "soft_limit",
            above(0.0, 1.0e6, "W"),
            "as many may be on as like",
            "No more than this is on at once: lamps of the lowest `priority` are held back. No substitute for a breaker.",
            "2500",
        ),
    ],
};

pub(super) static TARIFF: Section = Section {
    name: "a tariff",
    doc: "What electricity costs, for `lampwarden energy`.",
    overrides: false,
    keys: &[
        required("price", within(0.0, 1.0e6, "per kWh"), "Price of a kilowatt-hour.", "0.24"),
        required("currency", Kind::Text(Rule::Filled), "Of what, as you write it.", "\"EUR\""),
    ],
};

pub(super) static CUT_OFF: Section = Section {
    name: "a cut-off",
    doc: "A contactor over several lamps: on, unless a lamp below it cannot be stopped otherwise.",
    overrides: false,
    keys: &[table("relay", Kind::Table(&RELAY), Need::Required, "The relay that drives the contactor.")],
};
