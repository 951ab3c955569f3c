//! `hushbeat rehearse`.

use super::failure::Failure;
use super::logging::now;
use crate::block::StreamFormat;
use crate::offset::Side;
use crate::report;
use crate::source::keep::{KeepError, SampleFormat, write_wav};
use crate::store::{self, place};
use crate::task::correct::{offset_size, side};
use crate::task::rehearse::{self, Attempt, Level, Practice, Recipe};
use clap::builder::{PossibleValuesParser, TypedValueParser};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Make practice recordings whose answer is known, and mark what the trainee makes of them
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The recording to make; what it takes to know the answer is left beside it, in OUT.wav.practice
    #[arg(value_name = "OUT.wav", required_unless_present = "check")]
    out: Option<PathBuf>,
    /// Which one: the same number and level always give the same recording [default: a new one every second]
    #[arg(long, value_name = "N", conflicts_with = "check")]
    seed: Option<u64>,
    /// How hard it is
    #[arg(long, value_name = "NAME", default_value = "clean", value_parser = level(), conflicts_with = "check")]
    level: Level,
    /// Tell the answer, also of a recording made before
    #[arg(long, conflicts_with = "check")]
    answer: bool,
    /// Mark an answer, OFFSET:SIDE such as 62.4Hz:high, or OFFSET alone
    #[arg(long, num_args = 2, value_names = ["OUT.wav", "ANSWER"], conflicts_with = "out")]
    check: Option<Vec<String>>,
}

fn level() -> impl TypedValueParser<Value = Level> {
    PossibleValuesParser::new(Level::ALL.map(Level::word))
        .map(|word| Level::ALL.into_iter().find(|level| level.word() == word).unwrap_or(Level::Clean))
}

/// Does the job.
///
/// # Errors
/// A recording that is there already or can't be written; one that is no practice recording; an answer that is none.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some([file, answer]) = args.check.as_deref() {
        let attempt = attempt(answer).map_err(Failure::Usage)?;
        let practice = made_before(Path::new(file))?;
        let marked = rehearse::mark(&practice.answer, &attempt);
        let text = report::rehearse::marked(&attempt, &marked, &practice.answer);
        return Ok(out.write_all(text.as_bytes())?);
    }
    let Some(path) = &args.out else { return Ok(()) };
    let practice = if path.exists() {
        if !args.answer || args.seed.is_some() {
            return Err(KeepError::Exists(path.clone()).into());
        }
        made_before(path)?
    } else {
        make(path, args)?
    };
    let mut text = report::rehearse::task(&practice, &path.display().to_string());
    if args.answer {
        text += &report::rehearse::answer(&practice.answer);
    }
    Ok(out.write_all(text.as_bytes())?)
}

fn make(path: &Path, args: &Args) -> Result<Practice, Failure> {
    let seed = args.seed.unwrap_or_else(now);
    let (practice, made) = rehearse::make(args.level, seed).ok_or_else(|| no_rest(seed))?;
    let format = StreamFormat { rate_hz: made.rate_hz, channels: made.channels };
    write_wav(path, format, &made.samples, SampleFormat::Pcm16)?;
    let (sha256, _) = place::sha256(path)?;
    let recipe = serde_json::to_string(&Recipe { level: args.level, seed, sha256 })
        .map_err(|error| Failure::Job(error.to_string()))?;
    store::write_atomic(&beside(path), format!("{recipe}\n").as_bytes())?;
    Ok(practice)
}

/// The practice recording under this name, made again from what lies beside it.
fn made_before(path: &Path) -> Result<Practice, Failure> {
    let beside = beside(path);
    if !beside.exists() {
        return Err(Failure::Job(format!(
            "{}: is no practice recording, {} is not beside it; hint: make one with `hushbeat rehearse OUT.wav`",
            path.display(),
            beside.display()
        )));
    }
    let text = store::read_text(&beside)?;
    let recipe: Recipe = serde_json::from_str(&text).map_err(|error| {
        Failure::Job(format!("{}: {error}; hint: make the recording anew", beside.display()))
    })?;
    let (sha256, _) = place::sha256(path).map_err(|error| {
        Failure::Job(format!("{}: can't be read: {error}; hint: check the name", path.display()))
    })?;
    if sha256 != recipe.sha256 {
        return Err(Failure::Job(format!(
            "{}: is not the recording that {} belongs to; hint: make it anew",
            path.display(),
            beside.display()
        )));
    }
    let (practice, _) = rehearse::make(recipe.level, recipe.seed).ok_or_else(|| no_rest(recipe.seed))?;
    Ok(practice)
}

fn no_rest(seed: u64) -> Failure {
    Failure::Job(format!("seed {seed} gives no rest that can be heard; hint: take another --seed"))
}

/// `OUT.wav.practice`.
fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".practice");
    PathBuf::from(name)
}

/// Reads `OFFSET:SIDE` or `OFFSET`.
fn attempt(text: &str) -> Result<Attempt, String> {
    let (size, word) = match text.split_once(':') {
        Some((size, word)) => (size, side(word).map_err(|error| error.to_string())?),
        None => (text, Side::Unknown),
    };
    let (offset_hz, _) = offset_size(size)
        .map_err(|error| format!("{error}; hint: write an answer as OFFSET:SIDE, such as 62.4Hz:high"))?;
    Ok(Attempt { offset_hz, side: word })
}

impl From<KeepError> for Failure {
    fn from(error: KeepError) -> Self {
        Self::Job(error.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_an_offset_and_perhaps_a_side() {
        assert_eq!(attempt("62.4Hz:high"), Ok(Attempt { offset_hz: 62.4, side: Side::High }));
        assert_eq!(attempt("1.2kHz"), Ok(Attempt { offset_hz: 1200.0, side: Side::Unknown }));
        for wrong in ["62.4", "62.4Hz:left", "-3Hz:low", ""] {
            assert!(attempt(wrong).is_err(), "{wrong}");
        }
    }
}
