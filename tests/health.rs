//! Lamp health by swarm: what is promised of forecasts, held on a moderate number of lamps. `cargo bench --bench health`
//! runs thousands and prints the table.

mod lamp_swarm;

use lamp_swarm::{Curve, Summary, at, swarm};

#[test]
fn a_month_ahead_the_date_is_right_within_five_days_and_nothing_leaves_unannounced_or_steps_unseen() {
    // The promise: median error at most 5 days, the interval covers 70 to 90 % of truths, never unannounced.
    let all = swarm(0..200, None);
    let line = all.line();
    assert!(all.errors.len() >= 120 && at(&all.errors, 0.5) <= 5.0, "{line}");
    assert!((0.70..=0.90).contains(&all.coverage()), "{line}");
    assert_eq!(all.unannounced, 0, "{line}");
    assert!(all.steps >= 6 && at(&all.step_delays, 0.9) <= 7.0, "{line}");
    assert!((at(&all.step_sizes, 0.5) - 1.0).abs() < 0.1, "{line}");
    assert!(all.false_steps <= 1 && all.false_fading <= 2, "{line}");
}

#[test]
fn it_holds_for_every_kind_of_ageing_within_what_forty_lamps_can_tell() {
    let kinds: Vec<(&str, Summary)> =
        Curve::KINDS.iter().enumerate().map(|(kind, name)| (*name, swarm(1000..1200, Some(kind)))).collect();
    for (name, summary) in kinds {
        let line = format!("{name}: {}", summary.line());
        assert!(summary.errors.len() >= 20 && at(&summary.errors, 0.5) <= 7.0, "{line}");
        // Three standard errors of a share of 0.75 over 25 forecasts are 0.26.
        assert!(summary.coverage() >= 0.5, "{line}");
        assert_eq!(summary.unannounced, 0, "{line}");
    }
}
