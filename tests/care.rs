//! The care sheets in `config/care/`: complete, sourced number by number, clean in use, and within what is published.
//!
//! The published numbers below were copied by hand from the publications named beside them, not from the sheets.

#![allow(clippy::disallowed_methods, reason = "tests read files")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use lampwarden::config::{CARE_SHEETS, CareSheet, Source, parse, render};
use lampwarden::settings::{Clamp, Photoperiod};
use toml::Table;

const README: &str = "config/care/README.md";
const WRITE: &str = "LAMPWARDEN_WRITE_CARE";
const SPOTS: [&str; 4] = ["basking", "warm", "cool", "retreat"];

fn path(below: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(below)
}

fn table(sheet: &CareSheet) -> Table {
    toml::from_str(sheet.text).unwrap_or_else(|error| panic!("{}: {error}", sheet.name))
}

fn sheet(name: &str) -> Table {
    let found = CARE_SHEETS.iter().find(|sheet| sheet.name == name);
    table(found.unwrap_or_else(|| panic!("there is no sheet `{name}`")))
}

/// The number at `spot.key`; none where the sheet leaves it out.
fn number(sheet: &Table, spot: &str, key: &str) -> Option<f64> {
    sheet.get(spot)?.get(key)?.as_float()
}

/// The spots a sheet has temperatures for.
fn spots(sheet: &Table) -> impl Iterator<Item = &'static str> {
    SPOTS.into_iter().filter(|spot| sheet.contains_key(*spot))
}

// --- what a sheet must be -------------------------------------------------------------------------------------------

#[test]
fn the_program_carries_every_file_of_the_folder() {
    let files = std::fs::read_dir(path("config/care")).expect("the folder is part of the package");
    let names = files.map(|file| file.expect("it can be listed").file_name().into_string().expect("plain names"));
    let mut names: Vec<String> = names.filter_map(|name| Some(name.strip_suffix(".toml")?.to_owned())).collect();
    names.sort();
    assert_eq!(CARE_SHEETS.iter().map(|sheet| sheet.name).collect::<Vec<_>>(), names);
    for sheet in CARE_SHEETS {
        let file = path(&format!("config/care/{}.toml", sheet.name));
        assert_eq!(std::fs::read_to_string(&file).expect("it was listed"), sheet.text, "{}", sheet.name);
    }
}

#[test]
fn every_head_cautions_and_says_what_is_not_known() {
    const WORDS: [&str; 8] = [
        "Common names: ",
        "CAUTION. Heat, ultraviolet and mains",
        "a veterinarian who knows the species decides",
        "thermal cut-out and a residual-current device",
        "licensed electrician to the local code",
        "with a hand-held meter",
        "Known: ",
        "Not known: ",
    ];
    for sheet in CARE_SHEETS {
        let lines = sheet.text.lines().map_while(|line| line.strip_prefix('#'));
        let head = lines.map(str::trim).collect::<Vec<_>>().join(" ");
        for word in WORDS {
            assert!(head.contains(word), "{}: `{word}` is not in its head", sheet.name);
        }
        let long = sheet.text.lines().find(|line| line.chars().count() > 120);
        assert_eq!(long, None, "{}", sheet.name);
    }
}

/// What stands behind a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Behind {
    Published,
    Weak,
    Memory,
    Guess,
}

/// How each publication is named at the start of a comment.
const PUBLISHED: [&str; 14] = [
    "Edmonds et al. 2018, Zoo Biology 37:452-457",
    "MSD Veterinary Manual table v3230615",
    "Manila Bulletin \"Animal Scene\" 2022-01-01",
    "NSW Dept. of Education, \"Inland Bearded Dragon - environment\"",
    "NSW Dept. of Education, blue-tongue page",
    "PBT list (birdexoticsvet)",
    "Veterinary Ireland, \"Care of Tortoises\"",
    "West Toowoomba Vet table",
    "WikiVet POTZ list",
    "WikiVet lizard page",
    "a published leaflet",
    "a veterinary table (publisher not noted)",
    "animalhospitals-usa table",
    "veterinaire.mu, tortoises and turtles",
];

