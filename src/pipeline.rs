//! source → condition → spectrum → beat, pushed into a sink. No clock, no file, no device: blocks and commands come
//! in with their frame index, and the result is the same for any block size.

use crate::beat::Ears;
use crate::block::{Loss, SampleBlock, StreamFormat};
use crate::condition::{Decimator, LevelWatch, SLOWEST_RATE_HZ, decimation_factor};
use crate::heard::{Heard, Level, Snapshot, TrackRow, Warning};
pub use crate::settings::{ChannelChoice, Command, Mains, Settings};
use crate::spectrum::{Floor, Peak, RealFrame, find_peaks};

/// Takes what the pipeline has to tell while sound comes in.
pub trait Sink {
    /// One row of the track, final, in order of time (about three seconds behind the sound).
    fn row(&mut self, row: &TrackRow) {
        let _ = row;
    }
    /// Whether [`snapshot`](Self::snapshot) is wanted: making one costs a fit.
    fn wants_snapshots(&self) -> bool {
        false
    }
    /// So much of the sound has been heard, s, of so much in all, where that is known.
    fn progress(&mut self, heard_s: f64, of_s: Option<f64>) {
        let _ = (heard_s, of_s);
    }
    /// The newest state, provisional, twenty times a second of sound, where wanted.
    fn snapshot(&mut self, snapshot: &Snapshot) {
        let _ = snapshot;
    }
}

/// A sink that lets everything pass.
#[derive(Debug, Default)]
pub struct Ignore;
impl Sink for Ignore {}

/// Why a pipeline can't be built.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// Fewer samples a second than a beat note needs.
    #[error("{0} Hz is too slow a sample rate; hint: at least 400 Hz is needed")]
    TooSlow(u32),
    /// A channel that is not there.
    #[error(
        "channel {wanted} was asked for, but there are only {channels}; hint: --channel 1 to {channels}, or auto"
    )]
    NoSuchChannel {
        /// Channel asked for.
        wanted: u16,
        /// Channels in the stream.
        channels: u16,
    },
}

/// What is known when the sound has ended.
#[derive(Debug, Clone)]
pub struct Finished {
    /// Everything heard.
    pub heard: Heard,
    /// The channel that was listened to, counted from 1.
    pub channel_used: u16,
    /// Frames that came in (lost ones not counted).
    pub frames: u64,
}

/// Sound of one channel on its way to the ear.
struct Channel {
    watch: LevelWatch,
    decimator: Decimator,
    /// Zeros that may belong to a dropped stretch and are held back until that is known.
    undecided: usize,
    /// Conditioned samples not yet heard.
    waiting: Vec<f32>,
}

impl Channel {
    /// For a stream at `rate_hz`, decimated by `factor`.
    fn new(rate_hz: u32, factor: usize) -> Self {
        Self {
            watch: LevelWatch::new(rate_hz),
            decimator: Decimator::new(factor),
            undecided: 0,
            waiting: Vec::new(),
        }
    }

    /// Takes what has come in; `scratch` is scratch.
    fn take(&mut self, sound: &[f32], scratch: &mut Vec<f32>) {
        let looked = self.watch.run(sound);
        let before = std::mem::replace(&mut self.undecided, looked.undecided);
        if looked.whole && looked.dropped.is_empty() && before == 0 && self.undecided == 0 {
            return self.decimator.run_whole(sound, &mut self.waiting);
        }
        scratch.clear();
        scratch.resize(before, if looked.dropped_before { f32::NAN } else { 0.0 });
        scratch.extend_from_slice(sound);
        for dropped in looked.dropped {
            scratch[before + dropped.start..before + dropped.end].fill(f32::NAN);
        }
        scratch.truncate(scratch.len() - self.undecided);
        self.decimator.run(scratch, &mut self.waiting);
    }

    /// Ends the sound: what is undecided was not dropped.
    fn finish(&mut self) {
        self.decimator.run_whole(&vec![0.0; self.undecided], &mut self.waiting);
        self.decimator.finish(&mut self.waiting);
    }
}

/// The whole way from blocks of samples to what was heard.
pub struct Pipeline {
    format: StreamFormat,
    channels: Vec<Channel>,
    used: Option<usize>,
    wanted: ChannelChoice,
    ear: Ears,
    frames: u64,
    lost_frames: u64,
    unknown_losses: u64,
    next_frame: u64,
    /// Scratch: one channel of a piece, and what is conditioned of it.
    scratch: [Vec<f32>; 2],
    tonality: Tonality,
}

/// Frames worked on at a time, or a few less: a huge block needs no huge scratch, and what has just been looked at is still
/// at hand.
const PIECE: usize = 3840;
/// Channels that are the same to the last bit for so long have one input behind them: there is nothing to choose, s.
const SAME_S: f64 = 0.1;
/// How long the most tonal channel is looked for before the best so far is taken, s.
const CHOICE_S: f64 = 5.0;

