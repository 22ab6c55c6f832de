//! One lamp under diagnosis: each cause by the evidence that speaks for it.

use super::*;
use crate::settings::Fitting;

const MINUTE: u64 = 60;

fn kit(fitting: Fitting) -> Kit {
    Kit {
        fitting,
        warm_up: fitting.traits().warm_up.value,
        uv: Some("uv".into()),
        light: None,
        warms: None,
        rated: None,
        reports: true,
    }
}

/// A lamp whose UV probe reads what it is told, a minute apart, within a hundredth.
struct Bench {
    diagnosis: Diagnosis,
    second: u64,
}

impl Bench {
    fn new(kit: Kit) -> Bench {
        Bench { diagnosis: Diagnosis::new(kit), second: 0 }
    }

    /// One that has been well for two days of twelve hours.
    fn known(fitting: Fitting, level: f64) -> Bench {
        let mut bench = Bench::new(kit(fitting));
        for _ in 0..2 {
            bench.reads(Told::Off, 0.0, 12 * 60);
            bench.reads(Told::Full, level, 12 * 60);
        }
        bench
    }

    fn told(&mut self, told: Told) {
        self.diagnosis.told(Mono::from_secs(self.second), told);
    }

    fn reads(&mut self, told: Told, level: f64, minutes: u64) {
        self.told(told);
        for _ in 0..minutes {
            self.second += MINUTE;
            // Real probes are never quite still.
            let noise = [0.0, 0.01, 0.0, -0.01][(self.second / MINUTE % 4) as usize];
            self.diagnosis.uv(Mono::from_secs(self.second), Uvi((level + noise).max(0.0)), Others::Dark);
        }
    }

    fn cause(&self) -> Option<Cause> {
        self.after(&Peers::default())
    }

    fn after(&self, peers: &Peers) -> Option<Cause> {
        match self.diagnosis.standing(peers) {
            Standing::Fault(finding) => Some(finding.cause),
            Standing::Open | Standing::Well => None,
        }
    }
}

