//! The keeper's records on disk: one SQLite file that outlives power cuts, and that a person can read without this program.
//!
//! One thread writes, in batches; the control loop never waits for it. Safety state, alarms and the keeper's acts are on disk
//! before anybody is told of them. Readings are kept as one value a minute, later one an hour. `schema/1.sql` says what is
//! where.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room is for files")]

pub mod read;
mod schema;
#[cfg(test)]
pub(crate) mod scratch;

pub use schema::{FILE, Misfit, VERSION};
