//! `hushbeat log`: the bench log.

use super::failure::Failure;
use super::logging::{self, as_map, now, pair, tell};
use crate::benchlog::{self, About, Draft, FileMark, Filter, Kept, Log, MeterMark, Presence};
use crate::dial::Date;
use crate::offset::Side;
use crate::quantity::Hertz;
use crate::store::{self, place};
use crate::task::correct;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Keep, list and redo what was measured; entries are added and struck, never erased
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The log's file [default: log.jsonl in the user's data folder]
    #[arg(long, value_name = "FILE", global = true)]
    log: Option<PathBuf>,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    Add(Box<Add>),
    List(List),
    Show(Show),
    Strike(Strike),
    Export(Export),
}

/// Add an entry by hand: a note, or a measurement made on paper
#[derive(Debug, clap::Args)]
struct Add {
    /// What there is to say
    #[arg(long, value_name = "TEXT")]
    note: String,
    /// Add this to the entry: temperature=21C, supply=117V, warm-min=40, corrector, approach, receiver, coupling,
    /// station …
    #[arg(long = "with", value_name = "KEY=VALUE", value_parser = pair)]
    with: Vec<(String, String)>,
    /// The meter's name
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// The range it stood on
    #[arg(long, value_name = "NAME")]
    range: Option<String>,
    /// Its reading
    #[arg(long, value_name = "D")]
    reading: Option<String>,
    /// The offset heard
    #[arg(long, value_name = "B", value_parser = size, requires = "side")]
    offset: Option<f64>,
    /// Where the meter stood against the signal
    #[arg(long, value_parser = correct::side, value_name = "high|low|unknown", requires = "offset")]
    side: Option<Side>,
    /// The signal's frequency
    #[arg(long, value_name = "F")]
    frequency: Option<Hertz>,
    /// Its standard uncertainty
    #[arg(long, value_name = "U", value_parser = size, requires = "frequency")]
    u: Option<f64>,
    /// The recording it comes from
    #[arg(long, value_name = "FILE")]
    recording: Option<PathBuf>,
}

/// Show the entries in a table
#[derive(Debug, clap::Args)]
struct List {
    #[command(flatten)]
    wanted: Wanted,
    /// One JSON object per entry and line
    #[arg(long)]
    json: bool,
}

/// Which entries
#[derive(Debug, Clone, clap::Args)]
struct Wanted {
    /// From this day on (UTC)
    #[arg(long, value_name = "YYYY-MM-DD")]
    since: Option<Date>,
    /// Up to and with this day
    #[arg(long, value_name = "YYYY-MM-DD")]
    until: Option<Date>,
    /// Only those whose meter's name contains this
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// Only those in whose words this occurs
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,
}

impl Wanted {
    fn filter(&self) -> Filter {
        let Self { since, until, meter, text } = self.clone();
        Filter { since, until, meter, text }
    }
}

/// Show one entry in full and do its arithmetic again from what was kept
#[derive(Debug, clap::Args)]
struct Show {
    /// Its number
    #[arg(value_name = "N")]
    number: u64,
    /// The line as it is kept
    #[arg(long)]
    json: bool,
}

/// Take an entry back; it stays in the log, shown struck
#[derive(Debug, clap::Args)]
struct Strike {
    /// Its number
    #[arg(value_name = "N")]
    number: u64,
    /// Why
    #[arg(value_name = "REASON")]
    reason: String,
}

/// Write the log for a spreadsheet or for paper
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("form").required(true).multiple(true).args(["csv", "html"]))]
struct Export {
    #[command(flatten)]
    wanted: Wanted,
    /// As CSV, one row per entry
    #[arg(long, value_name = "OUT.csv")]
    csv: Option<PathBuf>,
    /// As a page
    #[arg(long, value_name = "OUT.html")]
    html: Option<PathBuf>,
}

fn size(text: &str) -> Result<f64, correct::TextError> {
    correct::offset_size(text).map(|(size, _)| size)
}

