//! Care sheets that come with the program: named, built on, and mistaken.

use super::*;
use crate::settings::{Care, Clamp, Photoperiod};
use crate::units::{Celsius, Uvi};
use std::time::Duration;

/// [`BASE`] with `care` instead of its own sheet, and every housing naming `name`.
fn with(care: &str, name: &str) -> String {
    let (head, rest) = BASE.split_once("[care.basker]").expect("the base has a care sheet");
    let (_, housings) = rest.split_once("[[enclosure]]").expect("the base has an enclosure");
    format!("{head}{care}\n[[enclosure]]{housings}").replace("care = \"basker\"", &format!("care = \"{name}\""))
}

/// The care sheet, the targets and the cut and limit that the first enclosure's heat lamp gets.
fn first(text: &str) -> (Care, (f64, f64), (f64, f64)) {
    assert_eq!(lines(text), Vec::<String>::new(), "{text}");
    let settings = parse_one(text).settings.expect("there was no finding");
    let enclosure = &settings.enclosures[0];
    let lamp = enclosure.lamps.iter().find(|lamp| lamp.name == "heat").expect("the base has one");
    let (target, guard) = (lamp.heat.expect("it warms").target, lamp.guard.clone().expect("it has a guard"));
    let Celsius(cut) = guard.cut;
    (enclosure.care.clone(), (target.day.0, target.night.0), (cut, guard.limit.0))
}

// The expected numbers below are those of config/care/pogona-vitticeps.toml, whose sources stand in it: 40 by day and
// 20 by night, cut at 45, and 5 K above a cut the limit; latitude 27 south; zone 3.

#[test]
fn a_shipped_sheet_is_found_by_its_name() {
    let (care, targets, guard) = first(&with("", "pogona-vitticeps"));
    assert_eq!(care.name, "pogona-vitticeps");
    assert_eq!((targets, guard), ((40.0, 20.0), (45.0, 50.0)));
    assert_eq!(care.uv.and_then(|band| band.zone), Some(3));
}

#[test]
fn an_own_sheet_of_the_same_name_wins() {
    let own = "[care.pogona-vitticeps]\nbasking = { day = 31, night = 19, cut = 36 }\n\
               photoperiod = { follow = \"site\" }\n";
    let text = with(own, "pogona-vitticeps").replace("lights = \"uv\"", "");
    let (care, targets, guard) = first(&text);
    assert_eq!((targets, guard, care.uv), ((31.0, 19.0), (36.0, 41.0), None));
    assert!(matches!(care.photoperiod, Photoperiod::Site { .. }));
}

#[test]
fn a_sheet_that_is_based_on_another_changes_single_keys() {
    let based = |keys: &str| with(&format!("[care.mine]\nbased_on = \"pogona-vitticeps\"\n{keys}\n"), "mine");
    let check = |keys, targets, guard| {
        let (care, got, got_guard) = first(&based(keys));
        assert_eq!((care.name.as_str(), got, got_guard), ("mine", targets, guard), "{keys}");
    };
    check("", (40.0, 20.0), (45.0, 50.0));
    check("basking = { day = 38 }", (38.0, 20.0), (45.0, 50.0));
    check("basking = { cut = 43 }", (40.0, 20.0), (43.0, 48.0));
    check("basking = { night = 18, limit = 47 }", (40.0, 18.0), (45.0, 47.0));
    check("retreat = { day = 24, night = 20 }", (40.0, 20.0), (45.0, 50.0));

    let uv = |keys| first(&based(keys)).0.uv.expect("there is a band");
    assert_eq!(uv("uv_zone = 4").zone, Some(4));
    let own = uv("basking_uvi = { low = 2, high = 5, ceiling = 6 }");
    assert_eq!((own.zone, own.low, own.high, own.ceiling), (None, Uvi(2.0), Uvi(5.0), Uvi(6.0)));

    let hours = |hours: u64| Duration::from_secs(hours * 3600);
    let photoperiod = |keys| first(&based(keys)).0.photoperiod;
    let Photoperiod::Latitude { latitude, noon, clamp, .. } =
        photoperiod("photoperiod = { follow = \"latitude\", noon = \"14:00\", longest = \"13h\" }")
    else {
        panic!("it says latitude");
    };
    assert_eq!((latitude.0, noon.to_string().as_str()), (-27.0, "14:00:00"));
    assert_eq!((clamp.shortest, clamp.longest), (hours(10), hours(13)));
    // Another `follow` takes nothing over, not even the limits that both kinds have.
    let site = photoperiod("photoperiod = { follow = \"site\" }");
    assert_eq!(site, Photoperiod::Site { clamp: Clamp::NONE });
}

