//! Room: daemon.
