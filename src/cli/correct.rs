//! `hushbeat correct`.

use super::clocks;
use super::failure::Failure;
use super::hearing::{pitch, sideband};
use super::logging::{self, Logging};
use super::show::show;
use crate::benchlog::About;
use crate::clock::Clock;
use crate::correction::{Allowances, CorrectionError, Drift, Target, Transport};
use crate::dial::{Approach, Date, Meter};
use crate::offset::{Hand, Offset, Side, Turning};
use crate::pipeline::Settings;
use crate::quantity::{Hertz, Width};
use crate::report;
use crate::settings::{Pitch, Sideband, TwoNotes};
use crate::store;
use crate::task::analyse::Analysis;
use crate::task::correct::{self, CheckText, Corrected, Extra, Job, Observation, PairText, Taken, TextError};
use crate::task::drift::{DriftRecord, Limit, drift_of_rest};
use crate::task::unknown::BeatText;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// Turn a dial reading and an offset into a corrected frequency with its uncertainty
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("heard").required(true).args(["offset", "within", "recording", "pair"]))]
pub struct Args {
    /// The meter file
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// The range the meter stands on
    #[arg(long, value_name = "NAME")]
    range: String,
    /// The reading: divisions such as 1531.4, or drum/dial such as 12/91.4
    #[arg(long, value_name = "D", required_unless_present = "pair", conflicts_with = "pair")]
    reading: Option<String>,
    /// Which way the reading moved on coming to it [default: as the book was made]
    #[arg(long, value_parser = approach, value_name = "rising|falling")]
    approach: Option<Approach>,
    /// The meter's harmonic that met the signal [default: the one that --also tells, else 1]
    #[arg(long, value_name = "H", value_parser = clap::value_parser!(u32).range(1..=1000))]
    harmonic: Option<u32>,
    /// Another rest of the same signal, D:OFFSET:SIDE, D:withinB or D:restN[:SIDE] (of the recording): tells the harmonic
    #[arg(long, value_name = "REST", conflicts_with = "pair")]
    also: Vec<BeatText>,
    /// The signal's harmonic that met the meter
    #[arg(long, value_name = "K", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    signal_harmonic: u32,
    /// The offset heard, a size with its unit
    #[arg(long, value_name = "B", value_parser = offset, requires = "side")]
    offset: Option<(f64, f64)>,
    /// Standard uncertainty of the offset [default: its last digit rounded]
    #[arg(long, value_name = "U", value_parser = size, requires = "offset")]
    offset_u: Option<f64>,
    /// Where the meter stood against the signal
    #[arg(long, value_parser = correct::side, value_name = "high|low|unknown", conflicts_with_all = ["within", "pair"])]
    side: Option<Side>,
    /// Zero beat as near as could be heard: the offset is somewhere below this
    #[arg(long, value_name = "B", value_parser = size)]
    within: Option<f64>,
    /// Take the offset from a recording
    #[arg(long, value_name = "FILE")]
    recording: Option<PathBuf>,
    /// Which rest of the recording, counted from 1 [default: its end]
    #[arg(long, value_name = "N", requires = "recording")]
    rest: Option<usize>,
    /// The oscillator that is turned in the recording
    #[arg(long, value_parser = hand, value_name = "meter|signal", default_value = "meter", requires = "recording")]
    hand: Hand,
    /// Which way its frequency moves first in the recording
    #[arg(long, value_parser = turning, value_name = "up|down", requires = "recording")]
    turning: Option<Turning>,
    /// The recording holds two notes of a receiver, as for `analyse`
    #[arg(long, value_parser = sideband(), requires = "recording")]
    two_notes: Option<Sideband>,
    /// Which of the two notes is the meter's at first
    #[arg(long, value_parser = pitch(), requires = "two_notes")]
    meter_pitch: Option<Pitch>,
    /// Two readings, the meter below the signal and above it; equal pitches may be left out
    #[arg(long, value_name = "D1[:B1],D2[:B2]")]
    pair: Option<PairText>,
    /// A check point heard, READING:N/M:OFFSET:SIDE, READING:N/M:withinB or READING:N/M:restN[:SIDE] (of the
    /// recording), with @HH:MM where the time matters
    #[arg(long = "check", value_name = "CHECK")]
    checks: Vec<CheckText>,
    /// How a check's correction is carried over: what the cause of the meter's error keeps constant
    #[arg(long, value_parser = transport, value_name = "capacitance|ratio|divisions|auto", default_value = "auto")]
    transport: Transport,
    /// Time of the measurement, between checks that have theirs
    #[arg(long, value_name = "HH:MM", value_parser = correct::minutes)]
    at: Option<f64>,
    /// The crystal's error as `reference crystal` wrote it
    #[arg(long, value_name = "FILE")]
    crystal: Option<PathBuf>,
    /// The sound card's error: as `reference card` wrote it, or kept it for the input of that name
    #[arg(long, value_name = "FILE|NAME")]
    card: Option<String>,
    /// Day of the measurement, for the crystal's age [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<Date>,
    /// Allow for drift since the check: standard uncertainty at the fundamental, in Hz, ppm or %
    #[arg(long, value_name = "U")]
    drift_u: Option<Width>,
    /// Allow for the shift when the crystal is switched off
    #[arg(long, value_name = "U")]
    switching_u: Option<Width>,
    /// Allow for the shift from coupling the signal in
    #[arg(long, value_name = "U")]
    coupling_u: Option<Width>,
    /// The meter's drift, such as 0.3Hz/min at its fundamental or 0.2ppm/h, or what `drift --json` wrote: until when the
    /// check holds [default: from two checks at one reading with their times, else from a
    /// rest of half a minute or more]
    #[arg(long, value_name = "RATE|FILE", value_parser = drifting)]
    drift: Option<Drift>,
    /// How far off a result may be before the check must be repeated, in Hz, ppm or % [default: the tolerance, else twice
    /// the expanded uncertainty]
    #[arg(long, value_name = "T")]
    trust: Option<Width>,
    /// Where the signal ought to be
    #[arg(long, value_name = "F")]
    target: Option<Hertz>,
    /// How far it may be off, in Hz, ppm or %
    #[arg(long, value_name = "T", requires = "target")]
    tolerance: Option<Width>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

fn offset(text: &str) -> Result<(f64, f64), TextError> {
    correct::offset_size(text)
}

fn size(text: &str) -> Result<f64, TextError> {
    correct::offset_size(text).map(|(size, _)| size)
}

pub(super) fn approach(text: &str) -> Result<Approach, String> {
    match text {
        "rising" => Ok(Approach::Rising),
        "falling" => Ok(Approach::Falling),
        _ => Err("write rising or falling, the way the reading moved".to_owned()),
    }
}

fn hand(text: &str) -> Result<Hand, String> {
    match text {
        "meter" => Ok(Hand::Meter),
        "signal" => Ok(Hand::Signal),
        _ => Err("write meter or signal, whichever is turned".to_owned()),
    }
}

fn turning(text: &str) -> Result<Turning, String> {
    match text {
        "up" => Ok(Turning::Up),
        "down" => Ok(Turning::Down),
        _ => Err("write up or down, the way its frequency moves".to_owned()),
    }
}

pub(super) fn transport(text: &str) -> Result<Transport, String> {
    let all = [Transport::Capacitance, Transport::Ratio, Transport::Divisions, Transport::Auto];
    let found = all.into_iter().find(|transport| transport.word() == text);
    found.ok_or_else(|| "write capacitance, ratio, divisions or auto".to_owned())
}

impl From<CorrectionError> for Failure {
    fn from(error: CorrectionError) -> Self {
        match error {
            CorrectionError::Dial(error) => error.into(),
            CorrectionError::RestOfNoRecording(_) => Self::Usage(error.to_string()),
            other => Self::Job(other.to_string()),
        }
    }
}

/// Listens to a recording: the ear, as the clerk needs it.
pub type Ear<'a> = &'a dyn Fn(&Path, &Settings) -> Result<Analysis, Failure>;

/// Does the job; `ear` is asked where the offset comes from a recording.
///
/// # Errors
/// Files that can't be read, readings off the dial, recordings without rest, a pair that contradicts itself.
pub fn run(args: &Args, ear: Ear, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    let Heard { observation, mut clock, checks, also, drift } = observe(args, ear)?;
    if let Some(card) = &args.card {
        clock = clocks::stated(card)?;
    }
    let on = args.on.or_else(today);
    let crystal = args.crystal.as_ref().map(|path| store::read_crystal(path, &meter.crystal)).transpose()?;
    let job = Job {
        range: args.range.clone(),
        observation,
        recorded: args.recording.is_some(),
        approach: args.approach,
        harmonic: args.harmonic.unwrap_or(1),
        signal_harmonic: args.signal_harmonic,
        checks,
        transport: args.transport,
        at_min: args.at,
        crystal,
        today: on,
        clock,
        allowances: Allowances {
            drift: args.drift_u,
            switching: args.switching_u,
            coupling: args.coupling_u,
        },
        target: args.target.map(|frequency| Target { frequency, tolerance: args.tolerance }),
        extra: Extra { also, harmonic_open: args.harmonic.is_none(), drift, trust: args.trust },
    };
    let record = correct::correct(&meter, &job)?;
    show(&record, args.json, || report::correct::text(&record), out)?;
    if !args.logging.wanted() {
        return Ok(());
    }
    let taken = correct::taken(&meter, &job)?;
    let about = || About {
        recording: args.recording.as_deref().and_then(logging::recording),
        ..about(&meter, &args.meter, &job, &record, taken)
    };
    args.logging.keep("correct", about, &record, args.json, out)
}

/// What the bench log lists of a corrected frequency.
pub(super) fn about(meter: &Meter, file: &Path, job: &Job, record: &Corrected, taken: Taken) -> About {
    let (reading, bound_hz, offset_u_hz) = match &job.observation {
        Observation::Single { reading, offset: Offset::Within { bound_hz } } => {
            (reading.clone(), Some(*bound_hz), None)
        }
        Observation::Single { reading, offset: Offset::Heard { u_hz, .. } } => {
            (reading.clone(), None, Some(*u_hz))
        }
        Observation::Pair(PairText { low, high }) => (format!("{}, {}", low.0, high.0), None, None),
    };
    About {
        meter: Some(logging::meter(meter, file, &job.range)),
        range: Some(job.range.clone()),
        reading: Some(reading),
        offset_u_hz,
        bound_hz,
        taken: Some(taken),
        ..About::of(record)
    }
}

/// A drift that is typed, its sign of no account since only how fast the check ages is asked, or a file that `drift --json`
/// wrote.
fn drifting(text: &str) -> Result<Drift, String> {
    let path = Path::new(text);
    if !path.is_file() {
        let size = text.trim_start_matches(['-', '−', '+']);
        return size.parse::<Limit>().map(Limit::drift).map_err(|error| error.to_string());
    }
    let json = store::read_text(path).map_err(|error| error.to_string())?;
    let record: DriftRecord = serde_json::from_str(&json)
        .map_err(|_| format!("{text} is no record of a drift; hint: hushbeat drift FILE --json > {text}"))?;
    Ok(record.drift())
}

/// What was heard at the dial, and by which clock.
struct Heard {
    observation: Observation,
    clock: Clock,
    checks: Vec<CheckText>,
    also: Vec<BeatText>,
    drift: Option<Drift>,
}

fn observe(args: &Args, ear: Ear) -> Result<Heard, Failure> {
    let reading = args.reading.clone().unwrap_or_default();
    let single = |offset| Observation::Single { reading: reading.clone(), offset };
    let mut heard = Heard {
        observation: single(Offset::Within { bound_hz: 0.0 }),
        clock: Clock::default(),
        checks: args.checks.clone(),
        also: args.also.clone(),
        drift: args.drift,
    };
    if let Some(path) = &args.recording {
        let two_notes = args.two_notes.map(|sideband| TwoNotes { sideband, meter_pitch: args.meter_pitch });
        let settings = Settings { hand: args.hand, turning: args.turning, two_notes, ..Settings::default() };
        let analysis = ear(path, &settings)?;
        let take = |rest| {
            let why = |why| Failure::Job(format!("{}: {why}", path.display()));
            analysis.heard.offset(rest).map_err(why)
        };
        let mut offset = take(args.rest)?;
        if let (Offset::Heard { side, .. }, Some(stated)) = (&mut offset, args.side) {
            *side = stated;
        }
        for check in &mut heard.checks {
            check.take(|rest| take(Some(rest)))?;
        }
        for also in &mut heard.also {
            also.take(|rest| take(Some(rest)))?;
        }
        let rests = &analysis.heard.rests;
        let rest = args.rest.map_or(rests.last(), |number| rests.get(number.wrapping_sub(1)));
        heard.drift = heard.drift.or_else(|| drift_of_rest(rest?));
        return Ok(Heard { observation: single(offset), clock: analysis.input.clock, ..heard });
    }
    if let Some(pair) = &args.pair {
        return Ok(Heard { observation: Observation::Pair(pair.clone()), ..heard });
    }
    let offset = match (args.within, args.offset) {
        (Some(bound_hz), _) => Offset::Within { bound_hz },
        (None, offset) => {
            let (offset_hz, rounding) = offset.unwrap_or_default();
            let u_hz = args.offset_u.unwrap_or(rounding);
            Offset::Heard { offset_hz, u_hz, side: args.side.unwrap_or_default() }
        }
    };
    Ok(Heard { observation: single(offset), ..heard })
}

/// Today by the computer's clock (UTC).
pub(super) fn today() -> Option<Date> {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    Some(Date::from_days_since_1970(i64::try_from(since.as_secs() / 86_400).ok()?))
}
