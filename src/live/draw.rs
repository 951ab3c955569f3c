//! Draws a view: the words first, then the offset in large figures, its uncertainty, the descent of the last half
//! minute, the input. Every part has its place; on a small terminal the least needed parts go first.

use super::figure::{self, NO_POINT};
use super::keys::KEYS;
use super::trail;
use super::trend::Trend;
use super::view::View;
use super::words::{Against, K95, lost_words, notes_words, signal_words};
use crate::heard::EndingState;
use crate::measured::{decimals_for, value_and_u};
use crate::offset::{Hand, Turning};
use crate::session::InputState;
use crate::settings::{ChannelChoice, Mains};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};
use std::fmt::Write;

/// An input that swings less than this is too quiet to measure well, dB re full scale.
const TOO_QUIET_DBFS: f64 = -50.0;

/// Draws the view on the whole of a frame.
pub fn draw(view: &View, colour: bool, frame: &mut Frame) {
    let area = frame.area();
    if area.is_empty() {
        return;
    }
    let mut page = Page { left: area, buffer: frame.buffer_mut(), look: Look { colour } };
    if view.help {
        page.help();
        return;
    }
    let high = area.height;
    let words = view.words();
    page.wrapped(&words.headline, HEADLINE, if high >= 12 { 2 } else { 1 });
    if high >= 7 {
        page.wrapped(&words.advice, Style::new(), if high >= 12 { 2 } else { 1 });
    }
    // From the foot up: what stands there stays in its place.
    if high >= 16 {
        page.foot(view.answer().unwrap_or(BRIEF_KEYS), FAINT);
        page.foot(&declared(view), Style::new());
    }
    if high >= 5 {
        let (input, trouble) = input(view);
        let style = if trouble { page.look.trouble() } else { Style::new() };
        page.foot(&input, style);
    }
    if high >= 20 {
        page.skip(1);
    }
    page.figure(
        view,
        if high >= 34 {
            11
        } else if high >= 20 {
            7
        } else {
            4
        },
    );
    if high >= 3 {
        page.line(&precise(view), Style::new());
    }
    if let Some(notes) = view.update.snapshot.as_ref().and_then(|s| s.notes.as_ref()) {
        page.line(&notes_words(notes), Style::new());
    }
    if let Some(signal) = view.signal.as_ref().and_then(signal_words) {
        page.line(&signal, HEADLINE);
    }
    if high >= 20 {
        page.skip(1);
    }
    if page.left.height >= 3 {
        let (left, look) = (page.left, page.look);
        trail::draw(view, left, look, page.buffer);
    }
}

/// The keys on one line.
const BRIEF_KEYS: &str = "Tab hand   ↑↓ way   space mark   l label   c channel   h hum   ? help   q leave";

/// What matters most.
const HEADLINE: Style = Style::new().add_modifier(Modifier::BOLD);
/// What is less needed.
pub const FAINT: Style = Style::new().add_modifier(Modifier::DIM);

/// How things look with and without colour; nothing is told by colour alone.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// Whether colour may be used.
    pub colour: bool,
}

impl Look {
    fn trouble(self) -> Style {
        let style = Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED);
        if self.colour { style.fg(Color::Magenta) } else { style }
    }

    /// The descent.
    pub fn trail(self) -> Color {
        if self.colour { Color::Cyan } else { Color::Reset }
    }
}

/// What is left of the screen.
struct Page<'a> {
    left: Rect,
    buffer: &'a mut Buffer,
    look: Look,
}

impl Page<'_> {
    fn skip(&mut self, rows: u16) {
        let rows = rows.min(self.left.height);
        self.left.y += rows;
        self.left.height -= rows;
    }

    /// One line at the top.
    fn line(&mut self, text: &str, style: Style) {
        if self.left.height > 0 {
            self.buffer.set_string(self.left.x, self.left.y, shortened(text, self.left.width), style);
            self.skip(1);
        }
    }

    /// One line at the foot.
    fn foot(&mut self, text: &str, style: Style) {
        if self.left.height > 0 {
            self.left.height -= 1;
            self.buffer.set_string(self.left.x, self.left.bottom(), shortened(text, self.left.width), style);
        }
    }

    /// At most so many lines at the top, broken between words.
    fn wrapped(&mut self, text: &str, style: Style, lines: u16) {
        let width = usize::from(self.left.width);
        let mut rest = text;
        for line in 1..=lines {
            let fits = rest.char_indices().nth(width).map_or(rest.len(), |(end, _)| end);
            let cut = if fits == rest.len() || line == lines {
                rest.len()
            } else {
                rest[..fits].rfind(' ').unwrap_or(fits)
            };
            self.line(&rest[..cut], style);
            rest = rest[cut..].trim_start();
            if rest.is_empty() {
                break;
            }
        }
    }

    /// The offset in figures as large as at most so many rows allow.
    fn figure(&mut self, view: &View, rows: u16) {
        let text = figure_text(view);
        let unit = " Hz";
        let width = self.left.width.saturating_sub(unit.len() as u16);
        let Some(size) = figure::size_for(&text, width, rows.min(self.left.height)) else {
            return;
        };
        let high = figure::rows_high(size);
        let style = if view.shown().is_some() { HEADLINE } else { FAINT };
        figure::draw(&text, size, self.left, style, self.buffer);
        if !text.contains('-') {
            let x = self.left.x + figure::columns_wide(&text, size);
            self.buffer.set_string(x, self.left.y + high - 1, unit, style);
        }
        self.skip(high);
    }

    fn help(&mut self) {
        self.line("what the keys do", HEADLINE);
        for (key, does) in KEYS {
            self.line(&format!("{key:>6}  {does}"), Style::new());
        }
        self.skip(1);
        self.line("the shaded part of the descent is where this sound path is deaf", Style::new());
        self.line("▴ meter above the signal   ▾ below   • not known", Style::new());
    }
}