#[test]
fn a_lamp_that_goes_dark_is_found_within_a_quarter_of_an_hour_and_what_dims_it_is_not_called_dark() {
    // Level left, minutes, what is told. Within 15 min: the issue. A third of what it gave is another alarm's business.
    for (left, minutes, expected) in [
        (0.0, 15, Some(Cause::LampDark)),
        (0.05, 240, None),
        (0.1, 240, None),
        (0.35, 720, None),
        (0.6, 720, None),
        (2.0, 720, None),
    ] {
        let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
        bench.reads(Told::Full, 4.0 * left, minutes);
        assert_eq!(bench.cause(), expected, "{left} left: {:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn a_lamp_is_well_again_once_it_is_seen_and_not_by_the_night() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Full, 0.0, 60);
    bench.reads(Told::Off, 0.0, 12 * 60);
    assert_eq!(bench.cause(), Some(Cause::LampDark), "the night changes nothing");
    bench.reads(Told::Full, 4.0, 30);
    assert_eq!(bench.diagnosis.standing(&Peers::default()), Standing::Well);
}

#[test]
fn without_history_darkness_tells_and_light_is_well() {
    for (level, expected) in [(0.0, Some(Cause::LampDark)), (0.5, None), (4.0, None), (12.0, None)] {
        let mut bench = Bench::new(kit(Fitting::FluorescentUvb));
        bench.reads(Told::Full, level, 30);
        assert_eq!(bench.cause(), expected, "UVI {level}: {:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn a_tube_that_comes_up_slowly_is_no_dark_lamp() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Off, 0.0, 600);
    for minute in 1..=20 {
        // A third as fast as the fitting says: 63 % after ten minutes.
        bench.reads(Told::Full, 4.0 * (1.0 - (-f64::from(minute) / 10.0).exp()), 1);
        assert_eq!(bench.cause(), None, "minute {minute}");
    }
}

#[test]
fn a_mercury_lamp_has_its_time_to_cool() {
    // Cool-down before restart 10–15 min, then 5–15 min of warm-up: environmentalsociety.ca.
    let mut bench = Bench::known(Fitting::MercuryVapour, 4.0);
    bench.reads(Told::Full, 0.0, 16);
    assert_eq!(bench.cause(), None, "a dip of the mains that nobody reported");
    bench.reads(Told::Full, 2.0, 5);
    bench.reads(Told::Full, 4.0, 60);
    bench.reads(Told::Off, 0.0, 2);
    bench.reads(Told::Full, 0.0, 14);
    assert_eq!(bench.cause(), None, "told off for two minutes");
    bench.reads(Told::Full, 0.0, 30);
    assert_eq!(bench.cause(), Some(Cause::LampDark));
}

#[test]
fn a_lamp_that_flickers_is_no_dark_lamp() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    for _ in 0..100 {
        bench.reads(Told::Full, 0.0, 2);
        assert_eq!(bench.cause(), None);
        bench.reads(Told::Full, 4.0, 6);
    }
}

#[test]
fn a_probe_without_noise_is_dead_and_the_lamp_perhaps_well() {
    for stuck in [0.0, 4.0] {
        let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
        for _ in 0..30 {
            bench.second += MINUTE;
            bench.diagnosis.uv(Mono::from_secs(bench.second), Uvi(stuck), Others::Dark);
        }
        assert_eq!(bench.cause(), Some(Cause::ProbeDead), "{:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn shade_is_told_once_it_lasts_longer_than_an_animal_lies() {
    // A third of the longest day, 16 h (MSD Veterinary Manual, temperate summer), is 5 h 20 min.
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Full, 0.2, 5 * 60 + 20);
    assert_eq!(bench.cause(), None);
    bench.reads(Told::Full, 0.2, 60);
    assert_eq!(bench.cause(), Some(Cause::Shaded));
    bench.reads(Told::Full, 4.0, 10);
    assert_eq!(bench.cause(), None);
}

#[test]
fn power_tells_a_lamp_without_uv_from_one_that_is_out() {
    for (watts, expected) in [(24.0, Cause::NoUv), (0.3, Cause::LampDark)] {
        let mut bench = Bench::new(Kit { rated: Some(Watts(24.0)), ..kit(Fitting::FluorescentUvb) });
        bench.reads(Told::Off, 0.0, 600);
        bench.reads(Told::Full, 4.0, 600);
        for _ in 0..15 {
            bench.reads(Told::Full, 0.0, 1);
            bench.diagnosis.power(Mono::from_secs(bench.second), Watts(watts));
        }
        assert_eq!(bench.cause(), Some(expected), "{:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn a_meter_that_fails_does_not_talk_a_lamp_dark_that_is_seen() {
    let mut bench = Bench::new(Kit { rated: Some(Watts(24.0)), ..kit(Fitting::FluorescentUvb) });
    bench.reads(Told::Off, 0.0, 600);
    for _ in 0..12 * 60 {
        bench.reads(Told::Full, 4.0, 1);
        bench.diagnosis.power(Mono::from_secs(bench.second), Watts(0.0));
        assert_eq!(bench.cause(), None);
    }
    assert!(bench.diagnosis.doubts_meter());
}

#[test]
fn what_hangs_on_the_same_relay_or_supply_points_at_it() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Full, 0.0, 15);
    let (lit, dark) = (Tally { lit: 2, dark: 0 }, Tally { lit: 0, dark: 2 });
    let none = Tally::default();
    for (relay, supply, expected) in [
        (none, none, Cause::LampDark),
        (lit, lit, Cause::LampDark),
        (dark, lit, Cause::RelayOpen),
        (none, dark, Cause::SupplyDead),
    ] {
        assert_eq!(bench.after(&Peers { relay, supply }), Some(expected));
    }
    assert_eq!(bench.diagnosis.sign(), Sign::Dark);
}

#[test]
fn two_lamps_at_one_probe_are_dark_together_or_not_judged() {
    for (level, expected) in [(0.0, Some(Cause::LampDark)), (2.0, None)] {
        let mut bench = Bench::new(kit(Fitting::FluorescentUvb));
        bench.told(Told::Full);
        for minute in 0..60_u32 {
            bench.second += MINUTE;
            let reading = Uvi(level + 0.01 * f64::from(minute % 2));
            bench.diagnosis.uv(Mono::from_secs(bench.second), reading, Others::Unknown);
        }
        assert_eq!(bench.cause(), expected, "{:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn darkness_without_power_needs_no_second_look() {
    let mut bench = Bench::new(Kit { rated: Some(Watts(24.0)), ..kit(Fitting::FluorescentUvb) });
    let reads = |bench: &mut Bench, level: f64, watts: f64| {
        bench.second += 10 * MINUTE;
        let now = Mono::from_secs(bench.second);
        bench.diagnosis.uv(now, Uvi(level), Others::Dark);
        bench.diagnosis.power(now, Watts(watts));
    };
    bench.reads(Told::Off, 0.0, 12 * 60);
    bench.told(Told::Full);
    (0..60).for_each(|_| reads(&mut bench, 4.0, 24.0));
    let before = bench.diagnosis.clone();
    for (level, watts, told) in
        [(0.0, 0.3, Some(Cause::LampDark)), (4.0, 0.3, None), (0.2, 0.3, None), (0.0, 24.0, None)]
    {
        let mut bench = Bench { diagnosis: before.clone(), second: bench.second };
        reads(&mut bench, level, watts);
        assert_eq!(bench.cause(), told, "{level} {watts} W: {:#?}", bench.diagnosis.why(&Peers::default()));
    }
}

#[test]
fn a_new_lamp_is_judged_by_itself() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Full, 0.0, 30);
    bench.diagnosis.changed();
    assert_eq!(bench.cause(), None);
    bench.reads(Told::Full, 0.5, 600);
    assert_eq!(bench.cause(), None, "an eighth of the old one's, and well");
}

#[test]
fn odds_are_said_in_words() {
    for (odds, words) in [
        (1000.0, "nearly certain"),
        (20.0, "very likely, about 20 to 1"),
        (4.0, "likely, about 4 to 1"),
        (1.0, "about even odds"),
        (0.3, "the likeliest of several"),
    ] {
        assert_eq!(odds_in_words(libm::log(odds)), words);
    }
}

#[test]
fn every_verdict_can_be_asked_why() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.reads(Told::Full, 0.0, 15);
    let why = bench.diagnosis.why(&Peers::default()).join("\n");
    for part in ["probe uv sees no UV where it saw 4.0", "the lamp is dark", "19 to 1", "fully on for 12 h"] {
        assert!(why.contains(part), "{part}: {why}");
    }
}

#[test]
fn readings_that_are_no_numbers_change_nothing() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    for reading in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        bench.second += MINUTE;
        let now = Mono::from_secs(bench.second);
        bench.diagnosis.uv(now, Uvi(reading), Others::Known(reading));
        bench.diagnosis.temperature(now, Celsius(reading));
        bench.diagnosis.power(now, Watts(reading));
        bench.diagnosis.light(now, Lux(reading), Others::Dark);
    }
    assert_eq!(bench.diagnosis.standing(&Peers::default()), Standing::Well);
}

/// Reads `level` every ten minutes, `times` times.
fn every_ten_minutes(bench: &mut Bench, level: f64, times: usize) {
    for reading in 0..times {
        bench.second += 10 * MINUTE;
        let level = level + [0.0, 0.01][reading % 2];
        bench.diagnosis.uv(Mono::from_secs(bench.second), Uvi(level), Others::Dark);
    }
}

#[test]
fn two_readings_of_darkness_are_enough_by_day_and_in_the_morning() {
    // The goal of the issue is 15 min at the median: of a probe that speaks every ten, half of the lamps are to be told by
    // the second reading after. Of a tube that comes up, one within three minutes says little yet.
    let mut by_day = Bench::known(Fitting::FluorescentUvb, 4.0);
    every_ten_minutes(&mut by_day, 4.0, 6);
    every_ten_minutes(&mut by_day, 0.0, 1);
    assert_eq!(by_day.cause(), None, "one reading may be a slip");
    every_ten_minutes(&mut by_day, 0.0, 1);
    assert_eq!(by_day.cause(), Some(Cause::LampDark), "{:#?}", by_day.diagnosis.why(&Peers::default()));
    for first in 1..10 {
        let mut morning = Bench::known(Fitting::FluorescentUvb, 4.0);
        morning.reads(Told::Off, 0.0, 12 * 60);
        morning.second += (10 - first) * MINUTE;
        morning.told(Told::Full);
        morning.second -= (10 - first) * MINUTE;
        every_ten_minutes(&mut morning, 0.0, if first < 3 { 3 } else { 2 });
        let why = morning.diagnosis.why(&Peers::default());
        assert_eq!(morning.cause(), Some(Cause::LampDark), "first reading after {first} min: {why:#?}");
    }
}

/// Two tubes at one probe that a second diagnosis sees too, the second an hour shorter at each end of the day.
struct Pair {
    one: Bench,
    two: Bench,
    levels: [f64; 2],
}

impl Pair {
    /// Ten days, the second at this share of the first, with an animal there for a third of the time.
    fn known(levels: [f64; 2]) -> Pair {
        let mut pair = Pair {
            one: Bench::new(kit(Fitting::FluorescentUvb)),
            two: Bench::new(kit(Fitting::FluorescentUvb)),
            levels,
        };
        (0..10).for_each(|_| pair.day(levels, 24 * 60));
        pair
    }

    /// So many minutes of a day that begins with the night, in which the lamps give this.
    fn day(&mut self, gives: [f64; 2], minutes: u64) {
        for minute in (0..minutes).step_by(5) {
            let on = [(720..1440).contains(&minute), (780..1380).contains(&minute)];
            self.one.second += 5 * MINUTE;
            self.two.second = self.one.second;
            let past = if minute % 90 < 30 { [0.05, 0.2, 0.45, 0.3, 0.11][(minute / 15 % 5) as usize] } else { 1.0 };
            let shines = |place: usize| if on[place] { gives[place] } else { 0.0 };
            let reads = past * (shines(0) + shines(1)) + [0.0, 0.01, 0.0, -0.01][(minute / 5 % 4) as usize];
            let now = Mono::from_secs(self.one.second);
            let adds = |bench: &Bench, on: bool| match bench.diagnosis.uv_level() {
                _ if !on => Others::Dark,
                Some(level) if bench.diagnosis.is_settled_on(now) => Others::Known(level),
                _ => Others::Unknown,
            };
            for (bench, on) in [(&mut self.one, on[0]), (&mut self.two, on[1])] {
                bench.told(if on { Told::Full } else { Told::Off });
            }
            let (of_two, of_one) = (adds(&self.two, on[1]), adds(&self.one, on[0]));
            self.one.diagnosis.uv(now, Uvi(reads.max(0.0)), of_two);
            self.two.diagnosis.uv(now, Uvi(reads.max(0.0)), of_one);
        }
    }
}

#[test]
fn of_two_lamps_at_one_probe_darkness_tells_while_one_is_lit_alone_and_animals_are_taken_for_none() {
    for levels in [[2.0, 2.0], [3.0, 1.2], [1.2, 3.0]] {
        let mut pair = Pair::known(levels);
        for day in 0..20 {
            pair.day(levels, 24 * 60);
            assert_eq!((pair.one.cause(), pair.two.cause()), (None, None), "{levels:?} day {day}");
        }
        // Until the second comes on, the first is alone; later both are dark, or one of them is and nobody can tell.
        for (gives, until, told) in [
            ([0.0, levels[1]], 775, [Some(Cause::LampDark), None]),
            ([0.0, 0.0], 900, [Some(Cause::LampDark); 2]),
            ([levels[0], 0.0], 900, [None, None]),
        ] {
            let mut pair = Pair { one: clone(&pair.one), two: clone(&pair.two), levels };
            pair.day(gives, until);
            let whys = || [&pair.one, &pair.two].map(|bench| bench.diagnosis.why(&Peers::default()));
            assert_eq!([pair.one.cause(), pair.two.cause()], told, "{:?} gives {gives:?}: {:#?}", pair.levels, whys());
        }
    }
}

#[test]
fn an_animal_under_the_weak_lamp_of_two_is_not_taken_for_darkness_as_the_strong_one_goes_out() {
    // What it leaves of the weak one, a twentieth, is far less than it could leave of both, which is what they gave until now.
    let mut bench = Bench::known(Fitting::FluorescentUvb, 0.8);
    let crowd = |bench: &mut Bench, level: f64, minutes: u32| {
        for minute in 0..minutes {
            bench.second += MINUTE;
            let reading = Uvi(level + [0.0, 0.01, 0.0, -0.01][(minute % 4) as usize]);
            bench.diagnosis.uv(Mono::from_secs(bench.second), reading, Others::Unknown);
        }
    };
    bench.reads(Told::Off, 0.0, 12 * 60);
    bench.reads(Told::Full, 0.8, 60);
    crowd(&mut bench, 4.4, 600);
    crowd(&mut bench, 0.04, 21);
    bench.reads(Told::Full, 0.04, 40);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
}

#[test]
fn an_animal_that_slept_under_the_weak_lamp_of_two_is_given_time_and_darkness_is_told_at_last() {
    // What it leaves, three parts in a hundred of 0.2, no probe of a hundredth's steps tells from darkness.
    let mut bench = Bench::known(Fitting::FluorescentUvb, 0.2);
    let crowd = |bench: &mut Bench, level: f64, minutes: u32| {
        for minute in 0..minutes {
            bench.second += MINUTE;
            let reading = Uvi((level + [0.0, 0.01, 0.0, -0.01][(minute % 4) as usize]).max(0.0));
            bench.diagnosis.uv(Mono::from_secs(bench.second), reading, Others::Unknown);
        }
    };
    crowd(&mut bench, 1.2, 600);
    bench.reads(Told::Off, 0.0, 12 * 60);
    bench.reads(Told::Full, 0.006, 55);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
    let mut dark = clone(&bench);
    crowd(&mut bench, 1.2, 60);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
    crowd(&mut dark, 0.0, 240);
    assert_eq!(dark.cause(), Some(Cause::LampDark), "{:#?}", dark.diagnosis.why(&Peers::default()));
}

#[test]
fn where_all_lamps_at_a_probe_were_dark_light_that_comes_back_is_that_of_all() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 0.3);
    let beside = |bench: &mut Bench, level: f64, minutes: u32| {
        for minute in 0..minutes {
            bench.second += MINUTE;
            let reading = Uvi((level + [0.0, 0.01, 0.0, -0.01][(minute % 4) as usize]).max(0.0));
            bench.diagnosis.uv(Mono::from_secs(bench.second), reading, Others::Known(0.7));
        }
    };
    beside(&mut bench, 1.0, 60);
    beside(&mut bench, 0.0, 120);
    assert_eq!(bench.cause(), Some(Cause::LampDark), "{:#?}", bench.diagnosis.why(&Peers::default()));
    // Less than what they gave, as from a lamp whose level was learnt too high.
    beside(&mut bench, 0.8, 10);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
}

