//! Any bytes as a recording, from a stream whose length nobody knows: read or refused.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| drop(hostile::recording(bytes.to_vec())));
