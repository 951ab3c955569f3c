//! Bench sound made to order, with its truth known: the base of tests, fixtures, benches and practice.
//!
//! A [`Scene`] says what is on the bench; [`render`] (or, block by block and without end, a [`Renderer`]) gives what a
//! sound card on the meter's phone jack would record. The beat is signed inside and folds to |b| in the sound, as it
//! does on the bench. The same scene gives the same sound on every machine, but for the last bit of its
//! mathematical library.

mod dice;
mod filter;
mod note;
mod oscillators;
mod random;
mod room;
mod scene;
mod shelf;
mod truth;

pub use random::{Kind, Trial, random_scene};
pub use scene::{Detector, Hum, Layout, Programme, Receiver, Scene};
pub use shelf::{Shelved, shelf};
pub use truth::{TrueCrossing, TrueRest, Truth};

use crate::block::{SampleBlock, StreamFormat};
use dice::Dice;
use filter::{Butterworth, Pass};
use note::{Broadcast, Note};
use oscillators::Beat;
use room::{Clicks, Comb, Dropouts};
use std::f64::consts::TAU;
use truth::Witness;

/// Frames to a block.
const BLOCK_FRAMES: u64 = 4096;
/// Nothing gets louder than this unless the scene's gain says so.
const HEADROOM: f64 = 0.95;
/// Standard deviation of the noise on a channel without the beat.
const IDLE_CHANNEL: f64 = 0.002;

/// A recording made to order.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// Frames per second, Hz.
    pub rate_hz: u32,
    /// Samples to a frame.
    pub channels: u16,
    /// Interleaved samples, full scale = ±1.
    pub samples: Vec<f32>,
    /// What was put in.
    pub truth: Truth,
}

/// Makes the whole recording.
pub fn render(scene: &Scene) -> Rendered {
    let mut renderer = Renderer::new(scene);
    let StreamFormat { rate_hz, channels } = renderer.format();
    let (mut samples, mut block) = (Vec::new(), SampleBlock::default());
    while renderer.next_block(&mut block) {
        samples.extend_from_slice(&block.samples);
    }
    Rendered { rate_hz, channels, samples, truth: renderer.into_truth() }
}

/// Streams of dice, one for each ingredient.
#[derive(Clone, Copy)]
enum Stream {
    Beat = 1,
    Note,
    Programme,
    Noise,
    Hum,
    Clicks,
    Dropouts,
    IdleChannel,
    Parameters,
}

/// Makes a recording block by block, in memory that does not grow with its length (but for the truth, 20 numbers a
/// second).
pub struct Renderer {
    scene: Scene,
    frames: u64,
    next_frame: u64,
    beat: Beat,
    note: Note,
    broadcast: Option<Broadcast>,
    high_pass: Option<Butterworth>,
    low_pass: Option<Butterworth>,
    noise: Dice,
    noise_deviation: f64,
    comb: Option<Comb>,
    clicks: Option<Clicks>,
    dropouts: Option<Dropouts>,
    idle_channel: Dice,
    gain: f64,
    witness: Witness,
}

impl Renderer {
    /// Sets the bench up.
    pub fn new(scene: &Scene) -> Self {
        let rate_hz = f64::from(scene.rate_hz);
        let dice = |stream: Stream| Dice::new(scene.seed, stream as u64);
        let note = Note::new(scene, dice(Stream::Note));
        let noise_deviation = room::noise_deviation(scene);
        let broadcast = scene.programme.map(|kind| Broadcast::new(kind, rate_hz, dice(Stream::Programme)));
        let gain = scene
            .gain
            .unwrap_or_else(|| (HEADROOM / peak(scene, &note, broadcast.as_ref(), noise_deviation)).min(1.0));
        let some = |per_s: f64| (per_s > 0.0).then_some(per_s);
        let filter =
            |pass, corner: Option<(f64, u32)>| corner.map(|(f, n)| Butterworth::new(pass, f, n, rate_hz));
        Self {
            frames: (scene.duration_s() * rate_hz).round() as u64,
            next_frame: 0,
            beat: Beat::new(scene, dice(Stream::Beat)),
            note,
            broadcast,
            high_pass: filter(Pass::High, scene.high_pass),
            low_pass: filter(Pass::Low, scene.low_pass),
            noise: dice(Stream::Noise),
            noise_deviation,
            comb: scene.hum.as_ref().map(|hum| Comb::new(hum, scene, dice(Stream::Hum))),
            clicks: some(scene.clicks_per_s).map(|per_s| Clicks::new(per_s, rate_hz, dice(Stream::Clicks))),
            dropouts: some(scene.dropouts_per_s)
                .map(|per_s| Dropouts::new(per_s, scene.rate_hz, dice(Stream::Dropouts))),
            idle_channel: dice(Stream::IdleChannel),
            gain,
            witness: Witness::new(scene),
            scene: scene.clone(),
        }
    }