#[test]
fn a_probe_that_stands_still_at_the_light_of_two_lamps_teaches_no_darkness() {
    let mut bench = Bench::new(kit(Fitting::FluorescentUvb));
    let crowd = |bench: &mut Bench, level: f64, minutes: u32| {
        bench.told(Told::Full);
        for minute in 0..minutes {
            bench.second += MINUTE;
            let reading = Uvi(level + 0.01 * f64::from(minute % 3));
            bench.diagnosis.uv(Mono::from_secs(bench.second), reading, Others::Unknown);
        }
    };
    bench.reads(Told::Off, 0.0, 12 * 60);
    crowd(&mut bench, 3.0, 12 * 60);
    bench.told(Told::Off);
    for _ in 0..12 * 60 {
        bench.second += MINUTE;
        bench.diagnosis.uv(Mono::from_secs(bench.second), Uvi(3.0), Others::Dark);
    }
    let dark = bench.diagnosis.uv.dark_mean();
    assert!(dark < 0.05, "{dark}");
    crowd(&mut bench, 0.15, 180);
    assert!(!matches!(bench.cause(), Some(Cause::LampDark)), "{:#?}", bench.diagnosis.why(&Peers::default()));
}

fn clone(bench: &Bench) -> Bench {
    Bench { diagnosis: bench.diagnosis.clone(), second: bench.second }
}

