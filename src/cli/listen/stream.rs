//! Listening without a screen: lines or JSON objects as things change.

use crate::cli::failure::Failure;
use crate::live::Teller;
use crate::session::{InputState, Next, Session, Update};
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

/// One object per snapshot. What becomes of the input has no place in it and goes to standard error.
pub fn json(session: &Session, stop: &AtomicBool, out: &mut dyn Write) -> Result<(), Failure> {
    let mut told_s = f64::NEG_INFINITY;
    let mut flowing = true;
    follow(session, stop, |update| {
        let was_flowing = std::mem::replace(&mut flowing, matches!(update.input, InputState::Flowing));
        if was_flowing && !flowing {
            complain(&update.input);
        }
        if let Some(snapshot) = update.snapshot.as_ref().filter(|snapshot| snapshot.at_s > told_s) {
            told_s = snapshot.at_s;
            let object = serde_json::to_string(snapshot).map_err(|e| Failure::Job(e.to_string()))?;
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
