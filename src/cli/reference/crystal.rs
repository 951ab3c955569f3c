//! `hushbeat reference crystal`.

use super::{above_zero, day, error, hand_out, offset, path_u_hz, share, size, within};
use crate::benchlog::{About, MeterMark};
use crate::cli::failure::Failure;
use crate::cli::logging::Logging;
use crate::dial::{Date, Meter};
use crate::offset::{Offset, Side};
use crate::quantity::{Hertz, Width};
use crate::report;
use crate::store;
use crate::task::correct;
use crate::task::reference::{
    ByMeter, ChainError, CrystalRequest, Observation, Reference, Sides, Touch, agreed, both_notes, by_meter,
};
use std::io::Write;
use std::path::PathBuf;

/// A crystal's error from the beat of its harmonic with a standard station's carrier
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("heard").required(true).multiple(true).args(["offset", "within", "notes", "by_meter"]))]
pub struct Args {
    /// The station's carrier
    #[arg(long, value_name = "F", value_parser = above_zero)]
    carrier: Hertz,
    /// The crystal's harmonic that meets it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    harmonic: u32,
    /// What the crystal is marked with [default: as the meter file has it, or the carrier over the harmonic]
    #[arg(long, value_name = "F", value_parser = above_zero)]
    nominal: Option<Hertz>,
    /// The offset heard; again for every further time it was heard
    #[arg(long, value_name = "B", value_parser = offset, conflicts_with_all = ["within", "notes"])]
    offset: Vec<(f64, f64)>,
    /// Standard uncertainty of an offset [default: its last digit rounded]
    #[arg(long, value_name = "U", value_parser = size, requires = "offset")]
    offset_u: Option<f64>,
    /// Zero beat as near as could be heard: the offset is somewhere below this
    #[arg(long, value_name = "B", value_parser = size, conflicts_with = "notes")]
    within: Option<f64>,
    /// Where the crystal's harmonic stands against the carrier: once for all offsets, or once for each
    #[arg(long, value_name = "high|low", value_parser = correct::side)]
    side: Vec<Side>,
    /// What the note did when the crystal was touched or its trimmer turned towards more capacitance
    #[arg(long, value_name = "rises|falls", value_parser = touch)]
    touch: Option<Touch>,
    /// The crystal's note and the station's in a receiver with its beat oscillator on
    #[arg(long, value_name = "CRYSTAL,STATION", value_parser = notes, requires = "receiver")]
    notes: Option<[(f64, f64); 2]>,
    /// The receiver's side: pitch grows with radio frequency (upper) or falls (lower)
    #[arg(long, value_name = "upper|lower", value_parser = upper, requires = "notes")]
    receiver: Option<bool>,
    /// By way of the meter's oscillator: its beat with the carrier, then with the crystal's harmonic, as
    /// [READING:]OFFSET:SIDE,[READING:]OFFSET:SIDE; the side is that of the meter
    #[arg(long, value_name = "BEATS")]
    by_meter: Option<ByMeter>,
    /// The meter file: its crystal, and the dial for readings
    #[arg(long, value_name = "M.toml")]
    meter: Option<PathBuf>,
    /// The meter's range for readings
    #[arg(long, value_name = "NAME", requires = "meter")]
    range: Option<String>,
    /// The meter's harmonic that meets the carrier
    #[arg(long, value_name = "H", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    meter_harmonic: u32,
    /// Standard uncertainty of the carrier as received, in Hz, ppm or % [default: 0.05 ppm over HF]
    #[arg(long, value_name = "U")]
    path_u: Option<Width>,
    /// The most that temperature may move the crystal between here and where it is used, either way
    #[arg(long, value_name = "PPM", value_parser = share)]
    temperature: Option<f64>,
    /// The most that it ages in a year, either way; widens the link as it gets older
    #[arg(long, value_name = "PPM", value_parser = share)]
    ageing: Option<f64>,
    /// Day of the comparison [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<Date>,
    /// Write the link for `correct --crystal`
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

fn touch(text: &str) -> Result<Touch, String> {
    match text {
        "rises" => Ok(Touch::Rises),
        "falls" => Ok(Touch::Falls),
        _ => Err("write rises or falls, what the note did".to_owned()),
    }
}

fn upper(text: &str) -> Result<bool, String> {
    match text {
        "upper" => Ok(true),
        "lower" => Ok(false),
        _ => Err("write upper or lower".to_owned()),
    }
}

fn notes(text: &str) -> Result<[(f64, f64); 2], String> {
    let (crystal, station) =
        text.split_once(',').ok_or("write the crystal's note and the station's, such as 1008Hz,1000Hz")?;
    let one = |text: &str| offset(text.trim()).map_err(|error| error.to_string());
    Ok([one(crystal)?, one(station)?])
}

/// Does the job.
///
/// # Errors
/// Sides missing or contradicting each other, a carrier that no harmonic reaches, files that can't be read or written.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = args.meter.as_ref().map(|path| store::read_meter(path)).transpose()?;
    let nominal_hz = args.nominal.map(|nominal| nominal.0).or(meter.as_ref().map(|m| m.crystal.frequency_hz));
    let nominal_hz = nominal_hz.map_or_else(|| usual(args.carrier, args.harmonic), Ok)?;
    let offsets = offsets(args, meter.as_ref())?;
    let observation = |offset| Observation { carrier_hz: args.carrier.0, harmonic: args.harmonic, offset };
    let found = crate::correction::chain::crystal(&CrystalRequest {
        nominal_hz,
        observations: offsets.into_iter().map(observation).collect(),
        path_u_hz: path_u_hz(args.path_u, args.carrier),
        temperature_ppm: args.temperature.unwrap_or(0.0),
    })?;
    let ageing = args.ageing.or(meter.as_ref().map(|meter| meter.crystal.ageing_ppm_per_year));
    let link = Reference {
        reference: "crystal",
        checked: day(args.on),
        ageing_ppm_per_year: ageing.unwrap_or(0.0),
        found,
    };
    let about = About {
        meter: meter.as_ref().map(|meter| MeterMark { name: meter.name.clone(), file: None, book: None }),
        ..error(Some(link.found.error_ppm), link.found.total.u_ppm)
    };
    let file = args.out.as_deref();
    hand_out(&link, (args.json, file), report::reference::crystal, (&args.logging, about), out)
}

