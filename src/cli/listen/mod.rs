//! `hushbeat listen`.

mod dial;
mod enter;
mod stream;
mod turns;

use super::clocks;
use super::failure::Failure;
use super::hearing::Hearing;
use super::interrupt;
use super::logging::Logging;
use super::rollcall;
use crate::clock::Clock;
use crate::live::{self, Against, Teller, View};
use crate::quantity::Hertz;
use crate::report;
use crate::session::{Options, SessionError};
use crate::settings::ChannelChoice;
use crate::source::beside;
#[cfg(feature = "live")]
use crate::source::capture::{Choice, Wish};
use crate::source::replay::{Replay, Speed};
use crate::task::listen::{self, AtDial, From};
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

/// Listen to a sound card, or to a recording as if it came from one, while the dial is turned
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound input, by its number or name in `hushbeat inputs` [default: the system's]
    #[arg(long, value_name = "NAME|N", conflicts_with = "replay")]
    input: Option<String>,
    /// The sample rate to record at [default: 48 kHz, or the nearest that the input offers]
    #[arg(long, value_name = "F", value_parser = rate, conflicts_with = "replay")]
    rate: Option<u32>,
    #[command(flatten)]
    hearing: Hearing,
    /// Keep what is heard, and beside it, in OUT.wav.notes, what was declared when
    #[arg(long, value_name = "OUT.wav")]
    keep: Option<PathBuf>,
    /// Listen to a recording at its own pace
    #[arg(long, value_name = "FILE")]
    replay: Option<PathBuf>,
    /// Replay it so many times as fast, or as fast as it can be heard
    #[arg(long, value_name = "X|max", value_parser = speed, default_value = "1", requires = "replay")]
    speed: Speed,
    /// End by itself after so much sound
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds)]
    seconds: Option<f64>,
    /// The hand is on the corrector, at the check point where crystal harmonic N meets meter harmonic M
    #[arg(long, value_name = "N/M", value_parser = check_point)]
    set_check: Option<Against>,
    /// Short lines, one per change, instead of the screen: for a screen reader or a pipe
    #[arg(long, conflicts_with = "json")]
    plain: bool,
    /// One JSON object per update, and at the end the one that `analyse` gives
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    dial: dial::Dial,
    #[command(flatten)]
    turns: turns::Turns,
    #[command(flatten)]
    logging: Logging,
}

impl std::convert::From<SessionError> for Failure {
    fn from(error: SessionError) -> Self {
        Self::Job(error.to_string())
    }
}

/// Listens until the sound ends, the time is up, or the user leaves.
///
/// # Errors
/// No sound, or none that can be used; a file that can't be read or written; a reading off the dial.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let settings = args.hearing.settings();
    let clock = clock(args)?;
    // Whatever can be refused is refused before anything is heard: a reading off the dial, a list that can't be read,
    // no screen to lead on.
    let at_dial = args.dial.at_dial()?;
    let against = turns::against(args, at_dial.as_ref())?;
    let calls = turns::calls(args)?;
    let on_screen = !args.plain && !args.json && has_screen();
    if !on_screen && args.turns.is_led() {
        return Err(Failure::Usage("--transfer leads on the screen, and here is none; hint: hushbeat correct --recording FILE --rest 2 --check READING:N/M:rest1".to_owned()));
    }
    let from = from(args, settings.channel)?;
    let stop = interrupt::catch()?;
    let options = Options { settings, keep: args.keep.clone(), seconds: args.seconds, ..Options::default() };
    let mut session = listen::begin(from, options)?;
    let clock = match clock {
        // Of the system's own input the name is known only now.
        None if args.replay.is_none() => clocks::kept(session.name()),
        stated => Ok(stated),
    };
    let mut marks = Vec::new();
    let told = clock.and_then(|clock| {
        session.by_clock(clock.unwrap_or_default());
        let at_dial = at_dial.clone().map(|it| it.by(session.clock().clone()));
        let clerk = at_dial.clone().map(AtDial::clerk);
        if on_screen {
            let round = turns::round(args, calls.as_ref(), at_dial);
            let mut view = View::new(session.format(), settings, against, clerk).with_round(round);
            let shown = live::show(&session, &mut view, has_colour(), &stop);
            marks = view.marks;
            shown.map_err(|error| no_terminal(&error))
        } else if args.json {
            stream::json(&session, against, &stop, out)
        } else {
            stream::plain(&session, Teller::new(against, settings.turning.is_some(), clerk), &stop, out)
        }
    });
    // What is kept is ended in good order also where nobody is left to be told, or something went wrong.
    let outcome = session.finish()?;
    told?;
    let clock = &outcome.clock;
    let at_dial = at_dial.map(|it| it.by(clock.clone()));
    let on_marks = on_screen.then_some(marks.as_slice());
    let roll = turns::roll_call(args, calls.as_ref(), against, &outcome, on_marks);
    let tell_roll = |out: &mut dyn Write| match &roll {
        Ok(Some(roll)) => rollcall::tell(roll, turns::recording(args), (args.json, &args.logging), out),
        _ => Ok(()),
    };
    if args.json {
        tell_roll(out)?;
        let record =
            serde_json::to_string(&listen::record(&outcome)).map_err(|e| Failure::Job(e.to_string()))?;
        writeln!(out, "{record}")?;
    } else {
        if on_screen {
            out.write_all(report::marks::text(&marks).as_bytes())?;
        }
        tell_roll(out)?;
        if let Some(proposal) = turns::proposal(args, &outcome.finished.heard) {
            writeln!(out, "{proposal}")?;
        }
        for note in &outcome.notes {
            writeln!(out, "{note}")?;
        }
        if let (true, Some(error)) = (clock.applied, clock.error_ppm) {
            writeln!(out, "The sound card's clock is applied: {error:+.1} ppm, {}.", clock.source)?;
        }
    }
    if on_screen {
        enter::marks(args, at_dial.as_ref(), &marks, out)?;
    } else {
        enter::last(args, at_dial.as_ref(), &outcome, out)?;
    }
    // Lists and rests that do not fit take nothing away from what was heard.
    roll?;
    match (outcome.broke_off, outcome.keep_failed) {
        (Some(why), _) => Err(Failure::Job(why)),
        (None, Some(why)) => Err(Failure::Job(format!("not all of it was kept: {why}"))),
        (None, None) => Ok(()),
    }
}

