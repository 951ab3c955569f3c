//! A recording's answer as a page: the story, the pictures, the tables, what is doubtful, and how to read it.

use super::html::{self, Set, Table, escape, outside, paragraph};
use super::lines::instant;
use super::plot::{self, PlotError};
use super::text::{
    clock_in_words, crossing_in_words, ending_in_words, hertz, level_in_words, remark, rest_cells, story,
};
use crate::heard::{EndingState, Heard, Rest, TrackRow};
use crate::measured::value_and_u;
use crate::offset::Hand;
use crate::task::analyse::Analysis;
use crate::task::lens::Lens;
use std::fmt::Write;

/// What else is known of a recording.
#[derive(Debug, Clone, Copy, Default)]
pub struct Origin<'a> {
    /// SHA-256 of the file, hexadecimal; none for a pipe.
    pub sha256: Option<&'a str>,
    /// When the page was made, UTC.
    pub made: Option<&'a str>,
}

/// The whole page. `lenses` holds the phase of the rests, as far as it was looked at.
///
/// # Errors
/// When a plot can't be drawn.
pub fn analysis(
    told: &Analysis,
    trail: &[TrackRow],
    lenses: &[Lens],
    hand: Hand,
    origin: Origin,
) -> Result<String, PlotError> {
    let heard = &told.heard;
    let mut main =
        format!("<p class=\"answer\">{}</p>\n", escape(&html::held_together(&answer(heard, hand))));
    main += &html::section("story", "What was heard", &story_in_words(heard, trail, hand));
    let fall = plot::descent_svg(told, trail, hand)?;
    let caption = "The offset, to a logarithmic scale, against time. Triangles tell the side: pointing up, the meter is \
                   above the signal.";
    main += &html::section("fall", "The fall", &html::figure(&fall, caption));
    if !heard.rests.is_empty() {
        main += &html::section("rests", "Rests", &rests(told, hand));
        main += &html::section("budget", "What the uncertainty is made of", &budget(told));
    }
    if !lenses.is_empty() {
        let mut body = paragraph(
            "The phase of the note against the steady drift stated above. Scatter without shape is noise; a slow curve \
             is the oscillators' wander, a regular ripple another line near the note; a slope at an end would mean that \
             the hand was still moving.",
        );
        for lens in lenses {
            let caption = format!("Rest {}: phase left over, in degrees, against time", lens.number);
            body += &html::figure(&plot::lens_svg(lens)?, &caption);
        }
        main += &html::section("lens", "The rests under the lens", &body);
    }
    main += &html::section("beside", "Hum, level and what else was on the line", &beside(heard));
    main += &html::section("cautions", "Cautions", &cautions(told));
    main += &html::section("reading", "How to read this", READING);
    let input = &told.input;
    let lead = format!(
        "<p>{}: {:.2} s, {} Hz, {}, channel {} of {}</p>\n",
        outside(&input.path),
        input.duration_s,
        input.sample_rate_hz,
        escape(&input.format),
        input.channel_used,
        input.channels
    );
    let name = std::path::Path::new(&input.path);
    let name =
        name.file_name().map_or_else(|| input.path.clone(), |name| name.to_string_lossy().into_owned());
    Ok(html::page(&format!("Beat note in {name}"), &lead, &main, &foot(origin)))
}

const READING: &str = "\
<ul>
<li>The offset is the size of the beat, <i>b = H·f(meter) − K·f(signal)</i>. Sound tells its size; the side comes from
which oscillator was turned which way.</li>
<li>± is one standard uncertainty unless it says otherwise. It holds noise and the oscillators' wander within the rest,
not the clock of the sound card, which is common to the whole recording.</li>
<li>A rest is a stretch of half a second or more in which the note stands still or drifts by less than 0.2 Hz a
second. Its drift is positive when the note moves away from zero.</li>
<li>Where nothing is heard near zero the page gives a bound. It never takes silence for zero.</li>
<li>The signal's frequency comes from the offset together with the dial's reading: <code>hushbeat correct</code>.</li>
</ul>
";

/// The result in one line.
fn answer(heard: &Heard, hand: Hand) -> String {
    match (heard.ending.state, heard.rests.last()) {
        (EndingState::DeadBand, _) | (_, None) => ending_in_words(&heard.ending, &heard.rests, hand)
            .split_inclusive(". ")
            .next()
            .unwrap_or_default()
            .trim_end()
            .to_owned(),
        (_, Some(rest)) => hand.side_in_words(rest.side, &hertz(rest.offset_hz, rest.u_hz)),
    }
}

