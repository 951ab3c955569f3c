//! One record, many forms.
pub mod correct;
pub mod dial;
