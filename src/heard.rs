//! What the ear has to say: rests, ending, crossings, steady notes, hum, level, warnings, and the track.
//!
//! These records are the JSON of `analyse` (see README). Numbers are never rounded here. Units are in the names.

use crate::offset::{Hand, Offset, Side};
use serde::{Deserialize, Serialize};

/// How a rest's offset was got.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// From the beat note itself.
    Note,
    /// From the programme's swelling, below the audio band.
    Swell,
    /// From two notes in a receiver with its beat oscillator on.
    TwoNotes,
}

/// Two oscillators that pull each other (Adler 1946): what the heard note says of the true offset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pulled {
    /// Half-width of the lock range, Hz.
    pub lock_hz: f64,
    /// Ratio r of successive lines of the beat, the path's tilt taken out.
    pub line_ratio: f64,
    /// Standard uncertainty of the true offset, Hz: of the note as heard, the ratio and the path's tilt together. It
    /// is the rest's `u_hz` too.
    pub u_true_hz: f64,
}

/// A stretch of at least half a second in which the note stands still (or drifts steadily).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rest {
    /// First instant used, s.
    pub start_s: f64,
    /// Last instant used, s.
    pub end_s: f64,
    /// The instant `offset_hz` is stated for, s.
    pub at_s: f64,
    /// True |b| at `at_s`, Hz.
    pub offset_hz: f64,
    /// Standard uncertainty of `offset_hz`, Hz: u² = noise² + wander². The card's clock is not in it.
    pub u_hz: f64,
    /// The part of u from noise, Hz; where a pull was undone, what that leaves open is in it.
    pub u_noise_hz: f64,
    /// The part of u from the oscillators' wander, Hz.
    pub u_wander_hz: f64,
    /// The note as heard, Hz (differs from `offset_hz` when pulled).
    pub heard_hz: f64,
    /// Drift of |b| within the rest, Hz/s, + away from zero.
    pub rate_hz_per_s: f64,
    /// Standard uncertainty of the drift, Hz/s.
    pub rate_u: f64,
    /// Side of zero.
    pub side: Side,
    /// Signal to noise, dB, noise reckoned in 0..4 kHz from its density near the note.
    pub snr_db: f64,
    /// How the offset was got.
    pub method: Method,
    /// For two notes: the signal's and the meter's, Hz.
    pub notes_hz: Option<[f64; 2]>,
    /// Other answers that the sound allows, Hz.
    pub alternatives_hz: Vec<f64>,
    /// What pulling was seen and undone.
    pub pulled: Option<Pulled>,
    /// A hum line too close to be separated, Hz.
    pub near_hum_hz: Option<f64>,
}

impl Rest {
    /// What this rest hands to the dial; what undoing a pull leaves open is in its uncertainty.
    pub fn offset(&self) -> Offset {
        Offset::Heard { offset_hz: self.offset_hz, u_hz: self.u_hz, side: self.side }
    }
}

/// How a recording, or the sound so far, ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EndingState {
    /// No note was found.
    Quiet,
    /// The note is still moving.
    Moving,
    /// It stands still now.
    Resting,
    /// It was followed down to where the path goes deaf.
    DeadBand,
    /// It dived or snapped away as two oscillators do when one captures the other.
    Locked,
    /// It stopped where the path still passes it.
    Lost,
}

/// The ending and when that state began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ending {
    /// Which ending.
    pub state: EndingState,
    /// When this state began, s.
    pub at_s: f64,
    /// |b| now (resting, moving) or last heard (the others), Hz; null when nothing was heard.
    pub offset_hz: Option<f64>,
    /// The largest |b| that would have stayed unheard at the level last seen (95 %), Hz; dead band only.
    pub bound_hz: Option<f64>,
    /// Side of zero, as far as known.
    pub side: Side,
}

/// What happened near zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CrossingKind {
    /// The beat went through zero: the side changed.
    Crossed,
    /// It came close and went back on the same side.
    TurnedBack,
    /// The sound does not tell which.
    Unsure,
}

/// A passage near zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Crossing {
    /// Instant, s.
    pub at_s: f64,
    /// Standard uncertainty of the instant, s.
    pub u_s: f64,
    /// What it was.
    pub kind: CrossingKind,
}

/// A line that did not move while a note did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SteadyNote {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Standard uncertainty, Hz.
    pub u_hz: f64,
    /// Level, dB re full-scale sine.
    pub level_db: f64,
    /// Why it is not the beat.
    pub why: String,
}

