//! The chunks of a WAV file up to its samples: RIFF, RIFX (big-endian), RF64 and BW64.
//!
//! Layout after the Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft, 1991), the
//! extensible format after Microsoft's `WAVEFORMATEXTENSIBLE`, the 64-bit sizes after EBU Tech 3306, all as the
//! common readers and writers practise them. The size of the whole is never believed; everything that is mended is
//! told in a note.

use super::fault::Fault;
use super::lookahead::Lookahead;
use super::sample::Encoding;
use crate::block::StreamFormat;

/// More channels than any recorder has (common practice, no source): a damaged header.
const MOST_CHANNELS: u16 = 1024;
/// Rates between which a beat note can be looked for, Hz.
const RATES_HZ: std::ops::RangeInclusive<u32> = 400..=1_000_000;
/// A data length from here on that the file does not have was never filled in by its recorder.
const PLACEHOLDERS_FROM: u64 = 0x7FFF_0000;
/// The longest chunk believed to follow an empty data chunk where the length of the stream is not known, bytes.
const LONGEST_TRAILER: u64 = 1 << 20;

/// Missing pad bytes are told for so many chunks.
const MOST_NOTES: usize = 8;

/// What stands before the samples.
#[derive(Debug)]
pub(super) struct Header {
    pub big_endian: bool,
    pub format: StreamFormat,
    pub encoding: Encoding,
    pub words: String,
    /// Bytes of sound that the header promises; `None`: as far as the stream goes.
    pub data_bytes: Option<u64>,
    /// A data length that is so long that a killed recorder may have left it behind.
    pub may_be_placeholder: bool,
    pub notes: Vec<String>,
}

/// Reads the chunks up to the first sample. `total` is the length of the whole stream in bytes, where known.
pub(super) fn read(input: &mut Lookahead, total: Option<u64>) -> Result<Header, Fault> {
    let mut form = [0; 12];
    input.fill(&mut form)?;
    let big_endian = form[..4] == *b"RIFX";
    let long = matches!(&form[..4], b"RF64" | b"BW64");
    if form[8..] != *b"WAVE" {
        return Err(Fault::NotAWave);
    }
    let u32_of: fn([u8; 4]) -> u32 = if big_endian { u32::from_be_bytes } else { u32::from_le_bytes };
    let mut notes = Vec::new();
    let mut layout = None;
    let mut long_data = None;
    loop {
        let at = input.position();
        let mut head = [0; 8];
        if input.fill(&mut head)? < head.len() {
            return Err(if layout.is_some() { Fault::NoData } else { Fault::NoFormat });
        }
        let [i0, i1, i2, i3, sizes @ ..] = head;
        let (id, size) = ([i0, i1, i2, i3], u32_of(sizes));
        match &id {
            b"data" => {
                let Layout { format, encoding, words } = layout.ok_or(Fault::NoFormat)?;
                let (data_bytes, may_be_placeholder) =
                    extent(input, u32_of, size, long_data, total, &mut notes)?;
                return Ok(Header {
                    big_endian,
                    format,
                    encoding,
                    words,
                    data_bytes,
                    may_be_placeholder,
                    notes,
                });
            }
            b"fmt " if layout.is_none() => {
                let mut bytes = [0; 40];
                let held = bytes.len().min(size as usize);
                let got = input.fill(&mut bytes[..held])?;
                layout = Some(Fields::parse(&bytes[..got], big_endian)?.layout(big_endian, &mut notes)?);
                input.skip(u64::from(size) - held as u64)?;
            }
            b"ds64" if long && size >= 16 => {
                let mut sizes = [0; 16];
                input.fill(&mut sizes)?;
                let [_, _, _, _, _, _, _, _, data @ ..] = sizes;
                long_data = Some(u64::from_le_bytes(data));
                input.skip(u64::from(size) - 16)?;
            }
            _ if !id.iter().all(|&b| (0x20..0x7F).contains(&b)) => return Err(Fault::LostTrack { at }),
            _ => {
                input.skip(u64::from(size))?;
            }
        }
        if size % 2 == 1 {
            skip_pad(input, id, &mut notes)?;
        }
    }
}

/// Refuses a rate or a channel count that no recording has.
pub(super) fn check(format: StreamFormat) -> Result<(), Fault> {
    if format.channels == 0 || format.channels > MOST_CHANNELS {
        return Err(Fault::Channels(format.channels));
    }
    if !RATES_HZ.contains(&format.rate_hz) {
        return Err(Fault::Rate(format.rate_hz));
    }
    Ok(())
}

/// Drops the byte that evens a chunk out, unless the writer left it out.
fn skip_pad(input: &mut Lookahead, id: [u8; 4], notes: &mut Vec<String>) -> Result<(), Fault> {
    let next = input.peek(5)?;
    let missing = next.len() == 5
        && next[0] != 0
        && next[..4].iter().copied().all(is_id_byte)
        && !matches!(&next[1..], b"fmt " | b"data" | b"fact" | b"LIST" | b"JUNK");
    if missing {
        let note = format!("the pad byte after the odd chunk `{}` is missing", id.escape_ascii());
        // A damaged file may have very many of them.
        if notes.len() < MOST_NOTES && !notes.contains(&note) {
            notes.push(note);
        }
    } else {
        input.skip(1)?;
    }
    Ok(())
}

/// A byte that chunk names in use are made of.
fn is_id_byte(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b' '
}

