//! Room: science.

pub mod thermal;
