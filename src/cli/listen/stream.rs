//! Listening without a screen: lines or JSON objects as things change.

use crate::cli::failure::Failure;
use crate::heard::{EndingState, Snapshot};
use crate::live::{Against, Teller};
use crate::session::{InputState, Next, Session, Update};
use serde::Serialize;
use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// How long to wait for news before looking whether a stop was asked for.
const LOOK: Duration = Duration::from_millis(50);

/// Hands every update to `take` until the session ends or a stop is asked for.
fn follow(
    session: &Session,
    stop: &AtomicBool,
    mut take: impl FnMut(&Update) -> Result<(), Failure>,
) -> Result<(), Failure> {
    while !stop.load(Ordering::Relaxed) {
        match session.next_update(LOOK) {
            Next::Update(update) => take(&update)?,
            Next::Nothing => {}
            Next::Ended => break,
        }
    }
    Ok(())
}

/// Short lines, one per change.
pub fn plain(
    session: &Session,
    mut teller: Teller,
    stop: &AtomicBool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    follow(session, stop, |update| {
        for line in teller.tell(update) {
            writeln!(out, "{line}")?;
        }
        Ok(out.flush()?)
    })
}

/// A snapshot, and with the meter held off how far the signal is from its target.
#[derive(Serialize)]
struct Now<'a> {
    #[serde(flatten)]
    snapshot: &'a Snapshot,
    #[serde(skip_serializing_if = "Option::is_none")]
    target: Option<Distance>,
}

/// The signal against its target.
#[derive(Serialize)]
struct Distance {
    /// Signal less target, Hz, with the meter on the side on which it is held where none was heard.
    difference_hz: f64,
    /// Standard uncertainty of that, Hz; null while the note moves.
    u_hz: Option<f64>,
}

fn target(snapshot: &Snapshot, against: Against) -> Option<Distance> {
    let Against::HoldOff(held) = against else { return None };
    let (offset, u) = snapshot.heard()?;
    let at_rest = snapshot.state == EndingState::Resting && snapshot.rest.is_some();
    Some(Distance {
        difference_hz: held.difference_hz(offset, snapshot.side),
        u_hz: u.filter(|_| at_rest).map(|u| held.u_hz(u)),
    })
}

/// One object per snapshot. What becomes of the input has no place in it and goes to standard error.
pub fn json(
    session: &Session,
    against: Against,
    stop: &AtomicBool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut told_s = f64::NEG_INFINITY;
    let mut flowing = true;
    follow(session, stop, |update| {
        let was_flowing = std::mem::replace(&mut flowing, matches!(update.input, InputState::Flowing));
        if was_flowing && !flowing {
            complain(&update.input);
        }
        if let Some(snapshot) = update.snapshot.as_ref().filter(|snapshot| snapshot.at_s > told_s) {
            told_s = snapshot.at_s;
            let now = Now { snapshot, target: target(snapshot, against) };
            let object = serde_json::to_string(&now).map_err(|e| Failure::Job(e.to_string()))?;
            writeln!(out, "{object}")?;
            out.flush()?;
        }
        Ok(())
    })
}

fn complain(input: &InputState) {
    let what = match input {
        InputState::Flowing => return,
        InputState::Silent(_) => "no sound arrives: waiting for the input".to_owned(),
        InputState::Leaking(part) => format!("the input loses {:.1} % of the sound unseen", part * 100.0),
        InputState::Gone { why, .. } => format!("{why}: trying to get it back"),
    };
    // Nobody can be told that standard error does not take it.
    let _ = writeln!(std::io::stderr(), "hushbeat: {what}");
}