/// Mains hum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hum {
    /// Fundamental, Hz.
    pub fundamental_hz: f64,
    /// Standard uncertainty, Hz.
    pub u_hz: f64,
    /// Level of the whole comb, dB re full-scale sine.
    pub level_db: f64,
    /// Orders of the harmonics that stand out.
    pub harmonics: Vec<u32>,
}

/// Input level over the whole stretch.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Level {
    /// Largest sample, dB re full scale.
    pub peak_dbfs: f64,
    /// Root mean square, dB re full scale.
    pub rms_dbfs: f64,
    /// Fraction of samples at the rails.
    pub clipped_fraction: f64,
}

/// What is doubtful about the answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warning {
    /// Short code: clipped, near-hum, pulled, weak, gaps, truncated, dead-band, sideband, processed-input, whine …
    pub code: String,
    /// One sentence: what was seen and what to do.
    pub message: String,
}

/// The state of the note in one analysis step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrackState {
    /// Nothing heard.
    Quiet,
    /// A note, moving.
    Moving,
    /// A note, standing still.
    Resting,
    /// Unheard near zero.
    DeadBand,
}

/// One analysis step of the descent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackRow {
    /// Instant, s.
    pub time_s: f64,
    /// |b|, Hz, null when nothing is heard.
    pub offset_hz: Option<f64>,
    /// Standard uncertainty, Hz.
    pub u_hz: Option<f64>,
    /// Side.
    pub side: Side,
    /// Level of the note, dB re full-scale sine.
    pub level_db: Option<f64>,
    /// State.
    pub state: TrackState,
    /// With two notes: those of signal and meter, Hz. For plots; the track as CSV does not have them.
    #[serde(skip)]
    pub notes_hz: Option<[f64; 2]>,
}

impl TrackRow {
    /// Multiplies every frequency, as [`Heard::scale`] does.
    pub fn scale(&mut self, factor: f64) {
        let own = self.offset_hz.iter_mut().chain(&mut self.u_hz);
        own.chain(self.notes_hz.iter_mut().flatten()).for_each(|hertz| *hertz *= factor);
    }

    /// A row in which nothing is heard.
    pub fn quiet(time_s: f64) -> Self {
        Self {
            time_s,
            offset_hz: None,
            u_hz: None,
            side: Side::Unknown,
            level_db: None,
            state: TrackState::Quiet,
            notes_hz: None,
        }
    }
}

/// Whether the track is that of two notes in a receiver.
pub fn two_notes(track: &[TrackRow]) -> bool {
    track.iter().any(|row| row.notes_hz.is_some())
}

/// Everything the ear has to say about one stretch of sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Rests in order of time.
    pub rests: Vec<Rest>,
    /// How it ends.
    pub ending: Ending,
    /// Passages near zero.
    pub crossings: Vec<Crossing>,
    /// Lines that did not move.
    pub steady_notes: Vec<SteadyNote>,
    /// Mains hum, null when none was found.
    pub hum: Option<Hum>,
    /// Input level.
    pub level: Level,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// Why what was heard gives no offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoOffset {
    /// Nothing came to rest.
    #[error("no rest was heard; hint: leave the dial alone for a second or two, clear of zero")]
    NoRest,
    /// A rest that is not there.
    #[error("there is no rest {wanted}: {count} were heard; hint: count them from 1")]
    NoSuchRest {
        /// The rest asked for, counted from 1.
        wanted: usize,
        /// How many there are.
        count: usize,
    },
}

impl Rest {
    fn scale(&mut self, factor: f64) {
        for hertz in [
            &mut self.offset_hz,
            &mut self.u_hz,
            &mut self.u_noise_hz,
            &mut self.u_wander_hz,
            &mut self.heard_hz,
            &mut self.rate_hz_per_s,
            &mut self.rate_u,
        ] {
            *hertz *= factor;
        }
        let notes = self.notes_hz.iter_mut().flatten();
        for hertz in notes.chain(&mut self.alternatives_hz).chain(&mut self.near_hum_hz) {
            *hertz *= factor;
        }
        if let Some(pulled) = &mut self.pulled {
            pulled.lock_hz *= factor;
            pulled.u_true_hz *= factor;
        }
    }
}

