//! What a bench recording is made of.

/// A bench recording to be made: who turns what, what the jack passes, what the room adds.
///
/// Levels are relative to full scale = 1 unless said otherwise. [`Scene::new`] gives a clean note through an ordinary
/// jack; every other field adds one ingredient:
///
/// ```
/// use hushbeat::source::synthetic::{Hum, Scene, render};
/// let scene = Scene {
///     rate_hz: 8000,
///     hum: Some(Hum::mains(50.02, &[0.3, 0.5])),
///     ..Scene::new(1, &[(0.0, -700.0), (3.0, -45.5), (6.0, -45.5)])
/// };
/// assert_eq!(render(&scene).samples.len(), 48_000);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Everything random comes from this.
    pub seed: u64,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// The hand: (instant in s, signed beat b in Hz). Between two knots the dial is turned, starting and stopping
    /// gently; two knots with the same beat are a rest.
    pub knots: Vec<(f64, f64)>,
    /// Where the recording stops, s; at the last knot if not said.
    pub length_s: Option<f64>,
    /// Amplitude of the note.
    pub amplitude: f64,
    /// Steady drift of b from the first sample on, Hz/s.
    pub drift_hz_per_s: f64,
    /// Random walk of b, Hz per square root of a second.
    pub wander_hz_per_root_s: f64,
    /// Half-width of the range in which the oscillators pull each other into lock, Hz (Adler); 0: loosely coupled.
    pub lock_hz: f64,
    /// How the beat becomes sound.
    pub detector: Detector,
    /// Level of the note's second harmonic, relative to the note.
    pub second_harmonic: f64,
    /// The signal's own modulation beats too: (tone in Hz, level of each sideband relative to the note).
    pub sidebands: Option<(f64, f64)>,
    /// Hum that modulates the note: (frequency in Hz, depth).
    pub hum_on_note: Option<(f64, f64)>,
    /// Spans in which the signal is there, s; empty: all the time.
    pub keyed: Vec<(f64, f64)>,
    /// Fading of the signal: (rate in Hz, depth in dB).
    pub fade: Option<(f64, f64)>,
    /// The computer's noise suppression eats a steady note in about so many seconds.
    pub suppressed_in_s: Option<f64>,
    /// A broadcast programme behind it all.
    pub programme: Option<Programme>,
    /// Notes that do not move: (frequency in Hz, level relative to `amplitude`).
    pub whistles: Vec<(f64, f64)>,
    /// A time station's tone with its second pulses: (tone in Hz, level).
    pub station: Option<(f64, f64)>,
    /// Soft limiting in the audio stages: tanh(drive·x)/drive.
    pub drive: Option<f64>,
    /// What the jack does not pass below: (corner in Hz, Butterworth order).
    pub high_pass: Option<(f64, u32)>,
    /// What it does not pass above.
    pub low_pass: Option<(f64, u32)>,
    /// Note to white noise, dB, the noise reckoned in 0..4 kHz.
    pub snr_db: f64,
    /// Mains hum beside the note.
    pub hum: Option<Hum>,
    /// Key clicks and sparks, mean number a second.
    pub clicks_per_s: f64,
    /// Dropped blocks of 20 ms, mean number a second.
    pub dropouts_per_s: f64,
    /// Gain of the sound card. If not said, it is 1 or so little less that nothing clips.
    pub gain: Option<f64>,
    /// Direct current of the sound card.
    pub dc: f64,
    /// Channels.
    pub layout: Layout,
}

impl Scene {
    /// A clean note that follows the knots: 48 kHz mono, amplitude 0.2, 25 dB over the noise, through a jack that
    /// passes 30 Hz to 3.5 kHz.
    pub fn new(seed: u64, knots: &[(f64, f64)]) -> Self {
        Self {
            seed,
            rate_hz: 48_000,
            knots: knots.to_vec(),
            length_s: None,
            amplitude: 0.2,
            drift_hz_per_s: 0.0,
            wander_hz_per_root_s: 0.0,
            lock_hz: 0.0,
            detector: Detector::Product,
            second_harmonic: 0.0,
            sidebands: None,
            hum_on_note: None,
            keyed: Vec::new(),
            fade: None,
            suppressed_in_s: None,
            programme: None,
            whistles: Vec::new(),
            station: None,
            drive: None,
            high_pass: Some((30.0, 2)),
            low_pass: Some((3500.0, 4)),
            snr_db: 25.0,
            hum: None,
            clicks_per_s: 0.0,
            dropouts_per_s: 0.0,
            gain: None,
            dc: 0.0,
            layout: Layout::Mono,
        }
    }

    /// Length of the recording, s.
    pub fn duration_s(&self) -> f64 {
        self.length_s.unwrap_or_else(|| self.knots.last().map_or(0.0, |knot| knot.0))
    }

    /// Whether the beat is in the sound in any way: as a note or as the swelling of a programme.
    pub fn has_beat(&self) -> bool {
        self.detector != Detector::Silent || matches!(self.programme, Some(Programme::Swell { .. }))
    }
}

/// How the beat becomes sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Detector {
    /// No note at all.
    Silent,
    /// A product of the two oscillators: one clean note at |b|.
    Product,
    /// The envelope of their sum, the weaker `ratio` times the stronger: harmonics without any pulling.
    Envelope {
        /// Weaker over stronger.
        ratio: f64,
    },
    /// A receiver with its beat oscillator on: two notes, one from the signal and one from the meter.
    Receiver(Receiver),
}

/// A receiver in which signal and meter are heard as two notes against its beat oscillator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Receiver {
    /// Signal minus beat oscillator, Hz: positive where pitch grows with radio frequency (upper side), negative where
    /// it falls (lower side). The meter's note is at |pitch + b|; of opposite sign they straddle the oscillator.
    pub pitch_hz: f64,
    /// Drift of that pitch by the beat oscillator, Hz/s.
    pub drift_hz_per_s: f64,
    /// The meter's note, relative to the signal's.
    pub meter_level: f64,
}

/// A broadcast programme in a receiver for amplitude modulation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Programme {
    /// The meter's carrier beats with the station's and the programme swells with it.
    Swell {
        /// Meter's carrier over the station's.
        ratio: f64,
        /// Automatic gain control acts on the sum of the carriers.
        agc: bool,
    },
    /// The station alone fades, slowly and irregularly.
    Fading {
        /// Bandwidth of the fading, Hz.
        rate_hz: f64,
    },
}

/// Mains hum and its harmonics.
#[derive(Debug, Clone, PartialEq)]
pub struct Hum {
    /// Mean fundamental, Hz.
    pub fundamental_hz: f64,
    /// Amplitude of harmonic 1, 2, 3 …, relative to the scene's `amplitude`.
    pub levels: Vec<f64>,
    /// The fundamental moves slowly within ± this, Hz.
    pub wander_hz: f64,
}

impl Hum {
    /// Hum that does not wander.
    pub fn mains(fundamental_hz: f64, levels: &[f64]) -> Self {
        Self { fundamental_hz, levels: levels.to_vec(), wander_hz: 0.0 }
    }
}

/// Which channels there are and where the beat is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// One channel.
    Mono,
    /// Two channels, the beat on the left, a little noise on the right.
    Left,
    /// Two channels, the beat on the right, a little noise on the left.
    Right,
    /// Two channels in antiphase: mixed down, nothing is left.
    Opposed,
}

impl Layout {
    /// Number of channels.
    pub fn channels(self) -> u16 {
        match self {
            Self::Mono => 1,
            Self::Left | Self::Right | Self::Opposed => 2,
        }
    }
}
