//! Which sound card's clock is meant: by a file, or by the name of an input for which one is kept.

use super::failure::Failure;
use crate::clock::Clock;
use crate::store::{self, Link};
use std::path::{Path, PathBuf};

/// The folder of the configuration, where the system says that such folders are.
pub fn configuration() -> Option<PathBuf> {
    let named = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let folder = if cfg!(windows) {
        named("APPDATA")
    } else {
        named("XDG_CONFIG_HOME").or_else(|| named("HOME").map(|home| home.join(".config")))
    };
    folder.map(|folder| folder.join("hushbeat"))
}

/// The clock that the user states by `--card`.
///
/// # Errors
/// Neither a file nor an input for which a clock is kept, or a file that can't be used.
pub fn stated(card: &str) -> Result<Clock, Failure> {
    let path = Path::new(card);
    if path.is_file() {
        return Ok(clock(&store::read_link(path, "card")?, &format!("`{card}`")));
    }
    kept(card)?.ok_or_else(|| {
        Failure::Job(format!(
            "{card}: neither a file nor an input whose clock is kept; hint: `hushbeat reference card … --save --input \
             {card}` keeps one"
        ))
    })
}

/// The clock that is kept for an input, if there is one.
///
/// # Errors
/// It is there and can't be used.
pub fn kept(input: &str) -> Result<Option<Clock>, Failure> {
    let Some(folder) = configuration() else { return Ok(None) };
    let link = store::saved_card(&folder, input)?;
    Ok(link.map(|link| clock(&link, &format!("kept for the input `{input}`"))))
}

fn clock(link: &Link, source: &str) -> Clock {
    let day = link.checked.as_ref().map_or(String::new(), |day| format!(", measured on {day}"));
    Clock {
        error_ppm: Some(link.error_ppm),
        u_ppm: link.u_ppm,
        applied: false,
        source: format!("{source}{day}"),
        dof: link.effective_dof,
        flat: link.is_flat(),
    }
}
