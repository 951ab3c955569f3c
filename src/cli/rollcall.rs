//! `hushbeat rollcall`.

use super::clocks;
use super::failure::Failure;
use super::hearing::Hearing;
use super::logging::{self, Logging};
use super::show::show;
use crate::benchlog::{self, About};
use crate::offset::Side;
use crate::pipeline::{Ignore, Settings, Sink};
use crate::report;
use crate::store;
use crate::task::analyse::Analysis;
use crate::task::correct;
use crate::task::rollcall::{self, Calls, Net, RollCallError, RollRecord};
use crate::task::span::Span;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The stations of a net in turn, the dial untouched: each against net control
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The recording
    #[arg(value_name = "FILE")]
    recording: PathBuf,
    /// The turns in order: `label`, where wanted `from_s,to_s`, and `side`
    #[arg(long, value_name = "LIST.csv")]
    stations: PathBuf,
    /// Net control, as the list calls it [default: the first]
    #[arg(long, value_name = "LABEL")]
    control: Option<String>,
    /// Where the meter stands against every station, as when it is held off to one side of the net
    #[arg(long, value_parser = correct::side, value_name = "high|low|unknown", default_value = "unknown")]
    side: Side,
    /// The stations' harmonic that meets the meter
    #[arg(long, value_name = "K", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    signal_harmonic: u32,
    /// The sound card's error, as `reference card` wrote it, or kept it for the input of that name
    #[arg(long, value_name = "FILE|NAME")]
    card: Option<String>,
    #[command(flatten)]
    hearing: Hearing,
    /// Write it as a page for a browser and for paper
    #[arg(long, value_name = "OUT.html")]
    report: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

/// What listens to a recording, or a part of it.
pub type Ear<'a> = &'a dyn Fn(&Path, &Settings, Option<Span>, &mut dyn Sink) -> Result<Analysis, String>;

impl From<RollCallError> for Failure {
    fn from(error: RollCallError) -> Self {
        Self::Job(error.to_string())
    }
}

/// Does the job with `ear`.
///
/// # Errors
/// Files that can't be read or written, a turn without a rest, no net control.
pub fn run(args: &Args, ear: Ear, out: &mut dyn Write) -> Result<(), Failure> {
    let list = args.stations.display().to_string();
    let calls = Calls::parse(&store::read_text(&args.stations)?, &list)?;
    let net = Net {
        control: args.control.clone(),
        side: args.side,
        signal_harmonic: args.signal_harmonic,
        clock: args.card.as_ref().map(|card| clocks::stated(card)).transpose()?.unwrap_or_default(),
    };
    let settings = args.hearing.settings();
    let heard = |span: Option<Span>| ear(&args.recording, &settings, span, &mut Ignore);
    let record = rollcall::rollcall(&args.recording.to_string_lossy(), &calls, &net, &heard)?;
    if let Some(path) = &args.report {
        let page = report::rollcall::page(&record, &benchlog::utc(logging::now()));
        store::write_atomic(path, page.as_bytes())?;
    }
    tell(&record, Some(&args.recording), (args.json, &args.logging), out)
}

/// Prints a roll-call, and enters it where that is asked for.
pub(super) fn tell(
    record: &RollRecord,
    recording: Option<&Path>,
    (json, logging): (bool, &Logging),
    out: &mut dyn Write,
) -> Result<(), Failure> {
    show(record, json, || report::rollcall::text(record), out)?;
    let about = || About { recording: recording.and_then(logging::recording), ..About::default() };
    logging.keep("rollcall", about, record, json, out)
}
