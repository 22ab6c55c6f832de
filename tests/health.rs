//! Lamp health by swarm: what is promised of forecasts, held on a moderate number of lamps. `cargo bench --bench health`
//! runs thousands and prints the table.

mod lamp_swarm;

use lamp_swarm::{Curve, Summary, at, swarm};

fn check(name: &str, summary: &Summary, median: f64, coverage: (f64, f64)) {
    let line = format!("{name}: {}", summary.line());
    assert!(summary.errors.len() >= 40, "{line}");
    assert!(at(&summary.errors, 0.5) <= median, "{line}");
    assert!((coverage.0..=coverage.1).contains(&summary.coverage()), "{line}");
    assert_eq!(summary.unannounced, 0, "{line}");
}

#[test]
fn a_month_ahead_the_date_is_right_within_five_days_and_nothing_leaves_unannounced() {
    // The promise: median error at most 5 days, the interval covers 70 to 90 % of truths, never unannounced.
    check("all", &swarm(0..250, None), 5.0, (0.70, 0.90));
}

#[test]
fn it_holds_for_every_kind_of_ageing_within_what_seventy_lamps_can_tell() {
    // Four standard errors of a share of 0.8 over 60 forecasts are 0.2.
    for (kind, name) in Curve::KINDS.iter().enumerate() {
        check(name, &swarm(1000..1350, Some(kind)), 7.0, (0.60, 1.0));
    }
}

#[test]
fn steps_are_told_within_a_week_and_hardly_ever_where_there_is_none() {
    let summary = swarm(2000..2250, None);
    assert!(summary.steps >= 8 && at(&summary.step_delays, 0.9) <= 7.0, "{}", summary.line());
    assert!((at(&summary.step_sizes, 0.5) - 1.0).abs() < 0.1, "{}", summary.line());
    assert!(summary.false_steps <= 1 && summary.false_fading <= 3, "{}", summary.line());
}
