//! The health of lamps: hours, ageing, forecasts, shares, acceptance, spares.

pub mod ahead;
pub mod decline;
pub mod forecast;
pub mod life;
