//! The terminal while the screen is up, and the guard that puts it back whatever happens.

use super::draw;
use super::keys::{self, Key};
use super::view::View;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::crossterm::event::{self, Event};
use ratatui::crossterm::terminal::{
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use ratatui::crossterm::{cursor, execute};
use std::io::{self, IsTerminal, Stdout};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::thread;
use std::time::Duration;

/// The screen. Dropping it puts the terminal back.
pub struct Screen {
    terminal: Terminal<CrosstermBackend<Stdout>>,
    colour: bool,
    events: Receiver<io::Result<Event>>,
}

/// How often the thread that waits for keys looks whether the screen is still up.
const LOOK: Duration = Duration::from_millis(50);

impl Screen {
    /// Takes over the terminal; `colour` says whether colours may be used.
    ///
    /// # Errors
    /// There is no terminal.
    pub fn open(colour: bool) -> io::Result<Self> {
        put_back_on_panic();
        enable_raw_mode()?;
        UP.store(true, Ordering::Release);
        let terminal = execute!(io::stdout(), EnterAlternateScreen, cursor::Hide)
            .and_then(|()| Terminal::new(CrosstermBackend::new(io::stdout())));
        match terminal {
            Ok(terminal) => Ok(Self { terminal, colour, events: watch() }),
            Err(error) => {
                put_back();
                Err(error)
            }
        }
    }

    /// Draws a view.
    ///
    /// # Errors
    /// The terminal went away.
    pub fn draw(&mut self, view: &View) -> io::Result<()> {
        self.terminal.draw(|frame| draw::draw(view, self.colour, frame)).map(|_| ())
    }

    /// Waits so long for something to happen at the terminal; while a label is `typing`, keys are its letters.
    ///
    /// # Errors
    /// The terminal went away.
    pub fn next(&self, wait: Duration, typing: bool) -> io::Result<Happened> {
        let read = if typing { keys::typed } else { keys::key };
        match self.events.recv_timeout(wait) {
            Ok(event) => event.map(|event| read(&event).map_or(Happened::Resized, Happened::Key)),
            // A terminal that was closed is none any more.
            Err(RecvTimeoutError::Timeout) if io::stdin().is_terminal() => Ok(Happened::Nothing),
            Err(_) => Err(io::Error::new(io::ErrorKind::NotConnected, "it was closed")),
        }
    }
}

/// Waits for keys and changes of size on a thread of its own: on a terminal that was closed crossterm 0.29 reads for
/// ever, and whoever waits for it never comes back. The thread ends with the screen, or at the latest with the program.
fn watch() -> Receiver<io::Result<Event>> {
    let (tell, events) = mpsc::channel();
    thread::spawn(move || {
        while UP.load(Ordering::Acquire) {
            let event = match event::poll(LOOK) {
                Ok(false) => continue,
                Ok(true) => event::read(),
                Err(error) => Err(error),
            };
            let failed = event.is_err();
            if tell.send(event).is_err() || failed {
                break;
            }
        }
    });
    events
}

/// What happened at the terminal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happened {
    /// Nothing.
    Nothing,
    /// A key.
    Key(Key),
    /// Something after which to draw again.
    Resized,
}

impl Drop for Screen {
    fn drop(&mut self) {
        put_back();
    }
}

/// Whether the screen is up: what is put back once needs it no more.
static UP: AtomicBool = AtomicBool::new(false);

/// Each part for itself: what fails must not keep the rest from being put back.
fn put_back() {
    if !UP.swap(false, Ordering::AcqRel) {
        return;
    }
    let _ = execute!(io::stdout(), LeaveAlternateScreen, cursor::Show);
    let _ = disable_raw_mode();
}

/// A panic, on whatever thread, is to be read on a terminal that works.
fn put_back_on_panic() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            put_back();
            before(panic);
        }));
    });
}
