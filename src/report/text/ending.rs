//! How it ends, in one or two sentences with advice that fits.

use super::{bound, hertz};
use crate::heard::{Ending, EndingState, Rest};
use crate::offset::{Hand, Side};

/// The ending in words: what the note does, how well that is known, and what to do next.
pub fn ending_in_words(ending: &Ending, rests: &[Rest], hand: Hand) -> String {
    let at = ending.at_s;
    match ending.state {
        EndingState::Quiet => {
            "No note was heard. If the meter is on, check the plug, the channel and the coupling, \
                               and sweep the dial slowly across the signal."
                .to_owned()
        }
        EndingState::Moving => match ending.offset_hz {
            Some(offset) => {
                format!(
                    "It was still moving at the end, near {offset:.0} Hz; let it stand for two seconds to measure it."
                )
            }
            None => "It was still moving at the end; let it stand for two seconds to measure it.".to_owned(),
        },
        EndingState::Resting => resting(ending, rests.last(), hand),
        EndingState::DeadBand => dead_band(ending),
        EndingState::Locked => format!(
            "At {at:.2} s it snapped away as two oscillators do when one captures the other. Loosen the coupling, or \
             work at a larger offset."
        ),
        EndingState::Lost => {
            let near = ending.offset_hz.map_or_else(String::new, |offset| format!(" near {offset:.0} Hz,"));
            format!(
                "At {at:.2} s it stopped,{near} where it should still be heard: a fade, the key, or a plug. Nothing is \
                 known of it after that."
            )
        }
    }
}

fn resting(ending: &Ending, rest: Option<&Rest>, hand: Hand) -> String {
    let Some(rest) = rest else {
        return format!(
            "It stands still since {:.2} s, too short to measure; leave it a second longer.",
            ending.at_s
        );
    };
    let amount = hertz(rest.offset_hz, rest.u_hz);
    let standing = format!("It stands still: {}.", hand.side_in_words(rest.side, &amount));
    if rest.side == Side::Unknown { format!("{standing} {}", nudge(hand)) } else { standing }
}

/// The nudge that settles the side: with `b = H·f_meter − K·f_signal`, raising what is above makes the note rise.
fn nudge(hand: Hand) -> &'static str {
    match hand {
        Hand::Meter => {
            "To settle the side raise the meter's frequency a little: a rising note means that it is above."
        }
        Hand::Signal => {
            "To settle the side raise the transmitter a little: a rising note means that it is too far up."
        }
    }
}

fn dead_band(ending: &Ending) -> String {
    let from = ending.offset_hz.map_or_else(String::new, |offset| format!(" near {offset:.0} Hz"));
    match ending.bound_hz {
        Some(limit) => {
            let limit = bound(limit);
            format!(
                "At {:.2} s it faded{from}, where this path goes deaf: within ± {limit} of zero (95 %). That is not known \
                 to be zero; enter it as --within {}.",
                ending.at_s,
                limit.replace(' ', "")
            )
        }
        None => format!("At {:.2} s it faded{from}, where this path goes deaf.", ending.at_s),
    }
}