impl Snapshot {
    /// The offset that is heard now and its standard uncertainty, where there is one, Hz; at rest those of the rest. `None`
    /// when no note is heard.
    pub fn heard(&self) -> Option<(f64, Option<f64>)> {
        match (self.state, &self.rest) {
            (EndingState::Resting, Some(rest)) => Some((rest.offset_hz, Some(rest.u_hz))),
            (EndingState::Moving | EndingState::Resting, _) => Some((self.offset_hz?, self.u_hz)),
            _ => None,
        }
    }

    /// Multiplies every frequency, as [`Heard::scale`] does.
    pub fn scale(&mut self, factor: f64) {
        let own = self.offset_hz.iter_mut().chain(&mut self.u_hz);
        for hertz in own.chain(&mut self.rate_hz_per_s).chain(&mut self.bound_hz) {
            *hertz *= factor;
        }
        self.rest.iter_mut().for_each(|rest| rest.scale(factor));
    }
}

impl Heard {
    /// Multiplies every frequency: what was heard by a clock that is off by `factor` − 1, put right.
    pub fn scale(&mut self, factor: f64) {
        self.rests.iter_mut().for_each(|rest| rest.scale(factor));
        for hertz in self.ending.offset_hz.iter_mut().chain(&mut self.ending.bound_hz) {
            *hertz *= factor;
        }
        for note in &mut self.steady_notes {
            note.frequency_hz *= factor;
            note.u_hz *= factor;
        }
        if let Some(hum) = &mut self.hum {
            hum.fundamental_hz *= factor;
            hum.u_hz *= factor;
        }
    }

    /// Moves every instant by `by_s` seconds.
    pub fn shift(&mut self, by_s: f64) {
        for rest in &mut self.rests {
            rest.start_s += by_s;
            rest.end_s += by_s;
            rest.at_s += by_s;
        }
        self.ending.at_s += by_s;
        for crossing in &mut self.crossings {
            crossing.at_s += by_s;
        }
    }

    /// What is handed to the dial: a rest counted from 1, or else the end, which is the last rest or, where the note
    /// was followed down into the dead band, its bound.
    ///
    /// # Errors
    /// No rest, or not this one.
    pub fn offset(&self, rest: Option<usize>) -> Result<Offset, NoOffset> {
        if let Some(wanted) = rest {
            let found = wanted.checked_sub(1).and_then(|index| self.rests.get(index));
            return found.map(Rest::offset).ok_or(NoOffset::NoSuchRest { wanted, count: self.rests.len() });
        }
        match (self.ending.state, self.ending.bound_hz) {
            (EndingState::DeadBand, Some(bound_hz)) => Ok(Offset::Within { bound_hz }),
            _ => self.rests.last().map(Rest::offset).ok_or(NoOffset::NoRest),
        }
    }
}

/// The newest the ear knows while it listens: provisional, revised until the end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Snapshot {
    /// Instant, s since listening began.
    pub at_s: f64,
    /// State of the note now.
    pub state: EndingState,
    /// |b| now, Hz, null when nothing is heard.
    pub offset_hz: Option<f64>,
    /// Its standard uncertainty, Hz.
    pub u_hz: Option<f64>,
    /// Side.
    pub side: Side,
    /// Which oscillator is in the hand.
    pub hand: Hand,
    /// d|b|/dt, Hz/s.
    pub rate_hz_per_s: Option<f64>,
    /// Level of the note (or of the input when nothing is heard), dB re full scale.
    pub level_db: f64,
    /// The rest under way.
    pub rest: Option<Rest>,
    /// Samples lost so far.
    pub lost_samples: u64,
    /// The largest |b| that would stay unheard now (95 %), Hz, once the path's roll-off is known well enough. For the
    /// screen; in the final record it stands in the ending.
    #[serde(skip)]
    pub bound_hz: Option<f64>,
    /// The two notes of a receiver, where two are followed. For the screen; in the final record they stand in the rest.
    #[serde(skip)]
    pub notes: Option<NotesNow>,
}

/// Two notes in a receiver, as they are now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NotesNow {
    /// Signal's and meter's note, Hz; where `told` is false it is not known which is whose. None: not heard now.
    pub hz: [Option<f64>; 2],
    /// Whether it is known which is whose.
    pub told: bool,
    /// +1 where pitch rises with radio frequency, −1 where it falls, none where that is not known yet.
    pub sense: Option<f64>,
    /// The notes glide against each other: the beat oscillator lies between them.
    pub straddled: bool,
}
