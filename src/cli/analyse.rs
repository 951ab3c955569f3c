//! `analyse`: recordings in, what was heard out.

use super::clocks;
use super::failure::Failure;
use super::hearing::Hearing;
use super::logging::{self, Logging};
use super::picture::{Picture, picture};
use super::progress::Progress;
use crate::benchlog::{self, About};
use crate::clock::Clock;
use crate::heard::TrackRow;
use crate::offset::Offset;
use crate::pipeline::{Settings, Sink};
use crate::report::{json, page, plot, text, track};
use crate::source::beside;
use crate::store::{self, Growing};
use crate::task::analyse::Analysis;
use crate::task::lens::{self, Lens};
use crate::task::span::Span;
use crate::task::trail::Trail;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError, mpsc};
use std::thread;

/// Follow the beat note in recordings and measure where it rests
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Recordings, WAV or FLAC; `-` reads one from standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    hearing: Hearing,
    /// The sound card's error, as `reference card` wrote it, or kept it for the input of that name [default: as kept for
    /// the input that the recording's notes name; for others none]
    #[arg(long, value_name = "FILE|NAME")]
    card: Option<String>,
    /// Only this part, in seconds or minutes:seconds, such as 4s..12.5s
    #[arg(long, value_name = "FROM..TO")]
    span: Option<Span>,
    /// Write the track as CSV, one row per analysis step
    #[arg(long, value_name = "OUT.csv")]
    track: Option<PathBuf>,
    /// Draw the descent of the note
    #[arg(long, value_name = "OUT.svg|.png", value_parser = picture)]
    plot: Option<Picture>,
    /// Draw what is left of the phase in the last rest
    #[arg(long, value_name = "OUT.svg|.png", value_parser = picture)]
    lens: Option<Picture>,
    /// Write all of it as a page for a browser and for paper
    #[arg(long, value_name = "OUT.html")]
    report: Option<PathBuf>,
    /// Recordings worked on at a time [default: one per core]
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// One JSON object per recording and line, in the order given
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

/// What listens to one recording, or a part of it, and tells in one plain line why it can't.
pub type Ear<'a> =
    &'a (dyn Fn(&Path, &Settings, Option<Span>, &mut dyn Sink) -> Result<Analysis, String> + Sync);

/// Does the job with `ear`. Recordings that can't be read don't keep the others from being answered. Once `stop` is
/// set no further recording is begun; the ear sees to those under way.
///
/// # Errors
/// A recording that can't be read, a file that can't be written, more than one recording for one track or plot; a
/// stop, after what was heard until then has been told.
pub fn run(args: &Args, ear: Ear, stop: &AtomicBool, out: &mut dyn Write) -> Result<(), Failure> {
    let one_only =
        args.track.is_some() || args.plot.is_some() || args.lens.is_some() || args.report.is_some();
    if args.files.len() > 1 && one_only {
        return Err(Failure::Usage(
            "--track, --plot, --lens and --report take one recording at a time; hint: name one FILE"
                .to_owned(),
        ));
    }
    let (mut unread, mut answered, mut cut_off) = (0, 0, false);
    let mut last_fault = None;
    // A track that has no place is told before an hour is heard in vain.
    let track = args.track.as_deref().map(Growing::create).transpose()?;
    let progress = Progress::over(args.files.len());
    let mut take = |path: &Path, answer: Result<Answer, String>| -> Result<(), Failure> {
        answered += 1;
        match answer {
            Ok(answer) => {
                cut_off |= answer.analysis.input.stopped;
                return show(args, answer, out);
            }
            Err(error) if args.json => {
                let input = Unread { path: path.display().to_string() };
                put(&json_line(&Fault { input, error: &error })?, out)?;
                last_fault = Some(error);
            }
            Err(error) => {
                if args.files.len() > 1 {
                    put(&format!("{error}\n"), out)?;
                }
                last_fault = Some(error);
            }
        }
        unread += 1;
        Ok(())
    };
    let heard =
        in_order(args, ear, stop, (track, &progress), |path, answer| progress.aside(|| take(path, answer)));
    progress.done();
    heard?;
    if (cut_off || answered < args.files.len()) && last_fault.is_none() {
        return Err(Failure::Job(stopped(args, answered)));
    }
    match last_fault {
        None => Ok(()),
        Some(error) if args.files.len() == 1 => Err(Failure::Job(error)),
        Some(_) => Err(Failure::Job(format!(
            "{unread} of {} recordings could not be read; hint: the answers above say which and why",
            args.files.len()
        ))),
    }
}

