//! The dial options of `listen`: with them the corrected frequency stands beside the offset.

use crate::cli::clocks;
use crate::cli::correct::{approach, today, transport};
use crate::cli::failure::Failure;
use crate::clock::Clock;
use crate::correction::{Allowances, Target, Transport};
use crate::dial::Approach;
use crate::offset::{Offset, Side};
use crate::quantity::Hertz;
use crate::store;
use crate::task::correct::{CheckText, Extra, Job, Observation};
use crate::task::listen::AtDial;
use std::path::PathBuf;

/// The dial
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "The dial, for the corrected frequency beside the offset")]
pub struct Dial {
    /// The meter file
    #[arg(long, value_name = "M.toml", requires_all = ["range", "reading"])]
    pub meter: Option<PathBuf>,
    /// The range the meter stands on
    #[arg(long, value_name = "NAME", requires = "meter")]
    range: Option<String>,
    /// The reading: divisions such as 1531.4, or drum/dial such as 12/91.4
    #[arg(long, value_name = "D", requires = "meter")]
    reading: Option<String>,
    /// Which way the reading moved on coming to it [default: as the book was made]
    #[arg(long, value_parser = approach, value_name = "rising|falling", requires = "meter")]
    approach: Option<Approach>,
    /// The meter's harmonic that meets the signal
    #[arg(long, value_name = "H", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    harmonic: u32,
    /// The signal's harmonic that meets the meter
    #[arg(long, value_name = "K", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub signal_harmonic: u32,
    /// A check point heard, READING:N/M:OFFSET:SIDE or READING:N/M:withinB
    #[arg(long = "check", value_name = "CHECK", requires = "meter")]
    checks: Vec<CheckText>,
    /// How a check's correction is carried over
    #[arg(long, value_parser = transport, value_name = "capacitance|ratio|divisions|auto", default_value = "auto")]
    transport: Transport,
    /// The crystal's error as `reference crystal` wrote it
    #[arg(long, value_name = "FILE", requires = "meter")]
    crystal: Option<PathBuf>,
    /// The sound card's error: as `reference card` wrote it, or kept it for the input of that name [default: as kept
    /// for this input]
    #[arg(long, value_name = "FILE|NAME")]
    card: Option<String>,
    /// Where the signal ought to be: how far to go is shown; needs the dial, or --hold-off
    #[arg(long, value_name = "F")]
    pub target: Option<Hertz>,
}

impl Dial {
    /// The sound card's clock as it is stated.
    pub fn clock(&self) -> Result<Option<Clock>, Failure> {
        self.card.as_ref().map(|card| clocks::stated(card)).transpose()
    }

    /// The meter and what is asked of it, when the dial is given, read from their files and tried; the clock is put in
    /// later.
    pub fn at_dial(&self) -> Result<Option<AtDial>, Failure> {
        let (Some(path), Some(range), Some(reading)) = (&self.meter, &self.range, &self.reading) else {
            return Ok(None);
        };
        let meter = store::read_meter(path)?;
        let crystal =
            self.crystal.as_ref().map(|path| store::read_crystal(path, &meter.crystal)).transpose()?;
        // An offset for the trial; the side is known, or it would be refused for lack of one.
        let offset = Offset::Heard { offset_hz: 1.0, u_hz: 1.0, side: Side::High };
        let job = Job {
            range: range.clone(),
            observation: Observation::Single { reading: reading.clone(), offset },
            recorded: true,
            approach: self.approach,
            harmonic: self.harmonic,
            signal_harmonic: self.signal_harmonic,
            checks: self.checks.clone(),
            transport: self.transport,
            at_min: None,
            crystal,
            today: today(),
            clock: Clock::default(),
            allowances: Allowances::default(),
            target: self.target.map(|frequency| Target { frequency, tolerance: None }),
            extra: Extra::default(),
        };
        Ok(Some(AtDial::tried(meter, job)?))
    }
}
