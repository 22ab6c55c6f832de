//! Room: simulator.
