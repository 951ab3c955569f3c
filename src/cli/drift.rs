//! `hushbeat drift`.

use super::analyse::Ear;
use super::failure::Failure;
use super::logging::{self, Logging};
use super::picture::{Picture, picture};
use super::show::show;
use crate::benchlog::{About, DriftMark};
use crate::heard::{Snapshot, TrackRow};
use crate::pipeline::{Settings, Sink};
use crate::quantity::Hertz;
use crate::report;
use crate::settings::ChannelChoice;
use crate::store;
use crate::task::drift::{
    self, DriftError, DriftRecord, Kind, Limit, RecordingDrift, RecordingDriftError, Series, SeriesError,
};
use std::io::Write;
use std::path::PathBuf;

/// Tell warm-up, drift and stability from a series, or from the rest of a note in a recording
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["recording", "series"]))]
pub struct Args {
    /// A recording in which a note rests
    #[arg(value_name = "FILE")]
    recording: Option<PathBuf>,
    /// A series: a line `value` or `time_s,value`, then a row for each mark
    #[arg(long, value_name = "FILE.csv", requires = "tau0")]
    series: Option<PathBuf>,
    /// Time between marks [default for a recording: 1s]
    #[arg(long, value_name = "T", value_parser = seconds)]
    tau0: Option<f64>,
    /// What the series holds
    #[arg(long, value_name = "frequency|phase", value_parser = kind, default_value = "frequency", requires = "series")]
    kind: Kind,
    /// The nominal frequency: the series is in Hz (or cycles), and fractions of this are told
    #[arg(long, value_name = "F")]
    nominal: Option<Hertz>,
    /// A rate that counts as settled, such as 0.1Hz/min, 0.01ppm/h or 1e-9/s
    #[arg(long, value_name = "RATE")]
    limit: Option<Limit>,
    /// Which rest of the recording, counted from 1 [default: the longest stretch that no hand moved]
    #[arg(long, value_name = "N", requires = "recording")]
    rest: Option<usize>,
    /// Draw the deviations with their error bars
    #[arg(long, value_name = "OUT.svg|.png", value_parser = picture)]
    plot: Option<Picture>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

fn seconds(text: &str) -> Result<f64, String> {
    let number = text.strip_suffix('s').unwrap_or(text).trim();
    match number.parse::<f64>() {
        Ok(seconds) if seconds > 0.0 && seconds <= 1e7 => Ok(seconds),
        _ => Err("hint: write seconds, such as 1s".to_owned()),
    }
}

fn kind(text: &str) -> Result<Kind, String> {
    match text {
        "frequency" => Ok(Kind::Frequency),
        "phase" => Ok(Kind::Phase),
        _ => Err("write frequency or phase".to_owned()),
    }
}

impl From<SeriesError> for Failure {
    fn from(error: SeriesError) -> Self {
        Self::Job(error.to_string())
    }
}

impl From<DriftError> for Failure {
    fn from(error: DriftError) -> Self {
        Self::Job(error.to_string())
    }
}

impl From<RecordingDriftError> for Failure {
    fn from(error: RecordingDriftError) -> Self {
        Self::Job(error.to_string())
    }
}

/// Keeps the rows of the track.
struct Rows(Vec<TrackRow>);

impl Sink for Rows {
    fn row(&mut self, row: &TrackRow) {
        self.0.push(row.clone());
    }

    fn snapshot(&mut self, _: &Snapshot) {}
}

/// Does the job; `ear` is asked where a note rests in a recording.
///
/// # Errors
/// A file that can't be read or understood, no rest, too few values, a limit in another unit.
pub fn run(args: &Args, ear: Ear, out: &mut dyn Write) -> Result<(), Failure> {
    let nominal_hz = args.nominal.map(|nominal| nominal.0);
    if nominal_hz.is_some_and(|nominal| nominal <= 0.0) {
        return Err(Failure::Usage(
            "--nominal is not above zero; hint: such as --nominal 3725kHz".to_owned(),
        ));
    }
    let (path, series) = if let Some(path) = &args.series {
        let name = path.display().to_string();
        let tau0_s = args.tau0.unwrap_or(1.0);
        let series = Series::parse(&store::read_text(path)?, &name, tau0_s, args.kind, nominal_hz)?;
        (name, series)
    } else {
        let path = args.recording.clone().unwrap_or_default();
        if path.as_os_str() == "-" {
            return Err(Failure::Job(
                "standard input can't be read twice, which drift does; hint: keep the recording in a file"
                    .to_owned(),
            ));
        }
        let mut rows = Rows(Vec::new());
        let settings = Settings { channel: ChannelChoice::Auto, ..Settings::default() };
        let analysis = ear(&path, &settings, None, &mut rows).map_err(Failure::Job)?;
        let asked = RecordingDrift { tau0_s: args.tau0.unwrap_or(1.0), rest: args.rest, nominal_hz };
        let series = drift::from_recording(&path, &analysis, &rows.0, asked)?;
        (path.display().to_string(), series)
    };
    let (record, course) = drift::drift(&path, &series, args.limit)?;
    show(&record, args.json, || report::drift::text(&record), out)?;
    if let Some(picture) = &args.plot {
        picture.write(
            || report::plot::stability_svg(&record, &course),
            || report::plot::stability_png(&record, &course),
        )?;
    }
    let DriftRecord { rate_per_s, u_rate_per_s, unit, .. } = &record;
    let drift = DriftMark { per_s: *rate_per_s, u_per_s: *u_rate_per_s, unit: unit.clone() };
    let file = args.recording.as_ref().or(args.series.as_ref());
    let about = || About {
        drift: Some(drift),
        recording: file.and_then(|file| logging::recording(file)),
        ..About::default()
    };
    args.logging.keep("drift", about, &record, args.json, out)
}