fn story_in_words(heard: &Heard, trail: &[TrackRow], hand: Hand) -> String {
    let mut sentences = Vec::new();
    if heard.ending.state != EndingState::Quiet {
        sentences.extend(story(trail));
    }
    sentences.extend(heard.crossings.iter().map(crossing_in_words));
    sentences.push(ending_in_words(&heard.ending, &heard.rests, hand));
    sentences.iter().map(|sentence| paragraph(sentence)).collect()
}

fn rests(told: &Analysis, hand: Hand) -> String {
    let columns = [
        ("rest", Set::Figures),
        ("offset (Hz)", Set::Figures),
        ("± (Hz)", Set::Figures),
        ("side", Set::Words),
        ("from (s)", Set::Figures),
        ("to (s)", Set::Figures),
        ("drift (Hz/s)", Set::Figures),
        ("± (Hz/s)", Set::Figures),
        ("SNR (dB)", Set::Figures),
    ];
    let mut table = Table::new("Every rest, with one standard uncertainty", &columns);
    for (rest, number) in told.heard.rests.iter().zip(1..) {
        // What is looked for first stands first: on a narrow screen the rest is pushed aside.
        let [number, from, to, offset, u, rate, rate_u, snr, side] = rest_cells(number, rest, hand);
        table.row([number, offset, u, side, from, to, rate, rate_u, snr]);
    }
    let remarks = told.heard.rests.iter().zip(1..).filter_map(|(rest, number)| remark(number, rest));
    let clock = clock_in_words(&told.input.clock, &told.heard.rests);
    clock.into_iter().chain(remarks).fold(table.print(), |text, sentence| text + &paragraph(&sentence))
}

/// The parts of each rest's uncertainty, the card's clock among them, in Hz.
fn budget(told: &Analysis) -> String {
    let columns = [
        ("rest", Set::Figures),
        ("together (Hz)", Set::Figures),
        ("noise (Hz)", Set::Figures),
        ("wander (Hz)", Set::Figures),
        ("undoing the pull, noise in it (Hz)", Set::Figures),
        ("sound card's clock (Hz)", Set::Figures),
    ];
    let mut table = Table::new(
        "Standard uncertainties of each offset and the root of the sum of their squares, the clock in it",
        &columns,
    );
    let clock_u = told.input.clock.u_ppm * 1e-6;
    let cell = |u: f64| if u > 0.0 { value_and_u(0.0, u).1 } else { "–".to_owned() };
    for (rest, number) in told.heard.rests.iter().zip(1..) {
        let parts = parts(rest, clock_u);
        let together = parts.iter().map(|u| u * u).sum::<f64>().sqrt();
        table.row([number.to_string(), cell(together)].into_iter().chain(parts.map(cell)));
    }
    table.print()
}

/// Noise, wander, undoing the pull, the card's clock; Hz. Where a pull was undone, the noise is in what that leaves open.
fn parts(rest: &Rest, clock_u: f64) -> [f64; 4] {
    let (noise, pull) = if rest.pulled.is_some() { (0.0, rest.u_noise_hz) } else { (rest.u_noise_hz, 0.0) };
    [noise, rest.u_wander_hz, pull, rest.offset_hz * clock_u]
}

fn beside(heard: &Heard) -> String {
    let columns = [
        ("what", Set::Words),
        ("frequency (Hz)", Set::Figures),
        ("level (dBFS)", Set::Figures),
        ("remark", Set::Words),
    ];
    let mut table = Table::new("Lines that are not the beat", &columns);
    if let Some(hum) = &heard.hum {
        let orders: Vec<String> = hum.harmonics.iter().map(u32::to_string).collect();
        let (frequency, u) = value_and_u(hum.fundamental_hz, hum.u_hz);
        table.row([
            "mains hum",
            &format!("{frequency} ± {u}"),
            &format!("{:.0}", hum.level_db),
            &format!("harmonics {}", orders.join(" ")),
        ]);
    }
    for note in &heard.steady_notes {
        let (frequency, u) = value_and_u(note.frequency_hz, note.u_hz);
        let level = format!("{:.0}", note.level_db);
        table.row(["steady note", &format!("{frequency} ± {u}"), &level, &note.why]);
    }
    let none = heard.hum.is_none() && heard.steady_notes.is_empty();
    let table =
        if none { paragraph("Neither hum nor another steady note stood out.") } else { table.print() };
    table + &paragraph(&level_in_words(&heard.level))
}

