//! What single faults do, in numbers.

use super::faults::with_cut_off;
use super::*;

fn timed(at: u64, until: Option<u64>, fault: Fault) -> TimedFault {
    TimedFault { at: minutes(at), until: until.map(minutes), fault }
}

fn numbers(told: &mut Told, topic: &str, to: u64) -> Vec<f64> {
    told.said.clear();
    told.run(to);
    let own = told.said.iter().filter(|message| message.topic() == topic);
    own.map(|message| message.payload().parse().expect("a number")).collect()
}

fn mean(numbers: &[f64]) -> f64 {
    assert!(numbers.len() > 5, "too few readings");
    numbers.iter().sum::<f64>() / numbers.len() as f64
}

#[test]
fn a_fault_comes_and_goes_to_the_millisecond() {
    let (at, until) = (Duration::from_millis(61_001), Duration::from_millis(61_007));
    let fault = TimedFault { at, until: Some(until), fault: Fault::LampBreaks(ONLY, HEAT) };
    let mut told = Told::new(&basker(), &[fault]);
    told.tell("e/heat/set", "ON");
    for (ms, watts) in [(61_000, 75.0), (61_001, 0.0), (61_006, 0.0), (61_007, 75.0)] {
        told.world.advance_to(Duration::from_millis(ms), &mut told.said);
        assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(watts)), "{ms}");
    }
}

#[test]
fn a_new_lamp_takes_the_faults_of_the_old_one_with_it() {
    let mut told = Told::new(
        &basker(),
        &[
            timed(0, None, Fault::UvDies(ONLY, UVB)),
            timed(0, Some(500), Fault::WrongLamp(ONLY, UVB, Strength { power: 2.0, uv: 2.0 })),
            timed(60, None, Fault::LampIsChanged(ONLY, UVB, 1.0)),
        ],
    );
    told.tell("e/uvb/set", "ON");
    told.run(59);
    let old = told.world.burnt(ONLY, UVB).expect("it is there");
    assert_eq!((told.world.truth(ONLY, UV), told.world.power(ONLY, UVB)), (Some(0.0), Some(Watts(48.0))));
    told.run(180);
    let (uv, hours) = (told.world.truth(ONLY, UV), told.world.burnt(ONLY, UVB).expect("it is there"));
    // Chosen so that one of 200 h meets 5.15: a new one gives that over what is left then.
    let expected = 5.15 / Ageing::default().left(200.0) * Ageing::default().left(2.0);
    assert!(uv.is_some_and(|uv| (uv - expected).abs() < 0.02), "{uv:?} is not {expected}");
    assert!(old > 200.0 && hours == 2.0 && told.world.power(ONLY, UVB) == Some(Watts(24.0)));
}

#[test]
fn a_rebooted_relay_obeys_what_the_broker_keeps() {
    let reboot = |at| timed(at, None, Fault::RelayReboots(Switch::Lamp(ONLY, HEAT)));
    let mut told = Told::new(&basker(), &[reboot(2), reboot(20)]);
    told.tell("e/heat/set", "ON");
    told.run(1);
    told.said.clear();
    told.run(2);
    let reports: Vec<_> = told.said.iter().filter(|m| m.topic() == "e/heat").map(|m| m.payload()).collect();
    assert_eq!((reports.as_slice(), told.world.power(ONLY, HEAT)), (["OFF".into()].as_slice(), Some(Watts(0.0))));
    told.world.set_retained("e/heat/set", Some(b"ON"));
    told.said.clear();
    told.run(20);
    let reports: Vec<_> = told.said.iter().filter(|m| m.topic() == "e/heat").map(|m| m.payload()).collect();
    assert_eq!(reports, ["OFF", "ON"], "off, and then the ghost");
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(75.0)));
    told.run(26);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(0.0)), "its hold ends it");
}