impl Pipeline {
    /// Builds a pipeline for a stream.
    ///
    /// # Errors
    /// A rate below 400 Hz or a channel that does not exist.
    pub fn new(format: StreamFormat, settings: &Settings) -> Result<Self, PipelineError> {
        if format.rate_hz < SLOWEST_RATE_HZ {
            return Err(PipelineError::TooSlow(format.rate_hz));
        }
        let used = match settings.channel {
            ChannelChoice::Auto => (format.channels == 1).then_some(0),
            ChannelChoice::Number(n) if (1..=format.channels).contains(&n) => Some(usize::from(n) - 1),
            ChannelChoice::Number(wanted) => {
                return Err(PipelineError::NoSuchChannel { wanted, channels: format.channels });
            }
        };
        let factor = decimation_factor(format.rate_hz);
        let rate_hz = f64::from(format.rate_hz) / factor as f64;
        Ok(Self {
            format,
            channels: (0..format.channels).map(|_| Channel::new(format.rate_hz, factor)).collect(),
            used,
            wanted: settings.channel,
            ear: Ears::new(rate_hz, settings),
            frames: 0,
            lost_frames: 0,
            unknown_losses: 0,
            next_frame: 0,
            scratch: [Vec::new(), Vec::new()],
            tonality: Tonality::new(rate_hz, usize::from(format.channels)),
        })
    }

    /// Takes one block.
    pub fn push(&mut self, block: &SampleBlock, sink: &mut dyn Sink) {
        let channels = usize::from(self.format.channels);
        let frames = (block.samples.len() / channels) as u64;
        // What was lost before the block is missing sound: its place is kept.
        let mut missing = block.first_frame.saturating_sub(self.next_frame);
        match block.lost_before {
            Some(Loss::Frames(n)) => self.lost_frames += n,
            Some(Loss::Unknown) => {
                self.unknown_losses += 1;
                missing = missing.max(u64::from(self.format.rate_hz) / 50);
            }
            None => {}
        }
        while missing > 0 {
            let now = missing.min(65_536) as usize;
            self.take(&vec![f32::NAN; now * channels], sink);
            missing -= now as u64;
        }
        self.take(&block.samples[..frames as usize * channels], sink);
        self.frames += frames;
        self.next_frame = block.first_frame + frames;
    }

    fn take(&mut self, samples: &[f32], sink: &mut dyn Sink) {
        let channels = usize::from(self.format.channels);
        let frames = self.channels.first().map_or(PIECE, |c| c.decimator.handy(PIECE));
        for piece in samples.chunks(channels * frames) {
            for (c, channel) in self.channels.iter_mut().enumerate() {
                if self.used.is_some_and(|u| u != c) {
                    continue;
                }
                let [own, conditioned] = &mut self.scratch;
                let mut sound = piece;
                if channels > 1 {
                    own.clear();
                    own.extend(piece.iter().skip(c).step_by(channels));
                    sound = own;
                }
                channel.take(sound, conditioned);
            }
            if self.used.is_none() {
                self.choose_channel(false);
            }
            self.hear(sink);
        }
    }

    /// Decides which channel is listened to: as soon as one is clearly tonal and clearly more so than the others, where
    /// they all bring the same sound, or when `must`.
    fn choose_channel(&mut self, must: bool) {
        if self.are_the_same() {
            return self.choose(0);
        }
        while let Some(heard_s) = self.tonality.look(&self.channels) {
            let (best, clear) = self.tonality.best();
            if clear || heard_s >= CHOICE_S {
                return self.choose(best);
            }
        }
        if must {
            self.choose(self.tonality.best().0);
        }
    }

    fn choose(&mut self, used: usize) {
        self.used = Some(used);
        for (_, channel) in self.channels.iter_mut().enumerate().filter(|(c, _)| *c != used) {
            channel.waiting = Vec::new();
        }
    }

    /// Whether all channels have brought the same sound for long enough, as a card does that has one input for both.
    fn are_the_same(&self) -> bool {
        let [first, others @ ..] = &self.channels[..] else { return false };
        let differ = |(x, y): (&f32, &f32)| x.to_bits() != y.to_bits() && !(x.is_nan() && y.is_nan());
        // Most differ from the first samples on.
        let same = |other: &Channel| {
            let both = other.waiting.len().min(first.waiting.len());
            other.waiting.iter().zip(&first.waiting).position(differ).unwrap_or(both)
        };
        let same = others.iter().map(same).min().unwrap_or(0);
        first.waiting[..same].iter().filter(|x| **x != 0.0).count() as f64 >= SAME_S * self.tonality.rate_hz
    }

    fn hear(&mut self, sink: &mut dyn Sink) {
        let Some(used) = self.used else { return };
        let waiting = std::mem::take(&mut self.channels[used].waiting);
        let lost = self.lost_frames;
        self.ear.push(&waiting, &mut |ear| {
            for row in ear.drain_rows() {
                sink.row(&row);
            }
            if sink.wants_snapshots() {
                let mut snapshot = ear.snapshot();
                snapshot.lost_samples = lost;
                sink.snapshot(&snapshot);
            }
        });
        let mut waiting = waiting;
        waiting.clear();
        self.channels[used].waiting = waiting;
    }

