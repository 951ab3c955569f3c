//! Which of its harmonics the meter met the signal with: H = Δb/Δf, whatever K is.
//!
//! Turned from one reading to another, the beat `b = H·f_meter − K·f_signal` moves by H times what the fundamental
//! moves by the book; the signal, its harmonic, and whatever the meter is off by as a whole drop out. With rests
//! `(f_i, b_i)` every order says `f_i = b_i/H + c`, where c is the fundamental at zero beat. Each order is weighed by how
//! well it fits (least squares about the weighted mean, errors by the reading, the book and the beat) and by a prior that
//! falls as 1/H, since harmonics fade about as their order. Where a side is not known both are weighed. An order is told
//! when nearly all of the weight is its own; else the two readings that would tell it are.

use super::CorrectionError;
use super::beat::Beat;
use crate::clock::Clock;
use crate::dial::{Meter, Range};
use crate::offset::{Offset, Side};
use serde::{Deserialize, Serialize};

/// A rest: where the dial stood and what was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RestAt {
    /// Reading, divisions.
    pub reading: f64,
    /// What was heard there.
    pub offset: Offset,
}

/// The share of one order.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OrderShare {
    /// H.
    pub harmonic: u32,
    /// Its share of belief, all orders together 1.
    pub share: f64,
}

/// Readings that would tell the order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Needed {
    /// Two readings either side of zero beat, divisions.
    pub readings: [f64; 2],
    /// The note to be expected at either, Hz.
    pub note_hz: f64,
    /// Rests needed, half of them at each, the dial set and read anew for every one.
    pub rests: u32,
}

/// What two rests or more say of the order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Order {
    /// H; null where these rests can't tell.
    pub harmonic: Option<u32>,
    /// Δb/Δf by the book, of the likeliest sides.
    pub ratio: f64,
    /// Its standard uncertainty.
    pub u_ratio: f64,
    /// The likeliest orders with their shares.
    pub orders: Vec<OrderShare>,
    /// Root mean square distance of the readings from the likeliest order, in units of their u.
    pub misfit: f64,
    /// The readings that would tell; null where the order is told, or no two readings within hearing would do.
    pub needed: Option<Needed>,
}

impl Order {
    /// Whether the likeliest order fits the readings at all.
    pub fn fits(&self) -> bool {
        self.misfit <= MOST_MISFIT
    }
}

/// The meter's highest harmonic that is thought of.
const HIGHEST_ORDER: u32 = 100;
/// Share of belief that counts as told.
const TOLD: f64 = 0.99;
/// Readings further than this from every order, in units of their u, tell nothing.
const MOST_MISFIT: f64 = 4.0;
/// No share less than this is listed.
const LISTED: f64 = 0.001;
/// Rests without a side that are tried on both.
const MOST_UNSIDED: u32 = 8;
/// Highest note that every phone and every sound card passes, Hz (common practice, no source).
const HEARD_HZ: f64 = 3000.0;
/// Distance of two orders in units of u from which on 19 cases in 20 are told: with a likelihood ratio of exp(d²/2 + d·z),
/// z standard normal, 99 % of belief takes d²/2 − 1.65·d = ln 99.
const TELLING: f64 = 5.1;
/// More rests than this nobody takes.
const MOST_RESTS: u32 = 12;

/// A rest by the book.
#[derive(Clone, Copy)]
struct Seen {
    meter: (f64, f64),
    /// Size of the beat, its u, and its sign where that is known.
    beat: (f64, f64),
    sign: Option<f64>,
}

/// One order, and one choice of the sides, held against the rests.
#[derive(Clone, Copy)]
struct Trial {
    harmonic: u32,
    log: f64,
    squares: f64,
    /// Fundamental at zero beat, Hz.
    zero_hz: f64,
    sides: u32,
}

/// Tells the order from two rests or more at different readings; `None` where there are not two.
///
/// # Errors
/// A reading off the book.
pub fn order(
    meter: &Meter,
    range: &Range,
    rests: &[RestAt],
    clock: &Clock,
) -> Result<Option<Order>, CorrectionError> {
    let seen =
        rests.iter().map(|rest| Seen::new(meter, range, rest, clock)).collect::<Result<Vec<_>, _>>()?;
    let apart = seen.iter().any(|one| (one.meter.0 - seen[0].meter.0).abs() > 0.0);
    if !apart {
        return Ok(None);
    }
    let unsided = seen.iter().filter(|one| one.sign.is_none()).count() as u32;
    let choices = 1u32 << unsided.min(MOST_UNSIDED);
    let trials: Vec<Trial> = (1..=HIGHEST_ORDER)
        .flat_map(|harmonic| (0..choices).map(move |sides| (harmonic, sides)))
        .map(|(harmonic, sides)| Trial::new(&seen, harmonic, sides))
        .collect();
    let Some(best) = trials.iter().copied().max_by(|a, b| a.log.total_cmp(&b.log)) else { return Ok(None) };
    let mut orders: Vec<OrderShare> = (1..=HIGHEST_ORDER)
        .map(|harmonic| {
            let own = trials.iter().filter(|trial| trial.harmonic == harmonic);
            OrderShare { harmonic, share: own.map(|trial| (trial.log - best.log).exp()).sum() }
        })
        .collect();
    let whole: f64 = orders.iter().map(|order| order.share).sum();
    for order in &mut orders {
        order.share /= whole;
    }
    orders.sort_by(|a, b| b.share.total_cmp(&a.share));
    let misfit = (best.squares / (seen.len() - 1) as f64).sqrt();
    let told = orders[0].share >= TOLD && misfit <= MOST_MISFIT;
    let (ratio, u_ratio) = slope(&seen, best.sides);
    let needed =
        if told { None } else { needed(range, &seen, best, [orders[0].harmonic, orders[1].harmonic]) };
    let harmonic = told.then(|| orders[0].harmonic);
    orders.retain(|order| order.share >= LISTED);
    Ok(Some(Order { harmonic, ratio, u_ratio, orders, misfit, needed }))
}

