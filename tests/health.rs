//! Lamp health by swarm: what the issue promises of forecasts, held on a moderate number of lamps. `cargo bench --bench
//! health` runs thousands and prints the table.

mod lamp_swarm;

use lamp_swarm::{Curve, swarm};

#[test]
fn table() {
    for (kind, name) in Curve::KINDS.iter().enumerate() {
        println!("{name}: {}", swarm(0..400, Some(kind)).line());
    }
    println!("all: {}", swarm(0..400, None).line());
}