#[test]
fn a_restart_takes_no_longer_to_find_a_dark_lamp() {
    let bench = Bench::known(Fitting::FluorescentUvb, 1.2);
    let filed = serde_json::to_string(&bench.diagnosis.to_record()).expect("plain data");
    let mut again = Bench::new(kit(Fitting::FluorescentUvb));
    again.diagnosis.restore(&serde_json::from_str(&filed).expect("its own"));
    assert_eq!(again.diagnosis.to_record(), bench.diagnosis.to_record());
    let mut told = [bench, again].map(|mut bench| {
        bench.told(Told::Off);
        bench.second += 10 * MINUTE;
        bench.told(Told::Full);
        let after = |bench: &mut Bench| (1..20).find(|_| (every_ten_minutes(bench, 0.0, 1), bench.cause()).1.is_some());
        after(&mut bench)
    });
    told.sort();
    assert!(told[0].is_some() && told[1] <= Some(3), "{told:?} readings");
    let broken = EyeRecord::default();
    let mut fresh = Diagnosis::new(kit(Fitting::FluorescentUvb));
    fresh.restore(&DiagnosisRecord { uv: Some(broken), ..DiagnosisRecord::default() });
    assert_eq!(fresh.uv_level(), None);
}

/// Readings ten minutes apart of UV, light and power, beside such others.
fn board(bench: &mut Bench, (uv, lux, watts): (f64, Option<f64>, Option<f64>), others: Others, times: u32) {
    for _ in 0..times {
        bench.second += 10 * MINUTE;
        let now = Mono::from_secs(bench.second);
        bench.diagnosis.uv(now, Uvi(uv), others);
        lux.into_iter().for_each(|lux| _ = bench.diagnosis.light(now, Lux(lux), Others::Dark));
        watts.into_iter().for_each(|watts| _ = bench.diagnosis.power(now, Watts(watts)));
    }
}

