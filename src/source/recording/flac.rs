//! FLAC (RFC 9639), decoded by symphonia's own reader for it.

use super::fault::Fault;
use super::lookahead::Lookahead;
use crate::block::{Loss, SampleBlock, StreamFormat};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions, ReadOnlySource};
use symphonia::default::codecs::FlacDecoder;
use symphonia::default::formats::FlacReader;

/// Damage in one place takes at most so much sound out, s: a frame that claims to come later has a false number.
const LONGEST_GAP_S: u64 = 3600;
/// All gaps together, s.
const LONGEST_GAPS_S: u64 = 86_400;

/// A FLAC stream under way.
pub(super) struct Flac {
    reader: FlacReader<'static>,
    decoder: FlacDecoder,
    pub format: StreamFormat,
    pub words: String,
    pub frames_expected: Option<u64>,
    /// The frame that the next packet should begin with, by the stream's own count.
    next: Option<i64>,
    /// Frames that damage has taken out of the middle.
    pub lost: u64,
}

impl Flac {
    pub(super) fn new(input: Lookahead) -> Result<Self, Fault> {
        let stream =
            MediaSourceStream::new(Box::new(ReadOnlySource::new(input)), MediaSourceStreamOptions::default());
        let reader = FlacReader::try_new(stream, FormatOptions::default()).map_err(fault)?;
        let track = reader.default_track(TrackType::Audio);
        let params = track.and_then(|track| track.codec_params.as_ref()).and_then(|params| params.audio());
        let (Some(track), Some(params)) = (track, params) else {
            return Err(Fault::Flac("no stream description".to_owned()));
        };
        let rate_hz = params.sample_rate.unwrap_or(0);
        let channels = params.channels.as_ref().map_or(0, |channels| channels.count() as u16);
        let words = format!("{}-bit FLAC", params.bits_per_sample.unwrap_or(0));
        let frames_expected = track.num_frames;
        let decoder = FlacDecoder::try_new(params, &AudioDecoderOptions::default()).map_err(fault)?;
        let format = StreamFormat { rate_hz, channels };
        Ok(Self { reader, decoder, format, words, frames_expected, next: None, lost: 0 })
    }

    /// Decodes the next packet into `block` (its `samples` and `lost_before`); `false` at the end.
    pub(super) fn next_block(&mut self, block: &mut SampleBlock) -> Result<bool, Fault> {
        // What may still be missing in one place: a damaged stream may say anything.
        let rate_hz = u64::from(self.format.rate_hz);
        let all = self.frames_expected.unwrap_or(u64::MAX).min(LONGEST_GAPS_S * rate_hz);
        let longest = all.saturating_sub(self.lost).min(LONGEST_GAP_S * rate_hz);
        loop {
            let packet = match self.reader.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => return Ok(false),
                // A stream that stops in the middle of a frame is a stream that was cut short.
                Err(Error::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => return Ok(false),
                Err(Error::DecodeError(_)) => continue,
                Err(e) => return Err(fault(e)),
            };
            match self.decoder.decode(&packet) {
                Ok(sound) if sound.num_planes() == usize::from(self.format.channels) => {
                    sound.copy_to_vec_interleaved(&mut block.samples);
                    let begins = packet.pts.get();
                    let lost = self.next.map_or(0, |next| begins.saturating_sub(next));
                    block.lost_before = match u64::try_from(lost) {
                        Ok(0) | Err(_) => None,
                        Ok(lost) if lost <= longest => {
                            self.lost += lost;
                            Some(Loss::Frames(lost))
                        }
                        Ok(_) => Some(Loss::Unknown),
                    };
                    self.next =
                        i64::try_from(sound.frames()).ok().and_then(|frames| begins.checked_add(frames));
                    return Ok(true);
                }
                Ok(_) | Err(Error::DecodeError(_)) => {}
                Err(e) => return Err(fault(e)),
            }
        }
    }
}

fn fault(error: Error) -> Fault {
    match error {
        Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            Fault::Flac("cut off in its header".to_owned())
        }
        Error::IoError(e) => Fault::Io(e),
        Error::DecodeError(what) | Error::Unsupported(what) | Error::LimitError(what) => {
            Fault::Flac(what.trim_start_matches("flac: ").to_owned())
        }
        other => Fault::Flac(other.to_string()),
    }
}
