//! What a session leaves in the bench log: every mark, or where none could be made, what was heard last.

use super::Args;
use crate::benchlog::About;
use crate::cli::correct::about;
use crate::cli::failure::Failure;
use crate::cli::logging::{self, Logging};
use crate::heard::Rest;
use crate::live::Mark;
use crate::offset::Offset;
use crate::session::Outcome;
use crate::task::correct;
use crate::task::listen::AtDial;
use serde::Serialize;
use std::io::Write;

/// Enters the marks.
pub fn marks(
    args: &Args,
    at_dial: Option<&AtDial>,
    marks: &[Mark],
    out: &mut dyn Write,
) -> Result<(), Failure> {
    marks.iter().try_for_each(|mark| enter(args, at_dial, mark.rest.offset(), Some(&mark.rest), false, out))
}

/// Enters what was heard last, where there is an offset; else the session as it was.
pub fn last(
    args: &Args,
    at_dial: Option<&AtDial>,
    outcome: &Outcome,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let heard = &outcome.finished.heard;
    match heard.offset(None) {
        Ok(offset) => enter(args, at_dial, offset, heard.rests.last(), args.json, out),
        Err(_) => {
            args.logging.keep("listen", || recorded(args, About::default()), &heard.ending, args.json, out)
        }
    }
}

/// One offset: with the dial given as a corrected frequency, else as it was heard.
fn enter(
    args: &Args,
    at_dial: Option<&AtDial>,
    offset: Offset,
    rest: Option<&Rest>,
    quiet: bool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let logging: &Logging = &args.logging;
    if !logging.wanted() {
        return Ok(());
    }
    if let Some(at_dial) = at_dial {
        let (meter, job) = (&at_dial.meter, at_dial.heard(offset));
        let record = correct::correct(meter, &job)?;
        let taken = correct::taken(meter, &job)?;
        let file = args.dial.meter.clone().unwrap_or_default();
        let about = || recorded(args, about(meter, &file, &job, &record, taken));
        return logging.keep("listen", about, &record, quiet, out);
    }
    let about = match offset {
        Offset::Heard { offset_hz, u_hz, side } => About {
            offset_hz: Some(offset_hz),
            offset_u_hz: Some(u_hz),
            side: Some(side),
            ..About::default()
        },
        Offset::Within { bound_hz } => About { bound_hz: Some(bound_hz), ..About::default() },
    };
    logging.keep("listen", || recorded(args, about), &Heard { rest }, quiet, out)
}

/// What was heard, where there is no dial to make a frequency of it.
#[derive(Serialize)]
struct Heard<'a> {
    rest: Option<&'a Rest>,
}

/// With the recording that was kept or replayed.
fn recorded(args: &Args, about: About) -> About {
    let file = args.keep.as_deref().or(args.replay.as_deref());
    About { recording: file.and_then(logging::recording), ..about }
}
