//! A series of values as a file holds it: `value`, or `time_s,value`, one row for each mark.

use crate::dial::LONGEST;
use crate::heard::Warning;
use crate::quantity::short;

/// What the values are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Kind {
    /// Mean frequency over the interval that begins at the mark: a fraction, or Hz where a nominal frequency is given.
    #[default]
    Frequency,
    /// Phase at the mark: s, or cycles where a nominal frequency is given.
    Phase,
}

/// A series ready for use.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    /// Time between marks, s.
    pub tau0_s: f64,
    /// Mean frequencies between marks; `None` is a gap.
    pub frequency: Vec<Option<f64>>,
    /// Phases, where the series came as such.
    pub phase: Option<Vec<Option<f64>>>,
    /// The nominal frequency that fractions are of, Hz.
    pub nominal_hz: Option<f64>,
    /// Values are in Hz.
    pub in_hertz: bool,
    /// First mark, s.
    pub from_s: f64,
    /// What is doubtful already.
    pub warnings: Vec<Warning>,
}

/// What is wrong with a series' file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}: {}; hint: {hint}", short(what, LONGEST))]
pub struct SeriesError {
    /// The file.
    pub file: String,
    /// The line, counted from 1.
    pub line: usize,
    /// What was found.
    pub what: String,
    /// What to do.
    pub hint: String,
}

/// A time is on its mark within this share of tau0.
const ON_MARK: f64 = 0.1;
/// No frequency, fraction or phase is larger; the squares of larger ones leave what a number can hold.
const LARGEST: f64 = 1e15;
/// So many marks may be left out in all: more than five days at one to the second. They take memory as rows do.
const MOST_LEFT_OUT: f64 = 5e5;

impl Series {
    /// Reads a series. With a nominal frequency, frequencies are in Hz (absolute, or offsets from it) and phases in
    /// cycles; without, fractions and seconds. A value `nan`, an empty one after a time, and marks left out are gaps.
    ///
    /// # Errors
    /// A line that is none, times off the marks or out of order.
    pub fn parse(
        text: &str,
        file: &str,
        tau0_s: f64,
        kind: Kind,
        nominal_hz: Option<f64>,
    ) -> Result<Self, SeriesError> {
        let fault = |line: usize, what: String, hint: &str| SeriesError {
            file: file.to_owned(),
            line,
            what,
            hint: hint.to_owned(),
        };
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut rows = text
            .lines()
            .zip(1..)
            .map(|(text, line)| (text.trim(), line))
            .filter(|(text, _)| !text.is_empty() && !text.starts_with('#'));
        let (header, line) = rows.next().unwrap_or(("", 1));
        let timed = match header.split(',').map(str::trim).collect::<Vec<_>>().as_slice() {
            ["value"] => false,
            ["time_s", "value"] => true,
            _ => {
                let what = format!("`{header}` is not the header of a series");
                return Err(fault(line, what, "begin with the line `value` or `time_s,value`"));
            }
        };
        let mut values: Vec<Option<f64>> = Vec::new();
        let mut from_s = 0.0;
        for (given, (text, line)) in rows.enumerate() {
            let (time, value) = match text.split_once(',') {
                Some((time, value)) if timed => (Some(time.trim()), value.trim()),
                None if !timed => (None, text),
                _ => {
                    return Err(fault(
                        line,
                        format!("`{text}` is not a row"),
                        "as many fields as the header",
                    ));
                }
            };
            let value = match value {
                "" | "nan" | "NaN" => None,
                number => match number.parse::<f64>() {
                    Ok(number) if number.abs() <= LARGEST => Some(number),
                    Ok(number) if number.is_finite() => {
                        let what = format!("{number:e} is larger than anything measured");
                        return Err(fault(line, what, "look for a slip of typing; at most 1e15 is taken"));
                    }
                    _ => {
                        return Err(fault(
                            line,
                            format!("`{number}` is not a value"),
                            "a number, or nan for a gap",
                        ));
                    }
                },
            };
            if let Some(time) = time {
                let at: f64 =
                    time.parse().ok().filter(|at: &f64| at.is_finite()).ok_or_else(|| {
                        fault(line, format!("`{time}` is not a time"), "seconds, such as 12.5")
                    })?;
                if values.is_empty() {
                    from_s = at;
                }
                let mark = (at - from_s) / tau0_s;
                let nearest = mark.round();
                if nearest < values.len() as f64 {
                    return Err(fault(
                        line,
                        format!("{at} s is out of order"),
                        "times ascend by tau0 or multiples of it",
                    ));
                }
                if (mark - nearest).abs() > ON_MARK {
                    let what = format!("{at} s is off the marks, which are {tau0_s} s apart");
                    return Err(fault(line, what, "state the series' own --tau0"));
                }
                if nearest - given as f64 > MOST_LEFT_OUT {
                    let what = format!("{at} s leaves more than {MOST_LEFT_OUT} marks out, {tau0_s} s apart");
                    return Err(fault(line, what, "cut the series at its gaps, or state its own --tau0"));
                }
                values.resize(nearest as usize, None);
            }
            values.push(value);
        }
        Ok(Self::from_values(values, tau0_s, from_s, kind, nominal_hz))
    }