#[test]
fn that_a_lamp_burns_does_not_tell_an_animal_that_a_coarse_probe_cannot_see_from_dead_uv() {
    // By steps of a tenth nothing is left of 0.4 past an animal; beside another lamp it is lit by day.
    let mut bench = Bench::new(Kit { light: Some("lux".into()), ..kit(Fitting::FluorescentUvb) });
    bench.told(Told::Off);
    board(&mut bench, (0.0, Some(20.0), None), Others::Dark, 72);
    bench.told(Told::Full);
    let mut lit = |uv: f64, others: Others| {
        let twice = [uv, uv - 0.1];
        (0..36).for_each(|_| twice.into_iter().for_each(|uv| board(&mut bench, (uv, Some(5020.0), None), others, 1)));
    };
    lit(0.4, Others::Dark);
    lit(1.2, Others::Unknown);
    // Dead UV leads after two hours, and three more may be an animal's.
    board(&mut bench, (0.0, Some(4980.0), None), Others::Dark, 27);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
    board(&mut bench, (0.0, Some(4980.0), None), Others::Dark, 12);
    assert_eq!(bench.cause(), Some(Cause::NoUv), "{:#?}", bench.diagnosis.why(&Peers::default()));
}

#[test]
fn a_probe_that_was_dead_and_lives_again_leaves_no_dark_lamp_behind() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 4.0);
    bench.told(Told::Off);
    bench.reads(Told::Off, 0.0, 6 * 60);
    // It was found dead, and while nobody saw its lamp that was less likely dark.
    let mut of = [0.01; STATES];
    (of[DEAD], of[OUT]) = (0.7, 0.24);
    bench.diagnosis.beliefs = Beliefs::new(of);
    (bench.diagnosis.standing, bench.diagnosis.blamed_probe) = (Verdict::Second, true);
    assert_eq!(bench.cause(), Some(Cause::ProbeDead));
    bench.reads(Told::Off, 0.0, 4);
    assert_eq!(bench.cause(), None, "{:#?}", bench.diagnosis.why(&Peers::default()));
    // Where its lamp is dark indeed it is told in the morning.
    bench.reads(Told::Full, 0.0, 15);
    assert_eq!(bench.cause(), Some(Cause::LampDark), "{:#?}", bench.diagnosis.why(&Peers::default()));
}

