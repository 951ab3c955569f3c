//! Pages for a browser and for paper: one file, no network, no script.
//!
//! [`page`] gives the frame (landmarks, style for light, dark and print), [`section`], [`Table`] and [`figure`] what
//! goes in. The markup is HTML that an XML reader takes too, so that a test can read a page back strictly. Whatever
//! comes from outside goes through [`escape`] or [`outside`].

use std::fmt::Write;

/// Colours of a page, CSS hexadecimal.
#[derive(Debug, Clone, Copy)]
pub struct Scheme {
    /// Behind everything.
    pub paper: &'static str,
    /// Text.
    pub ink: &'static str,
    /// Second-rank text: captions, units.
    pub quiet: &'static str,
    /// Lines between rows.
    pub rule: &'static str,
    /// Behind headings of tables and behind what is set apart.
    pub band: &'static str,
    /// Headings and links.
    pub accent: &'static str,
    /// Edge of a caution.
    pub caution: &'static str,
}

/// By day and on paper. Accent and caution are the plots' inks for above and below.
pub const LIGHT: Scheme = Scheme {
    paper: "#ffffff",
    ink: "#222228",
    quiet: "#56565f",
    rule: "#c9c9d2",
    band: "#f4f2f8",
    accent: "#38206e",
    caution: "#b86200",
};

/// By night.
pub const DARK: Scheme = Scheme {
    paper: "#17171c",
    ink: "#ececf1",
    quiet: "#b4b4c0",
    rule: "#45454f",
    band: "#24232c",
    accent: "#c9b8f5",
    caution: "#f0a23c",
};

/// Text for HTML and XML: markup characters escaped, control characters, which XML forbids, replaced.
pub fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            c => escaped.push(printable(c)),
        }
    }
    escaped
}

/// The character itself, or a stand-in for one that XML forbids or that is invisible.
pub fn printable(c: char) -> char {
    if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') { '\u{b7}' } else { c }
}

/// Text from outside, such as a file's name: escaped, and kept from turning the writing direction of what follows.
pub fn outside(text: &str) -> String {
    format!("<bdi>{}</bdi>", escape(text))
}

/// A whole page. `title` is plain text; `lead`, `main` and `foot` are markup: what stands under the title, the
/// sections, and how the page came to be.
pub fn page(title: &str, lead: &str, main: &str, foot: &str) -> String {
    styled_page(title, lead, main, foot, "")
}

/// The same with style rules of its own, which name colours by the page's variables only.
pub fn styled_page(title: &str, lead: &str, main: &str, foot: &str, rules: &str) -> String {
    let title = escape(title);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n<meta name=\"viewport\" \
         content=\"width=device-width, initial-scale=1\"/>\n<meta name=\"color-scheme\" content=\"light dark\"/>\n\
         <title>{title}</title>\n<style>\n{}{rules}</style>\n</head>\n<body>\n<header>\n<h1>{title}</h1>\n{lead}</header>\n\
         <main>\n{main}</main>\n<footer>\n{foot}</footer>\n</body>\n</html>\n",
        style()
    )
}

/// A section with its heading; `id` is unique on the page, `body` is markup.
pub fn section(id: &str, heading: &str, body: &str) -> String {
    let heading = escape(heading);
    format!("<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{heading}</h2>\n{body}</section>\n")
}

/// A paragraph of plain text.
pub fn paragraph(text: &str) -> String {
    format!("<p>{}</p>\n", escape(&held_together(text)))
}

/// The text with no-break spaces where a line must not end: between a figure, its ± and its unit.
pub fn held_together(text: &str) -> String {
    let mut held = String::with_capacity(text.len());
    let mut before = "";
    for word in text.split(' ') {
        let unit = word.trim_end_matches(['.', ',', ';', ':', ')']);
        let figure = before.ends_with(|c: char| c.is_ascii_digit());
        let glued = before == "±" || unit == "±" || (figure && UNITS.contains(&unit));
        if !held.is_empty() {
            held.push(if glued { '\u{a0}' } else { ' ' });
        }
        held.push_str(word);
        before = word;
    }
    held
}

/// What follows a figure on its line.
const UNITS: [&str; 9] = ["Hz", "kHz", "MHz", "s", "dB", "dBFS", "ppm", "%", "Hz/s"];

/// A picture (SVG that names itself) with a caption in plain text. On a narrow screen it keeps a size at which its
/// lettering can be read and is pushed aside within its own frame.
pub fn figure(svg: &str, caption: &str) -> String {
    let caption = escape(caption);
    format!(
        "<figure>\n<div class=\"wide\" role=\"group\" aria-label=\"{caption}\" tabindex=\"0\">\n{}\n</div>\n\
         <figcaption>{caption}</figcaption>\n</figure>\n",
        svg.trim()
    )
}

/// How a column is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Set {
    /// Figures: to the right, digits of one width.
    Figures,
    /// Words: to the left.
    Words,
    /// The same where they make a sentence, which needs room.
    Sentences,
}

