//! `listen`: sound as it comes in, and at the end the same record as `analyse`.

use crate::clock::Clock;
use crate::correction::{Corrected, CorrectionError};
use crate::dial::Meter;
use crate::live::{Clerk, Signal};
use crate::offset::Offset;
use crate::session::{Options, Outcome, Session, SessionError};
use crate::source::beside::{self, Note};
#[cfg(feature = "live")]
use crate::source::capture::{Capture, Choice, Wish};
use crate::source::inflow::SoundError;
use crate::source::replay::Replay;
use crate::task::analyse::{Analysis, Input};
use crate::task::correct::{self, CheckText, Job, Observation};

/// Where the sound comes from.
#[derive(Debug, Clone)]
pub enum From {
    /// A sound card's input.
    #[cfg(feature = "live")]
    Card(Choice, Wish),
    /// A recording.
    Recording(Replay),
}

/// Begins to listen. What was declared while a recording was kept is declared again where it was.
///
/// # Errors
/// The sound can't be had or kept, or is of no use.
pub fn begin(from: From, mut options: Options) -> Result<Session, SessionError> {
    match from {
        #[cfg(feature = "live")]
        From::Card(choice, wish) => Session::start(Capture::new(choice, wish), options),
        From::Recording(replay) => {
            let notes = beside::read(&replay.path).map_err(SoundError::from)?;
            options.declared = notes
                .into_iter()
                .filter_map(|(frame, note)| match note {
                    Note::Declared(command) => Some((frame, command)),
                    Note::Lost { .. } => None,
                })
                .collect();
            Session::start(replay, options)
        }
    }
}

/// The record of all that was heard.
pub fn record(outcome: &Outcome) -> Analysis {
    let rate = f64::from(outcome.format.rate_hz);
    Analysis {
        schema: 1,
        input: Input {
            path: outcome.name.clone(),
            sample_rate_hz: outcome.format.rate_hz,
            channels: outcome.format.channels,
            channel_used: outcome.finished.channel_used,
            frames: outcome.finished.frames,
            duration_s: outcome.finished.frames as f64 / rate,
            format: outcome.words.clone(),
            notes: outcome.notes.clone(),
            clock: outcome.clock.clone(),
            stopped: false,
        },
        heard: outcome.finished.heard.clone(),
    }
}

/// A meter with its dial read, and what is asked of it.
#[derive(Debug, Clone)]
pub struct AtDial {
    /// The meter.
    pub meter: Meter,
    /// What is asked, but for the offset, which is still to be heard.
    pub job: Job,
}

impl AtDial {
    /// The job is tried once, so that a reading off the dial is refused before anything is heard.
    ///
    /// # Errors
    /// As [`correct::correct`].
    pub fn tried(meter: Meter, job: Job) -> Result<Self, CorrectionError> {
        correct::correct(&meter, &job)?;
        Ok(Self { meter, job })
    }

    /// The same by a sound card's clock.
    #[must_use]
    pub fn by(mut self, clock: Clock) -> Self {
        self.job.clock = clock;
        self
    }

    /// The same with one check point, as it was heard at the same reading: crystal harmonic N met meter harmonic M.
    #[must_use]
    pub fn with_check(mut self, point: (u32, u32), heard: Offset) -> Self {
        if let Observation::Single { reading, .. } = &self.job.observation {
            self.job.checks = vec![CheckText::heard(reading, point, heard)];
        }
        self
    }

    /// The job with the offset that was heard.
    pub fn heard(&self, heard: Offset) -> Job {
        let mut job = self.job.clone();
        if let Observation::Single { offset, .. } = &mut job.observation {
            *offset = heard;
        }
        job
    }

    /// What turns the offset heard into the signal's frequency.
    pub fn clerk(self) -> Clerk {
        Box::new(move |heard: &Offset| correct::correct(&self.meter, &self.heard(*heard)).ok().map(signal))
    }
}

fn signal(corrected: Corrected) -> Signal {
    Signal {
        frequencies_hz: corrected.frequency_hz.map_or(corrected.alternatives_hz, |frequency| vec![frequency]),
        u_hz: corrected.u_hz,
        expanded_u_hz: corrected.expanded_u_hz,
        from_target_hz: corrected.target.and_then(|target| target.difference_hz),
    }
}