/// A text that fits.
fn shortened(text: &str, width: u16) -> String {
    let width = usize::from(width);
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

/// Seven signs in fixed places: thousands to hundredths of a hertz, those that the uncertainty does not support left
/// out; what bounds the offset when it can't be heard; two strokes when nothing is known.
fn figure_text(view: &View) -> String {
    if let Some((offset, u)) = view.shown() {
        let decimals = u.filter(|u| u.is_finite() && *u > 0.0).map_or(0, decimals_for);
        let text = format!("{offset:7.*}", decimals.min(2));
        return match decimals {
            0 => format!("{text:>4.4}{NO_POINT}  ", text = text.trim_start()),
            1 => format!("{:>6} ", text.trim_start()),
            _ => text,
        };
    }
    let in_dead_band = view.update.snapshot.as_ref().is_some_and(|s| s.state == EndingState::DeadBand);
    match view.deaf_below_hz().filter(|_| in_dead_band) {
        Some(bound) if bound >= 10.0 => format!("{:>4}{NO_POINT}  ", format!("<{bound:.0}")),
        Some(bound) => format!("{:>6} ", format!("<{bound:.1}")),
        None => format!("  --{NO_POINT}  "),
    }
}

/// The offset to all its digits, its uncertainty and its movement.
fn precise(view: &View) -> String {
    let Some((offset, u)) = view.shown() else {
        let state = view.update.snapshot.as_ref().map(|snapshot| snapshot.state);
        return match (state, view.deaf_below_hz()) {
            (Some(EndingState::DeadBand), Some(bound)) => {
                format!("the offset is somewhere within {bound:.*} Hz (95 %)", decimals_for(bound))
            }
            (None, _) => String::new(),
            _ => "nothing to measure now".to_owned(),
        };
    };
    let mut text = match u {
        Some(u) => {
            let (value, _) = value_and_u(offset, u);
            format!("{value:>9} Hz, give or take {:.*} Hz (95 %)", decimals_for(u), K95 * u)
        }
        None => format!("{offset:>9.0} Hz"),
    };
    // Held off, the note's way is not that of the distance.
    if let Some(snapshot) =
        view.update.snapshot.as_ref().filter(|_| !matches!(view.against, Against::HoldOff(_)))
        && let Some(rate) = snapshot.rate_hz_per_s
    {
        let _ = match view.trend() {
            Trend::ClosingIn => write!(text, "  falling {:.0} Hz/s", -rate),
            Trend::GoingAway => write!(text, "  rising {rate:.0} Hz/s"),
            Trend::Steady => Ok(()),
        };
    }
    text
}

/// How the input is, and whether that is trouble.
fn input(view: &View) -> (String, bool) {
    let update = &view.update;
    let lost = update.snapshot.as_ref().map_or(0, |snapshot| snapshot.lost_samples);
    let mut text = match (update.level.peak_dbfs, update.level.clipped) {
        (None, _) => ("input: no sound yet".to_owned(), false),
        (Some(peak), true) => (format!("input CLIPS ({peak:>4.0} dB): turn it down"), true),
        (Some(peak), _) if peak == f64::NEG_INFINITY => {
            ("input DEAD SILENT: is it plugged in, unmuted?".to_owned(), true)
        }
        (Some(peak), _) if peak < TOO_QUIET_DBFS => {
            (format!("input TOO QUIET ({peak:>4.0} dB): turn it up"), true)
        }
        (Some(peak), _) => (format!("input good ({peak:>4.0} dB)"), false),
    };
    if lost > 0 || update.gaps > 0 {
        let _ = write!(text.0, "   {}", lost_words(lost, update.gaps));
    }
    match &update.input {
        InputState::Leaking(part) => {
            text = (format!("{}   LOSING {:.1} % of the sound unseen", text.0, part * 100.0), true);
        }
        InputState::Silent(seconds) => text = (format!("input: nothing for {seconds:.0} s"), true),
        InputState::Gone { .. } => text = ("input: gone".to_owned(), true),
        InputState::Flowing => {}
    }
    if let Some(why) = &update.keep_failed {
        text = (format!("NOT KEPT ANY MORE: {why}"), true);
    }
    text
}

/// What was declared, and how many marks there are.
fn declared(view: &View) -> String {
    let settings = &view.settings;
    let hand = match (view.against, settings.hand) {
        (Against::CheckPoint { .. }, _) => "corrector",
        (_, Hand::Meter) => "meter",
        (_, Hand::Signal) => "transmitter",
    };
    let way = match settings.turning {
        None => "way not said",
        Some(Turning::Up) => "going up",
        Some(Turning::Down) => "going down",
    };
    let channel = match settings.channel {
        ChannelChoice::Auto => "auto".to_owned(),
        ChannelChoice::Number(number) => number.to_string(),
    };
    let mains = match settings.mains {
        Mains::Auto => "auto".to_owned(),
        Mains::Near(hz) => format!("{hz} Hz"),
        Mains::Off => "off".to_owned(),
    };
    format!("in the hand: {hand}, {way}   channel {channel}   hum {mains}   marks {}", view.marks.len())
}
