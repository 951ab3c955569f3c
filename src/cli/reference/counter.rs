//! `hushbeat reference counter`.

use super::{above_zero, day, error, hand_out, offset, path_u_hz, size, within};
use crate::cli::correct::today;
use crate::cli::failure::Failure;
use crate::cli::logging::Logging;
use crate::dial::Date;
use crate::heard::Warning;
use crate::offset::{Offset, Side};
use crate::quantity::{Hertz, Width};
use crate::report;
use crate::store;
use crate::task::correct;
use crate::task::reference::{CounterRequest, Reference, Standard, counter};
use std::io::Write;
use std::path::PathBuf;

/// A counter's error while the meter's oscillator, which it counts, rests at (or near) a known frequency
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The carrier that the meter's harmonic meets: a station's, or with --crystal that of the crystal's harmonic
    #[arg(long, value_name = "F", value_parser = above_zero)]
    carrier: Hertz,
    /// The meter's harmonic that meets it
    #[arg(long, value_name = "H", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    harmonic: u32,
    /// What the counter shows, every digit of it; again for every further count
    #[arg(long, value_name = "F", value_parser = shown, required = true)]
    shown: Vec<(f64, f64)>,
    /// The offset between the meter's harmonic and the carrier
    #[arg(long, value_name = "B", value_parser = offset, requires = "side")]
    offset: Option<(f64, f64)>,
    /// Standard uncertainty of the offset [default: its last digit rounded]
    #[arg(long, value_name = "U", value_parser = size, requires = "offset")]
    offset_u: Option<f64>,
    /// Where the meter's harmonic stands against the carrier
    #[arg(long, value_name = "high|low", value_parser = correct::side, requires = "offset")]
    side: Option<Side>,
    /// Zero beat as near as could be heard [default without --offset: 50 Hz, where the ear loses it]
    #[arg(long, value_name = "B", value_parser = size, conflicts_with = "offset")]
    within: Option<f64>,
    /// The crystal that the meter was held against, as `reference crystal` wrote it
    #[arg(long, value_name = "FILE", conflicts_with = "path_u")]
    crystal: Option<PathBuf>,
    /// Standard uncertainty of the carrier as received, in Hz, ppm or % [default: 0.05 ppm over HF]
    #[arg(long, value_name = "U")]
    path_u: Option<Width>,
    /// What the meter may have drifted between beat and count: standard uncertainty, in Hz, ppm or %
    #[arg(long, value_name = "U")]
    drift_u: Option<Width>,
    /// Day of the comparison [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<Date>,
    /// Write the link
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

/// Where the ear loses the beat, at the latest (common practice, from memory: 20 to 50 Hz), Hz.
const LOST_HZ: f64 = 50.0;

fn shown(text: &str) -> Result<(f64, f64), String> {
    let hertz = above_zero(text)?;
    let digit = Hertz::last_place(text).map_err(|error| error.to_string())?;
    Ok((hertz.0, digit.0))
}

/// Does the job.
///
/// # Errors
/// A crystal's file that can't be read, a carrier that none of its harmonics reaches, a counter that shows something else.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let standard = match &args.crystal {
        None => Standard::Carrier { path_u_hz: path_u_hz(args.path_u, args.carrier) },
        Some(path) => {
            let link = store::read_link(path, "crystal")?;
            let nominal_hz = link.nominal_hz.filter(|nominal| *nominal > 0.0).ok_or_else(|| {
                let path = path.display();
                Failure::Job(format!(
                    "{path}: nominal_hz is missing; hint: a file that `reference crystal` wrote"
                ))
            })?;
            let crystal = link.crystal(nominal_hz);
            let ((u_ppm, flat), aged_ppm) = (crystal.u_then_ppm(), crystal.aged_ppm(args.on.or_else(today)));
            Standard::Crystal {
                nominal_hz,
                error_ppm: link.error_ppm,
                u_ppm,
                flat,
                dof: crystal.dof,
                aged_ppm,
            }
        }
    };
    let heard = args.offset.map(|(offset_hz, last_place)| Offset::Heard {
        offset_hz,
        u_hz: args.offset_u.unwrap_or(last_place),
        side: args.side.unwrap_or_default(),
    });
    let fundamental = Hertz(args.carrier.0 / f64::from(args.harmonic));
    let mut found = counter(&CounterRequest {
        carrier_hz: args.carrier.0,
        standard,
        harmonic: args.harmonic,
        offset: heard.unwrap_or(within(args.within.unwrap_or(LOST_HZ))),
        shown_hz: args.shown.iter().map(|shown| shown.0).collect(),
        // The coarsest of several counts: digits left out can't be known to be zero.
        digit_hz: args.shown.iter().map(|shown| shown.1).fold(0.0, f64::max),
        drift_u_hz: args.drift_u.map_or(0.0, |width| width.at(fundamental).0),
    })?;
    if heard.is_none() && args.within.is_none() {
        found.warnings.push(Warning {
            code: "zero-assumed".into(),
            message: format!(
                "zero beat by ear is taken as within {LOST_HZ} Hz of the carrier; rest at an offset that is heard and \
                 state it with --offset and --side, or the bound with --within"
            ),
        });
    }
    let link = Reference { reference: "counter", checked: day(args.on), ageing_ppm_per_year: 0.0, found };
    let about = error(Some(link.found.error_ppm), link.found.total.u_ppm);
    let file = args.out.as_deref();
    hand_out(&link, (args.json, file), report::reference::counter, (&args.logging, about), out)
}
