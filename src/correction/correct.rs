//! The whole sum: value, budget, interval, verdict.

use super::CorrectionError;
use super::budget::Component;
use super::check::{Check, CheckResult};
use super::doubts;
use super::interval::Combined;
use super::order::{Order, RestAt, order};
use super::paper;
use super::recheck::{Drift, Recheck};
use super::transport::Transport;
use super::verdict::{Target, TargetResult, judge};
use super::work::{Setting, Work};
use crate::clock::Clock;
use crate::dial::{Approach, Crystal, Date, Meter, Range};
use crate::heard::Warning;
use crate::offset::{Offset, Side};
use crate::quantity::Width;
use serde::{Deserialize, Serialize};

/// One reading of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairReading {
    /// Reading, divisions.
    pub reading: f64,
    /// Its pitch; `None` where both pitches were equal and cancel.
    pub pitch: Option<Offset>,
}

/// What was done at the dial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measurement {
    /// One reading and the offset heard there.
    Single {
        /// Reading, divisions.
        reading: f64,
        /// The offset.
        offset: Offset,
    },
    /// The two-sided method: meter below the signal, then above.
    Pair {
        /// With the meter below the signal.
        low: PairReading,
        /// With the meter above the signal.
        high: PairReading,
    },
}

/// What the operator allows for; each is a standard uncertainty of the meter's fundamental.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Allowances {
    /// Drift since the check.
    pub drift: Option<Width>,
    /// The shift when the crystal is switched off.
    pub switching: Option<Width>,
    /// The shift from coupling the signal in.
    pub coupling: Option<Width>,
}

/// What else is known, beside the measurement itself.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Extra<'a> {
    /// Other rests of the same signal at other readings: they tell the harmonic.
    pub also: &'a [RestAt],
    /// The meter's drift, where it is known otherwise than by checks with times.
    pub drift: Option<Drift>,
    /// How far off a result may be before the check must be repeated.
    pub trust: Option<Width>,
    /// Nobody stated H: where the other rests tell it, theirs is taken.
    pub harmonic_open: bool,
}

/// Everything that enters a correction.
#[derive(Debug, Clone, PartialEq)]
pub struct Request<'a> {
    /// The meter.
    pub meter: &'a Meter,
    /// The range it stood on.
    pub range: &'a Range,
    /// What was done.
    pub measurement: Measurement,
    /// Whether the ear measured the offset, rather than somebody writing it down.
    pub recorded: bool,
    /// Which way the reading was come to; the book's way when not stated (for a pair: from opposite sides).
    pub approach: Option<Approach>,
    /// H.
    pub harmonic: u32,
    /// K.
    pub signal_harmonic: u32,
    /// Check points heard.
    pub checks: &'a [Check],
    /// How their correction is carried over.
    pub transport: Transport,
    /// Time of the measurement, minutes of the day.
    pub at_min: Option<f64>,
    /// The crystal, as the meter file or a later check has it.
    pub crystal: &'a Crystal,
    /// Today, for the crystal's age.
    pub today: Option<Date>,
    /// The sound card's clock.
    pub clock: &'a Clock,
    /// What else is allowed for.
    pub allowances: Allowances,
    /// Where the signal ought to be.
    pub target: Option<Target>,
    /// What else is known.
    pub extra: Extra<'a>,
}

impl Request<'_> {
    /// Whether the harmonic is to be told by the rests. The two readings of a pair only contradict one that is wrong.
    fn is_open(&self) -> bool {
        self.extra.harmonic_open && matches!(self.measurement, Measurement::Single { .. })
    }

    /// The same with the harmonic that the rests tell, where nobody stated it.
    fn by_order(&self, order: Option<&Order>) -> Self {
        let told = order.and_then(|order| order.harmonic).filter(|_| self.is_open());
        Self { harmonic: told.unwrap_or(self.harmonic), ..self.clone() }
    }

    /// The same with its harmonic settled, as the sum takes it.
    ///
    /// # Errors
    /// A reading off the book.
    pub(super) fn settled(&self) -> Result<Self, CorrectionError> {
        if !self.is_open() {
            return Ok(self.clone());
        }
        let order = order(self.meter, self.range, &rests(self), self.clock)?;
        Ok(self.by_order(order.as_ref()))
    }
}