/// How many bytes of sound follow: the header's word, or `None` where it has none worth having; and whether the word
/// may be a placeholder.
fn extent(
    input: &mut Lookahead,
    u32_of: fn([u8; 4]) -> u32,
    size: u32,
    long_data: Option<u64>,
    total: Option<u64>,
    notes: &mut Vec<String>,
) -> Result<(Option<u64>, bool), Fault> {
    // What killed and streaming recorders leave: all ones (or so many less than a header), a magic number that says
    // "unspecified", or the largest size that a signed reader takes.
    const UNSPECIFIED: [u32; 2] = [0x7FFF_F000, 0x8000_0000];
    const STREAMED_FROM: u32 = 0xFFFF_FF00;
    let size = match (size, long_data) {
        (u32::MAX, Some(long)) if long != 0 && long != u64::MAX => return Ok((Some(long), false)),
        (STREAMED_FROM.., _) => None,
        (size, _) if UNSPECIFIED.contains(&size) => None,
        // Nothing was filled in. Either nothing follows, or other chunks do, or else the sound.
        (0, _) => {
            let left = total.map_or(LONGEST_TRAILER, |total| total.saturating_sub(input.position()));
            let ends_here = match *input.peek(8)? {
                [i0, i1, i2, i3, s0, s1, s2, s3] => {
                    [i0, i1, i2, i3].into_iter().all(is_id_byte)
                        && u64::from(u32_of([s0, s1, s2, s3])) <= left
                }
                ref end => end.is_empty(),
            };
            ends_here.then_some(0)
        }
        (size, _) => Some(u64::from(size)),
    };
    if size.is_none() {
        notes.push(
            "the header tells no length, as a streaming or killed recorder leaves it: read to the end".into(),
        );
    }
    Ok((size, size.is_some_and(|size| size >= PLACEHOLDERS_FROM)))
}

/// The fields of a `fmt ` chunk that matter.
struct Fields {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    block_align: u16,
    bits: u16,
    extensible: bool,
}

impl Fields {
    fn parse(bytes: &[u8], big_endian: bool) -> Result<Self, Fault> {
        let u16_at = |at: usize| -> Option<u16> {
            let pair = [*bytes.get(at)?, *bytes.get(at + 1)?];
            Some(if big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) })
        };
        let field = |at| u16_at(at).ok_or(Fault::ShortFormat);
        let (first, second) = (u32::from(field(4)?), u32::from(field(6)?));
        let rate_hz = if big_endian { first << 16 | second } else { second << 16 | first };
        let mut fields = Self {
            tag: field(0)?,
            channels: field(2)?,
            rate_hz,
            block_align: field(12)?,
            bits: field(14)?,
            extensible: false,
        };
        if fields.tag == 0xFFFE {
            // Valid bits at 18, the speakers at 20, the sub-format from 24 on: its first field, of 32 bits, is the
            // tag.
            fields.extensible = true;
            fields.tag = field(if big_endian { 26 } else { 24 })?;
            if fields.bits == 0 {
                fields.bits = field(18)?;
            }
        }
        Ok(fields)
    }

    fn layout(&self, big_endian: bool, notes: &mut Vec<String>) -> Result<Layout, Fault> {
        let format = StreamFormat { rate_hz: self.rate_hz, channels: self.channels };
        check(format)?;
        let (encoding, words) = self.encoding()?;
        let frame = encoding.bytes() * usize::from(self.channels);
        if usize::from(self.block_align) != frame {
            notes.push(format!(
                "the header says {} bytes to a frame, its format needs {frame}: taken as {frame}",
                self.block_align
            ));
        }
        let order = if big_endian { ", big-endian" } else { "" };
        Ok(Layout { format, encoding, words: format!("{words}{order}") })
    }

    fn encoding(&self) -> Result<(Encoding, String), Fault> {
        let bits = self.bits;
        match (self.tag, bits) {
            (1, 1..=64) => {
                let least = usize::from(bits.div_ceil(8));
                let align = usize::from(self.block_align);
                let channels = usize::from(self.channels);
                let bytes = match align / channels {
                    container if align % channels == 0 && (least..=8).contains(&container) => container,
                    _ => least,
                };
                let encoding = match (bytes, bits) {
                    (1, _) => Encoding::Unsigned8,
                    (4, 24) if !self.extensible => Encoding::Unplaced24In4,
                    _ => Encoding::Integer { bytes },
                };
                Ok((encoding, format!("{bits}-bit integer")))
            }
            (3, 32) => Ok((Encoding::Float32, "32-bit float".to_owned())),
            (3, 64) => Ok((Encoding::Float64, "64-bit float".to_owned())),
            (6, _) => Ok((Encoding::ALaw, "8-bit A-law".to_owned())),
            (7, _) => Ok((Encoding::MuLaw, "8-bit µ-law".to_owned())),
            (1 | 3, _) => Err(Fault::Bits(bits)),
            (tag, _) => Err(Fault::Compressed { tag, name: compression(tag) }),
        }
    }
}

/// What a `fmt ` chunk comes to.
struct Layout {
    format: StreamFormat,
    encoding: Encoding,
    words: String,
}

/// Names of compressed formats that recorders are known to write.
fn compression(tag: u16) -> &'static str {
    match tag {
        0x02 => "MS ADPCM",
        0x11 => "IMA ADPCM",
        0x31 => "GSM 6.10",
        0x50 | 0x55 => "MPEG audio",
        _ => "a compressed or unknown format",
    }
}
