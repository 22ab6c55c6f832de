//! Room: science.