/// How far it came before it was stopped.
fn stopped(args: &Args, answered: usize) -> String {
    match args.files.as_slice() {
        [only] => format!(
            "{}: stopped before its end; hint: the answer above is for what was heard until then",
            only.display()
        ),
        all => format!(
            "stopped at recording {answered} of {}; hint: the last answer is for what was heard until then",
            all.len()
        ),
    }
}

/// A recording that could not be read, in JSON.
#[derive(Serialize)]
struct Fault<'a> {
    input: Unread,
    error: &'a str,
}

#[derive(Serialize)]
struct Unread {
    path: String,
}

/// One recording's answer, and its track in the forms asked for.
struct Answer {
    analysis: Analysis,
    trail: Trail,
    track: Option<io::Result<Growing>>,
    lenses: Vec<Lens>,
}

/// Hears all recordings on as many threads as asked for and hands the answers on in the order given.
fn in_order(
    args: &Args,
    ear: Ear,
    stop: &AtomicBool,
    (track, progress): (Option<Growing>, &Progress),
    mut take: impl FnMut(&Path, Result<Answer, String>) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let cores = args.jobs.or_else(|| thread::available_parallelism().ok()).map_or(1, NonZeroUsize::get);
    let next = AtomicUsize::new(0);
    let track = Mutex::new(track);
    thread::scope(|scope| {
        let (hand_in, answers) = mpsc::channel();
        for _ in 0..cores.min(args.files.len()) {
            let (hand_in, next, track) = (hand_in.clone(), &next, &track);
            scope.spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(path) = args.files.get(index) else { break };
                    // Nobody takes the answer when the reader of our output has gone: then the work ends.
                    let track = track.lock().unwrap_or_else(PoisonError::into_inner).take();
                    if hand_in.send((index, hear(args, ear, progress, path, track))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(hand_in);
        let mut waiting = BTreeMap::new();
        let mut due = 0;
        for (index, answer) in answers {
            waiting.insert(index, answer);
            while let Some(answer) = waiting.remove(&due) {
                take(&args.files[due], answer)?;
                due += 1;
            }
        }
        Ok(())
    })
}

fn hear(
    args: &Args,
    ear: Ear,
    progress: &Progress,
    path: &Path,
    track: Option<Growing>,
) -> Result<Answer, String> {
    let clock = clock(args, path)?;
    let scale = clock.as_ref().map_or(1.0, Clock::factor);
    let (track, line) = (track.map(Ok), track::HEADER.to_owned());
    let mut rows = Rows { trail: Trail::default(), track, line, scale, progress, come: 0.0 };
    let analysis = ear(path, &args.hearing.settings(), args.span, &mut rows);
    progress.step(rows.come, 1.0);
    let mut analysis = analysis?;
    rows.write_line();
    let lenses = if args.report.is_some() || args.lens.is_some() {
        lens::lenses(path, &analysis).map_err(|error| error.to_string())?
    } else {
        Vec::new()
    };
    if let Some(clock) = clock {
        analysis.apply(clock);
    }
    Ok(Answer { analysis, trail: rows.trail, track: rows.track, lenses })
}

/// The clock by which a recording was made: as stated, or kept for the input that its notes name; a stranger's recording
/// has none.
fn clock(args: &Args, path: &Path) -> Result<Option<Clock>, String> {
    let told = |failure: Failure| match failure {
        Failure::Job(line) | Failure::Usage(line) => line,
        Failure::ClosedPipe => String::new(),
    };
    if let Some(card) = &args.card {
        return clocks::stated(card).map(Some).map_err(told);
    }
    let input = beside::input(path).map_err(|error| error.to_string())?;
    input.map_or(Ok(None), |input| clocks::kept(&input).map_err(told))
}

/// Takes the rows of the track in both forms, thinned out in memory and all of them in a file that grows, and tells how
/// far it has come.
struct Rows<'a> {
    trail: Trail,
    /// The file, or why it could not grow any further.
    track: Option<io::Result<Growing>>,
    /// What is to be added to it next.
    line: String,
    /// Puts the sound card's clock right.
    scale: f64,
    progress: &'a Progress,
    /// Part of the recording that is done, 0 to 1.
    come: f64,
}

impl Rows<'_> {
    fn write_line(&mut self) {
        if let Some(Ok(file)) = &mut self.track
            && let Err(error) = file.add(self.line.as_bytes())
        {
            self.track = Some(Err(error));
        }
        self.line.clear();
    }
}

