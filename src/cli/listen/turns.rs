//! What `listen` marks in turn: the stations of a net, or a check point and then the signal; and how far the meter is held
//! off its target.

use super::Args;
use crate::cli::failure::Failure;
use crate::cli::sheet::{self, HoldOff as Wanted};
use crate::heard::Heard;
use crate::live::{Against, HoldOff, Mark, Round};
use crate::offset::{Offset, Side};
use crate::quantity::Hertz;
use crate::session::Outcome;
use crate::store;
use crate::task::hold_off::hold_off;
use crate::task::listen::AtDial;
use crate::task::rollcall::{Calls, Named, Net, RollRecord};
use std::path::{Path, PathBuf};

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

/// The roll-call of the stations that were heard, where there are two or more: of all that came to rest, by the list; on
/// the screen of the marks that have labels.
pub fn roll_call(
    args: &Args,
    calls: Option<&Calls>,
    against: Against,
    outcome: &Outcome,
    marks: Option<&[Mark]>,
) -> Result<Option<RollRecord>, Failure> {
    let name = recording(args).map_or_else(|| "listened".to_owned(), |path| path.display().to_string());
    let net = Net {
        control: args.turns.control.clone(),
        side: side(against),
        signal_harmonic: args.dial.signal_harmonic,
        clock: outcome.clock.clone(),
    };
    let Some(marks) = marks else {
        let rests = &outcome.finished.heard.rests;
        return Ok(calls.map(|calls| net.in_order(&name, calls, rests)).transpose()?);
    };
    // The marks of a transfer are those of a check point and its signal.
    if args.turns.is_led() {
        return Ok(None);
    }
    let mut turns: Vec<Named> = Vec::new();
    for (label, rest) in marks.iter().filter_map(|mark| Some((mark.label.as_deref()?, &mark.rest))) {
        let before = turns.iter().filter(|turn| turn.0 == label).count();
        turns.push((label, rest, calls.and_then(|calls| calls.side_of(label, before))));
    }
    if turns.iter().all(|turn| turn.0 == turns[0].0) {
        return Ok(None);
    }
    Ok(Some(net.roll_call(&name, turns.into_iter())?))
}

/// The recording that holds what was listened to, where there is one.
pub fn recording(args: &Args) -> Option<&Path> {
    args.keep.as_deref().or(args.replay.as_deref())
}

/// Where to hold off next time, by the hum and the path that were heard.
pub fn proposal(args: &Args, heard: &Heard) -> Option<String> {
    args.turns.hold_off.map(|_| hold_off(Some(heard)).in_words())
}
