//! Rehearsals: the very core that the daemon drives, in virtual time, in a simulated room, through faults.
//!
//! ```text
//!  scenario (TOML) ──▶ run ◀──────────── seed
//!                       │
//!   world ─ messages ─▶ broker ─ messages ─▶ core ─ commands ─▶ broker ─▶ world
//!   (simulator)         (modelled)          (control)
//!                       │
//!                       ├─▶ expectations: what the story says must happen, and what must not
//!                       ├─▶ oracles: what holds in every story, at every step
//!                       └─▶ outcome: verdict, log and its hash, coverage, plots
//!  swarm: a seed draws a site, its hardware and its faults        shrink: fewer, shorter, rounder faults that still fail
//! ```
//!
//! No I/O and no clock: text comes in and results go out. Nothing in the core can tell that it is rehearsed. Time is
//! counted in whole milliseconds since the story began; what happens depends on the scenario and its seed alone.

mod book;
mod broker;
mod chatter;
mod coverage;
mod expect;
mod host;
mod liveness;
mod obligation;
mod oracle;
mod report;
mod run;
pub mod scenario;
mod shrink;
mod sight;
mod swarm;
mod trace;

pub use coverage::{Counts, Coverage, GUARD_STATES};
pub use obligation::{OWED, Owed};
pub use report::{Entry, command, index, page};
pub use run::{Options, Outcome, Violation, counted, rehearse};
pub use scenario::Scenario;
pub use shrink::{Shrunk, shrink};
pub use swarm::draw;
pub use trace::{Curve, Curves, Points, Span, Trace};
