//! A physical room that answers by messages: enclosures with lamps, probes and relays, and the faults they have.
//!
//! The [`World`] is built from [`Settings`](crate::settings::Settings) for its topics, words and fittings, and from
//! [`Physics`] for what settings do not say. It uses neither control nor guard: plant and core meet through messages
//! alone, so nothing the core believes can leak into what is so. It reads no clock; a driver tells it what time it is.
//!
//! [`Fopdt`] is a smaller plant for tests of thermostats against analytic values.

mod active;
mod agenda;
mod condition;
mod enclosure;
mod fault;
mod fopdt;
mod gauge;
mod lamp;
mod layout;
mod message;
mod physics;
mod probe;
mod random;
mod relay;
mod room;
mod track;
mod uv;
mod words;
mod world;

pub use fault::{Fault, Spells, Spikes, Strength, Subject, Switch, TimedFault};
pub use fopdt::Fopdt;
pub use lamp::Ageing;
pub use message::{Message, Source};
pub use physics::{EnclosurePhysics, LampPhysics, Physics, ProbePhysics, Region};
pub use probe::{Accuracy, POWER_UP, UNPLUGGED};
pub use random::Pcg32;
pub use room::{Climate, Weather};
pub use uv::{Metres, REFERENCE, Spread, UvSource};
pub use world::World;

#[cfg(test)]
mod tests;
