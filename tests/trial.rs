//! A few enclosure-years of the trial that `benches/lamps.rs` runs by the thousand: it fails where a goal is grossly missed.
//! The table with the goals themselves is in `DEVELOPERS.md`.

#[path = "trial/mod.rs"]
mod trial;

#[test]
fn lamps_of_a_small_swarm_are_told_as_they_are() {
    let tally = trial::run(1000..1010, 1.0);
    println!("{}", tally.table(&trial::AGEING));
    tally.examples.iter().for_each(|example| println!("{example}"));
    let dark = tally.dark_alone(0..=u64::MAX);
    let median = trial::tally::quantile(dark.iter().copied(), 0.5);
    assert!(dark.len() >= 5 && median <= 45.0, "{median} min of {}", dark.len());
    assert!(dark.iter().all(Option::is_some), "a dark lamp that is alone at its probe was not found: {dark:?}");
    let (error, covered, count) = tally.month_ahead(|_| true);
    assert!(count >= 8 && error <= 8.0, "{error} d of {count}");
    assert!(covered >= 0.5, "{covered}");
    assert!(tally.left >= 5 && tally.unannounced <= 1, "{} of {}", tally.unannounced, tally.left);
    // One in a hundred years is the goal; ten cannot tell, three would be gross. Two lamps at one probe miss it.
    let wrong: u64 = tally.false_alarms.values().sum::<u64>() - tally.false_of_pairs.values().sum::<u64>();
    assert!(wrong < 3, "{:?}", tally.false_alarms);
}
