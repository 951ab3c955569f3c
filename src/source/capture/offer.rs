//! What an input offers, and the choice among it.

use cpal::{SampleFormat, SupportedBufferSize, SupportedStreamConfigRange};

/// What the user needs of an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Wish {
    /// Frames per second, Hz, where it matters.
    pub rate_hz: Option<u32>,
    /// The channel that must be there, counted from 1.
    pub channel: Option<u16>,
}

/// Why nothing that an input offers will do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Mismatch {
    /// It offers nothing at all.
    NothingOffered,
    /// None of its sample formats is ours.
    Format,
    /// Not at this rate.
    Rate {
        /// Rate asked for, Hz.
        wanted: u32,
        /// Spans of rates that there are, Hz.
        offered: Vec<(u32, u32)>,
    },
    /// Not so many channels.
    Channels {
        /// Channel asked for, counted from 1.
        wanted: u16,
        /// Channels that there are.
        most: u16,
    },
}

/// The way an input is to be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Chosen {
    pub rate_hz: u32,
    pub channels: u16,
    pub format: SampleFormat,
    pub buffer: SupportedBufferSize,
}

/// The formats that are read, best first: 24-bit cards give 32-bit integers, and whatever converts does it exactly.
const FORMATS: [SampleFormat; 3] = [SampleFormat::I32, SampleFormat::F32, SampleFormat::I16];

/// What every card can do and what leaves the whole audio band in, Hz.
const USUAL_RATE_HZ: u32 = 48_000;

/// Picks among what is offered: the rate that is asked for or else the usual one or the nearest to it, two channels
/// (a phone plug may bring the note on either) or as many as the channel asked for needs, and the best format.
pub(super) fn choose(offered: &[SupportedStreamConfigRange], wish: Wish) -> Result<Chosen, Mismatch> {
    if offered.is_empty() {
        return Err(Mismatch::NothingOffered);
    }
    let readable: Vec<_> = offered.iter().filter(|o| FORMATS.contains(&o.sample_format())).collect();
    let most = readable.iter().map(|o| o.channels()).max().ok_or(Mismatch::Format)?;
    if let Some(wanted) = wish.channel.filter(|&wanted| wanted > most) {
        return Err(Mismatch::Channels { wanted, most });
    }
    let least = wish.channel.unwrap_or(1).max(1);
    let target = wish.rate_hz.unwrap_or(USUAL_RATE_HZ);
    let rate_of = |o: &SupportedStreamConfigRange| target.clamp(o.min_sample_rate(), o.max_sample_rate());
    let best = readable
        .iter()
        .filter(|o| o.channels() >= least)
        .filter(|o| wish.rate_hz.is_none_or(|rate| rate_of(o) == rate))
        .min_by_key(|o| {
            let off_rate = rate_of(o).abs_diff(target);
            let channels = if o.channels() < 2.max(least) { u16::MAX } else { o.channels() };
            let format = FORMATS.iter().position(|&f| f == o.sample_format());
            (off_rate, channels, format)
        })
        .ok_or_else(|| Mismatch::Rate { wanted: target, offered: rates(offered) })?;
    Ok(Chosen {
        rate_hz: rate_of(best),
        channels: best.channels(),
        format: best.sample_format(),
        buffer: *best.buffer_size(),
    })
}

/// The spans of rates offered, Hz, each once, in order.
pub(super) fn rates(offered: &[SupportedStreamConfigRange]) -> Vec<(u32, u32)> {
    let mut rates: Vec<_> = offered.iter().map(|o| (o.min_sample_rate(), o.max_sample_rate())).collect();
    rates.sort_unstable();
    rates.dedup();
    rates
}

/// The channel counts offered, as spans.
pub(super) fn channels(offered: &[SupportedStreamConfigRange]) -> Vec<(u32, u32)> {
    let mut counts: Vec<u32> = offered.iter().map(|o| u32::from(o.channels())).collect();
    counts.sort_unstable();
    counts.dedup();
    let mut spans: Vec<(u32, u32)> = Vec::new();
    for count in counts {
        match spans.last_mut() {
            Some((_, last)) if *last + 1 == count => *last = count,
            _ => spans.push((count, count)),
        }
    }
    spans
}

/// Spans in words: `8000, 16000 to 48000`.
pub fn spans(spans: &[(u32, u32)]) -> String {
    let words =
        |&(from, to): &(u32, u32)| if from == to { from.to_string() } else { format!("{from} to {to}") };
    spans.iter().map(words).collect::<Vec<_>>().join(", ")
}

/// A sample format in words.
pub(super) fn format_words(format: SampleFormat) -> &'static str {
    match format {
        SampleFormat::I16 => "16-bit integer",
        SampleFormat::I32 => "32-bit integer",
        _ => "32-bit float",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offer(channels: u16, rates: (u32, u32), format: SampleFormat) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, rates.0, rates.1, SupportedBufferSize::Unknown, format)
    }

    #[test]
    fn the_usual_rate_two_channels_and_the_widest_format_are_preferred() {
        let offered = [
            offer(1, (44_100, 44_100), SampleFormat::I32),
            offer(2, (44_100, 44_100), SampleFormat::I16),
            offer(2, (48_000, 48_000), SampleFormat::I16),
            offer(2, (48_000, 48_000), SampleFormat::I32),
            offer(8, (48_000, 48_000), SampleFormat::I32),
            offer(2, (192_000, 192_000), SampleFormat::I32),
        ];
        let chosen = choose(&offered, Wish::default()).expect("plenty is offered");
        assert_eq!((chosen.rate_hz, chosen.channels, chosen.format), (48_000, 2, SampleFormat::I32));
        let fourth = choose(&offered, Wish { channel: Some(4), rate_hz: None }).expect("eight channels");
        assert_eq!(fourth.channels, 8);
        let slow = choose(&offered, Wish { channel: None, rate_hz: Some(44_100) }).expect("offered");
        assert_eq!((slow.rate_hz, slow.channels, slow.format), (44_100, 2, SampleFormat::I16));
    }

    #[test]
    fn a_single_channel_and_a_span_of_rates_will_do() {
        let offered = [offer(1, (8000, 32_000), SampleFormat::F32)];
        let chosen = choose(&offered, Wish::default()).expect("offered");
        assert_eq!((chosen.rate_hz, chosen.channels, chosen.format), (32_000, 1, SampleFormat::F32));
    }

    #[test]
    fn what_is_not_there_is_named() {
        let offered = [offer(2, (8000, 48_000), SampleFormat::I16), offer(2, (8000, 8000), SampleFormat::U8)];
        let wish = |rate_hz, channel| choose(&offered, Wish { rate_hz, channel }).expect_err("not offered");
        assert_eq!(
            wish(Some(96_000), None),
            Mismatch::Rate { wanted: 96_000, offered: vec![(8000, 8000), (8000, 48_000)] }
        );
        assert_eq!(wish(None, Some(3)), Mismatch::Channels { wanted: 3, most: 2 });
        assert_eq!(choose(&offered[1..], Wish::default()), Err(Mismatch::Format));
        assert_eq!(choose(&[], Wish::default()), Err(Mismatch::NothingOffered));
        assert_eq!(spans(&channels(&[offered[0], offer(1, (1, 2), SampleFormat::I16)])), "1 to 2");
    }
}
