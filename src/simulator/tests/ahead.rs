//! What is told of a place ahead of time holds.

use proptest::prelude::*;

use super::*;

/// A basking spot under one lamp of so many watts, whose output lets go after `hold`, in an enclosure of this size.
fn spot(watts: f64, size: f64, hold: Option<Duration>) -> World {
    let mut heat = lamp("heat", Fitting::Halogen, watts);
    heat.output.hold = hold;
    let settings = settings(vec![heat]);
    let mut physics = Physics::plausible(&settings);
    physics.enclosures.iter_mut().for_each(|enclosure| enclosure.size *= size);
    World::new(&settings, &physics, start(), 11, &[])
}

fn truth(world: &World) -> f64 {
    world.truth(ONLY, BASKING).expect("there is such a probe")
}

fn below(world: &World, most: f64) -> Duration {
    world.stays_below(ONLY, BASKING, Celsius(most)).expect("it is a thermometer")
}

proptest! {
    #[test]
    fn a_place_stays_below_for_as_long_as_is_told(
        watts in 20.0..400.0_f64, size in 0.1..3.0_f64, hold in prop::option::of(10..600_u64),
        spells in proptest::collection::vec((1..1500_u64, any::<bool>(), 0.01..20.0_f64), 1..12),
    ) {
        let (mut world, mut said) = (spot(watts, size, hold.map(Duration::from_secs)), Vec::new());
        for (seconds, on, over) in spells {
            world.incoming("e/heat/set", if on { b"ON" } else { b"OFF" }, &mut said);
            let most = truth(&world) + over;
            let (until, end) = (below(&world, most), world.now() + Duration::from_secs(seconds));
            while world.now() < until.min(end) {
                let next = (world.now() + Duration::from_secs(5)).min(until).min(end);
                world.advance_to(next, &mut said);
                let now = truth(&world);
                prop_assert!(now < most, "{now} at {next:?}, and below {most} until {until:?}");
            }
            world.advance_to(end, &mut said);
        }
    }
}

#[test]
fn a_cold_place_is_known_to_stay_below_a_limit_for_minutes_and_a_hot_one_is_not() {
    let (mut world, mut said) = (spot(75.0, 1.0, Some(minutes(5))), Vec::new());
    assert!(below(&world, 48.0) >= minutes(5), "nothing warms it");
    world.incoming("e/heat/set", b"ON", &mut said);
    assert!(below(&world, 48.0) >= minutes(2), "it begins at room temperature");
    for _ in 0..120 {
        world.incoming("e/heat/set", b"ON", &mut said);
        world.advance_to(world.now() + minutes(1), &mut said);
    }
    let hot = truth(&world);
    assert_eq!(below(&world, hot), world.now());
    assert_eq!(below(&world, hot - 1.0), world.now());
    world.incoming("e/heat/set", b"OFF", &mut said);
    assert!(below(&world, hot + 1.0) >= world.now() + minutes(5), "it cools");
}
