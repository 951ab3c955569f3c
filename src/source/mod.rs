//! The outside comes in: recordings read and kept, sound cards, and bench sound made to order.

#[cfg(feature = "live")]
pub mod capture;
pub mod inflow;
pub mod keep;
pub mod recording;
pub mod replay;
pub mod ring;
