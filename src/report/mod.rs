//! One record, many forms.
pub mod correct;
pub mod dial;
#[cfg(feature = "live")]
pub mod inputs;
pub mod marks;