#[test]
fn a_brown_out_darkens_one_enclosure_and_a_hot_discharge_lamp_stays_dark() {
    let mut settings = settings(vec![lamp("heat", Fitting::MercuryVapour, 125.0)]);
    settings.enclosures[0].lamps[0].output.hold = None;
    let until = TimedFault { at: minutes(60), until: Some(minutes(61)), fault: Fault::BrownOut(ONLY) };
    let mut told = Told::new(&settings, &[until, timed(0, None, Fault::RelayResumes(Switch::Lamp(ONLY, HEAT)))]);
    told.tell("e/heat/set", "ON");
    told.run(59);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(125.0)));
    told.said.clear();
    told.run(60);
    let quiet = told.said.len();
    told.world.advance_to(Duration::from_secs(3659), &mut told.said);
    assert_eq!((told.said.len(), told.world.power(ONLY, HEAT)), (quiet, Some(Watts(0.0))), "nobody speaks");
    told.tell("e/heat/set", "OFF");
    told.run(62);
    assert_eq!(told.last("e/heat"), "ON", "it resumes, having heard nothing");
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(0.0)), "too hot to strike");
    assert!(told.said.iter().any(|m| m.topic() == "e/basking" && m.payload() == "85"), "probes start anew");
    told.run(76);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(125.0)));
}

#[test]
fn a_power_failure_takes_the_contactors_too() {
    let mut told = Told::new(&with_cut_off(), &[timed(10, Some(20), Fault::PowerFails)]);
    told.hold("e/heat/set", "ON", 10);
    told.run(11);
    assert_eq!((told.world.is_closed(CutOffIx(0)), told.world.power(ONLY, HEAT)), (Some(false), Some(Watts(0.0))));
    told.said.clear();
    told.run(20);
    let said: Vec<_> = told.said.iter().filter(|m| !m.topic().starts_with("e/b")).map(Message::topic).collect();
    assert_eq!(said, ["e/heat", "e/uvb", "cut"], "all say that they are there");
    assert_eq!(told.last("cut"), "OFF");
}

#[test]
fn a_welded_relay_without_power_of_its_own_still_feeds_its_lamp_but_no_mains_do() {
    let weld = timed(1, None, Fault::RelayWelds(Switch::Lamp(ONLY, HEAT)));
    let mut told = Told::new(&basker(), &[weld, timed(10, Some(20), Fault::BrownOut(ONLY))]);
    told.hold("e/heat/set", "ON", 5);
    told.tell("e/heat/set", "OFF");
    for (minute, watts) in [(9, 75.0), (15, 0.0), (25, 75.0)] {
        told.run(minute);
        assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(watts)), "{minute}");
    }
}

#[test]
fn nearer_lamps_give_more_uv_and_more_heat() {
    // Tubes close-in: 1/r. From 30.5 to 20.5 cm the factor is 1.488 (physics).
    let nearer = |l| timed(60, None, Fault::LampMoves(ONLY, l, Metres(-0.1)));
    let mut told = Told::new(&basker(), &[nearer(UVB), nearer(HEAT)]);
    told.tell("e/uvb/set", "ON");
    told.hold("e/heat/set", "ON", 60);
    let before = Told::new(&basker(), &[]);
    let mut before = Told { ..before };
    before.tell("e/uvb/set", "ON");
    before.hold("e/heat/set", "ON", 200);
    told.hold("e/heat/set", "ON", 200);
    let uv = |told: &Told| told.world.truth(ONLY, UV).expect("it is there");
    assert!((uv(&told) / uv(&before) - 0.305 / 0.205).abs() < 1e-9);
    let surface = |told: &Told| told.world.temperature(ONLY, Region::BaskingSurface).expect("it is there").0;
    assert!(surface(&told) > surface(&before) + 2.0);
}