/// Publications without a name that stands for them.
const WEAK: [&str; 7] = [
    "a US book",
    "a commercial page in German after Baines et al. 2016 (weak)",
    "a general web article (weak)",
    "a hobby magazine (weak)",
    "a hobby wiki (weak)",
    "a web page (weak)",
    "two published lists (which, was not noted)",
];

fn behind(comment: &str) -> Option<Behind> {
    let starts = |with: &[&str]| with.iter().any(|start| comment.starts_with(start));
    match () {
        () if starts(&["guess: "]) => Some(Behind::Guess),
        () if starts(&["from memory"]) => Some(Behind::Memory),
        () if starts(&WEAK) => Some(Behind::Weak),
        () if starts(&PUBLISHED) => Some(Behind::Published),
        () => None,
    }
}

/// Every line of a sheet that says a number: its key, its value and the comment beside it.
fn numbers(sheet: &CareSheet) -> Vec<(&'static str, &'static str, &'static str)> {
    let lines = sheet.text.lines().filter(|line| !line.starts_with('#'));
    let said = lines.filter_map(|line| line.split_once(" = "));
    let parts = said.map(|(key, rest)| {
        let (value, comment) = rest.split_once('#').unwrap_or((rest, ""));
        (key, value.trim(), comment.trim())
    });
    parts.filter(|(_, value, _)| value.chars().any(|c| c.is_ascii_digit())).collect()
}

#[test]
fn every_number_has_its_source_beside_it() {
    for sheet in CARE_SHEETS {
        let numbers = numbers(sheet);
        assert!(numbers.len() >= 3, "{}", sheet.name);
        for (key, value, comment) in numbers {
            let behind = behind(comment);
            assert!(behind.is_some(), "{}: `{key} = {value}` has no known source beside it: {comment}", sheet.name);
            let guarded = matches!(key, "cut" | "limit");
            if behind == Some(Behind::Guess) {
                assert!(guarded, "{}: `{key}` is a guess: leave it out", sheet.name);
            }
            if behind == Some(Behind::Published) {
                assert!(!guarded, "{}: no publication knows a `{key}`", sheet.name);
            }
        }
    }
}

#[test]
fn a_number_without_a_source_is_noticed() {
    for wrong in ["", "40", "somebody said so", "it is a guess: 40"] {
        assert_eq!(behind(wrong), None, "{wrong}");
    }
}

// --- in use ---------------------------------------------------------------------------------------------------------

/// A whole configuration around `care`: at each spot a probe and a lamp, and a UV lamp where there is a band.
fn household(care: &str, sheet: &Table) -> String {
    let mut text = String::from(
        "[site]\nname = \"house\"\ntimezone = \"Europe/Lisbon\"\nlatitude = 38.72\nlongitude = -9.14\n\
         [broker]\nurl = \"mqtt://127.0.0.1\"\n",
    );
    text += &format!("[[enclosure]]\nid = \"e1\"\ncare = \"{care}\"\n");
    for spot in spots(sheet) {
        text += &format!(
            "[enclosure.probes.{spot}]\nmeasures = \"temperature\"\ntopic = \"e1/{spot}\"\nevery = \"30s\"\n\
             spot = \"{spot}\"\n\
             [enclosure.lamps.{spot}]\nfitting = \"ceramic-emitter\"\nwarms = \"{spot}\"\n\
             relay = {{ set = \"e1/{spot}/set\", state = \"e1/{spot}/state\", hold = \"5m\" }}\n"
        );
    }
    if sheet.contains_key("uv_zone") {
        text += "[enclosure.probes.uv]\nmeasures = \"uvi\"\ntopic = \"e1/uv\"\nevery = \"1m\"\n\
                 [enclosure.lamps.uvb]\nfitting = \"fluorescent-uvb\"\nlights = \"uv\"\nafter_dawn = \"1h\"\n\
                 before_dusk = \"1h\"\nrelay = { set = \"e1/uvb/set\", state = \"e1/uvb/state\" }\n";
    }
    text
}

