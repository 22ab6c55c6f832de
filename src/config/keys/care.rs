//! Keys of care sheets.

use super::{CHOICE, DAY, Kind, NONE, Plain, Rule, Section, above, default, optional, required, table, within};

/// No animal is kept colder than a winter rest needs or hotter than the hottest published basking surface (60 °C,
/// references of desert lizards); what lies outside is a slip of the pen. Guess.
pub(super) const TARGET: Kind = within(-10.0, 70.0, "°C");
/// Cuts and limits; the upper bound is that of a plausible temperature. Guess.
pub(super) const CUT: Kind = within(0.0, 120.0, "°C");
/// UVI bands. Twice the highest ground reading ever published would be about 86; a slip of the pen above 60. Guess.
const UVI: Kind = above(0.0, 60.0, "");

/// The key that names the sheet another one builds on; with it nothing else is required.
pub(in crate::config) const BASED_ON: &str = "based_on";

pub(in crate::config) static CARE: Section = Section {
    name: "a care sheet",
    doc: "What a species needs. Temperatures and UV are a veterinarian's matter; these are numbers to be held.",
    overrides: false,
    keys: &[
        optional(
            BASED_ON,
            Kind::Text(Rule::Sheet),
            "the sheet stands by itself",
            "A care sheet that comes with the program; every key this one does not say is taken from there.",
            "\"pogona-vitticeps\"",
        ),
        optional(
            "uv_zone",
            Kind::Whole(1, 4),
            "UVI is not watched, unless `basking_uvi` is given",
            "Ferguson zone, 1 to 4; sets the UVI band at the basking spot.",
            "3",
        ),
        table("basking_uvi", Kind::Table(&UV_BAND), NONE, "UVI band at the basking spot in own numbers."),
        table("basking", Kind::Table(&SPOT), NONE, "Temperatures at the basking spot."),
        table("warm", Kind::Table(&SPOT), NONE, "Temperatures at the warm end."),
        table("cool", Kind::Table(&SPOT), NONE, "Temperatures at the cool end."),
        table("retreat", Kind::Table(&SPOT), NONE, "Temperatures in the retreat."),
        table("photoperiod", Kind::Variants("follow", PHOTOPERIODS), super::Need::Required, "The animal's day."),
    ],
};

/// The places a probe can sit at; each may have temperatures in a care sheet.
pub(in crate::config) const SPOTS: &[&str] = &["basking", "warm", "cool", "retreat"];

static UV_BAND: Section = Section {
    name: "a UVI band",
    doc: "UVI at the basking spot: low < high <= ceiling.",
    overrides: false,
    keys: &[
        required("low", UVI, "Least UVI.", "2.9"),
        required("high", UVI, "Most UVI.", "7.4"),
        required("ceiling", UVI, "Never above: a lamp above it is switched off and latched.", "8.0"),
    ],
};

static SPOT: Section = Section {
    name: "a spot of a care sheet",
    doc: "What is held at a spot, and where its guard cuts.",
    overrides: false,
    keys: &[
        required("day", TARGET, "Target while it is day.", "32.0"),
        required("night", TARGET, "Target while it is night.", "20.0"),
        optional(
            "cut",
            CUT,
            "each lamp that warms this spot must name its own",
            "A reading at or above it switches the lamp off in the same step.",
            "40.0",
        ),
        optional(
            "limit",
            CUT,
            "5 K above the cut (guess)",
            "A reading at or above it switches the lamp off until a person resets it.",
            "45.0",
        ),
    ],
};

const PHOTOPERIODS: &[(&str, &Section)] =
    &[("clock", &CLOCK), ("site", &SITE_SUN), ("latitude", &LATITUDE), ("table", &MONTHS)];

/// What `follow` says; the table has already been chosen by it.
const FOLLOW: super::Key = required(
    "follow",
    Kind::Word(&["clock", "site", "latitude", "table"]),
    "`clock` (fixed times), `site` (the site's sun), `latitude` (day length at a latitude) or `table` (by month).",
    "\"latitude\"",
);
const SHORTEST: super::Key =
    default("shortest", Kind::Span(0, DAY), Plain::Seconds(0), "no limit", "No day is shorter.", "\"10h30m\"");
const LONGEST: super::Key =
    default("longest", Kind::Span(0, DAY), Plain::Seconds(DAY), "no limit", "No day is longer.", "\"13h30m\"");
const NOON: super::Key =
    default("noon", Kind::Time, Plain::Time(12, 0), CHOICE, "Local time of the middle of the day.", "\"13:00\"");

static CLOCK: Section = Section {
    name: "a photoperiod by the clock",
    doc: "Fixed local times; an `off` before `on` falls on the next date.",
    overrides: false,
    keys: &[
        FOLLOW,
        required("on", Kind::Time, "Lights on.", "\"07:30\""),
        required("off", Kind::Time, "Lights off.", "\"19:30\""),
    ],
};

static SITE_SUN: Section = Section {
    name: "a photoperiod by the site's sun",
    doc: "From the site's sunrise to its sunset.",
    overrides: false,
    keys: &[FOLLOW, SHORTEST, LONGEST],
};

static LATITUDE: Section = Section {
    name: "a photoperiod by latitude",
    doc: "The day length at the latitude the animal comes from, centred on `noon`.",
    overrides: false,
    keys: &[
        FOLLOW,
        required("latitude", within(-90.0, 90.0, "°"), "Where the animal comes from, north positive.", "-18.9"),
        NOON,
        default(
            "season",
            Kind::Word(&["origin", "local"]),
            Plain::Text("origin"),
            CHOICE,
            "Whose seasons: `origin`, or `local`, shifted half a year where the hemispheres differ.",
            "\"local\"",
        ),
        SHORTEST,
        LONGEST,
    ],
};

static MONTHS: Section = Section {
    name: "a photoperiod by month",
    doc: "Day lengths for the middles of the twelve months, interpolated, centred on `noon`.",
    overrides: false,
    keys: &[
        FOLLOW,
        required(
            "months",
            Kind::List(&Kind::Span(0, DAY), 12, 12),
            "Day lengths from January to December.",
            "[\"10h\", \"10h\", \"11h\", \"12h\", \"13h\", \"14h\", \"14h\", \"13h\", \"12h\", \"11h\", \"10h\", \
             \"10h\"]",
        ),
        NOON,
    ],
};