    fn from_values(
        mut values: Vec<Option<f64>>,
        tau0_s: f64,
        from_s: f64,
        kind: Kind,
        nominal_hz: Option<f64>,
    ) -> Self {
        if let Some(nominal) = nominal_hz {
            // A frequency near the nominal one is absolute, else it is an offset from it.
            let largest = values.iter().flatten().fold(0.0f64, |most, value| most.max(value.abs()));
            let absolute = kind == Kind::Frequency && largest > nominal / 2.0;
            for value in values.iter_mut().flatten() {
                *value = (*value - if absolute { nominal } else { 0.0 }) / nominal;
            }
        }
        let series = Self { tau0_s, nominal_hz, from_s, ..Self::default() };
        match kind {
            Kind::Frequency => Self { frequency: values, ..series },
            Kind::Phase => {
                let frequency = values
                    .windows(2)
                    .map(|pair| pair[0].zip(pair[1]).map(|(a, b)| (b - a) / tau0_s))
                    .collect();
                Self { frequency, phase: Some(values), ..series }
            }
        }
    }

    /// The values with their instants (the middle of each interval), gaps left out.
    pub fn timed(&self) -> Vec<(f64, f64)> {
        let at = |i: usize| self.from_s + (i as f64 + 0.5) * self.tau0_s;
        self.frequency.iter().enumerate().filter_map(|(i, value)| Some((at(i), (*value)?))).collect()
    }

    /// Values that are missing.
    pub fn gaps(&self) -> usize {
        self.frequency.iter().filter(|value| value.is_none()).count()
    }

    /// The unit of the values.
    pub fn unit(&self) -> &'static str {
        if self.in_hertz { "Hz" } else { "fraction" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str, kind: Kind, nominal: Option<f64>) -> Result<Series, String> {
        Series::parse(text, "s.csv", 2.0, kind, nominal).map_err(|error| error.to_string())
    }

    #[test]
    fn both_shapes_are_read_and_gaps_are_kept() {
        let series = parsed("# bench\nvalue\n1e-6\nnan\n2e-6\n", Kind::Frequency, None).unwrap();
        assert_eq!((series.gaps(), series.timed()), (1, vec![(1.0, 1e-6), (5.0, 2e-6)]));
        let series = parsed("time_s,value\n10,1\n12,\n18,3\n", Kind::Frequency, None).unwrap();
        assert_eq!(series.frequency, [Some(1.0), None, None, None, Some(3.0)]);
        assert!((series.timed()[1].0 - 19.0).abs() < 1e-12);
    }

    /// 3725 kHz and 3.725 Hz more is a part in a million; half a cycle in 2 s is a quarter of a hertz.
    #[test]
    fn with_a_nominal_frequency_values_are_in_hertz_and_cycles() {
        let series = parsed("value\n3725000\n3725003.725\n", Kind::Frequency, Some(3.725e6)).unwrap();
        assert!((series.frequency[1].unwrap() - 1e-6).abs() < 1e-15 && series.frequency[0] == Some(0.0));
        let series = parsed("value\n0\n0.5\n", Kind::Phase, Some(1e6)).unwrap();
        assert!((series.frequency[0].unwrap() - 0.25e-6).abs() < 1e-18);
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        for (text, part) in [
            ("time,value\n", "s.csv:1: `time,value` is not the header"),
            ("value\n1\nx\n", "s.csv:3: `x` is not a value"),
            ("time_s,value\n0,1\n2\n", "s.csv:3: `2` is not a row"),
            ("time_s,value\n0,1\n3,1\n", "s.csv:3: 3 s is off the marks"),
            ("time_s,value\n4,1\n2,1\n", "s.csv:3: 2 s is out of order"),
            ("time_s,value\n0,1\n2e6,1\n", "s.csv:3: 2000000 s leaves more than 500000 marks out"),
            ("", "s.csv:1"),
        ] {
            let told = parsed(text, Kind::Frequency, None).unwrap_err();
            assert!(told.contains(part) && told.contains("; hint: "), "{told}");
        }
    }
}