/// Check-point crystals are cut for whole multiples of this, Hz (common practice, no source).
const USUAL_HZ: f64 = 50e3;

/// What a crystal is marked with whose harmonic meets the carrier, where nobody says.
fn usual(carrier: Hertz, harmonic: u32) -> Result<f64, Failure> {
    let nominal_hz = carrier.0 / f64::from(harmonic);
    let steps = (nominal_hz / USUAL_HZ).round();
    if steps >= 1.0 && (nominal_hz / (steps * USUAL_HZ) - 1.0).abs() < 1e-9 {
        return Ok(nominal_hz);
    }
    Err(Failure::Usage(format!(
        "harmonic {harmonic} of no usual crystal reaches {carrier}: that would be one of {nominal_hz:.1} Hz; hint: state what it is marked with, such as --nominal 1MHz"
    )))
}

/// Every offset with the side that all that was said agrees on.
fn offsets(args: &Args, meter: Option<&Meter>) -> Result<Vec<Offset>, Failure> {
    if args.side.len() > 1 && args.side.len() != args.offset.len() {
        return Err(Failure::Usage(format!(
            "{} sides for {} offsets; hint: one --side for all, or one for each --offset",
            args.side.len(),
            args.offset.len()
        )));
    }
    let mut common = Sides::new();
    if let Some(touch) = args.touch {
        common.push(("--touch".to_owned(), touch.side()));
    }
    let mut between = None;
    if let Some(by) = &args.by_meter {
        let dial = meter.zip(args.range.as_deref());
        if by.carrier.has_reading() && dial.is_none() {
            return Err(Failure::Usage(
                "readings need --meter and --range; hint: or leave the oscillator alone and give the beats only"
                    .to_owned(),
            ));
        }
        let offset = by_meter(by, dial, args.meter_harmonic)?;
        if let Offset::Heard { offset_hz, u_hz, side } = offset {
            // A beat that may be nil by the meter has no side by it.
            let side = if offset_hz > 2.0 * u_hz { side } else { Side::Unknown };
            common.push(("--by-meter".to_owned(), side));
        }
        between = Some(offset);
    }
    let with_side = |(offset_hz, last_place): (f64, f64), sides: &Sides| -> Result<Offset, ChainError> {
        Ok(Offset::Heard { offset_hz, u_hz: args.offset_u.unwrap_or(last_place), side: agreed(sides)? })
    };
    if let (Some([crystal, station]), Some(upper)) = (args.notes, args.receiver) {
        let offset = both_notes(crystal, station, upper);
        if let Offset::Heard { side, .. } = offset {
            common.push(("--notes".to_owned(), side));
        }
        common.extend(args.side.first().map(|side| ("--side".to_owned(), *side)));
        agreed(&common)?;
        return Ok(vec![offset]);
    }
    if let Some(bound_hz) = args.within {
        return Ok(vec![within(bound_hz)]);
    }
    if args.offset.is_empty() {
        common.extend(args.side.first().map(|side| ("--side".to_owned(), *side)));
        agreed(&common)?;
        return Ok(between.into_iter().collect());
    }
    let one = |(i, offset): (usize, &(f64, f64))| {
        let mut sides = common.clone();
        let own = if args.side.len() > 1 { args.side.get(i) } else { args.side.first() };
        sides.extend(own.map(|side| ("--side".to_owned(), *side)));
        with_side(*offset, &sides)
    };
    Ok(args.offset.iter().enumerate().map(one).collect::<Result<_, _>>()?)
}