impl Sink for Rows<'_> {
    fn row(&mut self, row: &TrackRow) {
        let mut row = row.clone();
        row.scale(self.scale);
        self.trail.row(&row);
        if self.track.is_some() {
            track::append_row(&mut self.line, &row);
            self.write_line();
        }
    }

    fn progress(&mut self, heard_s: f64, of_s: Option<f64>) {
        self.come = self.progress.heard(self.come, heard_s, of_s);
    }
}

/// Prints one answer, then writes its files.
fn show(args: &Args, answer: Answer, out: &mut dyn Write) -> Result<(), Failure> {
    let hand = args.hearing.settings().hand;
    let (analysis, trail) = (&answer.analysis, answer.trail.rows());
    if args.json {
        put(&json_line(analysis)?, out)?;
    } else {
        out.write_all(text::analysis(analysis, trail, hand).as_bytes())?;
        if args.files.len() > 1 {
            writeln!(out)?;
        }
    }
    if let Some(track) = answer.track {
        track.and_then(Growing::finish)?;
    }
    let drawn = |error: plot::PlotError| Failure::Job(error.to_string());
    if let Some(picture) = &args.plot {
        picture.write(
            || plot::descent_svg(analysis, trail, hand),
            || plot::descent_png(analysis, trail, hand),
        )?;
    }
    match (&args.lens, answer.lenses.last()) {
        (None, _) => {}
        (Some(_), None) => {
            return Err(Failure::Job(format!(
                "{}: there is no rest to look at under the lens; hint: leave --lens away",
                analysis.input.path
            )));
        }
        (Some(picture), Some(lens)) => picture.write(|| plot::lens_svg(lens), || plot::lens_png(lens))?,
    }
    if let Some(path) = &args.report {
        let recording = logging::recording(Path::new(&analysis.input.path));
        let made = benchlog::utc(logging::now());
        let sha256 = recording.as_ref().map(|recording| recording.sha256.as_str());
        let origin = page::Origin { sha256, made: Some(&made) };
        let page = page::analysis(analysis, trail, &answer.lenses, hand, origin).map_err(drawn)?;
        store::write_atomic(path, page.as_bytes())?;
    }
    args.logging.keep("analyse", || about(analysis), analysis, args.json, out)
}

/// What the bench log lists of a recording: what it hands to the dial.
fn about(analysis: &Analysis) -> About {
    let recording = logging::recording(Path::new(&analysis.input.path));
    match analysis.heard.offset(None) {
        Ok(Offset::Heard { offset_hz, u_hz, side }) => About {
            offset_hz: Some(offset_hz),
            offset_u_hz: Some(u_hz),
            side: Some(side),
            recording,
            ..About::default()
        },
        Ok(Offset::Within { bound_hz }) => About { bound_hz: Some(bound_hz), recording, ..About::default() },
        Err(_) => About { recording, ..About::default() },
    }
}