impl Set {
    /// The class of a cell, as an attribute.
    fn attribute(self) -> &'static str {
        match self {
            Self::Figures => " class=\"n\"",
            Self::Words => "",
            Self::Sentences => " class=\"s\"",
        }
    }
}

/// A table with a caption, a header for every column and one for every row (its first cell).
pub struct Table {
    caption: String,
    columns: Vec<(String, Set)>,
    body: String,
}

impl Table {
    /// An empty table; caption and titles are plain text, the unit belongs into the title.
    pub fn new(caption: &str, columns: &[(&str, Set)]) -> Self {
        let columns = columns.iter().map(|(title, set)| (escape(title), *set)).collect();
        Self { caption: escape(caption), columns, body: String::new() }
    }

    /// Adds a row of plain text, one cell per column.
    pub fn row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>) {
        self.marked_row(cells.into_iter().map(|cell| escape(cell.as_ref())), "");
    }

    /// Adds a row of markup; `class` may be empty.
    pub fn marked_row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>, class: &str) {
        let class = if class.is_empty() { String::new() } else { format!(" class=\"{}\"", escape(class)) };
        let _ = write!(self.body, "<tr{class}>");
        for (number, cell) in cells.into_iter().enumerate() {
            let align = self.columns.get(number).map_or(Set::Words, |column| column.1).attribute();
            let cell = cell.as_ref();
            let _ = match number {
                0 => write!(self.body, "<th scope=\"row\"{align}>{cell}</th>"),
                _ => write!(self.body, "<td{align}>{cell}</td>"),
            };
        }
        self.body.push_str("</tr>\n");
    }

    /// The markup. A table that is wider than the screen is pushed aside within its own frame.
    pub fn print(&self) -> String {
        let mut head = String::new();
        for (title, set) in &self.columns {
            let _ = write!(head, "<th scope=\"col\"{}>{title}</th>", set.attribute());
        }
        let caption = &self.caption;
        format!(
            "<div class=\"wide\" role=\"group\" aria-label=\"{caption}\" tabindex=\"0\">\n<table>\n\
             <caption><span>{caption}</span></caption>\n<thead>\n<tr>{head}</tr>\n</thead>\n<tbody>\n{}</tbody>\n</table>\n</div>\n",
            self.body
        )
    }
}

fn style() -> String {
    format!(
        ":root {{ {}color-scheme: light dark; }}\n@media screen and (prefers-color-scheme: dark) {{ :root {{ {}}} }}\n{RULES}",
        variables(&LIGHT),
        variables(&DARK)
    )
}

fn variables(scheme: &Scheme) -> String {
    let Scheme { paper, ink, quiet, rule, band, accent, caution } = scheme;
    format!(
        "--paper: {paper}; --ink: {ink}; --quiet: {quiet}; --rule: {rule}; --band: {band}; --accent: {accent}; \
         --caution: {caution}; "
    )
}

const RULES: &str = "\
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 54rem; padding: 1.5rem 1rem 3rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 system-ui, 'DejaVu Sans', sans-serif; overflow-wrap: break-word; }
h1 { margin: 0 0 .4rem; font-size: 1.6rem; line-height: 1.2; color: var(--accent); }
h3 { margin: 1.6rem 0 .4rem; font-size: 1.02rem; }
h2 { margin: 2.2rem 0 .6rem; padding-top: .5rem; border-top: 3px solid var(--accent); font-size: 1.15rem;
  color: var(--accent); }
p { margin: .5rem 0; max-width: 42rem; }
ul { margin: .5rem 0; padding-left: 1.2rem; }
li { margin: .25rem 0; max-width: 41rem; }
header p, footer, figcaption, caption { color: var(--quiet); }
footer { margin-top: 2.5rem; padding-top: .6rem; border-top: 1px solid var(--rule); font-size: .875rem; }
code { font-family: ui-monospace, 'DejaVu Sans Mono', monospace; font-size: .95em; }
.answer { margin: 1rem 0; padding: .7rem 1rem; background: var(--band); border-left: 6px solid var(--accent);
  font-size: 1.25rem; font-variant-numeric: tabular-nums; max-width: none; }
.caution { margin: .6rem 0; padding: .4rem .8rem; border-left: 6px solid var(--caution); max-width: none; }
.wide { overflow-x: auto; margin: .8rem 0;
  background: linear-gradient(to right, var(--paper) 40%, transparent) left / 2.5rem 100% no-repeat local,
    linear-gradient(to left, var(--paper) 40%, transparent) right / 2.5rem 100% no-repeat local,
    linear-gradient(to right, var(--rule), transparent) left / .5rem 100% no-repeat scroll,
    linear-gradient(to left, var(--rule), transparent) right / .5rem 100% no-repeat scroll; }
