//! The descent of the last half minute: offset on a log scale against time, what the path can't pass shaded.

use super::draw::{FAINT, Look};
use super::view::{LOOK_BACK_S, View};
use crate::offset::Side;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::symbols::Marker;
use ratatui::widgets::Widget;
use ratatui::widgets::canvas::{Canvas, Line, Points};

/// The scale's ends, Hz.
const LEAST_HZ: f64 = 1.0;
const MOST_HZ: f64 = 4000.0;
/// Columns for the scale.
const SCALE: u16 = 8;
/// Marks on the scale, those needed most first.
const MARKS: [(f64, &str); 8] = [
    (1000.0, "1 kHz"),
    (10.0, "10 Hz"),
    (100.0, "100 Hz"),
    (1.0, "1 Hz"),
    (300.0, "300 Hz"),
    (30.0, "30 Hz"),
    (3.0, "3 Hz"),
    (3000.0, "3 kHz"),
];
/// A side is told every so many columns.
const SIDE_EVERY: u16 = 6;
/// Points further apart than this were not one note, s.
const APART_S: f64 = 0.3;

/// Where an offset stands, 0 at the foot to 1 at the top.
fn height(offset_hz: f64) -> f64 {
    let scale = |hz: f64| hz.clamp(LEAST_HZ, MOST_HZ).ln();
    (scale(offset_hz) - scale(LEAST_HZ)) / (scale(MOST_HZ) - scale(LEAST_HZ))
}

/// Draws the descent into an area.
pub fn draw(view: &View, area: Rect, look: Look, buffer: &mut Buffer) {
    if area.width < SCALE + 8 || area.height < 3 {
        return;
    }
    let plot = Rect { x: area.x + SCALE, width: area.width - SCALE, height: area.height - 1, ..area };
    let row = |offset_hz: f64| {
        let down = (1.0 - height(offset_hz)) * f64::from(plot.height);
        plot.y + (down as u16).min(plot.height - 1)
    };
    scale(area, plot, row, buffer);
    if let Some(deaf) = view.deaf_below_hz() {
        for y in row(deaf)..plot.bottom() {
            for x in plot.left()..plot.right() {
                buffer[(x, y)].set_symbol("░").set_style(FAINT);
            }
        }
        let said = format!("deaf below {deaf:.0} Hz");
        if plot.width > said.len() as u16 + 2 {
            buffer.set_string(plot.x + 1, plot.bottom() - 1, said, FAINT);
        }
    }
    let now = view.now_s();
    let at = |at_s: f64| 1.0 - (now - at_s) / LOOK_BACK_S;
    Canvas::default()
        .marker(Marker::Braille)
        .x_bounds([0.0, 1.0])
        .y_bounds([0.0, 1.0])
        .paint(|canvas| {
            let heard = || view.trail.iter().map(|p| (at(p.at_s), p.offset_hz.map(height)));
            for ((x1, y1), (x2, y2)) in heard().zip(heard().skip(1)) {
                if let (Some(y1), Some(y2)) = (y1, y2)
                    && (x2 - x1) * LOOK_BACK_S < APART_S
                {
                    canvas.draw(&Line { x1, y1, x2, y2, color: look.trail() });
                }
            }
            let coords: Vec<_> = heard().filter_map(|(x, y)| Some((x, y?))).collect();
            canvas.draw(&Points { coords: &coords, color: look.trail() });
        })
        .render(plot, buffer);
    sides(view, plot, row, at, look, buffer);
}

fn scale(area: Rect, plot: Rect, row: impl Fn(f64) -> u16, buffer: &mut Buffer) {
    let mut taken = Vec::new();
    for (offset_hz, label) in MARKS {
        let y = row(offset_hz);
        if !taken.contains(&y) {
            taken.push(y);
            buffer.set_string(area.x, y, format!("{label:>6} ┤"), FAINT);
        }
    }
    let y = area.bottom() - 1;
    buffer.set_string(plot.x, y, format!("{LOOK_BACK_S:.0} s ago"), FAINT);
    let half = format!("{:.0} s", LOOK_BACK_S / 2.0);
    if plot.width > 30 {
        buffer.set_string(plot.x + plot.width / 2 - half.len() as u16 / 2, y, half, FAINT);
    }
    buffer.set_string(plot.right() - 3, y, "now", FAINT);
}

/// Tells the side by its shape, now and then along the descent.
fn sides(
    view: &View,
    plot: Rect,
    row: impl Fn(f64) -> u16,
    at: impl Fn(f64) -> f64,
    look: Look,
    buffer: &mut Buffer,
) {
    let mut next_x = plot.x;
    for point in &view.trail {
        let Some(offset_hz) = point.offset_hz else { continue };
        let x = plot.x + (at(point.at_s).clamp(0.0, 1.0) * f64::from(plot.width - 1)) as u16;
        if x < next_x {
            continue;
        }
        next_x = x + SIDE_EVERY;
        let shape = match point.side {
            Side::High => "▴",
            Side::Low => "▾",
            Side::Unknown => "•",
        };
        buffer[(x, row(offset_hz))].set_symbol(shape).set_style(Style::new().fg(look.trail()));
    }
}