#[test]
fn dirt_takes_its_share_each_day_and_is_cleaned() {
    let mut told = Told::new(&basker(), &[timed(24 * 60, Some(72 * 60), Fault::DirtGathers(ONLY, 0.1))]);
    told.tell("e/uvb/set", "ON");
    let mut uv = |hour: u64| {
        told.run(60 * hour);
        told.world.truth(ONLY, UV).expect("it is there") / Ageing::default().left(200.0 + hour as f64)
    };
    let clean = uv(24);
    // A tenth a day, of what is left: 0.9 and 0.81.
    for (hour, share) in [(48, 0.9), (71, 0.9_f64.powf(47.0 / 24.0)), (73, 1.0)] {
        assert!((uv(hour) / clean - share).abs() < 1e-6, "{hour}");
    }
}

#[test]
fn probes_misread_by_the_numbers_of_their_faults() {
    let healthy = |topic: &str| {
        let mut told = Told::new(&basker(), &[]);
        told.tell("e/uvb/set", "ON");
        told.run(120);
        mean(&numbers(&mut told, topic, 180))
    };
    let (basking, uv) = (healthy("e/basking"), healthy("e/uv"));
    for (fault, topic, expected, near) in [
        (Fault::ProbeOffset(ONLY, BASKING, -3.0), "e/basking", basking - 3.0, 0.01),
        (Fault::ProbeGain(ONLY, BASKING, 1.1), "e/basking", basking * 1.1, 0.02),
        // From the second to the third hour a drift of 24 K a day has come to 2.5 K on average.
        (Fault::ProbeDrifts(ONLY, BASKING, 24.0), "e/basking", basking + 2.5, 0.02),
        (Fault::ProbeIsUnplugged(ONLY, BASKING), "e/basking", -127.0, 0.0),
        (Fault::ProbeIsUnplugged(ONLY, UV), "e/uv", 0.0, 0.0),
        (Fault::ProbeMixesUnits(ONLY, BASKING), "e/basking", basking * 1.8 + 32.0, 0.02),
        (Fault::ProbeGain(ONLY, UV, 1.2), "e/uv", uv * 1.2, 0.01),
        // The place stands a few degrees below 25 °C.
        (Fault::ProbeFeelsWarmth(ONLY, UV, 0.02), "e/uv", uv * (1.0 + 0.02 * (basking - 25.0)), 0.01),
        // Line: 30.5 of 45.75 cm are two thirds.
        (Fault::ProbeMoves(ONLY, UV, Metres(0.1525)), "e/uv", uv * 2.0 / 3.0, 0.01),
        (Fault::ProbesSwap(ONLY, BASKING, ProbeIx(3)), "e/cool", basking, 0.05),
    ] {
        let mut told = Told::new(&basker(), &[timed(0, None, fault)]);
        told.tell("e/uvb/set", "ON");
        told.run(120);
        let said = mean(&numbers(&mut told, topic, 180));
        assert!((said - expected).abs() <= near, "{fault:?}: {said} is not {expected}");
    }
}

#[test]
fn a_dead_lamp_still_shows_on_a_probe_that_reads_uva() {
    let leak = timed(0, None, Fault::ProbeReadsUva(ONLY, UV, 0.25));
    let mut told = Told::new(&basker(), &[leak, timed(60, None, Fault::UvDies(ONLY, UVB))]);
    told.tell("e/uvb/set", "ON");
    told.run(40);
    let whole = mean(&numbers(&mut told, "e/uv", 60));
    told.run(61);
    let dead = mean(&numbers(&mut told, "e/uv", 90));
    assert_eq!(told.world.truth(ONLY, UV), Some(0.0));
    // A quarter of the UVA that the lamp gave as it gave 5.15 of UVB, each at 200 h by its own decay.
    let (uva, uvb) = (libm::exp(-1.0533e-4 * 201.0), Ageing::default().left(201.0));
    assert!((dead - 0.25 * 5.15 * uva / uvb).abs() < 0.05, "{dead}");
    assert!((whole - dead - 5.15).abs() < 0.05, "{whole}");
}