fn cautions(told: &Analysis) -> String {
    let mut text = String::new();
    for warning in &told.heard.warnings {
        // Writing to a String can't fail.
        let (code, message) = (escape(&warning.code), escape(&warning.message));
        let _ = writeln!(text, "<p class=\"caution\"><strong>{code}</strong>: {message}</p>");
    }
    for note in &told.input.notes {
        text += &paragraph(&format!("Mended while reading: {note}."));
    }
    if text.is_empty() { paragraph("Nothing about this recording is doubtful.") } else { text }
}

fn foot(origin: Origin) -> String {
    let program = concat!("hushbeat ", env!("CARGO_PKG_VERSION"));
    let made = origin.made.map_or_else(String::new, |made| format!(" on {}", escape(&instant(made))));
    let mut text = format!("<p>Made by {program}{made}.</p>\n");
    if let Some(sha256) = origin.sha256 {
        let _ = writeln!(text, "<p>SHA-256 of the recording: <code>{}</code></p>", escape(sha256));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;
    use crate::report::html::tests::contrast;
    use roxmltree::{Document, Node, ParsingOptions};
    use std::collections::BTreeSet;

    fn lenses(told: &Analysis) -> Vec<Lens> {
        let lens = |(rest, number): (&Rest, usize)| {
            let points = (0..100u32).map(|k| {
                let part = f64::from(k) / 100.0;
                (rest.start_s + part * (rest.end_s - rest.start_s), 3.0 * (part * 40.0).sin())
            });
            Lens { number, rest: rest.clone(), points: points.collect(), rms_deg: 2.1 }
        };
        told.heard.rests.iter().zip(1..).map(lens).collect()
    }

    fn pages() -> Vec<(&'static str, String)> {
        let page = |(name, (told, trail)): (&'static str, (Analysis, Vec<TrackRow>))| {
            let origin = Origin { sha256: Some("ab12"), made: Some("2026-11-19T20:41:07Z") };
            (name, analysis(&told, &trail, &lenses(&told), Hand::Meter, origin).unwrap())
        };
        example::all().into_iter().map(page).collect()
    }

    fn read(page: &str) -> Document<'_> {
        Document::parse_with_options(page, ParsingOptions { allow_dtd: true, ..Default::default() }).unwrap()
    }

    fn all<'a, 'b: 'a>(page: &'a Document<'b>, tag: &'a str) -> impl Iterator<Item = Node<'a, 'b>> {
        page.descendants().filter(move |node| node.tag_name().name() == tag)
    }

    fn words(node: Node) -> String {
        node.descendants().filter_map(|node| node.text()).collect()
    }

    /// What a screen reader goes by (HTML standard and ARIA): landmarks once each, headings without a jump, every
    /// section named by its heading, no name twice, and nothing fetched or run.
    #[test]
    fn pages_have_landmarks_headings_and_nothing_from_elsewhere() {
        for (name, text) in pages() {
            let page = read(&text);
            assert_eq!(page.root_element().attribute("lang"), Some("en"), "{name}");
            for landmark in ["header", "main", "footer", "h1"] {
                assert_eq!(all(&page, landmark).count(), 1, "{name}: {landmark}");
            }
            let mut level = 0;
            for node in page.descendants() {
                let Some(digit) = node.tag_name().name().strip_prefix('h') else { continue };
                let Ok(next) = digit.parse::<u32>() else { continue };
                assert!(next <= level + 1, "{name}: h{level} is followed by h{next}");
                level = next;
            }
            let mut names = BTreeSet::new();
            for id in page.descendants().filter_map(|node| node.attribute("id")) {
                assert!(names.insert(id), "{name}: two of {id}");
            }
            assert!(all(&page, "section").count() >= 5);
            for node in page.descendants() {
                for id in node.attribute("aria-labelledby").unwrap_or_default().split_whitespace() {
                    assert!(names.contains(id), "{name}: nothing is called {id}");
                }
                assert!(node.tag_name().name() != "section" || node.has_attribute("aria-labelledby"));
                for way in ["src", "href", "action", "data", "srcset", "onclick", "onload"] {
                    assert!(!node.has_attribute(way), "{name}: {way}");
                }
                for tag in ["script", "link", "iframe", "object", "img"] {
                    assert_ne!(node.tag_name().name(), tag, "{name}");
                }
            }
        }
    }

    /// Every column and every row of every table has its header, and every table its caption.
    #[test]
    fn tables_have_captions_and_headers() {
        let mut tables = 0;
        for (name, text) in pages() {
            let page = read(&text);
            for table in all(&page, "table") {
                tables += 1;
                let children =
                    |of: Node<'_, '_>, tag: &str| of.descendants().filter(|n| n.has_tag_name(tag)).count();
                assert!(!words(table.first_element_child().unwrap()).trim().is_empty(), "{name}");
                let head = table.descendants().find(|node| node.has_tag_name("thead")).unwrap();
                let columns = children(head, "th");
                assert!(
                    head.descendants()
                        .filter(|n| n.has_tag_name("th"))
                        .all(|n| n.attribute("scope") == Some("col"))
                );
                let body = table.descendants().find(|node| node.has_tag_name("tbody")).unwrap();
                for row in body.descendants().filter(|node| node.has_tag_name("tr")) {
                    let first = row.first_element_child().unwrap();
                    assert_eq!(
                        (first.tag_name().name(), first.attribute("scope")),
                        ("th", Some("row")),
                        "{name}"
                    );
                    assert_eq!(children(row, "td") + children(row, "th"), columns, "{name}");
                }
            }
        }
        assert!(tables > 10);
    }

    /// The parts of an uncertainty make up the whole, to the digits of the examples: nothing counts twice.
    #[test]
    fn the_parts_make_up_the_whole() {
        let rests = example::all().into_iter().flat_map(|(_, (told, _))| told.heard.rests);
        let mut pulled = 0;
        for rest in rests {
            let whole = parts(&rest, 0.0).iter().map(|u| u * u).sum::<f64>().sqrt();
            assert!((whole / rest.u_hz - 1.0).abs() < 0.01, "{whole}: {rest:?}");
            pulled += usize::from(rest.pulled.is_some());
        }
        assert!(pulled > 0);
    }

    /// Every picture has a name and a description that says what is to be seen, and its lettering stands out from its
    /// white ground (4.5, WCAG 2.2, 1.4.3).
    #[test]
    fn pictures_are_described_and_can_be_read() {
        let mut letters = 0;
        for (name, text) in pages() {
            let page = read(&text);
            for picture in all(&page, "svg") {
                assert_eq!(picture.attribute("role"), Some("img"));
                let part =
                    |tag: &str| picture.children().find(|node| node.tag_name().name() == tag).map(words);
                assert!(part("title").is_some_and(|title| title.len() > 5), "{name}");
                assert!(part("desc").is_some_and(|about| about.len() > 60), "{name}");
            }
            for node in all(&page, "text") {
                letters += 1;
                let colour = node.attribute("fill").unwrap();
                assert!(contrast(&colour.to_lowercase(), "#ffffff") >= 4.5, "{name}: {colour}");
            }
        }
        assert!(letters > 100);
    }

    #[test]
    fn the_page_says_what_the_text_says() {
        let (told, trail) = example::pulled();
        let origin = Origin::default();
        let page = analysis(&told, &trail, &[], Hand::Meter, origin).unwrap();
        // The picture has a snapshot of its own.
        let (before, rest) = page.split_once("<svg").unwrap();
        let after = rest.split_once("</svg>").unwrap().1;
        insta::assert_snapshot!(format!("{}(picture){after}", before.split_once("</style>").unwrap().1));
        // To look at them: HUSHBEAT_PLOTS=folder cargo test the_page_says
        if let Some(folder) = std::env::var_os("HUSHBEAT_PLOTS") {
            for (name, page) in pages() {
                std::fs::write(std::path::Path::new(&folder).join(format!("{name}.html")), page).unwrap();
            }
        }
    }

    #[test]
    fn outside_text_can_not_break_out_of_the_page() {
        let (mut told, trail) = example::fall_to_rest();
        told.input.path = "a</title><script>alert(1)</script>\u{202e}.wav".to_owned();
        told.input.notes = vec!["<img src=x>".to_owned()];
        let text = analysis(&told, &trail, &[], Hand::Meter, Origin::default()).unwrap();
        assert!(!text.contains("<script") && !text.contains("<img"));
        read(&text);
    }

    /// Noise 3 Hz, wander 4 Hz and no clock make 5 Hz.
    #[test]
    fn parts_make_the_whole() {
        let (mut told, _) = example::fall_to_rest();
        told.input.clock.u_ppm = 0.0;
        told.heard.rests.truncate(1);
        (told.heard.rests[0].u_noise_hz, told.heard.rests[0].u_wander_hz) = (3.0, 4.0);
        let whole = "<th scope=\"row\" class=\"n\">1</th><td class=\"n\">5.0</td>";
        assert!(budget(&told).contains(whole), "{}", budget(&told));
    }
}
