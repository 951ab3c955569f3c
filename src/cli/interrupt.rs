//! Signals that ask the program to end. `signal-hook` is used only here.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Catches the signals that ask for an orderly end; the flag is set by the first. A second interrupt ends the
/// program at once.
///
/// # Errors
/// The system does not allow it.
pub fn catch() -> io::Result<Arc<AtomicBool>> {
    use signal_hook::consts::{SIGINT, SIGTERM};
    use signal_hook::flag;
    let asked = Arc::new(AtomicBool::new(false));
    // 128 + the signal's number is what shells expect.
    flag::register_conditional_shutdown(SIGINT, 128 + SIGINT, Arc::clone(&asked))?;
    for signal in [SIGINT, SIGTERM] {
        flag::register(signal, Arc::clone(&asked))?;
    }
    #[cfg(unix)]
    flag::register(signal_hook::consts::SIGHUP, Arc::clone(&asked))?;
    Ok(asked)
}