    /// Rate and channels.
    pub fn format(&self) -> StreamFormat {
        StreamFormat { rate_hz: self.scene.rate_hz, channels: self.scene.layout.channels() }
    }

    /// Makes the next block; `false` when the recording is over.
    pub fn next_block(&mut self, block: &mut SampleBlock) -> bool {
        block.samples.clear();
        block.first_frame = self.next_frame;
        block.lost_before = None;
        let end = self.frames.min(self.next_frame + BLOCK_FRAMES);
        while self.next_frame < end {
            let sample = self.sample();
            match self.scene.layout {
                Layout::Mono => block.samples.push(sample),
                Layout::Opposed => block.samples.extend([sample, -sample]),
                side @ (Layout::Left | Layout::Right) => {
                    let idle = (IDLE_CHANNEL * self.idle_channel.normal()) as f32;
                    let frame = if side == Layout::Left { [sample, idle] } else { [idle, sample] };
                    block.samples.extend(frame);
                }
            }
        }
        !block.samples.is_empty()
    }

    /// The truth of what was made so far.
    pub fn into_truth(self) -> Truth {
        self.witness.truth(self.next_frame)
    }

    /// One sample of the channel that holds the beat.
    fn sample(&mut self) -> f32 {
        let scene = &self.scene;
        let rate_hz = f64::from(scene.rate_hz);
        let t = self.next_frame as f64 / rate_hz;
        let (beat_hz, phase) = self.beat.now();
        self.witness.see(self.next_frame, beat_hz);
        // From the detector to the jack …
        let mut x = self.note.sample(t, beat_hz, phase);
        if let Some(broadcast) = &mut self.broadcast {
            x += broadcast.sample(t, phase);
        }
        for &(f, level) in &scene.whistles {
            x += scene.amplitude * level * (TAU * f * t + f).cos();
        }
        if let Some((tone_hz, level)) = scene.station {
            x += level * room::station(t, tone_hz);
        }
        if let Some(drive) = scene.drive {
            x = (drive * x).tanh() / drive;
        }
        for filter in self.high_pass.iter_mut().chain(&mut self.low_pass) {
            x = filter.next(x);
        }
        // … and from the jack to the sound card.
        x += self.noise_deviation * self.noise.normal();
        if let Some(comb) = &mut self.comb {
            x += comb.sample(t);
        }
        if let Some(clicks) = &mut self.clicks {
            x += clicks.sample();
        }
        if let Some(dropouts) = &mut self.dropouts
            && dropouts.drops()
        {
            x = 0.0;
        }
        self.next_frame += 1;
        self.beat.advance(self.next_frame as f64 / rate_hz);
        (x * self.gain + scene.dc).clamp(-1.0, 32_767.0 / 32_768.0) as f32
    }
}

/// The largest that a sample can well get: the sum of all that is in the scene, noise-like parts at five and a half
/// times their deviation.
fn peak(scene: &Scene, note: &Note, broadcast: Option<&Broadcast>, noise_deviation: f64) -> f64 {
    let programme = broadcast.map_or(0.0, |broadcast| broadcast.peak(f64::from(scene.rate_hz)));
    let comb = scene.hum.as_ref().map_or(0.0, |hum| hum.levels.iter().sum());
    let whistles: f64 = scene.whistles.iter().map(|whistle| whistle.1).sum();
    let station = scene.station.map_or(0.0, |(_, level)| level);
    let clicks = if scene.clicks_per_s > 0.0 { Clicks::HEIGHT } else { 0.0 };
    note.peak() + programme + scene.amplitude * (comb + whistles) + station + clicks + 5.5 * noise_deviation
}

#[cfg(test)]
mod tests;
