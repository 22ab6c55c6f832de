//! The same seed and faults give the same messages, however time is cut up.

use proptest::prelude::*;

use super::faults::{one_of_each, with_cut_off};
use super::*;

/// A few faults of any class at any time of three hours.
fn some_faults() -> impl Strategy<Value = Vec<TimedFault>> {
    let millis = Duration::from_millis;
    let one = (0..Fault::CLASSES.len(), 0..10_800_000_u64, proptest::option::of(1..7_200_000_u64));
    proptest::collection::vec(one, 0..8).prop_map(move |drawn| {
        let timed = |(class, at, length): (usize, u64, Option<u64>)| TimedFault {
            at: millis(at),
            until: length.map(|length| millis(at + length)),
            fault: one_of_each()[class],
        };
        drawn.into_iter().map(timed).collect()
    })
}

/// How a world passes a stretch of time.
#[derive(Clone, Copy, Debug)]
enum Way {
    /// It is advanced.
    Advances,
    /// It glides, and every reading of which a fixed hash has no remainder by this is refused.
    Glides(u64),
}

fn way() -> impl Strategy<Value = Way> {
    prop_oneof![Just(Way::Advances), Just(Way::Glides(1)), (2..40_u64).prop_map(Way::Glides)]
}

/// What is said: moment, topic, payload and whether it is kept, each message as text, however it came.
type Spoken = (Duration, String, String, bool);

/// Passes time up to `to` in one way or the other.
fn pass(world: &mut World, settings: &Settings, to: Duration, way: Way, spoken: &mut Vec<Spoken>) {
    let mut said = Vec::new();
    let write = |at: Duration, said: &mut Vec<Message>, spoken: &mut Vec<Spoken>| {
        spoken.extend(said.drain(..).map(|m| (at, m.topic().to_owned(), m.payload().into_owned(), m.retained())));
    };
    let Way::Glides(refuses) = way else {
        while let Some(next) = world.next_event().filter(|next| *next <= to) {
            world.advance_to(next, &mut said);
            write(next, &mut said, spoken);
        }
        world.advance_to(to, &mut said);
        return write(world.now(), &mut said, spoken);
    };
    loop {
        let mut taken = Vec::new();
        let mut takes = |at: u64, e: EnclosureIx, p: ProbeIx, value: f64| {
            let refused = (at.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40).is_multiple_of(refuses);
            if !refused {
                let topic = settings.enclosures[e.0].probes[p.0].topic.clone();
                taken.push((Duration::from_millis(at), topic, value.to_string(), false));
            }
            !refused
        };
        let before = world.now();
        let reached = world.glide(to, &mut takes, &mut said);
        assert!(before <= reached && reached <= to.max(before) && reached == world.now());
        assert!(reached >= to || !said.is_empty(), "it stops for a message alone");
        spoken.append(&mut taken);
        write(reached, &mut said, spoken);
        if reached >= to {
            return;
        }
    }
}

/// What a world says in three hours that are passed in these steps, in milliseconds, over and over.
fn said(settings: &Settings, seed: u64, faults: &[TimedFault], steps: &[(u64, Way)]) -> Vec<Spoken> {
    let mut world = World::new(settings, &Physics::plausible(settings), start(), seed, faults);
    world.set_retained("e/heat/set", Some(b"ON"));
    let (mut spoken, mut turn) = (Vec::new(), 0);
    for minute in 0..180 {
        while world.now() < minutes(minute) {
            let (step, way) = steps[turn % steps.len()];
            let to = (world.now() + Duration::from_millis(step)).min(minutes(minute));
            pass(&mut world, settings, to, way, &mut spoken);
            // Looking changes nothing.
            assert!(world.temperature(ONLY, Region::CoolSide).is_some_and(|t| t.0.is_finite()));
            turn += 1;
        }
        let mut said = Vec::new();
        if minute % 3 == 0 {
            world.incoming("e/heat/set", if minute % 20 < 10 { b"ON" } else { b"OFF" }, &mut said);
            world.incoming("e/uvb/set", b"ON", &mut said);
            world.incoming("cut/set", if minute % 50 < 45 { b"ON" } else { b"OFF" }, &mut said);
        }
        let at = world.now();
        spoken.extend(said.iter().map(|m| (at, m.topic().to_owned(), m.payload().into_owned(), m.retained())));
    }
    pass(&mut world, settings, minutes(180), steps[0].1, &mut spoken);
    // What is so in the end shows whether anything was left different.
    let truths = (0..settings.enclosures.len()).flat_map(|e| (0..5).map(move |p| (EnclosureIx(e), ProbeIx(p))));
    for (e, p) in truths {
        if let Some(truth) = world.truth(e, p) {
            spoken.push((world.now(), String::new(), truth.to_bits().to_string(), false));
        }
    }
    spoken
}

