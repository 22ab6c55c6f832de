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
        table("year", Kind::Table(&YEAR), NONE, "What changes over the year."),
        table("cooling", Kind::Table(&COOLING), NONE, "A cooling season (brumation): a way down, a stay, a way up."),
        optional(
            "cooling_season",
            Kind::Word(&["never", "may"]),
            "nothing is said of it",
            "Whether the species may have a cooling season; with `never` a `cooling` is refused.",
            "\"never\"",
        ),
    ],
};

/// Hours of a day in twelve months.
const MONTHLY_HOURS: Kind = Kind::List(&Kind::Span(0, DAY), 12, 12);
/// Targets of twelve months.
const MONTHLY_TARGETS: Kind = Kind::List(&TARGET, 12, 12);
/// Nights cooler than this than their days are a slip of the pen; a guess.
const DROP: Kind = within(0.0, 40.0, "K");
const BY_MONTH: &str = "[30.0, 31.0, 32.0, 33.0, 34.0, 35.0, 35.0, 34.0, 33.0, 32.0, 31.0, 30.0]";
const AS_ALL_YEAR: &str = "as the sheet says, all year";

pub(in crate::config) static YEAR: Section = Section {
    name: "a year",
    doc: "What changes over the year: each quantity by twelve months, whose values stand at their middles, or by dated points; \
          smooth between them, and never beyond its neighbours.",
    overrides: false,
    keys: &[
        optional(
            "day_length",
            MONTHLY_HOURS,
            "no day lengths by month",
            "Day lengths from January to December, for a photoperiod that follows the `year`.",
            "[\"10h\", \"10h30m\", \"11h30m\", \"12h30m\", \"13h\", \"14h\", \"13h30m\", \"13h\", \"12h\", \"11h\", \"10h30m\", \
             \"10h\"]",
        ),
        optional(
            "uv_hours",
            MONTHLY_HOURS,
            "as long as the day",
            "For how long a day lamps give UV, about its middle.",
            "[\"4h\", \"4h\", \"5h\", \"6h\", \"7h\", \"8h\", \"8h\", \"7h\", \"6h\", \"5h\", \"4h\", \"4h\"]",
        ),
        optional(
            "night_drop",
            Kind::List(&DROP, 12, 12),
            "the sheet's own nights",
            "How much cooler nights are than days, at every spot.",
            "[8.0, 8.0, 8.0, 7.0, 6.0, 5.0, 5.0, 6.0, 7.0, 8.0, 8.0, 8.0]",
        ),
        optional("basking", MONTHLY_TARGETS, AS_ALL_YEAR, "Targets by day at the basking spot.", BY_MONTH),
        optional("warm", MONTHLY_TARGETS, AS_ALL_YEAR, "Targets by day at the warm end.", BY_MONTH),
        optional("cool", MONTHLY_TARGETS, AS_ALL_YEAR, "Targets by day at the cool end.", BY_MONTH),
        optional("retreat", MONTHLY_TARGETS, AS_ALL_YEAR, "Targets by day in the retreat.", BY_MONTH),
        table("point", Kind::Many(&YEAR_POINT), NONE, "Dated points."),
        optional(
            "latitude",
            within(-90.0, 90.0, "°"),
            "day lengths are held against no latitude",
            "Where the animal comes from: day lengths that there are none of at that latitude are found.",
            "-27.0",
        ),
    ],
};

static YEAR_POINT: Section = Section {
    name: "a point of a year",
    doc: "What is to be on one day of the year.",
    overrides: false,
    keys: &[
        required("on", Kind::Text(Rule::MonthDay), "The day: month and day.", "\"06-21\""),
        optional("day_length", Kind::Span(0, DAY), "other points say it", "Day length.", "\"14h\""),
        optional("uv_hours", Kind::Span(0, DAY), "other points say it", "For how long lamps give UV.", "\"8h\""),
        optional("night_drop", DROP, "other points say it", "How much cooler the night is.", "6.0"),
        optional("basking", TARGET, "other points say it", "Target by day at the basking spot.", "40.0"),
        optional("warm", TARGET, "other points say it", "Target by day at the warm end.", "32.0"),
        optional("cool", TARGET, "other points say it", "Target by day at the cool end.", "26.0"),
        optional("retreat", TARGET, "other points say it", "Target by day in the retreat.", "26.0"),
    ],
};

/// Longer ways and stays are no cooling season; a guess.
const WAY: Kind = Kind::Span(DAY, 120 * DAY);

pub(in crate::config) static COOLING: Section = Section {
    name: "a cooling season",
    doc: "Whether, when and how cold an animal may be cooled is a veterinarian's matter: one that is ill, thin, young or \
          pregnant may die of it. The guard's law is the same all year.",
    overrides: false,
    keys: &[
        required("start", Kind::Text(Rule::MonthDay), "The day on which the way down begins.", "\"11-15\""),
        required("down", WAY, "How long the way down takes, in whole days.", "\"28d\""),
        required("stay", Kind::Span(0, 200 * DAY), "How long the stay lasts, in whole days.", "\"56d\""),
        required("up", WAY, "How long the way up takes, in whole days.", "\"28d\""),
        optional("day_length", Kind::Span(0, DAY), "as without it", "Day length during the stay.", "\"8h\""),
        optional("uv_hours", Kind::Span(0, DAY), "as without it", "Hours of UV during the stay.", "\"0s\""),
        table("basking", Kind::Table(&COOLED), NONE, "Targets at the basking spot during the stay."),
        table("warm", Kind::Table(&COOLED), NONE, "Targets at the warm end during the stay."),
        table("cool", Kind::Table(&COOLED), NONE, "Targets at the cool end during the stay."),
        table("retreat", Kind::Table(&COOLED), NONE, "Targets in the retreat during the stay."),
        default(
            "spot",
            Kind::Word(SPOTS),
            Plain::Text("cool"),
            CHOICE,
            "The spot whose temperature tells whether it is cold enough.",
            "\"cool\"",
        ),
        optional(
            "start_below",
            TARGET,
            "it begins on its day",
            "It is held back until the coolest hour of a day at that spot is at or below this.",
            "18.0",
        ),
        optional(
            "break_above",
            TARGET,
            "no warm room breaks it off",
            "The stay is broken off, and the way up begins, when that spot has been above this …",
            "16.0",
        ),
        default(
            "break_after",
            Kind::Span(3600, 30 * DAY),
            Plain::Seconds(2 * DAY),
            super::GUESS,
            "… for so long without a break, in whole hours.",
            "\"48h\"",
        ),
    ],
};

static COOLED: Section = Section {
    name: "a target of a stay",
    doc: "What is held during the stay; a lamp that warms stays off while its spot is warmer by itself.",
    overrides: false,
    keys: &[
        required("day", TARGET, "While it is day.", "10.0"),
        required("night", TARGET, "While it is night.", "8.0"),
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
    &[("clock", &CLOCK), ("site", &SITE_SUN), ("latitude", &LATITUDE), ("table", &MONTHS), ("year", &BY_YEAR)];

/// What `follow` says; the table has already been chosen by it.
const FOLLOW: super::Key = required(
    "follow",
    Kind::Word(&["clock", "site", "latitude", "table", "year"]),
    "`clock` (fixed times), `site` (the site's sun), `latitude` (day length at a latitude), `table` (by month) or `year` (the \
     sheet's own `year`).",
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

static BY_YEAR: Section = Section {
    name: "a photoperiod by the year",
    doc: "The day lengths of the sheet's `year`, centred on `noon`.",
    overrides: false,
    keys: &[FOLLOW, NOON],
};
