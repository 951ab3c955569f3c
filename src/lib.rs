//! hushbeat: the ear and the clerk of a heterodyne frequency meter.
//!
//! ```text
//!   recording or sound card                     dial reading, check points, book
//!            │ block                                        │
//!   source ──┴─► condition ─► spectrum ─► beat        dial ─┴─► correction
//!                └────── pipeline ──────┘  │                       ▲
//!                                          └── heard ─► offset ────┘
//!            task: one job each ─► a record ─► report: text, JSON, CSV, plots ─► cli
//! ```
//!
//! The ear ([`beat`]) follows the beat note and says how far apart two oscillators are, on which side and how well
//! that is known. The clerk ([`correction`]) turns that offset and a reading of the dial into a corrected frequency.
//! They never see each other: what passes between them is in [`heard`] and [`offset`]. Imports run downward only; the
//! layers are in DEVELOPERS.md and `tests/layering.rs` holds the source to them.

pub mod beat;
pub mod benchlog;
pub mod block;
pub mod cli;
pub mod clock;
pub mod condition;
pub mod correction;
pub mod dial;
pub mod estimate;
pub mod heard;
pub mod live;
pub mod measured;
pub mod offset;
pub mod pipeline;
pub mod quantity;
pub mod report;
pub mod session;
pub mod settings;
pub mod source;
pub mod spectrum;
pub mod stability;
pub mod stations;
pub mod store;
pub mod task;
