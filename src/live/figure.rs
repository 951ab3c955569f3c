//! The large figures: a hand of block digits, seven units high and four wide, drawn in half-height blocks.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Height of a sign, units.
const HIGH: u16 = 7;
/// Between signs, units.
const SPACE: u16 = 1;

/// A blank as wide as the point, which keeps the digits in their places.
pub const NO_POINT: char = '_';

/// A sign's rows, top first; `#` is ink. Only the point is narrower.
fn rows(sign: char) -> [&'static str; HIGH as usize] {
    match sign {
        '0' => [" ## ", "#  #", "#  #", "#  #", "#  #", "#  #", " ## "],
        '1' => ["  # ", " ## ", "# # ", "  # ", "  # ", "  # ", " ###"],
        '2' => [" ## ", "#  #", "   #", "  # ", " #  ", "#   ", "####"],
        '3' => ["### ", "   #", "   #", " ## ", "   #", "   #", "### "],
        '4' => ["#   ", "# # ", "# # ", "# # ", "####", "  # ", "  # "],
        '5' => ["####", "#   ", "#   ", "### ", "   #", "   #", "### "],
        '6' => ["  # ", " #  ", "#   ", "### ", "#  #", "#  #", " ## "],
        '7' => ["####", "   #", "   #", "  # ", "  # ", " #  ", " #  "],
        '8' => [" ## ", "#  #", "#  #", " ## ", "#  #", "#  #", " ## "],
        '9' => [" ## ", "#  #", "#  #", " ###", "   #", "  # ", " #  "],
        '<' => ["    ", "  # ", " #  ", "#   ", " #  ", "  # ", "    "],
        '-' => ["    ", "    ", "    ", "####", "    ", "    ", "    "],
        '.' => [" ", " ", " ", " ", " ", " ", "#"],
        NO_POINT => [" "; HIGH as usize],
        _ => ["    "; HIGH as usize],
    }
}

/// Width of a text, units.
fn wide(text: &str) -> u16 {
    text.chars().map(|sign| rows(sign)[0].len() as u16 + SPACE).sum::<u16>().saturating_sub(SPACE)
}

/// The largest size at which a text fits, if any does; a unit is one column wide at size 1, and half a row high.
pub fn size_for(text: &str, width: u16, height: u16) -> Option<u16> {
    (1..=4).rev().find(|&size| wide(text) * size <= width && rows_high(size) <= height)
}

/// Rows that a text of this size takes.
pub fn rows_high(size: u16) -> u16 {
    (HIGH * size).div_ceil(2)
}

/// Columns that a text of this size takes.
pub fn columns_wide(text: &str, size: u16) -> u16 {
    wide(text) * size
}

/// Draws a text at the top left of an area that holds it.
pub fn draw(text: &str, size: u16, area: Rect, style: Style, buffer: &mut Buffer) {
    let mut left = area.x;
    for sign in text.chars() {
        let ink = rows(sign);
        let is_ink = |x: u16, half_row: u16| {
            ink.get(usize::from(half_row / size))
                .is_some_and(|row| row.as_bytes()[usize::from(x / size)] == b'#')
        };
        let width = ink[0].len() as u16 * size;
        for row in 0..rows_high(size) {
            for x in 0..width {
                let block = match (is_ink(x, 2 * row), is_ink(x, 2 * row + 1)) {
                    (true, true) => "█",
                    (true, false) => "▀",
                    (false, true) => "▄",
                    (false, false) => continue,
                };
                if let Some(cell) = buffer.cell_mut((left + x, area.y + row)) {
                    cell.set_symbol(block).set_style(style);
                }
            }
        }
        left += width + SPACE * size;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_at_two_sizes() {
        let mut shown = String::new();
        for (text, size) in [("0123456789<-.", 1), ("3725.68", 2)] {
            let area = Rect::new(0, 0, columns_wide(text, size), rows_high(size));
            let mut buffer = Buffer::empty(area);
            draw(text, size, area, Style::new(), &mut buffer);
            for y in 0..area.height {
                let line: String = (0..area.width).map(|x| buffer[(x, y)].symbol()).collect();
                shown.push_str(line.trim_end());
                shown.push('\n');
            }
        }
        insta::assert_snapshot!(shown);
    }

    #[test]
    fn the_largest_that_fits_is_taken() {
        assert_eq!(size_for("3725.68", 80, 7), Some(2));
        assert_eq!(size_for("3725.68", 40, 7), Some(1));
        assert_eq!(size_for("3725.68", 120, 11), Some(3));
        assert_eq!(size_for("3725.68", 20, 7), None);
        assert_eq!(size_for("3725.68", 80, 3), None);
    }
}
