//! One record, many forms.
pub mod checkpoints;
pub mod correct;
pub mod dial;
