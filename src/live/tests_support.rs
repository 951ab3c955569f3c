//! Snapshots and views as the tests of this room need them.

use crate::heard::{EndingState, Method, Rest, Snapshot};
use crate::offset::{Hand, Side};

/// A snapshot of a state, with nothing said that the state does not need.
pub fn snapshot(state: EndingState) -> Snapshot {
    Snapshot {
        at_s: 0.0,
        state,
        offset_hz: None,
        u_hz: None,
        side: Side::Unknown,
        hand: Hand::Meter,
        rate_hz_per_s: None,
        level_db: -20.0,
        rest: None,
        lost_samples: 0,
        bound_hz: None,
        notes: None,
    }
}

/// A rest.
pub fn rest(offset_hz: f64, u_hz: f64, side: Side) -> Rest {
    Rest {
        start_s: 3.0,
        end_s: 8.0,
        at_s: 8.0,
        offset_hz,
        u_hz,
        u_noise_hz: u_hz,
        u_wander_hz: 0.0,
        heard_hz: offset_hz,
        rate_hz_per_s: 0.0,
        rate_u: 0.001,
        side,
        snr_db: 20.0,
        method: Method::Note,
        notes_hz: None,
        alternatives_hz: vec![],
        pulled: None,
        near_hum_hz: None,
    }
}