#[test]
fn every_sheet_is_clean_in_an_enclosure_that_uses_all_of_it() {
    for shipped in CARE_SHEETS {
        let sheet = table(shipped);
        let named = household(shipped.name, &sheet);
        let based = household("own", &sheet) + &format!("[care.own]\nbased_on = \"{}\"\n", shipped.name);
        for (text, name) in [(named, shipped.name), (based, "own")] {
            let sources = [Source { name: format!("{name}.toml"), text }];
            let checked = parse(&sources);
            let report = render(&checked.findings, &sources, false);
            let settings = checked.settings.unwrap_or_else(|| panic!("{}: {report}", shipped.name));
            assert!(checked.findings.is_empty(), "{}: {report}", shipped.name);
            let enclosure = &settings.enclosures[0];
            assert_eq!(enclosure.care.name, name);
            assert_eq!(enclosure.care.uv.is_some(), sheet.contains_key("uv_zone"), "{}", shipped.name);
            let guarded = enclosure.lamps.iter().filter(|lamp| lamp.guard.is_some());
            assert_eq!(guarded.count(), spots(&sheet).count(), "{}", shipped.name);
        }
    }
}

#[test]
fn a_cut_lies_a_little_above_its_target_and_each_spot_is_cooler_than_the_one_before() {
    for shipped in CARE_SHEETS {
        let (sheet, name) = (table(shipped), shipped.name);
        let at = |spot, key| number(&sheet, spot, key);
        let mut before = [f64::INFINITY; 2];
        for spot in spots(&sheet) {
            let value = |key| at(spot, key).unwrap_or_else(|| panic!("{name}: {spot} has no {key}"));
            let (day, night, cut) = (value("day"), value("night"), value("cut"));
            assert!(night <= day, "{name}: {spot} is warmer by night");
            // Guess: below 3 K a thermostat's swing trips the guard, above 8 K the guard lets too much heat pass.
            assert!((3.0..=8.0).contains(&(cut - day)), "{name}: {spot} is cut {} K above its target", cut - day);
            let limit = at(spot, "limit").unwrap_or(cut + 5.0);
            assert!(cut < limit && limit <= 60.0, "{name}: {spot} latches at {limit}");
            assert!(day < before[0] && cut < before[1], "{name}: {spot} is hotter than the one before");
            before = [day, cut];
        }
    }
}

// --- against what is published --------------------------------------------------------------------------------------

/// Ferguson zones; an empty list where none was found. A zone is an assignment by an author, and authors differ.
const ZONES: &[(&str, &[i64], &str)] = &[
    ("anolis-carolinensis", &[2], "Manila Bulletin 2022; a page in German after Baines et al. 2016"),
    ("antaresia-childreni", &[], "none found"),
    ("basiliscus-plumifrons", &[2], "from memory"),
    ("boa-constrictor", &[2], "a page in German after Baines et al. 2016"),
    ("calumma-brevicorne", &[1], "Edmonds et al. 2018: median UVI 0.3"),
    ("chamaeleo-calyptratus", &[3], "Manila Bulletin 2022"),
    ("chelodina-longicollis", &[], "none found"),
    ("chelonoidis-carbonarius", &[2], "Manila Bulletin 2022"),
    ("chrysemys-picta", &[3], "Manila Bulletin 2022"),
    ("correlophus-ciliatus", &[1], "a page in German after Baines et al. 2016"),
    ("cyclura-cornuta", &[4], "Manila Bulletin 2022"),
    ("dipsosaurus-dorsalis", &[4], "Manila Bulletin 2022"),
    ("emydura-macquarii", &[], "none found"),
    ("eublepharis-macularius", &[1], "two lists"),
    ("furcifer-pardalis", &[2], "Manila Bulletin 2022"),
    ("iguana-iguana", &[3], "Manila Bulletin 2022"),
    ("intellagama-lesueurii", &[2], "a page in German after Baines et al. 2016"),
    ("lampropeltis-getula", &[], "none found"),
    ("lampropeltis-triangulum", &[1], "a page in German after Baines et al. 2016"),
    ("morelia-spilota-spilota", &[3], "Manila Bulletin 2022"),
    ("morelia-spilota-variegata", &[], "none found"),
    ("pantherophis-guttatus", &[1], "Manila Bulletin 2022"),
    ("phelsuma", &[2], "Manila Bulletin 2022"),
    ("phrynosoma-cornutum", &[4], "Manila Bulletin 2022"),
    ("physignathus-cocincinus", &[2, 3], "from memory"),
    ("pogona-vitticeps", &[3, 4], "from memory of Baines et al. 2016; Manila Bulletin 2022"),
    ("python-bivittatus", &[1], "a page in German after Baines et al. 2016"),
    ("python-regius", &[1], "from memory"),
    ("salvator-merianae", &[3], "Manila Bulletin 2022"),
    ("stigmochelys-pardalis", &[3, 4], "from memory"),
    ("terrapene-ornata", &[2], "a page in German after Baines et al. 2016"),
    ("testudo-graeca", &[3], "from memory"),
    ("testudo-hermanni", &[3], "from memory"),
    ("testudo-horsfieldii", &[3], "from memory"),
    ("testudo-marginata", &[3], "from memory"),
    ("thamnophis-sirtalis", &[2], "Manila Bulletin 2022"),
    ("tiliqua-scincoides", &[2, 3], "from memory; common practice, no source: UVI 1 to 3"),
    ("uromastyx", &[4], "Manila Bulletin 2022"),
    ("varanus-exanthematicus", &[3], "from memory"),
];

