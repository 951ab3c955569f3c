//! `hushbeat reference card`.

use super::{above_zero, day, error, hand_out, share};
use crate::benchlog::About;
use crate::cli::clocks;
use crate::cli::failure::Failure;
use crate::cli::logging::{self, Logging};
use crate::dial::Date;
use crate::heard::Warning;
use crate::quantity::Hertz;
use crate::report;
use crate::source::beside;
use crate::stations::{HF_PATH_U_PPM, PATH_DELAY_S};
use crate::store;
use crate::task::reference::{CardRequest, Reception, Reference, Tones, card, hear, known};
use std::io::Write;
use std::path::PathBuf;

/// The sound card's clock from a station's tones, or any whose frequency is known, in recordings
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Recordings made by one input, WAV or FLAC
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// A tone in them; again for every further one
    #[arg(long, value_name = "F", value_parser = above_zero, required = true)]
    tone: Vec<Hertz>,
    /// The station, whose tones are known
    #[arg(long, value_name = "CALL")]
    station: Option<String>,
    /// How the tones were received: in amplitude modulation (or by wire), or in single sideband
    #[arg(long, value_name = "am|ssb", value_parser = reception)]
    received: Option<Reception>,
    /// The most that the path's delay may have changed while one listened, either way; 0s for tones that came by wire
    /// [default: 0.5ms]
    #[arg(long, value_name = "T", value_parser = delay)]
    path_delay: Option<f64>,
    /// Standard uncertainty of the tones as sent, in ppm or %
    #[arg(long, value_name = "PPM", value_parser = share)]
    tone_u: Option<f64>,
    /// Keep the clock for the input that made the recordings: `listen` and `correct --card NAME` take it from there
    #[arg(long, conflicts_with = "out")]
    save: bool,
    /// The input's name [default: as the recording's notes have it]
    #[arg(long, value_name = "NAME", requires = "save")]
    input: Option<String>,
    /// Day of the comparison [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<Date>,
    /// Write the link for `correct --card`
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    logging: Logging,
}

fn reception(text: &str) -> Result<Reception, String> {
    match text {
        "am" => Ok(Reception::Am),
        "ssb" => Ok(Reception::Ssb),
        _ => Err("write am or ssb".to_owned()),
    }
}

fn delay(text: &str) -> Result<f64, String> {
    let (number, scale) = match (text.strip_suffix("ms"), text.strip_suffix('s')) {
        (Some(number), _) => (number, 1e-3),
        (None, Some(number)) => (number, 1.0),
        (None, None) => return Err("write seconds or milliseconds, such as 0.5ms".to_owned()),
    };
    match number.trim().parse::<f64>() {
        Ok(value) if (0.0..=1.0).contains(&(value * scale)) => Ok(value * scale),
        _ => Err("write seconds or milliseconds, such as 0.5ms".to_owned()),
    }
}

/// Does the job.
///
/// # Errors
/// A tone that the station does not send, recordings that can't be read, tones that are not heard, one tone where two
/// are needed, an input without a name.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let mut hertz: Vec<f64> = args.tone.iter().map(|tone| tone.0).collect();
    hertz.sort_by(f64::total_cmp);
    hertz.dedup();
    if let Some(call) = &args.station {
        known(call, &hertz).map_err(Failure::Job)?;
    }
    let reception = args.received.unwrap_or_default();
    if hertz.len() == 1 && reception != Reception::Am {
        return Err(crate::task::reference::ChainError::OneTone.into());
    }
    let input = if args.save { Some(input(args)?) } else { None };
    let asked = Tones { hertz, reception };
    let mut tones = Vec::new();
    let mut warnings = Vec::new();
    for path in &args.files {
        let heard = hear(path, &asked).map_err(|error| Failure::Job(error.to_string()))?;
        for tone in
            asked.hertz.iter().filter(|tone| heard.tones.iter().all(|h| (h.tone_hz - **tone).abs() > 1e-9))
        {
            warnings.push(Warning {
                code: "tone-missing".into(),
                message: format!("{}: the tone of {tone} Hz was not heard for long enough", path.display()),
            });
        }
        tones.extend(heard.tones);
    }
    let path_delay_s = args.path_delay.unwrap_or(PATH_DELAY_S);
    let mut found = card(&CardRequest {
        tones,
        reception,
        path_delay_s,
        path_u_ppm: HF_PATH_U_PPM,
        tone_u_ppm: args.tone_u.unwrap_or(0.0),
    })?;
    found.warnings.extend(warnings);
    let told = found.error_ppm.is_some();
    let link = Reference { reference: "card", checked: day(args.on), ageing_ppm_per_year: 0.0, found };
    let file = args.out.as_deref().filter(|_| told);
    let recording = match args.files.as_slice() {
        [file] if args.logging.wanted() => logging::recording(file),
        _ => None,
    };
    let about = About { recording, ..error(link.found.error_ppm, link.found.total.u_ppm) };
    hand_out(&link, (args.json, file), report::reference::card, (&args.logging, about), out)?;
    if !told && (args.save || args.out.is_some()) {
        return Err(Failure::Job(
            "nothing was written: the card's error hides behind the receiver's tuning; hint: receive in amplitude \
             modulation"
                .to_owned(),
        ));
    }
    if let Some((folder, input)) = input {
        let text = serde_json::to_string_pretty(&link).map_err(|error| Failure::Job(error.to_string()))?;
        let path = store::card_file(&folder, &input);
        store::write_kept(&path, (text + "\n").as_bytes())?;
        if !args.json {
            writeln!(out, "kept    for the input `{input}`, in {}", path.display())?;
        }
    }
    Ok(())
}

/// Where to keep the clock, and for which input.
fn input(args: &Args) -> Result<(PathBuf, String), Failure> {
    let folder = clocks::configuration().ok_or_else(|| {
        Failure::Job(
            "there is no folder for configuration; hint: use --out FILE instead of --save".to_owned(),
        )
    })?;
    if let Some(name) = &args.input {
        return Ok((folder, name.clone()));
    }
    let mut names = Vec::new();
    for path in &args.files {
        names.extend(beside::input(path).map_err(|error| Failure::Job(error.to_string()))?);
    }
    names.dedup();
    match names.as_slice() {
        [name] if args.files.len() == 1 || !name.is_empty() => Ok((folder, name.clone())),
        [] => Err(Failure::Job(
            "the recordings do not say which input made them; hint: name it with --input, as `hushbeat inputs` does"
                .to_owned(),
        )),
        _ => Err(Failure::Job(
            "the recordings were made by different inputs; hint: one input at a time".to_owned(),
        )),
    }
}
