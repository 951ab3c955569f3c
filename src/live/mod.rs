//! The live screen: what the session tells, for eyes at arm's length while one hand turns the dial.
//!
//! `view` holds the state, `words` says it, `draw` draws it, `keys` and `screen` are the terminal. `ratatui` is used
//! only in this room.

mod draw;
mod fade;
mod figure;
mod hold_off;
mod keys;
mod plain;
mod screen;
mod trail;
mod trend;
mod view;
mod words;

pub use hold_off::HoldOff;
pub use plain::Teller;
pub use view::{Clerk, Mark, Round, Signal, View};
pub use words::{Against, side_words};

use crate::session::{Next, Session};
use screen::{Happened, Screen};
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// How long to wait for a key before looking for news.
const KEY: Duration = Duration::from_millis(15);

/// Shows a session until it ends, the user leaves, or `stop` is set. The terminal is put back before this returns.
///
/// # Errors
/// There is no terminal, or it went away.
pub fn show(session: &Session, view: &mut View, colour: bool, stop: &AtomicBool) -> io::Result<()> {
    let mut screen = Screen::open(colour)?;
    screen.draw(view)?;
    while !view.left && !stop.load(Ordering::Relaxed) {
        let mut new = match screen.next(KEY, view.is_typing())? {
            Happened::Nothing => false,
            Happened::Resized => true,
            Happened::Key(key) => {
                if let Some(command) = view.press(key) {
                    session.declare(command);
                }
                true
            }
        };
        loop {
            match session.next_update(Duration::ZERO) {
                Next::Update(update) => {
                    view.take(*update);
                    new = true;
                }
                Next::Nothing => break,
                Next::Ended => return Ok(()),
            }
        }
        if new {
            screen.draw(view)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_support;
