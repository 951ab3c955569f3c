//! The outside comes in: recordings and sound cards.

#[cfg(feature = "live")]
pub mod capture;
pub mod inflow;
pub mod replay;
pub mod ring;
