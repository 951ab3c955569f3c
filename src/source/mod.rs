//! The outside comes in: recordings read and kept, sound cards, and bench sound made to order.

pub mod beside;
#[cfg(feature = "live")]
pub mod capture;
pub mod inflow;
pub mod keep;
pub mod recording;
pub mod replay;
pub mod ring;
pub mod synthetic;

/// An I/O error in words, without the system's number.
fn io_words(error: &std::io::Error) -> String {
    let text = error.to_string();
    let end = text.find(" (os error").unwrap_or(text.len());
    text[..end].to_lowercase()
}

/// A name that fits on one line, whatever is in it.
pub(crate) fn one_line(name: &str) -> String {
    name.chars().flat_map(|c| if c.is_control() { c.escape_default().collect() } else { vec![c] }).collect()
}