fn put(line: &str, out: &mut dyn Write) -> Result<(), Failure> {
    // A reader that waits for the line gets it now, not when the next recording is done.
    writeln!(out, "{line}").and_then(|()| out.flush()).map_err(Failure::from)
}

fn json_line(record: &impl Serialize) -> Result<String, Failure> {
    json::line(record).map_err(|error| Failure::Job(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;
    use clap::Parser;
    use std::time::Duration;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn args(words: &[&str]) -> Args {
        Line::try_parse_from([&["analyse"], words].concat()).map_err(|e| e.to_string()).unwrap().args
    }

    /// Answers with a hand-made descent; the first recording takes longest, and those named "bad" can't be read.
    fn ear(path: &Path, _: &Settings, _: Option<Span>, sink: &mut dyn Sink) -> Result<Analysis, String> {
        let name = path.display().to_string();
        if name.starts_with('1') {
            thread::sleep(Duration::from_millis(30));
        }
        if name.contains("bad") {
            return Err(format!("{name}: not a recording; hint: name a WAV file"));
        }
        let (mut told, trail) = example::fall_to_rest();
        told.input.path = name;
        for row in &trail {
            sink.row(row);
        }
        Ok(told)
    }

    fn run_to_text(args: &Args) -> (Result<(), Failure>, String) {
        let mut out = Vec::new();
        let done = run(args, &ear, &AtomicBool::new(false), &mut out);
        (done, String::from_utf8(out).unwrap())
    }

    #[test]
    fn many_recordings_answer_in_order_and_one_bad_one_does_not_stop_them() {
        let (done, text) = run_to_text(&args(&["--json", "--jobs", "3", "1.wav", "2-bad.wav", "3.wav"]));
        let lines: Vec<serde_json::Value> =
            text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let paths: Vec<&str> = lines.iter().map(|line| line["input"]["path"].as_str().unwrap()).collect();
        assert_eq!(paths, ["1.wav", "2-bad.wav", "3.wav"]);
        assert_eq!(lines[1]["error"], "2-bad.wav: not a recording; hint: name a WAV file");
        assert!(lines[1].get("rests").is_none() && lines[2]["rests"][0]["side"] == "low");
        assert!(matches!(done, Err(Failure::Job(line)) if line.starts_with("1 of 3 recordings")));
    }

    #[test]
    fn one_recording_that_can_not_be_read_is_told_once() {
        let (done, text) = run_to_text(&args(&["bad.wav"]));
        assert_eq!(text, "");
        assert!(matches!(done, Err(Failure::Job(line)) if line.starts_with("bad.wav: not a recording")));
    }

    #[test]
    fn track_and_plot_are_written_beside_the_answer() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name).display().to_string();
        let (track, plot) = (at("track.csv"), at("descent.png"));
        let (done, text) = run_to_text(&args(&["--track", &track, "--plot", &plot, "a.wav"]));
        assert_eq!(done, Ok(()));
        assert!(text.contains("meter 32.6000 ± 0.0021 Hz below the signal"), "{text}");
        let track = std::fs::read_to_string(track).unwrap();
        assert_eq!(track.lines().count(), 1 + example::fall_to_rest().1.len());
        assert!(std::fs::read(plot).unwrap().starts_with(b"\x89PNG"));
    }

    #[test]
    fn one_plot_can_not_hold_two_recordings() {
        let (done, _) = run_to_text(&args(&["--plot", "x.svg", "1.wav", "2.wav"]));
        assert!(matches!(done, Err(Failure::Usage(_))));
        assert!(picture("x.jpg").is_err());
    }

    #[test]
    fn the_reader_going_away_ends_the_work_quietly() {
        struct Closed;
        impl Write for Closed {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::ErrorKind::BrokenPipe.into())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let done = run(&args(&["--json", "1.wav", "2.wav"]), &ear, &AtomicBool::new(false), &mut Closed);
        assert_eq!(done, Err(Failure::ClosedPipe));
    }
}