    /// Takes a declaration that holds from `at_frame` on.
    pub fn command(&mut self, at_frame: u64, command: Command) {
        if let Command::Channel(choice) = command {
            self.wanted = choice;
            match choice {
                ChannelChoice::Number(n) if (1..=self.format.channels).contains(&n) => {
                    self.used = Some(usize::from(n) - 1);
                }
                _ => {}
            }
        }
        self.ear.command(at_frame as f64 / f64::from(self.format.rate_hz), command);
    }

    /// The newest that is known, provisional.
    pub fn snapshot(&mut self) -> Snapshot {
        let mut snapshot = self.ear.snapshot();
        snapshot.lost_samples = self.lost_frames;
        snapshot
    }

    /// Ends the sound and tells all that was heard; the rows still in the lag go to the sink first.
    #[must_use]
    pub fn finish(mut self, sink: &mut dyn Sink) -> Finished {
        for channel in &mut self.channels {
            channel.finish();
        }
        if self.used.is_none() {
            self.choose_channel(true);
        }
        self.hear(sink);
        let used = self.used.unwrap_or(0);
        let watch = &self.channels[used].watch;
        let db = |x: f64| 20.0 * x.max(1e-10).log10();
        let level = Level {
            peak_dbfs: db(watch.peak()),
            rms_dbfs: db(watch.rms()),
            clipped_fraction: watch.clipped_fraction(),
        };
        let mut warnings = Vec::new();
        if level.clipped_fraction > 0.0005 {
            warnings.push(Warning {
                code: "clipped".to_owned(),
                message: format!(
                    "{:.1} % of the samples are clipped; turn the input level down",
                    100.0 * level.clipped_fraction
                ),
            });
        }
        let missing = watch.missing_s();
        if missing > 0.0 || self.unknown_losses > 0 {
            warnings.push(Warning {
                code: "gaps".to_owned(),
                message: format!("{missing:.3} s of sound is missing and was left out of every figure"),
            });
        }
        let (heard, rows) = self.ear.finish(level, warnings);
        for row in &rows {
            sink.row(row);
        }
        Finished { heard, channel_used: used as u16 + 1, frames: self.frames }
    }
}

/// How tonal the channels are, frame by frame.
struct Tonality {
    rate_hz: f64,
    frame: RealFrame,
    floor: Floor,
    peaks: Vec<Peak>,
    /// Frames looked at, and what they add up to for every channel.
    frames: usize,
    scores: Vec<f64>,
}

/// What the strongest peaks over the floor must add up to for a channel to be clearly tonal, and how many times as much as
/// the next channel's.
const CLEAR: f64 = 300.0;
const CLEARER: f64 = 4.0;

impl Tonality {
    fn new(rate_hz: f64, channels: usize) -> Self {
        let len = ((0.25 * rate_hz) as usize).max(16);
        let frame = RealFrame::new(len, rate_hz);
        let scores = vec![0.0; channels];
        Self { rate_hz, frame, floor: Floor::default(), peaks: Vec::new(), frames: 0, scores }
    }

    /// Looks at the next frame of all channels, if there is one, and tells how much has been looked at, s.
    fn look(&mut self, channels: &[Channel]) -> Option<f64> {
        let (from, len) = (self.frames * self.frame.len(), self.frame.len());
        let frames: Option<Vec<&[f32]>> = channels.iter().map(|c| c.waiting.get(from..from + len)).collect();
        for (i, frame) in frames?.into_iter().enumerate() {
            self.scores[i] += self.score(frame);
        }
        self.frames += 1;
        Some((self.frames * len) as f64 / self.rate_hz)
    }

    /// The most tonal channel, of equals the first, and whether it is clearly so.
    fn best(&self) -> (usize, bool) {
        let scores = &self.scores;
        let best = (0..scores.len()).rev().max_by(|&i, &j| scores[i].total_cmp(&scores[j])).unwrap_or(0);
        let next = (0..scores.len()).filter(|&i| i != best).map(|i| scores[i]).fold(0.0, f64::max);
        (best, scores[best] > CLEAR && scores[best] > CLEARER * next)
    }

    /// Power of the strongest peak of a frame over the floor. Lines at multiples of 50 and 60 Hz, which are likely hum, count a
    /// hundredth.
    fn score(&mut self, samples: &[f32]) -> f64 {
        let bin = self.frame.bin_hz();
        let power = self.frame.power(samples);
        self.floor.measure(power);
        let range = (15.0, 0.45 * self.rate_hz);
        find_peaks(power, bin, &self.floor, range, 10.0, 8, &mut self.peaks);
        let hum = |f: f64| [50.0, 60.0].iter().any(|m| f < 1000.0 && (f - (f / m).round() * m).abs() < 1.5);
        let weighed = |p: &Peak| p.snr.min(1e4) * if hum(p.frequency_hz) { 0.01 } else { 1.0 };
        self.peaks.iter().map(weighed).fold(0.0, f64::max)
    }
}
