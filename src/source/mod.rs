//! The outside comes in: recordings read and kept, and bench sound made to order.

pub mod recording;
pub mod synthetic;