/// Does the job.
///
/// # Errors
/// A log that can't be read or written, an entry that is not there.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let path = logging::path(args.log.as_deref())?;
    match &args.what {
        What::Add(add) => {
            let draft = draft(add)?;
            tell(&path, &benchlog::add(&path, draft, now())?, "entry", out)
        }
        What::Strike(strike) => {
            let reason = strike.reason.trim();
            if reason.is_empty() {
                return Err(Failure::Usage("a strike needs its reason; hint: say what was wrong".to_owned()));
            }
            tell(&path, &benchlog::strike(&path, strike.number, reason, now())?, "struck entry", out)
        }
        What::List(list) => {
            let log = existing(&path, args.log.is_some())?;
            let filter = list.wanted.filter();
            if !list.json {
                return Ok(out.write_all(benchlog::list(&log, &filter).as_bytes())?);
            }
            log.entries.iter().filter(|kept| filter.takes(kept)).try_for_each(|kept| json(kept, out))
        }
        What::Show(show) => {
            let log = existing(&path, args.log.is_some())?;
            let name = path.display().to_string();
            let kept = log
                .entry(show.number)
                .ok_or_else(|| Failure::Job(benchlog::no_entry(&log, &name, show.number)))?;
            if show.json {
                return json(kept, out);
            }
            Ok(out.write_all(benchlog::show(kept, &presence).as_bytes())?)
        }
        What::Export(export) => {
            let log = existing(&path, args.log.is_some())?;
            let filter = export.wanted.filter();
            let wanted: Vec<&Kept> = log.entries.iter().filter(|kept| filter.takes(kept)).collect();
            if let Some(to) = &export.csv {
                store::write_atomic(to, benchlog::csv(&wanted).as_bytes())?;
            }
            if let Some(to) = &export.html {
                store::write_atomic(to, benchlog::html(&wanted, &path.display().to_string()).as_bytes())?;
            }
            Ok(())
        }
    }
}

/// A log to be read: one that was named has to be there.
fn existing(path: &Path, named: bool) -> Result<Log, Failure> {
    if named && !path.exists() {
        return Err(Failure::Job(format!(
            "{}: there is no such log; hint: check the name, or begin it with `hushbeat log add`",
            path.display()
        )));
    }
    Ok(benchlog::read(path)?)
}

/// An entry on one line, with its strike where there is one.
fn json(kept: &Kept, out: &mut dyn Write) -> Result<(), Failure> {
    let record = benchlog::Told { entry: &kept.entry, struck: kept.struck.as_ref() };
    let line = serde_json::to_string(&record).map_err(|error| Failure::Job(error.to_string()))?;
    Ok(writeln!(out, "{line}")?)
}

fn draft(add: &Add) -> Result<Draft, Failure> {
    let recording = match &add.recording {
        None => None,
        Some(path) => {
            let mark = logging::recording(path).ok_or_else(|| {
                Failure::Job(format!(
                    "{}: can't be read; hint: check the name, a recording is a file",
                    path.display()
                ))
            })?;
            Some(mark)
        }
    };
    let name = |name: &String| MeterMark { name: name.clone(), file: None, book: None };
    Ok(Draft {
        kind: "note".to_owned(),
        note: Some(add.note.clone()),
        with: as_map(&add.with)?,
        about: About {
            meter: add.meter.as_ref().map(name),
            range: add.range.clone(),
            reading: add.reading.clone(),
            offset_hz: add.offset,
            side: add.side,
            frequencies_hz: add.frequency.iter().map(|frequency| frequency.0).collect(),
            u_hz: add.u,
            recording,
            ..About::default()
        },
        result: None,
    })
}

/// Whether a file is still what it was.
fn presence(file: &FileMark) -> Presence {
    match place::sha256(Path::new(&file.path)) {
        Ok((sha256, _)) if sha256 == file.sha256 => Presence::Unchanged,
        Ok(_) => Presence::Changed,
        Err(_) => Presence::Gone,
    }
}