#[test]
fn zones_are_those_of_the_sources_and_the_lower_one_where_they_differ() {
    for (name, zones, source) in ZONES {
        let zone = sheet(name).get("uv_zone").and_then(toml::Value::as_integer);
        assert_eq!(zone, zones.iter().min().copied(), "{name}: {source}");
    }
    assert_eq!(ZONES.len(), CARE_SHEETS.len(), "each sheet has its row, and each row its sheet");
}

/// Species of which no cooling season is known to be common; from memory.
const NEVER_COOLED: &[&str] = &[
    "basiliscus-plumifrons",
    "boa-constrictor",
    "calumma-brevicorne",
    "chamaeleo-calyptratus",
    "chelonoidis-carbonarius",
    "correlophus-ciliatus",
    "cyclura-cornuta",
    "furcifer-pardalis",
    "iguana-iguana",
    "phelsuma",
    "physignathus-cocincinus",
    "python-bivittatus",
    "python-regius",
    "stigmochelys-pardalis",
    "varanus-exanthematicus",
];

#[test]
fn species_that_are_never_cooled_say_so_and_an_own_sheet_cannot_cool_them() {
    for shipped in CARE_SHEETS {
        let sheet = table(shipped);
        let says = sheet.get("cooling_season").and_then(toml::Value::as_str);
        let expected = NEVER_COOLED.contains(&shipped.name).then_some("never");
        assert_eq!(says, expected, "{}", shipped.name);
        if expected.is_some() {
            let own = format!(
                "[care.own]\nbased_on = \"{}\"\n[care.own.cooling]\nstart = \"11-15\"\ndown = \"28d\"\nstay = \"56d\"\n\
                 up = \"28d\"\n",
                shipped.name
            );
            let sources = [Source { name: "own.toml".into(), text: household("own", &sheet) + &own }];
            let checked = parse(&sources);
            let report = render(&checked.findings, &sources, false);
            assert!(checked.settings.is_none() && report.contains("says `cooling_season = \"never\"`"), "{report}");
        }
    }
}