.wide:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }
figure { margin: 1rem 0; }
figure svg { display: block; width: 100%; height: auto; min-width: 35rem; background: #ffffff; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: .9375rem; }
caption { text-align: left; padding-bottom: .3rem; }
caption span { display: inline-block; max-width: calc(100vw - 2rem); }
th, td { padding: .3rem .6rem; border-bottom: 1px solid var(--rule); text-align: left; vertical-align: top; }
thead th { background: var(--band); border-bottom: 2px solid var(--rule); vertical-align: bottom; }
tbody th { font-weight: 600; }
th.n, td.n { text-align: right; }
td.n, tbody th.n { white-space: nowrap; }
thead th.n { min-width: 4.2rem; }
thead th.s { min-width: 10rem; }
tr.struck td, tr.struck th { text-decoration: line-through; color: var(--quiet); }
tr.struck strong { display: inline-block; text-decoration: none; color: var(--ink); }
tr.total td, tr.total th { border-top: 2px solid var(--ink); font-weight: 600; }
@media screen and (max-width: 44rem) {
  table { font-size: .8125rem; }
  th, td { padding: .25rem .35rem; }
  tbody th:not(.n), td:last-child:not(.n) { min-width: 7.5rem; }
}
@media print {
  @page { margin: 16mm 14mm; }
  :root { font-size: 10pt; }
  body, p, li { max-width: none; }
  body { padding: 0; }
  h2, h3, caption, h3 + p { break-after: avoid; }
  figure, tr, .answer, .caution { break-inside: avoid; }
  thead { display: table-header-group; break-after: avoid; }
  .wide { overflow: visible; break-inside: avoid; background: none; }
  h2 { margin-top: 1.3rem; }
  footer { margin-top: 1rem; }
  figure svg { min-width: 0; max-width: 130mm; }
  .answer, thead th { print-color-adjust: exact; }
}
";

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Relative luminance of an sRGB colour (WCAG 2.2, "relative luminance").
    fn luminance(hex: &str) -> f64 {
        let channel = |at: usize| {
            let c = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    /// Contrast ratio (WCAG 2.2, "contrast ratio").
    pub fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The ratio itself is tried on figures from outside: black on white is 21 by its definition, and #767676 is the
    /// lightest grey that has 4.5 on white (W3C, Understanding SC 1.4.3; #777777 has 4.48).
    #[test]
    fn text_stands_out_by_day_and_by_night() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!(
            (contrast("#777777", "#ffffff") - 4.48).abs() < 0.005 && contrast("#767676", "#ffffff") >= 4.5
        );
        for scheme in [LIGHT, DARK] {
            for ground in [scheme.paper, scheme.band] {
                // 7 and 4.5: success criteria 1.4.6 and 1.4.3; 3 for what is no text: 1.4.11.
                assert!(contrast(scheme.ink, ground) >= 7.0);
                assert!(contrast(scheme.quiet, ground) >= 4.5);
                assert!(contrast(scheme.accent, ground) >= 4.5);
                assert!(contrast(scheme.caution, ground) >= 3.0);
            }
        }
    }

    /// No colour gets into a page but those that are checked, and white behind a picture.
    #[test]
    fn every_colour_of_the_style_is_checked() {
        let rules = style();
        let known: Vec<&str> = [LIGHT, DARK]
            .iter()
            .flat_map(|s| [s.paper, s.ink, s.quiet, s.rule, s.band, s.accent, s.caution])
            .collect();
        for (at, _) in rules.match_indices('#') {
            assert!(known.contains(&&rules[at..at + 7]), "{}", &rules[at..at + 7]);
        }
        assert!(!rules.contains("rgb(") && !rules.contains("url(") && !rules.contains("@import"));
    }

    #[test]
    fn a_figure_keeps_its_unit_on_its_line() {
        let held = held_together("from 38.6 ± 0.1 Hz at 3.2 s, which is (95 %). It is so");
        assert_eq!(held.replace('\u{a0}', "_"), "from 38.6_±_0.1_Hz at 3.2_s, which is (95_%). It is so");
    }

    #[test]
    fn outside_text_can_not_break_out() {
        let mut table = Table::new("a < b", &[("<u>", Set::Words), ("f (Hz)", Set::Figures)]);
        table.row(["</td><script>", "1"]);
        let main =
            section("one", "1 & 2", &(paragraph("\u{1}\"<b>") + &outside("x\u{202e}<y>") + &table.print()));
        let page = page("<title>", "", &main, "");
        let read = roxmltree::Document::parse_with_options(
            &page,
            roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() },
        )
        .unwrap();
        let tags: Vec<&str> = read.descendants().map(|node| node.tag_name().name()).collect();
        assert!(!tags.contains(&"script") && !tags.contains(&"b") && !tags.contains(&"u"));
        let cell =
            read.descendants().find(|node| node.has_tag_name("th") && node.attribute("scope") == Some("row"));
        assert_eq!(cell.and_then(|cell| cell.text()), Some("</td><script>"));
    }
}
