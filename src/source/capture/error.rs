//! Why a sound input can't be used, in one plain line each.

use super::offer::{Mismatch, spans};

/// Why a sound input can't be used.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// No sound system at all.
    #[error(
        "no sound system answers on this machine ({0}); hint: start the sound server or plug in a sound card, or \
         listen to a recording with --replay FILE"
    )]
    NoSystem(String),
    /// A sound system without an input.
    #[error(
        "no sound input answers on this machine; hint: plug in a sound card with a line or microphone input or start \
         the sound server, or listen to a recording with --replay FILE"
    )]
    NoInput,
    /// No input of that name or number.
    #[error(
        "there is no sound input {wanted}; hint: `hushbeat inputs` lists what there is{}",
        or_one_of(have)
    )]
    NoSuchInput {
        /// What was asked for.
        wanted: String,
        /// What there is.
        have: Vec<String>,
    },
    /// Several inputs of that name.
    #[error("`{wanted}` fits {} sound inputs; hint: take one of {}", fitting.len(), fitting.join(", "))]
    Ambiguous {
        /// What was asked for.
        wanted: String,
        /// What it fits.
        fitting: Vec<String>,
    },
    /// Another program has it.
    #[error(
        "sound input {0} is in use; hint: close the program that records from it, or choose another with --input"
    )]
    Busy(String),
    /// The system doesn't let us.
    #[error(
        "the system does not let this program use sound input {0}; hint: allow it the microphone in the system's \
         privacy settings, or join the group `audio`"
    )]
    Refused(String),
    /// It is listed, but not there.
    #[error(
        "sound input {0} can't be reached; hint: plug it in or start its sound server; `hushbeat inputs` shows which \
         ones work"
    )]
    Unreachable(String),
    /// A setting it can't do.
    #[error("sound input {name} {}", mismatch_words(mismatch))]
    Mismatch {
        /// The input.
        name: String,
        /// What does not fit.
        mismatch: Mismatch,
    },
    /// Anything else.
    #[error(
        "sound input {name} does not open: {why}; hint: `hushbeat inputs` shows which ones work; --replay FILE \
         listens to a recording"
    )]
    Unusable {
        /// The input.
        name: String,
        /// What the system says.
        why: String,
    },
}

impl CaptureError {
    /// Turns what the sound library says of an input into our words.
    pub(super) fn about(name: &str, error: &cpal::Error) -> Self {
        use cpal::ErrorKind::{DeviceBusy, DeviceNotAvailable, HostUnavailable, PermissionDenied};
        let name = name.to_owned();
        match error.kind() {
            DeviceBusy => Self::Busy(name),
            PermissionDenied => Self::Refused(name),
            HostUnavailable => Self::NoSystem(plain(error)),
            DeviceNotAvailable => Self::Unreachable(name),
            _ => Self::Unusable { name, why: plain(error) },
        }
    }

    /// What is wrong, without the input's name and without a hint: for a table.
    pub fn in_brief(&self) -> String {
        match self {
            Self::Busy(_) => "in use by another program".to_owned(),
            Self::Refused(_) => "the system does not allow it".to_owned(),
            Self::Unreachable(_) => "it can't be reached".to_owned(),
            Self::Unusable { why, .. } | Self::NoSystem(why) => why.clone(),
            Self::Mismatch { mismatch, .. } => match mismatch {
                Mismatch::NothingOffered => "it records nothing".to_owned(),
                other => mismatch_words(other),
            },
            other => other.to_string(),
        }
    }
}

/// The library's message on one line, without a full stop; of one that names the C function that failed only the
/// reason.
pub(super) fn plain(error: &cpal::Error) -> String {
    let line = error.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
    let reason = line.split_once("failed with error '").and_then(|(_, rest)| rest.rsplit_once(" ("));
    reason.map_or_else(|| line.trim_end_matches('.').to_owned(), |(reason, _)| reason.to_lowercase())
}

fn or_one_of(have: &[String]) -> String {
    match have {
        [] => String::new(),
        have => format!(" ({})", have.join(", ")),
    }
}

fn mismatch_words(mismatch: &Mismatch) -> String {
    match mismatch {
        Mismatch::NothingOffered => "offers no way to record from it; hint: choose another with --input".to_owned(),
        Mismatch::Format => {
            "offers no sample format that this program reads; hint: choose its converting twin, as `plughw` is to \
             `hw`"
            .to_owned()
        }
        Mismatch::Rate { wanted, offered } => {
            format!("can't do {wanted} Hz; hint: it offers {} Hz", spans(offered))
        }
        Mismatch::Channels { wanted, most } => {
            format!("has no channel {wanted}; hint: --channel 1 to {most}, or auto")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::{Error, ErrorKind};

    #[test]
    fn every_refusal_is_one_line_that_says_how_to_mend_it() {
        let about = |kind| CaptureError::about("plughw:CARD=bench", &Error::new(kind));
        let refusals = [
            about(ErrorKind::DeviceBusy),
            about(ErrorKind::PermissionDenied),
            about(ErrorKind::HostUnavailable),
            about(ErrorKind::DeviceNotAvailable),
            CaptureError::about("x", &Error::with_message(ErrorKind::BackendError, "two\nlines.")),
            CaptureError::about(
                "x",
                &Error::with_message(
                    ErrorKind::BackendError,
                    "ALSA function 'snd_pcm_open' failed with error 'Connection refused (111)'",
                ),
            ),
            CaptureError::NoInput,
            CaptureError::NoSuchInput { wanted: "`attic`".into(), have: vec!["1 default".into()] },
            CaptureError::Ambiguous { wanted: "usb".into(), fitting: vec!["a".into(), "b".into()] },
            CaptureError::Mismatch {
                name: "x".into(),
                mismatch: Mismatch::Rate { wanted: 12, offered: vec![(8000, 8000), (16_000, 48_000)] },
            },
            CaptureError::Mismatch { name: "x".into(), mismatch: Mismatch::Channels { wanted: 3, most: 2 } },
            CaptureError::Mismatch { name: "x".into(), mismatch: Mismatch::Format },
            CaptureError::Mismatch { name: "x".into(), mismatch: Mismatch::NothingOffered },
        ];
        insta::assert_snapshot!(refusals.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"));
    }
}
