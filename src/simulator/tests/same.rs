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

/// What a world says in three hours that are advanced in these steps, in milliseconds, over and over.
fn said(seed: u64, faults: &[TimedFault], steps: &[u64]) -> Vec<Message> {
    let settings = with_cut_off();
    let mut world = World::new(&settings, &Physics::plausible(&settings), start(), seed, faults);
    world.set_retained("e/heat/set", Some(b"ON"));
    let (mut said, mut turn) = (Vec::new(), 0);
    for minute in 0..180 {
        while world.now() < minutes(minute) {
            let to = world.now() + Duration::from_millis(steps[turn % steps.len()]);
            world.advance_to(to.min(minutes(minute)), &mut said);
            // Looking changes nothing.
            assert!(world.temperature(ONLY, Region::CoolSide).is_some_and(|t| t.0.is_finite()));
            turn += 1;
        }
        if minute % 3 == 0 {
            world.incoming("e/heat/set", if minute % 20 < 10 { b"ON" } else { b"OFF" }, &mut said);
            world.incoming("e/uvb/set", b"ON", &mut said);
            world.incoming("cut/set", if minute % 50 < 45 { b"ON" } else { b"OFF" }, &mut said);
        }
    }
    world.advance_to(minutes(180), &mut said);
    said
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn cutting_time_into_pieces_changes_nothing(
        seed in 0..1000_u64, faults in some_faults(), steps in proptest::collection::vec(1..900_000_u64, 1..6),
    ) {
        let whole = said(seed, &faults, &[60_000]);
        prop_assert_eq!(&whole, &said(seed, &faults, &[60_000]));
        prop_assert_eq!(&whole, &said(seed, &faults, &steps));
    }
}

#[test]
fn another_seed_is_another_room() {
    let one = said(1, &[], &[60_000]);
    assert!(one.len() > 1000, "a healthy room is not silent");
    assert_ne!(one, said(2, &[], &[60_000]));
}
