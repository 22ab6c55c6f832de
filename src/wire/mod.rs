//! Room: wire.