/// Least and most by day at the spots named, in °C.
const DAYS: &[(&str, &[&str], f64, f64, &str)] = &[
    ("pogona-vitticeps", &["warm", "cool"], 22.0, 40.0, "NSW Dept. of Education, Inland Bearded Dragon"),
    ("pogona-vitticeps", &["basking"], 38.0, 42.0, "notes on a charity's guide; NSW Dept. of Education: 40"),
    ("pogona-vitticeps", &["cool"], 22.0, 26.0, "NSW Dept. of Education and others"),
    ("tiliqua-scincoides", &["basking", "warm", "cool"], 22.0, 34.0, "NSW Dept. of Education, blue-tongue page"),
    ("tiliqua-scincoides", &["warm"], 28.0, 32.0, "PBT list, birdexoticsvet"),
    ("chamaeleo-calyptratus", &["basking"], 29.0, 32.0, "from memory"),
    ("chamaeleo-calyptratus", &["cool"], 22.0, 26.0, "from memory"),
    ("furcifer-pardalis", &["basking"], 29.0, 32.0, "from memory"),
    ("furcifer-pardalis", &["cool"], 23.0, 27.0, "from memory"),
    ("correlophus-ciliatus", &["warm"], 25.0, 27.0, "a general web article"),
    ("correlophus-ciliatus", &["cool"], 21.0, 24.0, "a general web article"),
    ("eublepharis-macularius", &["basking", "warm", "cool"], 25.0, 30.0, "animalhospitals-usa table"),
    ("iguana-iguana", &["basking"], 34.0, 37.0, "WikiVet lizard page: day 29-32, basking 5 more"),
    ("iguana-iguana", &["warm", "cool"], 29.0, 33.0, "a veterinary table"),
    ("iguana-iguana", &["warm", "cool"], 29.0, 32.0, "WikiVet lizard page"),
    ("physignathus-cocincinus", &["warm", "cool"], 24.0, 30.0, "a veterinary table, Physignathus lesueurii"),
    ("intellagama-lesueurii", &["warm", "cool"], 24.0, 30.0, "a veterinary table, Physignathus lesueurii"),
    ("basiliscus-plumifrons", &["warm", "cool"], 23.0, 30.0, "a veterinary table"),
    ("varanus-exanthematicus", &["warm", "cool"], 25.0, 32.0, "a veterinary table"),
    ("uromastyx", &["basking"], 50.0, 60.0, "a hobby wiki"),
    ("python-regius", &["basking", "warm", "cool"], 25.0, 34.0, "WikiVet POTZ list"),
    ("pantherophis-guttatus", &["basking", "warm", "cool"], 25.0, 32.0, "WikiVet POTZ list"),
    ("lampropeltis-getula", &["basking", "warm", "cool"], 25.0, 32.0, "WikiVet POTZ list"),
    ("lampropeltis-triangulum", &["basking", "warm", "cool"], 25.0, 32.0, "WikiVet POTZ list"),
    ("boa-constrictor", &["basking", "warm", "cool"], 28.0, 34.0, "WikiVet POTZ list"),
    ("python-bivittatus", &["basking", "warm", "cool"], 25.0, 34.0, "WikiVet POTZ list"),
    ("thamnophis-sirtalis", &["basking", "warm", "cool"], 21.0, 32.0, "WikiVet POTZ list"),
    // The PBT list says to offer places 2 to 3 K to either side of the preferred body temperature.
    (
        "morelia-spilota-spilota",
        &["basking", "warm", "cool"],
        29.0 - 3.0,
        30.0 + 3.0,
        "PBT list, birdexoticsvet: 29-30",
    ),
    ("morelia-spilota-variegata", &["basking", "warm", "cool"], 30.0 - 3.0, 32.0 + 3.0, "PBT list: 30-32"),
    ("antaresia-childreni", &["basking", "warm", "cool"], 30.0 - 3.0, 33.0 + 3.0, "PBT list: 30-33"),
    ("chelodina-longicollis", &["basking", "cool"], 26.0 - 3.0, 26.0 + 3.0, "PBT list: 26"),
    ("emydura-macquarii", &["basking", "cool"], 26.0 - 3.0, 27.0 + 3.0, "PBT list: 26-27"),
    ("testudo-graeca", &["basking"], 30.0, 40.0, "Veterinary Ireland, Care of Tortoises (Testudo species)"),
    ("testudo-graeca", &["basking"], 32.0, 35.0, "a web page"),
    ("testudo-graeca", &["warm", "cool"], 21.0, 27.0, "Veterinary Ireland: background"),
    ("stigmochelys-pardalis", &["basking"], 35.0, 38.0, "a web page"),
    ("stigmochelys-pardalis", &["warm", "cool"], 24.0, 29.0, "a web page"),
    ("chelonoidis-carbonarius", &["warm", "cool"], 21.0, 30.0, "veterinaire.mu, tortoises and turtles generally"),
    ("terrapene-ornata", &["warm", "cool"], 21.0, 30.0, "veterinaire.mu, tortoises and turtles generally"),
    ("chrysemys-picta", &["cool"], 21.0, 30.0, "veterinaire.mu, tortoises and turtles generally"),
];