#[test]
fn one_of_two_lamps_that_draws_no_power_is_found_by_two_readings() {
    let mut bench = Bench::new(Kit { rated: Some(Watts(24.0)), ..kit(Fitting::FluorescentUvb) });
    bench.told(Told::Off);
    board(&mut bench, (0.0, None, Some(0.3)), Others::Dark, 72);
    bench.told(Told::Full);
    let lit = |bench: &mut Bench, uv: f64, watts: f64, times: u32| {
        let drawn = |at: u32| watts + 0.1 * f64::from(at % 2);
        (0..times)
            .for_each(|at| board(bench, (uv + 0.01 * f64::from(at % 3), None, Some(drawn(at))), Others::Unknown, 1));
    };
    lit(&mut bench, 4.0, 24.0, 72);
    let mut failed = clone(&bench);
    lit(&mut bench, 2.4, 0.3, 2);
    assert_eq!(bench.cause(), Some(Cause::LampDark), "{:#?}", bench.diagnosis.why(&Peers::default()));
    // Where all the light is there, its meter has failed.
    lit(&mut failed, 4.0, 0.3, 2);
    assert_eq!(failed.cause(), None, "{:#?}", failed.diagnosis.why(&Peers::default()));
}

#[test]
fn a_probe_that_froze_in_the_shade_teaches_no_noise_and_darkness_that_has_changed_is_followed() {
    let mut bench = Bench::known(Fitting::FluorescentUvb, 5.0);
    let clean = bench.diagnosis.uv.scatter();
    bench.told(Told::Off);
    // It keeps to what an animal left, for three nights at a reading an hour.
    for _ in 0..30 {
        bench.second += 60 * MINUTE;
        bench.diagnosis.uv(Mono::from_secs(bench.second), Uvi(1.4), Others::Dark);
    }
    let (mean, scatter) = (bench.diagnosis.uv.dark_mean(), bench.diagnosis.uv.scatter());
    assert!(mean < 0.02 && scatter < 3.0 * clean, "{mean} ± {scatter}, before {clean}");
    // From now on it reads a tenth in the dark.
    bench.reads(Told::Off, 0.1, 3 * 12 * 60);
    let mean = bench.diagnosis.uv.dark_mean();
    assert!((mean - 0.1).abs() < 0.01, "{mean}");
}
