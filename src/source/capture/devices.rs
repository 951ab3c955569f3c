//! Which sound inputs there are.

use super::error::{CaptureError, plain};
use super::offer::{self, Wish};
use crate::block::StreamFormat;
use cpal::DeviceDirection;
use cpal::traits::{DeviceTrait, HostTrait};

/// Which input is meant.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Choice {
    /// The system's default.
    #[default]
    Default,
    /// The one of this number in [`inputs`].
    Number(usize),
    /// The one of this name, or the only one whose name or description holds this text.
    Name(String),
}

/// One sound input.
#[derive(Debug)]
pub struct Input {
    /// Its number, counted from 1.
    pub number: usize,
    /// The system's name for it.
    pub name: String,
    /// What the system says of it.
    pub about: String,
    /// Whether it is the default.
    pub is_default: bool,
    /// What it offers, or why it can't be used.
    pub offer: Result<Offer, CaptureError>,
}

/// What an input offers.
#[derive(Debug)]
pub struct Offer {
    /// Spans of sample rates, Hz.
    pub rates_hz: Vec<(u32, u32)>,
    /// Spans of channel counts.
    pub channels: Vec<(u32, u32)>,
    /// How `listen` would open it.
    pub opened_as: StreamFormat,
}

/// Lists the inputs and tries each one: what is said to work was opened.
///
/// # Errors
/// There is no sound system.
pub fn inputs() -> Result<Vec<Input>, CaptureError> {
    let host = host()?;
    let default = host.default_input_device().map(|device| name_of(&device));
    Ok(listed(&host)?
        .into_iter()
        .zip(1..)
        .map(|(device, number)| {
            let name = name_of(&device);
            Input {
                number,
                about: about(&device),
                is_default: Some(&name) == default.as_ref(),
                offer: try_out(&device, &name),
                name,
            }
        })
        .collect())
}

/// Opens an input as `listen` would, without letting sound flow.
fn try_out(device: &cpal::Device, name: &str) -> Result<Offer, CaptureError> {
    let offered = offered(device, name)?;
    let chosen = offer::choose(&offered, Wish::default())
        .map_err(|mismatch| CaptureError::Mismatch { name: name.to_owned(), mismatch })?;
    drop(super::build(device, &chosen, |_| {}, |_| {}).map_err(|e| CaptureError::about(name, &e))?);
    Ok(Offer {
        rates_hz: offer::rates(&offered),
        channels: offer::channels(&offered),
        opened_as: StreamFormat { rate_hz: chosen.rate_hz, channels: chosen.channels },
    })
}

/// What a device offers to record.
pub(super) fn offered(
    device: &cpal::Device,
    name: &str,
) -> Result<Vec<cpal::SupportedStreamConfigRange>, CaptureError> {
    Ok(device.supported_input_configs().map_err(|e| CaptureError::about(name, &e))?.collect())
}

/// Finds the input that is meant, without opening any.
pub(super) fn find(choice: &Choice) -> Result<cpal::Device, CaptureError> {
    let host = host()?;
    if *choice == Choice::Default {
        return host.default_input_device().ok_or(CaptureError::NoInput);
    }
    let mut devices = listed(&host)?;
    let names: Vec<String> = devices.iter().map(name_of).collect();
    let none = |wanted: String| CaptureError::NoSuchInput {
        wanted,
        have: names.iter().zip(1..).map(|(name, number)| format!("{number} {name}")).collect(),
    };
    let index = match choice {
        Choice::Default => 0,
        Choice::Number(number) => number
            .checked_sub(1)
            .filter(|&index| index < devices.len())
            .ok_or_else(|| none(format!("number {number}")))?,
        Choice::Name(wanted) => match fitting(wanted, &names, &devices)[..] {
            [index] => index,
            [] => return Err(none(format!("`{wanted}`"))),
            ref several => {
                let fitting = several.iter().map(|&index| names[index].clone()).collect();
                return Err(CaptureError::Ambiguous { wanted: wanted.clone(), fitting });
            }
        },
    };
    Ok(devices.swap_remove(index))
}

/// The inputs that a name fits: the one that bears it, else those whose name or description holds it.
fn fitting(wanted: &str, names: &[String], devices: &[cpal::Device]) -> Vec<usize> {
    if let Some(index) = names.iter().position(|name| name == wanted) {
        return vec![index];
    }
    let part = wanted.trim().to_lowercase();
    let holds = |text: &str| !part.is_empty() && text.to_lowercase().contains(&part);
    (0..names.len()).filter(|&index| holds(&names[index]) || holds(&about(&devices[index]))).collect()
}

/// The system's name for a device: on Linux what ALSA calls it, elsewhere what the user sees.
pub(super) fn name_of(device: &cpal::Device) -> String {
    if cfg!(target_os = "linux") {
        device.id().map_or_else(|_| device.to_string(), |id| id.id().to_owned())
    } else {
        device.to_string()
    }
}

fn about(device: &cpal::Device) -> String {
    let Ok(description) = device.description() else { return String::new() };
    let lines: Vec<&str> = description.extended().collect();
    if lines.is_empty() { description.name().to_owned() } else { lines.join(": ") }
}

/// The devices that may record, the default first where the system does not list it. The one that ALSA lists even
/// without a card, `null`, gives silence as fast as one can take it: it is no input.
fn listed(host: &cpal::Host) -> Result<Vec<cpal::Device>, CaptureError> {
    let mut devices: Vec<_> = host
        .devices()
        .map_err(|e| CaptureError::NoSystem(plain(&e)))?
        .filter(|device| name_of(device) != "null")
        .filter(|device| device.description().is_ok_and(|d| d.direction() != DeviceDirection::Output))
        .collect();
    if let Some(default) = host.default_input_device()
        && !devices.iter().any(|device| name_of(device) == name_of(&default))
    {
        devices.insert(0, default);
    }
    Ok(devices)
}

/// A fresh way into the sound system. The library's own default panics on Linux where ALSA can't start.
fn host() -> Result<cpal::Host, CaptureError> {
    #[cfg(target_os = "linux")]
    {
        super::quiet::silence();
        cpal::host_from_id(cpal::HostId::Alsa).map_err(|e| CaptureError::NoSystem(plain(&e)))
    }
    #[cfg(not(target_os = "linux"))]
    Ok(cpal::default_host())
}