/// Least and most by night at the warmest spot, in °C.
const NIGHTS: &[(&str, f64, f64, &str)] = &[
    ("pogona-vitticeps", 20.0, 21.0, "a US book: below 20, add heat to 20-21"),
    ("chamaeleo-calyptratus", 16.0, 20.0, "from memory"),
    ("furcifer-pardalis", 18.0, 22.0, "from memory"),
    ("correlophus-ciliatus", 18.0, 24.0, "a general web article: 18 or more; 24 is the cool end by day"),
    ("eublepharis-macularius", 20.0, 21.0, "a hobby magazine"),
    ("iguana-iguana", 24.0, 27.0, "WikiVet lizard page: day 29-32, night 5 less"),
    ("physignathus-cocincinus", 22.0, 24.0, "from memory"),
    ("python-regius", 22.0, 24.0, "from memory"),
    ("testudo-graeca", 21.0, 21.0, "Veterinary Ireland, Care of Tortoises (Testudo species)"),
];

#[test]
fn targets_lie_within_the_published_ranges() {
    let check = |name: &str, spot: &str, key: &str, (least, most): (f64, f64), source: &str| {
        let value = number(&sheet(name), spot, key).unwrap_or_else(|| panic!("{name} has no {spot}"));
        assert!((least..=most).contains(&value), "{name}: {spot}.{key} is {value}, {source} says {least} to {most}");
    };
    for (name, at, least, most, source) in DAYS {
        at.iter().for_each(|spot| check(name, spot, "day", (*least, *most), source));
        if at.len() > 1 {
            let all: Vec<_> = spots(&sheet(name)).filter(|spot| at.contains(spot)).collect();
            assert_eq!(all, *at, "{name}: {source}");
        }
    }
    for (name, least, most, source) in NIGHTS {
        let warmest = spots(&sheet(name)).next().unwrap_or_else(|| panic!("{name} has no spot"));
        check(name, warmest, "night", (*least, *most), source);
    }
}

#[test]
fn the_four_tortoises_share_what_is_published_of_their_genus() {
    let but_the_place = |name| {
        let mut sheet = sheet(name);
        sheet.get_mut("photoperiod").and_then(|it| it.as_table_mut()?.remove("latitude")).expect("it has a latitude");
        sheet
    };
    for other in ["testudo-hermanni", "testudo-marginata", "testudo-horsfieldii"] {
        assert_eq!(but_the_place(other), but_the_place("testudo-graeca"), "{other}");
    }
}

#[test]
fn no_desert_lizard_is_ever_above_sixty_degrees() {
    // "50-60, never above 60", a hobby wiki on Uromastyx.
    let uromastyx = sheet("uromastyx");
    for spot in spots(&uromastyx) {
        for key in ["day", "night", "cut", "limit"] {
            assert!(number(&uromastyx, spot, key).is_none_or(|value| value <= 60.0), "{spot}.{key}");
        }
    }
    assert_eq!(number(&uromastyx, "basking", "limit"), Some(60.0), "5 K above the cut would be more");
}

/// The photoperiod a sheet gives.
fn photoperiod(shipped: &CareSheet) -> (f64, Clamp) {
    let text = household(shipped.name, &table(shipped));
    let settings = parse(&[Source { name: String::new(), text }]).settings.expect("every sheet is clean");
    match &settings.enclosures[0].care.photoperiod {
        Photoperiod::Latitude { latitude, clamp, .. } => (latitude.0, *clamp),
        other => panic!("{}: {other:?}", shipped.name),
    }
}

