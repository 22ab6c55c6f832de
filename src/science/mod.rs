//! Pure numbers: each function names the source of its formula, keeps no state and knows no settings.

pub mod sun;
pub mod thermal;
pub mod uv;
