//! `hushbeat book check`, `book fit` and `book print`.

use super::failure::Failure;
use super::picture::{Picture, picture};
use super::show::show;
use crate::quantity::Hertz;
use crate::report::{self, plot};
use crate::store;
use crate::task::book::{self, FitJob};
use std::io::Write;
use std::path::PathBuf;

/// Check a calibration book, make a new one, or set one out for paper
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    job: Job,
}

#[derive(Debug, clap::Subcommand)]
enum Job {
    Check(Check),
    Fit(Fit),
    Print(Print),
}

/// Find typing slips in a book by its smoothness
#[derive(Debug, clap::Args)]
struct Check {
    /// The book
    #[arg(value_name = "BOOK.csv")]
    book: PathBuf,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Make a new book from check points
#[derive(Debug, clap::Args)]
struct Fit {
    /// The meter file; the range's own book need not exist
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// The range that the points are on
    #[arg(long, value_name = "NAME")]
    range: String,
    /// The points: `reading,point` with points such as 7/2 (`beat_hz`, `u_div` may follow), or `frequency_khz,reading`
    #[arg(value_name = "POINTS.csv")]
    points: PathBuf,
    /// An old book of this meter, whose shape the new one follows
    #[arg(long, value_name = "OLD.csv")]
    shape: Option<PathBuf>,
    /// Step of the rows [default: the old book's rows, or a round step]
    #[arg(long, value_name = "F")]
    step: Option<Hertz>,
    /// Draw the points against the law
    #[arg(long, value_name = "OUT.svg|.png", value_parser = picture)]
    plot: Option<Picture>,
    /// Where the new book goes
    #[arg(long, value_name = "NEW.csv")]
    out: PathBuf,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Set a book out for paper
#[derive(Debug, clap::Args)]
struct Print {
    /// The book
    #[arg(value_name = "BOOK.csv")]
    book: PathBuf,
    /// Where the page goes
    #[arg(long, value_name = "OUT.html")]
    html: PathBuf,
    /// The meter file, for the name at the head
    #[arg(long, value_name = "M.toml")]
    meter: Option<PathBuf>,
}

/// Does the job.
///
/// # Errors
/// Files that can't be read or written, books and points with something wrong in them.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    match &args.job {
        Job::Check(args) => check(args, out),
        Job::Fit(args) => fit(args, out),
        Job::Print(args) => print(args, out),
    }
}

fn check(args: &Check, out: &mut dyn Write) -> Result<(), Failure> {
    let file = args.book.display().to_string();
    let record = book::check(&store::read_text(&args.book)?, &file)?;
    show(&record, args.json, || report::book::checked_text(&record, &file), out)
}

fn fit(args: &Fit, out: &mut dyn Write) -> Result<(), Failure> {
    if args.step.is_some_and(|step| step.0 <= 0.0) {
        return Err(Failure::Usage(
            "--step: a step is above 0 Hz; hint: leave it out for a round one".into(),
        ));
    }
    let plan = store::read_plan(&args.meter)?;
    let points = store::read_text(&args.points)?;
    let shape = args.shape.as_ref().map(|path| store::read_text(path)).transpose()?;
    let (points_file, shape_file) = (
        args.points.display().to_string(),
        args.shape.as_ref().map(|path| path.display().to_string()).unwrap_or_default(),
    );
    let job = FitJob {
        range: &args.range,
        points: (&points_file, &points),
        shape: shape.as_deref().map(|text| (shape_file.as_str(), text)),
        step: args.step,
    };
    let record = book::fit(&plan, &job)?;
    let file = args.out.display().to_string();
    // What is written is a book that the meter takes.
    book::read_back(&plan, &record, &file)?;
    if let Some(picture) = &args.plot {
        picture.write(|| plot::law_svg(&record), || plot::law_png(&record))?;
    }
    store::write_atomic(&args.out, book::book_text(&record, &plan.name).as_bytes())?;
    show(&record, args.json, || report::book::fitted_text(&record, &plan.plate, &file), out)
}

fn print(args: &Print, out: &mut dyn Write) -> Result<(), Failure> {
    let file = args.book.display().to_string();
    let rows = book::readable(&store::read_text(&args.book)?, &file)?;
    let meter = args.meter.as_ref().map(|path| store::read_meter(path)).transpose()?;
    let page = report::book::page(&rows, &book::title(meter.as_ref(), &file));
    store::write_atomic(&args.html, page.as_bytes())?;
    writeln!(out, "{}: {} rows, for a browser or for paper", args.html.display(), rows.hertz.len())?;
    Ok(())
}