/// The clock that is stated, or kept for the input that is named, or for the one that made the recording.
fn clock(args: &Args) -> Result<Option<Clock>, Failure> {
    if let Some(clock) = args.dial.clock()? {
        return Ok(Some(clock));
    }
    let made_by = match &args.replay {
        Some(path) => beside::input(path).map_err(|error| Failure::Job(error.to_string()))?,
        None => args.input.clone(),
    };
    made_by.map_or(Ok(None), |input| clocks::kept(&input))
}

fn no_terminal(error: &std::io::Error) -> Failure {
    Failure::Job(format!("the terminal can't be used: {error}; hint: --plain needs none"))
}

fn from(args: &Args, channel: ChannelChoice) -> Result<From, Failure> {
    match &args.replay {
        Some(path) => Ok(From::Recording(Replay { path: path.clone(), speed: args.speed })),
        None => card(args, channel),
    }
}

#[cfg(feature = "live")]
#[expect(clippy::unnecessary_wraps, reason = "a build without sound cards refuses here")]
fn card(args: &Args, channel: ChannelChoice) -> Result<From, Failure> {
    let choice = match &args.input {
        None => Choice::Default,
        Some(text) => text.parse().map_or_else(|_| Choice::Name(text.clone()), Choice::Number),
    };
    let channel = match channel {
        ChannelChoice::Auto => None,
        ChannelChoice::Number(number) => Some(number),
    };
    Ok(From::Card(choice, Wish { rate_hz: args.rate, channel }))
}

#[cfg(not(feature = "live"))]
fn card(_args: &Args, _channel: ChannelChoice) -> Result<From, Failure> {
    Err(super::inputs::without_cards())
}

/// Whether there is a terminal that a screen can be drawn on and keys come from.
fn has_screen() -> bool {
    let able = match std::env::var_os("TERM") {
        Some(term) => !term.is_empty() && term != "dumb",
        // Windows has no such variable.
        None => cfg!(windows),
    };
    able && std::io::stdout().is_terminal() && std::io::stdin().is_terminal()
}

/// Colour is left out where the user asks for none (no-color.org).
fn has_colour() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}

fn rate(text: &str) -> Result<u32, String> {
    let Hertz(hertz) = text.parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
    if (1.0..=1e7).contains(&hertz) && hertz.fract() == 0.0 {
        Ok(hertz as u32)
    } else {
        Err(format!("`{text}` is no sample rate; hint: write a whole number of hertz, such as 48kHz"))
    }
}

fn speed(text: &str) -> Result<Speed, String> {
    match text.parse::<f64>() {
        _ if text == "max" => Ok(Speed::Max),
        Ok(times) if (0.01..=1000.0).contains(&times) => Ok(Speed::Times(times)),
        _ => Err("hint: write how many times as fast, 0.01 to 1000, or max".to_owned()),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    let number = text.strip_suffix('s').unwrap_or(text).trim();
    match number.parse::<f64>() {
        Ok(seconds) if seconds > 0.0 && seconds <= 1e7 => Ok(seconds),
        _ => Err("hint: write seconds, such as 30".to_owned()),
    }
}

fn check_point(text: &str) -> Result<Against, String> {
    let order = |text: &str| text.trim().parse::<u32>().ok().filter(|order| (1..=10_000).contains(order));
    text.split_once('/')
        .and_then(|(n, m)| Some(Against::CheckPoint { crystal: order(n)?, meter: order(m)? }))
        .ok_or_else(|| "hint: write the crystal's harmonic over the meter's, such as 7/2".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Debug, Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn parsed(line: &str) -> Result<Args, String> {
        Line::try_parse_from(["listen"].into_iter().chain(line.split_whitespace()))
            .map(|line| line.args)
            .map_err(|error| error.to_string().lines().next().unwrap_or_default().to_owned())
    }

    #[test]
    fn command_lines_that_make_sense_are_taken() {
        let args = parsed("--replay a.wav --speed max --for 2.5s --set-check 7/2 --json").expect("fine");
        assert_eq!((args.speed, args.seconds), (Speed::Max, Some(2.5)));
        assert_eq!(args.set_check, Some(Against::CheckPoint { crystal: 7, meter: 2 }));
        assert_eq!(parsed("--rate 44.1kHz").expect("fine").rate, Some(44_100));
        parsed("--meter m.toml --range low --reading 12/91.4 --target 2.1MHz --plain").expect("fine");
    }

    #[test]
    fn command_lines_that_contradict_themselves_are_refused() {
        for line in [
            "--speed 3",
            "--speed 0 --replay a.wav",
            "--speed fast --replay a.wav",
            "--replay a.wav --input 1",
            "--plain --json",
            "--rate 48000",
            "--rate 1.5Hz",
            "--for 0",
            "--for soon",
            "--set-check 7",
            "--set-check 7/0",
            "--meter m.toml",
            "--reading 12 --range low",
            "--channel 0",
        ] {
            parsed(line).expect_err(line);
        }
    }
}