/// Sites that differ in what their probes measure, how and how often they say it, and in how many enclosures there are.
fn site() -> impl Strategy<Value = Settings> {
    let one = (0..5_usize, 1..120_u64, 0..6_usize);
    (1..4_usize, proptest::collection::vec(one, 4)).prop_map(|(enclosures, probes)| {
        let mut settings = with_cut_off();
        for ((measures, every, kind), probe) in probes.into_iter().zip(&mut settings.enclosures[0].probes) {
            probe.every = Duration::from_secs(every);
            match kind {
                0 => (probe.pointer, probe.stamp_pointer) = (Some("/t".to_owned()), Some("/at".to_owned())),
                1 => probe.unit = PayloadUnit::Fahrenheit,
                2 => (probe.topic, probe.pointer) = ("e/box".to_owned(), Some(format!("/{}", probe.name))),
                3 => {
                    let all = [Measures::Humidity, Measures::Illuminance, Measures::Power, Measures::Uvi];
                    probe.measures = *all.get(measures).unwrap_or(&Measures::Temperature);
                }
                _ => {}
            }
        }
        for e in 1..enclosures {
            let mut other = settings.enclosures[0].clone();
            other.probes.iter_mut().for_each(|probe| probe.topic = format!("{e}/{}", probe.topic));
            other.lamps.iter_mut().for_each(|lamp| lamp.output.set = format!("{e}/{}", lamp.output.set));
            settings.enclosures.push(other);
        }
        settings
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn neither_cutting_time_into_pieces_nor_gliding_changes_anything(
        settings in site(), seed in 0..1000_u64, faults in some_faults(),
        steps in proptest::collection::vec((1..900_000_u64, way()), 1..6),
    ) {
        let whole = said(&settings, seed, &faults, &[(60_000, Way::Advances)]);
        prop_assert_eq!(&whole, &said(&settings, seed, &faults, &[(60_000, Way::Advances)]));
        prop_assert_eq!(&whole, &said(&settings, seed, &faults, &[(60_000, Way::Glides(7))]));
        prop_assert_eq!(&whole, &said(&settings, seed, &faults, &steps));
    }
}

#[test]
fn another_seed_is_another_room() {
    let said = |seed| said(&with_cut_off(), seed, &[], &[(60_000, Way::Advances)]);
    assert!(said(1).len() > 1000, "a healthy room is not silent");
    assert_ne!(said(1), said(2));
}

#[test]
fn a_hold_that_ends_late_ends_at_the_same_moment_however_time_passes() {
    let mut settings = with_cut_off();
    for probe in &mut settings.enclosures[0].probes {
        probe.every = Duration::from_secs(1);
        (probe.pointer, probe.stamp_pointer) = (Some("/t".to_owned()), Some("/at".to_owned()));
    }
    let heat = Switch::Lamp(ONLY, HEAT);
    // Its last command is heard at 42 min and its hold of 5 min is mended a millisecond after it should have ended.
    let faults = [
        TimedFault { at: Duration::from_millis(2_520_001), until: None, fault: Fault::RelayIsDeaf(heat) },
        TimedFault { at: Duration::ZERO, until: Some(Duration::from_millis(2_820_001)), fault: Fault::HoldFails(heat) },
    ];
    let whole = said(&settings, 0, &faults, &[(60_000, Way::Advances)]);
    assert_eq!(whole, said(&settings, 0, &faults, &[(60_000, Way::Glides(7))]));
    let released = Duration::from_millis(2_820_001);
    assert!(whole.iter().any(|(at, topic, payload, _)| (*at, &**topic, &**payload) == (released, "e/heat", "OFF")));
}
