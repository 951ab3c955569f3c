//! What the keys do.

use ratatui::crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// The other oscillator is in the hand.
    Hand,
    /// The frequency of the one in the hand is being moved up.
    Up,
    /// … down.
    Down,
    /// … it is not known which way.
    NoTurning,
    /// Mark the present rest.
    Mark,
    /// Mark it under a label that is typed now.
    Label,
    /// A letter of the label.
    Letter(char),
    /// The last letter was wrong.
    Erase,
    /// The label is whole.
    Done,
    /// No label after all.
    Drop,
    /// Next channel.
    Channel,
    /// Next choice of mains frequency.
    Mains,
    /// Help, or away with it.
    Help,
    /// Leave.
    Leave,
}

/// The keys and what they do, for the help.
pub const KEYS: [(&str, &str); 9] = [
    ("Tab", "which oscillator is in your hand: the meter or the transmitter"),
    ("↑ ↓", "which way its frequency is being moved: gives the side"),
    ("Esc", "takes that back: the way is not known"),
    ("space", "marks the present rest"),
    ("l", "marks it under a label, to be typed: a roll-call's stations"),
    ("c", "next channel"),
    ("h", "mains hum: found by itself, 50 Hz, 60 Hz, none"),
    ("?", "this help, any key leaves it"),
    ("q", "leaves and prints the marks"),
];

/// The meaning of a terminal event while a label is typed.
pub fn typed(event: &Event) -> Option<Key> {
    let Event::Key(key) = event else { return None };
    if key.kind == KeyEventKind::Release {
        return None;
    }
    match key.code {
        KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => Some(Key::Leave),
        KeyCode::Char(letter) if !letter.is_control() => Some(Key::Letter(letter)),
        KeyCode::Backspace => Some(Key::Erase),
        KeyCode::Enter => Some(Key::Done),
        KeyCode::Esc => Some(Key::Drop),
        _ => None,
    }
}

/// The meaning of a terminal event, if it has one.
pub fn key(event: &Event) -> Option<Key> {
    let Event::Key(key) = event else { return None };
    if key.kind == KeyEventKind::Release {
        return None;
    }
    match key.code {
        KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => Some(Key::Leave),
        KeyCode::Tab | KeyCode::BackTab => Some(Key::Hand),
        KeyCode::Up => Some(Key::Up),
        KeyCode::Down => Some(Key::Down),
        KeyCode::Esc => Some(Key::NoTurning),
        KeyCode::Char(' ') => Some(Key::Mark),
        KeyCode::Char('l') => Some(Key::Label),
        KeyCode::Char('c') => Some(Key::Channel),
        KeyCode::Char('h') => Some(Key::Mains),
        KeyCode::Char('?') => Some(Key::Help),
        KeyCode::Char('q') => Some(Key::Leave),
        _ => None,
    }
}