#[test]
fn days_are_as_long_as_the_veterinary_manual_says() {
    for shipped in CARE_SHEETS {
        let (latitude, clamp) = photoperiod(shipped);
        let hours = (clamp.shortest.as_secs_f64() / 3600.0, clamp.longest.as_secs_f64() / 3600.0);
        // MSD Veterinary Manual, table v3230615: subtropical and tropical 10 to 14 h, temperate 8 to 16 h. The tropics
        // end where the sun is overhead at the solstice, 23.4 degrees (astronomy).
        let tropical = hours == (10.0, 14.0);
        let temperate = hours.0 >= 8.0 && hours.1 <= 16.0;
        assert!(tropical || (temperate && latitude.abs() > 23.4), "{}: {hours:?} at {latitude}", shipped.name);
        assert!(tropical || latitude.abs() >= 30.0, "{}: temperate at {latitude}", shipped.name);
    }
    // "9-15 by season", a leaflet on Testudo.
    let tortoise = CARE_SHEETS.iter().find(|sheet| sheet.name == "testudo-graeca").expect("it is there");
    assert_eq!(photoperiod(tortoise).1.shortest.as_secs(), 9 * 3600);
    assert_eq!(photoperiod(tortoise).1.longest.as_secs(), 15 * 3600);
}

// --- the list -------------------------------------------------------------------------------------------------------

const TABLE_START: &str = "<!-- table: written by tests/care.rs -->\n";
const TABLE_END: &str = "<!-- table: end -->\n";

fn row(shipped: &CareSheet) -> String {
    let sheet = table(shipped);
    let spot = |name| match (number(&sheet, name, "day"), number(&sheet, name, "night")) {
        (Some(day), Some(night)) => format!("{day}/{night}"),
        _ => "–".to_owned(),
    };
    let zone = sheet.get("uv_zone").map_or("–".to_owned(), toml::Value::to_string);
    let (latitude, clamp) = photoperiod(shipped);
    let hours = |span: std::time::Duration| span.as_secs() / 3600;
    let day = format!("{latitude}°, {}–{} h", hours(clamp.shortest), hours(clamp.longest));
    let uncut = numbers(shipped).into_iter().filter(|(key, ..)| !matches!(*key, "cut" | "limit"));
    let behind: Vec<_> = uncut.filter_map(|(_, _, comment)| behind(comment)).collect();
    let count = |kind| behind.iter().filter(|it| **it == kind).count();
    let (published, weak, memory) = (count(Behind::Published), count(Behind::Weak), count(Behind::Memory));
    format!(
        "| [`{name}`]({name}.toml) | {common} | {zone} | {} | {} | {} | {day} | {published} | {weak} | {memory} |\n",
        spot("basking"),
        spot("warm"),
        spot("cool"),
        name = shipped.name,
        common = shipped.common_names().collect::<Vec<_>>().join(", "),
    )
}

#[test]
fn the_list_says_what_the_sheets_say() {
    let committed = std::fs::read_to_string(path(README)).expect("the list is part of the package");
    let (head, rest) = committed.split_once(TABLE_START).expect("it marks where the table starts");
    let (_, tail) = rest.split_once(TABLE_END).expect("it marks where the table ends");
    let mut table = String::from(
        "| name | species | zone | basking | warm | cool | day | published | weak | from memory |\n\
         |---|---|---|---|---|---|---|---|---|---|\n",
    );
    table.extend(CARE_SHEETS.iter().map(row));
    let text = format!("{head}{TABLE_START}{table}{TABLE_END}{tail}");
    if std::env::var_os(WRITE).is_some() {
        std::fs::write(path(README), &text).unwrap_or_else(|error| panic!("{README}: {error}"));
        return;
    }
    assert!(committed == text, "{README} is out of date; write it anew with `{WRITE}=1 cargo test --test care`");
}

#[test]
fn common_names_tell_the_species_apart() {
    let mut seen = BTreeSet::new();
    for name in CARE_SHEETS.iter().flat_map(CareSheet::common_names) {
        assert!(seen.insert(name.to_lowercase()), "`{name}` stands for two species");
    }
}