#[test]
fn a_sheet_may_have_the_name_of_the_one_it_is_based_on() {
    let own = "[care.pogona-vitticeps]\nbased_on = \"pogona-vitticeps\"\nbasking.day = 38\n";
    let (care, targets, guard) = first(&with(own, "pogona-vitticeps"));
    assert_eq!((care.name.as_str(), targets, guard), ("pogona-vitticeps", (38.0, 20.0), (45.0, 50.0)));
}

#[test]
fn mistakes_are_told_in_the_keepers_own_lines() {
    let check = |text: &str, expected: &[&str]| assert_eq!(lines(text), expected, "{text}");
    let listed = "config/care/README.md lists those that come with the program";
    let unknown = |name: &str, advice: &str| {
        let told = |line| format!("Error {line}:8 there is no care sheet `{name}` | {advice}{listed}");
        let text = with("", name);
        let places: Vec<usize> =
            text.lines().enumerate().filter(|(_, it)| it.starts_with("care = ")).map(|(at, _)| at + 1).collect();
        let told: Vec<String> = places.into_iter().map(told).collect();
        assert_eq!(lines(&text), told);
    };
    unknown("pogona-viticeps", "did you mean `pogona-vitticeps`? ");
    unknown("ball-python", "did you mean `python-regius`? ");
    unknown("something-else", "");
    let own = with("[care.mine]\nphotoperiod = { follow = \"site\" }\n", "something-else");
    assert!(lines(&own)[0].ends_with(&format!("your own are `mine`; {listed}")), "{:?}", lines(&own));

    // `[care.mine]` stands in line 10 of the text, `based_on` below it.
    let based = |base: &str, keys: &str| with(&format!("[care.mine]\nbased_on = \"{base}\"\n{keys}\n"), "mine");
    check(
        &based("pogona", "basking = { day = 30 }"),
        &[&format!("Error 11:12 `based_on` is \"pogona\", and no such care sheet comes with the program | {listed}")],
    );
    check(
        &based("tiliqua-scincoide", ""),
        &[&format!(
            "Error 11:12 `based_on` is \"tiliqua-scincoide\", and no such care sheet comes with the program | \
             did you mean `tiliqua-scincoides`? {listed}"
        )],
    );
    // A cut taken over, told where the keeper took it from.
    check(
        &based("pogona-vitticeps", "basking = { day = 46 }"),
        &[
            "Error 11:12 `cut` is 45.0 °C, not above the target of 46.0 °C | above 46.0 °C, and above the hysteresis of \
           an on-off thermostat",
        ],
    );
    check(
        &based("pogona-vitticeps", "retreat = { day = 24 }"),
        &[
            "Error 12:11 a spot of a care sheet has no `night` | add it, such as `night = 20.0`: target while it is night",
        ],
    );
    check(
        &based("pogona-vitticeps", "photoperiod = { noon = \"14:00\" }"),
        &[
            "Error 12:15 `follow` is missing | add `follow`: one of \"clock\", \"site\", \"latitude\", \"table\", \"year\"",
        ],
    );
}

#[test]
fn a_spot_that_a_shipped_sheet_leaves_open_is_told_at_the_lamp() {
    let text = with("", "calumma-brevicorne");
    let found = lines(&text);
    assert!(!found.is_empty());
    for finding in found {
        assert!(finding.contains("says nothing of the spot `basking`"), "{finding}");
        assert!(finding.contains("`based_on = \"calumma-brevicorne\"`"), "{finding}");
        assert!(finding.contains("`target` to the lamp"), "{finding}");
    }
}
