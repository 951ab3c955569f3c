//! Spectra: frames of samples through a window into powers, and the peaks that stand out of the noise.
//!
//! Powers are scaled so that a steady sine of amplitude A peaks at A², whatever the frame; frequency bins run from
//! 0 to half the sample rate. The only room that knows the transform libraries.

mod chirp;
mod frame;
mod level;
mod padded;
mod peaks;
mod window;

pub use chirp::ChirpFrame;
pub use frame::RealFrame;
pub use level::{dot, dot_there};
pub use padded::PlainFrame;
pub use peaks::{Floor, Peak, drop_side_lobes, find_peaks};