impl Seen {
    fn new(meter: &Meter, range: &Range, rest: &RestAt, clock: &Clock) -> Result<Self, CorrectionError> {
        let point = range.book.at(rest.reading)?;
        let beat = Beat::new(rest.offset, 1.0, clock);
        let sign = match rest.offset {
            Offset::Heard { side: Side::Unknown, .. } => None,
            Offset::Heard { side, .. } => side.sign(),
            Offset::Within { .. } => Some(1.0),
        };
        let u_hz = point.u_hz().hypot(meter.plate.u_div * point.slope);
        Ok(Self { meter: (point.hertz, u_hz), beat: (beat.hertz, beat.u_hz), sign })
    }
}

/// The beats with their signs; bit k of `sides` says that the k-th beat without a side is below.
fn signed(seen: &[Seen], sides: u32) -> Vec<f64> {
    let mut unsided = 0;
    seen.iter()
        .map(|one| {
            let sign = one.sign.unwrap_or_else(|| {
                let below = unsided < MOST_UNSIDED && sides & (1 << unsided) != 0;
                unsided += 1;
                if below { -1.0 } else { 1.0 }
            });
            sign * one.beat.0
        })
        .collect()
}

impl Trial {
    fn new(seen: &[Seen], harmonic: u32, sides: u32) -> Self {
        let h = f64::from(harmonic);
        let beats = signed(seen, sides);
        let (mut sum, mut weight, mut logs) = (0.0, 0.0, 0.0);
        let each: Vec<(f64, f64)> = seen
            .iter()
            .zip(&beats)
            .map(|(one, beat)| {
                (one.meter.0 - beat / h, (one.meter.1.powi(2) + (one.beat.1 / h).powi(2)).recip())
            })
            .collect();
        for &(zero, w) in &each {
            sum += w * zero;
            weight += w;
            logs += w.ln();
        }
        let zero_hz = sum / weight;
        let squares = each.iter().map(|(zero, w)| w * (zero - zero_hz).powi(2)).sum::<f64>();
        let log = 0.5 * (logs - weight.ln() - squares) - h.ln();
        Self { harmonic, log, squares, zero_hz, sides }
    }
}

/// Δb/Δf and its standard uncertainty: the inverse slope of the fundamental on the beat, whose error is small.
fn slope(seen: &[Seen], sides: u32) -> (f64, f64) {
    let beats = signed(seen, sides);
    let n = seen.len() as f64;
    let (b, f) = (beats.iter().sum::<f64>() / n, seen.iter().map(|one| one.meter.0).sum::<f64>() / n);
    let (mut bb, mut fb, mut variance) = (0.0, 0.0, 0.0);
    for (one, beat) in seen.iter().zip(&beats) {
        bb += (beat - b).powi(2);
        fb += (beat - b) * (one.meter.0 - f);
        variance += (beat - b).powi(2) * one.meter.1.powi(2);
    }
    let ratio = bb / fb;
    (ratio, ratio.powi(2) * variance.sqrt() / bb)
}

/// The readings that would tell two orders apart.
fn needed(range: &Range, seen: &[Seen], best: Trial, [first, second]: [u32; 2]) -> Option<Needed> {
    let (first, second) = (f64::from(first), f64::from(second));
    let highest = first.max(second);
    // Apart by Δf, the readings of one order miss the other by this share of it.
    let share = (1.0 - first.min(second) / highest).abs();
    let u = seen.iter().map(|one| one.meter.1).fold(0.0, f64::max);
    let wanted = TELLING * 2f64.sqrt() * u / share;
    let most = 2.0 * HEARD_HZ / highest;
    let span = wanted.min(most);
    let rests = 2 * ((wanted / span).powi(2) - 1e-9).ceil().max(1.0) as u32;
    let reading = |hertz: f64| range.book.reading_of(hertz).map(|point| point.reading);
    let mut readings = [reading(best.zero_hz - span / 2.0)?, reading(best.zero_hz + span / 2.0)?];
    readings.sort_by(f64::total_cmp);
    (rests <= MOST_RESTS).then_some(Needed { readings, note_hz: highest * span / 2.0, rests })
}