/// The answer of `correct --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Corrected {
    /// Corrected frequency of the signal, Hz; null when the side is unknown and `alternatives_hz` holds two answers.
    pub frequency_hz: Option<f64>,
    /// Combined standard uncertainty, Hz.
    pub u_hz: f64,
    /// Half-width of the interval that covers 95 %, Hz.
    pub expanded_u_hz: f64,
    /// Expanded over standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; null when unlimited.
    pub effective_dof: Option<f64>,
    /// The two answers when the side is unknown, the lower first, Hz; else empty.
    pub alternatives_hz: Vec<f64>,
    /// Corrected fundamental of the meter, Hz (for a pair: the mean of the two settings).
    pub meter_hz: f64,
    /// The meter's fundamental by the book alone, Hz.
    pub book_hz: f64,
    /// Correction from the check points, Hz at the fundamental; null without checks.
    pub correction_hz: Option<f64>,
    /// H.
    pub harmonic: u32,
    /// K.
    pub signal_harmonic: u32,
    /// |b|, the card's clock undone, Hz; null for a bound and for a pair.
    pub offset_hz: Option<f64>,
    /// Where the meter stood against the signal.
    pub side: Side,
    /// The sum on one line, as on paper.
    pub line: String,
    /// The check points and what they weigh.
    pub checks: Vec<CheckResult>,
    /// The budget.
    pub budget: Vec<Component>,
    /// The signal against its target; null when none was stated.
    pub target: Option<TargetResult>,
    /// Which harmonic other rests of the signal tell; null where there are none.
    #[serde(default)]
    pub order: Option<Order>,
    /// Until when the check holds; null where no drift is known.
    #[serde(default)]
    pub recheck: Option<Recheck>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

impl Corrected {
    /// Decimals that the frequency is printed with, everywhere: those of the expanded uncertainty.
    pub fn decimals(&self) -> usize {
        paper::decimals(self.expanded_u_hz)
    }

    /// A frequency of this record as it is printed.
    pub fn printed(&self, hertz: f64) -> String {
        paper::printed(hertz, self.decimals())
    }
}

/// Works out the corrected frequency.
///
/// # Errors
/// A reading outside the book, a check without side, a pair that contradicts itself.
pub fn correct(request: &Request) -> Result<Corrected, CorrectionError> {
    let order = order(request.meter, request.range, &rests(request), request.clock)?;
    let request = &request.by_order(order.as_ref());
    let work = Work::new(request)?;
    let components = work.components();
    let combined = Combined::of(&components);
    let value = work.value(1.0);
    let unknown = work.side_unknown();
    let frequencies = if unknown { vec![value, work.value(-1.0)] } else { vec![value] };
    let mut warnings = work.warnings(&components, &combined);
    work.judge_pair(&mut warnings)?;
    let order = doubts::of_order(request, order, &mut warnings);
    let scale = f64::from(request.harmonic) / f64::from(request.signal_harmonic);
    let mean =
        |of: &dyn Fn(&Setting) -> f64| work.settings.iter().map(|s| s.weight * of(s)).sum::<f64>() / scale;
    let book_hz = mean(&|setting| setting.point.hertz);
    let correction = mean(&|setting| setting.correction);
    let (offset_hz, side) = match request.measurement {
        Measurement::Single { offset: Offset::Heard { side, .. }, .. } => {
            (work.settings[0].beat.map(|beat| beat.hertz.abs()), side)
        }
        _ => (None, Side::Unknown),
    };
    Ok(Corrected {
        frequency_hz: if unknown { None } else { Some(value) },
        u_hz: combined.u_hz,
        expanded_u_hz: combined.expanded_u_hz,
        coverage_factor: combined.coverage_factor,
        effective_dof: combined.effective_dof,
        alternatives_hz: if unknown { frequencies.clone() } else { Vec::new() },
        meter_hz: book_hz + correction,
        book_hz,
        correction_hz: (!request.checks.is_empty()).then_some(correction),
        harmonic: request.harmonic,
        signal_harmonic: request.signal_harmonic,
        offset_hz,
        side,
        line: paper::line(request, &work, &frequencies, combined.expanded_u_hz),
        checks: work.check_results(scale),
        target: request.target.map(|target| judge(target, &frequencies, &combined)),
        budget: components,
        order,
        recheck: work.recheck(value, combined.expanded_u_hz),
        warnings,
    })
}

/// All rests of the signal with their readings: the measurement's own and the others.
fn rests(request: &Request) -> Vec<RestAt> {
    let sided = |reading: f64, pitch: Option<Offset>, side: Side| {
        let Offset::Heard { offset_hz, u_hz, .. } = pitch? else { return None };
        Some(RestAt { reading, offset: Offset::Heard { offset_hz, u_hz, side } })
    };
    let own = match request.measurement {
        Measurement::Single { reading, offset } => vec![RestAt { reading, offset }],
        Measurement::Pair { low, high } => [(low, Side::Low), (high, Side::High)]
            .into_iter()
            .filter_map(|(one, side)| sided(one.reading, one.pitch, side))
            .collect(),
    };
    own.into_iter().chain(request.extra.also.iter().copied()).collect()
}
