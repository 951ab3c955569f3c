//! What `listen` marks in turn: the stations of a net, or a check point and then the signal; and how far the meter is held
//! off its target.

use super::Args;
use crate::benchlog::About;
use crate::cli::failure::Failure;
use crate::cli::sheet::{self, HoldOff as Wanted};
use crate::clock::Clock;
use crate::heard::Heard;
use crate::live::{Against, HoldOff, Mark, Round};
use crate::offset::{Offset, Side};
use crate::quantity::Hertz;
use crate::report;
use crate::store;
use crate::task::hold_off::hold_off;
use crate::task::listen::AtDial;
use crate::task::rollcall::{self, Calls};
use std::io::Write;
use std::path::PathBuf;

/// In turn, the dial untouched
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "In turn, or held off")]
pub struct Turns {
    /// The meter is held so far above the target (B:low for below; auto takes 275 Hz): shows the distance to the target
    #[arg(long, value_name = "B|auto", value_parser = sheet::hold_off, requires = "target", conflicts_with = "set_check")]
    hold_off: Option<Wanted>,
    /// The stations of a net in the order of their turns, `label`: every mark takes the next, and the roll-call is printed
    #[arg(long, value_name = "LIST.csv")]
    stations: Option<PathBuf>,
    /// Net control, as the list or the typed labels call it [default: the first]
    #[arg(long, value_name = "LABEL")]
    control: Option<String>,
    /// Check point and then signal, the dial left alone: the screen leads through both marks
    #[arg(long, value_name = "N/M", value_parser = super::check_point, requires = "meter", conflicts_with_all = ["set_check", "stations", "hold_off", "plain", "json"])]
    transfer: Option<Against>,
}

impl Turns {
    /// Whether the screen has to lead.
    pub fn is_led(&self) -> bool {
        self.transfer.is_some()
    }
}

/// The stations of a net, where a list is given.
pub fn calls(args: &Args) -> Result<Option<Calls>, Failure> {
    let Some(path) = &args.turns.stations else { return Ok(None) };
    Ok(Some(Calls::parse(&store::read_text(path)?, &path.display().to_string())?))
}

/// What the note is compared with: a target beside which the meter is held, where that is asked for. With the dial given
/// the beat on the target follows from its reading.
pub fn against(args: &Args, at_dial: Option<&AtDial>) -> Result<Against, Failure> {
    if args.dial.meter.is_none() && args.dial.target.is_some() && args.turns.hold_off.is_none() {
        return Err(Failure::Usage(
            "--target needs the dial or a hold-off; hint: add --hold-off B, or --meter, --range and --reading".to_owned(),
        ));
    }
    let (Some(wanted), Some(Hertz(target_hz))) = (args.turns.hold_off, args.dial.target) else {
        return Ok(args.set_check.unwrap_or_default());
    };
    let mut beat_hz = match wanted {
        Wanted::Stated(hertz) => hertz,
        Wanted::Auto => hold_off(None).hold_off_hz,
    };
    let signal_harmonic = args.dial.signal_harmonic;
    let zero = Offset::Heard { offset_hz: 0.0, u_hz: 0.0, side: Side::High };
    if let Some(signal) = at_dial.and_then(|at_dial| at_dial.clone().clerk()(&zero)) {
        let there = signal.frequencies_hz.first().copied().unwrap_or(target_hz);
        beat_hz = f64::from(signal_harmonic) * (there - target_hz);
        if beat_hz.abs() > HEARD_HZ {
            return Err(Failure::Job(format!(
                "the reading puts the meter {:.0} Hz from the target, where no note is heard; hint: hushbeat sheet --hold-off gives the reading",
                beat_hz.abs()
            )));
        }
    }
    Ok(Against::HoldOff(HoldOff { target_hz, beat_hz, signal_harmonic }))
}

/// No note is heard beyond, Hz.
const HEARD_HZ: f64 = 3900.0;

/// What is to be marked in turn.
pub fn round(args: &Args, calls: Option<&Calls>, at_dial: Option<AtDial>) -> Option<Round> {
    if let Some(calls) = calls {
        return Some(Round::Stations(calls.turns.iter().map(|called| called.label.clone()).collect()));
    }
    let Some(Against::CheckPoint { crystal, meter }) = args.turns.transfer else { return None };
    let at_dial = at_dial?;
    let clerk_of = move |check: &Offset| at_dial.clone().with_check((crystal, meter), *check).clerk();
    Some(Round::Transfer(crystal, meter, Box::new(clerk_of)))
}

/// The side that a hold-off stands for.
fn side(against: Against) -> Side {
    match against {
        Against::HoldOff(held) => Side::of(held.beat_hz),
        _ => Side::Unknown,
    }
}

/// The roll-call of the marks that have labels, where there are two stations or more.
pub fn of_marks(
    args: &Args,
    against: Against,
    clock: &Clock,
    marks: &[Mark],
    out: &mut dyn Write,
) -> Result<(), Failure> {
    if matches!(args.turns.transfer, Some(Against::CheckPoint { .. })) {
        return Ok(());
    }
    let labelled = marks.iter().filter_map(|mark| Some((mark.label.as_deref()?, &mark.rest)));
    let turns: Vec<_> =
        labelled.map(|(label, rest)| rollcall::turn(label, rest, None, side(against))).collect();
    let Some(first) = turns.first() else { return Ok(()) };
    if turns.iter().all(|turn| turn.label == first.label) {
        return Ok(());
    }
    let control = args.turns.control.clone().unwrap_or_else(|| first.label.clone());
    let heard = args.keep.as_deref().or(args.replay.as_deref());
    let name = heard.map_or_else(|| "listened".to_owned(), |path| path.display().to_string());
    let record = rollcall::record(&name, &turns, &control, args.dial.signal_harmonic, clock.clone())?;
    out.write_all(report::rollcall::text(&record).as_bytes())?;
    args.logging.keep("rollcall", About::default, &record, false, out)
}

/// The roll-call of all that came to rest, by the list, where there is no screen to mark on.
pub fn of_rests(
    args: &Args,
    calls: &Calls,
    against: Against,
    clock: &Clock,
    heard: &Heard,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let name = args.replay.as_ref().map_or_else(|| "listened".to_owned(), |path| path.display().to_string());
    let rests = rollcall::in_order(&name, calls, heard.rests.clone())?;
    let turns: Vec<_> = calls
        .turns
        .iter()
        .zip(&rests)
        .map(|(called, rest)| rollcall::turn(&called.label, rest, called.side, side(against)))
        .collect();
    let first = turns.first().map(|turn| turn.label.clone()).unwrap_or_default();
    let control = args.turns.control.clone().unwrap_or(first);
    let record = rollcall::record(&name, &turns, &control, args.dial.signal_harmonic, clock.clone())?;
    out.write_all(report::rollcall::text(&record).as_bytes())?;
    args.logging.keep("rollcall", About::default, &record, false, out)
}

/// Where to hold off next time, by the hum and the path that were heard.
pub fn proposal(args: &Args, heard: &Heard) -> Option<String> {
    args.turns.hold_off.map(|_| hold_off(Some(heard)).in_words())
}
