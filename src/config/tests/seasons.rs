//! Years and cooling seasons: what is found in them, and where.

use super::*;

/// The base whose animals have a year: `year` and `cooling` are the keys of those tables.
fn with(year: &str, cooling: &str) -> String {
    let sheet = format!(
        "photoperiod = {{ follow = \"year\", noon = \"12:00\" }}\n[care.basker.year]\n{year}\n{}",
        if cooling.is_empty() { String::new() } else { format!("[care.basker.cooling]\n{cooling}\n") }
    );
    changed("photoperiod = { follow = \"clock\", on = \"08:00\", off = \"18:00\" }", &sheet)
}

/// The findings hold these words, one after the other.
fn check(text: &str, expected: &[&str]) {
    let found = lines(text);
    assert_eq!(found.len(), expected.len(), "{found:#?}");
    for (found, words) in found.iter().zip(expected) {
        for word in words.split('|') {
            assert!(found.contains(word), "`{word}` is not in {found}");
        }
    }
}

const GOOD: &str = r#"point = [
  { on = "01-01", day_length = "10h", basking = 28.0 },
  { on = "07-01", day_length = "14h", basking = 34.0 },
]"#;
const COOLED: &str =
    "start = \"11-15\"\ndown = \"40d\"\nstay = \"30d\"\nup = \"40d\"\nbasking = { day = 12.0, night = 8.0 }\n";

#[test]
fn a_year_and_a_cooling_season_that_are_well_have_no_findings() {
    check(&with(GOOD, ""), &[]);
    check(&with(GOOD, COOLED), &[]);
    let months = "day_length = [\"10h\", \"10h30m\", \"11h30m\", \"12h30m\", \"13h\", \"14h\", \"14h\", \"13h\", \"12h30m\", \
                  \"11h30m\", \"10h30m\", \"10h\"]\nnight_drop = [8, 8, 8, 7, 6, 5, 5, 6, 7, 8, 8, 8]";
    check(&with(months, ""), &[]);
}

#[test]
fn what_changes_too_fast_is_found() {
    // Four hours in ten days, and six kelvin in two.
    let fast = r#"point = [{ on = "01-01", day_length = "10h" }, { on = "01-11", day_length = "14h" }]"#;
    check(&with(fast, ""), &["Warning|the day length changes by|min a day about|January|at most 10 min a day"]);
    let fast = GOOD.replace("]", "  { on = \"07-03\", basking = 40.0 },\n]");
    check(
        &with(&fast, "").replace("cut = 40.0", "cut = 45.0"),
        &["Warning|the target at the basking spot changes by|at most 1 K a day"],
    );
    let steep = COOLED.replace("down = \"40d\"", "down = \"5d\"");
    check(&with(GOOD, &steep), &["Warning|the way down changes the basking spot by|K a day at its steepest"]);
}

#[test]
fn days_that_there_are_not_are_found() {
    // At 10 degrees no day is as long as 14 h: the longest is under 13 (Forsythe et al. 1995: 13.58 h at 23.5 degrees).
    let tropical = format!("latitude = 10.0\n{GOOD}");
    check(&with(&tropical, ""), &["Warning|there is no day of 14h at 10.0000 °"]);
    check(&with(&format!("latitude = 45.0\n{GOOD}"), ""), &[]);
    // MSD Veterinary Manual, table v3230615: 8 h to 16 h.
    let long = GOOD.replace("14h", "17h");
    check(&with(&long, ""), &["Warning|days are from 10h to 17h|MSD Veterinary Manual"]);
}

#[test]
fn what_contradicts_itself_is_found() {
    let twice =
        format!("uv_hours = {:?}\npoint = [{{ on = \"01-01\", uv_hours = \"4h\", day_length = \"12h\" }}]", ["4h"; 12]);
    check(&with(&twice, ""), &["Error|`uv_hours` is given by months and by a dated point"]);
    let same = GOOD.replace("07-01", "01-01");
    assert!(lines(&with(&same, "")).iter().any(|line| line.contains("two points say `day_length` for 01-01")));
    check(
        &with("point = [{ on = \"01-01\", basking = 30.0 }]", ""),
        &["Error|the photoperiod follows the year|`day_length`"],
    );
    let parts = COOLED.replace("stay = \"30d\"", "stay = \"30d12h\"");
    check(&with(GOOD, &parts), &["Error|`stay` is 30d12h, no whole days"]);
    let endless = COOLED.replace("stay = \"30d\"", "stay = \"200d\"").replace("up = \"40d\"", "up = \"120d\"");
    check(&with(GOOD, &endless), &["Error|the cooling season takes 360 days"]);
    let always = format!("{COOLED}spot = \"basking\"\nbreak_above = 11.0\n");
    let found = lines(&with(GOOD, &always));
    assert!(found.iter().any(|line| line.contains("every stay would be broken off")), "{found:#?}");
    check(&with("point = [{ on = \"13-01\", day_length = \"12h\" }]", ""), &["Error|`on` is no day of a year"]);
}

#[test]
fn a_species_that_is_never_cooled_is_not() {
    let text = with(GOOD, COOLED).replace("uv_zone = 3", "uv_zone = 3\ncooling_season = \"never\"");
    check(&text, &["Error|a cooling season for a species whose care sheet says `cooling_season = \"never\"`"]);
}

#[test]
fn conditions_need_a_probe_that_sees_them() {
    let watched = format!("{COOLED}start_below = 16.0\n");
    let found = lines(&with(GOOD, &watched));
    assert!(found.iter().any(|line| line.contains("no temperature probe sits at the cool spot")), "{found:#?}");
    let found = lines(&with(GOOD, &watched).replace("every = \"30s\"", "every = \"30s\"\nspot = \"cool\""));
    assert!(!found.iter().any(|line| line.contains("no temperature probe")), "{found:#?}");
}

#[test]
fn a_cut_must_be_above_the_hottest_day_of_the_year() {
    let hot = GOOD.replace("34.0", "40.0");
    let found = lines(&with(&hot, ""));
    assert!(found.iter().any(|line| line.contains("the cut, 40.0 °C, is not above")), "{found:#?}");
}

#[test]
fn a_shift_needs_something_to_shift() {
    let text = changed("id = \"e1\"\ncare = \"basker\"", "id = \"e1\"\ncare = \"basker\"\nseason_shift = \"56d\"");
    check(&text, &["Warning|`season_shift` has no effect|clock"]);
    check(&text.replace("\"56d\"", "\"36h\""), &["Error|`season_shift` is 1d12h, no whole days"]);
}