#[test]
fn a_probe_off_its_place_measures_another() {
    let run = |fault: Fault| {
        let mut told = Told::new(&basker(), &[timed(300, Some(400), fault)]);
        told.tell("e/uvb/set", "ON");
        told.hold("e/heat/set", "ON", 310);
        let (mut said, mut uv) = (Vec::new(), Vec::new());
        for minute in 311..390 {
            told.said.clear();
            told.hold("e/heat/set", "ON", minute);
            said.extend(told.said.iter().filter(|m| m.topic() == "e/basking").map(|m| m.number().expect("a number")));
            uv.extend(told.said.iter().filter(|m| m.topic() == "e/uv").map(|m| m.number().expect("a number")));
        }
        let at = |place| told.world.temperature(ONLY, place).expect("it is there").0;
        (mean(&said), mean(&uv), Region::ALL.map(at))
    };
    let (fallen, _, at) = run(Fault::ProbeFallsOff(ONLY, BASKING));
    assert!((fallen - at[1]).abs() < 0.5 && fallen < at[0] - 2.0, "{fallen} {at:?}");
    let (drowned, _, at) = run(Fault::ProbeDrowns(ONLY, BASKING));
    assert!((drowned - at[3] + 1.5).abs() < 0.5, "{drowned} {at:?}");
    let (_, shaded, _) = run(Fault::ProbeFallsOff(ONLY, UV));
    assert!((shaded - 0.515).abs() < 0.05, "{shaded}");
    let for_good = Spells { last: minutes(1000), apart: minutes(1) };
    let (touched, _, at) = run(Fault::AnimalLiesOn(ONLY, BASKING, for_good));
    // Seven tenths of it are the animal's 33 °C.
    assert!((touched - (at[0] + 0.7 * (33.0 - at[0]))).abs() < 0.6, "{touched} {at:?}");
    let (_, shaded, _) = run(Fault::AnimalLiesOn(ONLY, UV, for_good));
    assert!((shaded - 0.05 * 5.15).abs() < 0.02, "{shaded}");
}

#[test]
fn voices_stumble_as_told() {
    let said = |fault: Fault| {
        let mut told = Told::new(&basker(), &[timed(0, None, fault)]);
        told.run(400);
        told.said.retain(|message| message.topic() == "e/basking");
        told.said
    };
    let healthy = said(Fault::ProbeGain(ONLY, BASKING, 1.0)).len() as f64;
    let near = |fault: Fault, share: f64| {
        let count = said(fault).len() as f64;
        // Five standard errors of a binomial share of 800 are at most 0.09.
        assert!((count / healthy - share).abs() < 0.09, "{fault:?}: {count} of {healthy}");
    };
    near(Fault::ProbeDropsOut(ONLY, BASKING, 0.3), 0.7);
    near(Fault::ProbeRepeats(ONLY, BASKING, 0.4), 1.4);
    near(Fault::ProbeIsSlow(ONLY, BASKING, 4.0), 0.25);
    near(Fault::ProbeGhosts(ONLY, BASKING), 2.0);
    let ghosts = said(Fault::ProbeGhosts(ONLY, BASKING));
    assert!(ghosts.chunks(2).all(|pair| pair[0].retained() && pair[0].payload() == ghosts[0].payload()));
    assert!(said(Fault::ProbeRetains(ONLY, BASKING)).iter().all(Message::retained));
    let healthy = said(Fault::ProbeGain(ONLY, BASKING, 1.0));
    let shuffled = said(Fault::ProbeReorders(ONLY, BASKING, 0.5));
    let late = (0..shuffled.len().min(healthy.len())).filter(|i| shuffled[*i] != healthy[*i]).count();
    assert!(late > 100 && shuffled.len().abs_diff(healthy.len()) <= 1, "{late}");
    let spikes = said(Fault::ProbeSpikes(ONLY, BASKING, Spikes { share: 0.1, by: 15.0 }));
    let out = spikes.iter().zip(&healthy).filter(|(a, b)| (a.number().unwrap() - b.number().unwrap()).abs() > 14.0);
    assert!((out.count() as f64 / healthy.len() as f64 - 0.1).abs() < 0.06);
}
