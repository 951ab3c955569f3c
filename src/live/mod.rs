//! The live screen.
