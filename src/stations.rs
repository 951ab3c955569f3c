//! Standard-frequency and time stations: what they send, how well, and what is left of that after the way through the
//! ionosphere.
//!
//! Every row names its sources; schedules and powers change, and the operator's own page is the last word.

use serde::Serialize;

/// One station.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Station {
    /// Call sign.
    pub call: &'static str,
    /// Where it stands and who runs it.
    pub place: &'static str,
    /// Carriers, Hz.
    pub carriers_hz: &'static [f64],
    /// Audio tones that stand long enough to be measured, Hz; empty where the carrier alone serves.
    pub tones_hz: &'static [f64],
    /// The marks at the seconds.
    pub marks: &'static str,
    /// When it is silent or its tones are.
    pub quiet: &'static str,
    /// Relative accuracy of the carriers as sent; null where no source states it.
    pub sent_accuracy: Option<f64>,
    /// Where all this is from.
    pub source: &'static str,
}

/// The stations, those with tones first.
pub const STATIONS: &[Station] = &[
    Station {
        call: "WWV",
        place: "Fort Collins, Colorado, USA (NIST)",
        carriers_hz: &[2.5e6, 5e6, 10e6, 15e6, 20e6],
        tones_hz: &[440.0, 500.0, 600.0],
        marks: "5 ms of 1000 Hz each second but 29 and 59; minute: 800 ms",
        quiet: "tones off 10 ms before to 30 ms after each second, in s 45 to 60, and in the minutes of announcements",
        sent_accuracy: Some(1e-12),
        source: "15 CFR 200.107 (carriers, voice); NAVEDTRA 14193, Table 3-1 (accuracy, pulses, tones); guard and \
                 schedule: D. L. Mills, NTP driver 36, quoting NIST SP 432 (1990)",
    },
    Station {
        call: "WWVH",
        place: "Kauai, Hawaii, USA (NIST)",
        carriers_hz: &[2.5e6, 5e6, 10e6, 15e6],
        tones_hz: &[440.0, 500.0, 600.0],
        marks: "5 ms of 1200 Hz each second but 29 and 59; minute: 800 ms",
        quiet: "tones off 10 ms before to 30 ms after each second, in s 45 to 60, and in the minutes of announcements",
        sent_accuracy: Some(1e-12),
        source: "15 CFR 200.107 (carriers, voice); NAVEDTRA 14193, Table 3-1 (accuracy, pulses, tones); guard and \
                 schedule: D. L. Mills, NTP driver 36, quoting NIST SP 432 (1990)",
    },
    Station {
        call: "CHU",
        place: "Ottawa, Canada (NRC)",
        carriers_hz: &[3.33e6, 7.85e6, 14.67e6],
        tones_hz: &[1000.0],
        marks: "300 ms of 1000 Hz each second (500 ms at s 0), shorter with data in s 31 to 39",
        quiet: "no mark in s 29; voice in s 51 to 59; between the marks",
        sent_accuracy: Some(5e-12),
        source: "NRC's page on its short-wave broadcasts, as quoted 2011 (accuracy) and by NGA Pub. 117 data (marks); \
                 D. L. Mills, NTP driver 7 (data); upper sideband with full carrier",
    },
    Station {
        call: "BPM",
        place: "Lintong, Shaanxi, China",
        carriers_hz: &[2.5e6, 5e6, 10e6, 15e6],
        tones_hz: &[],
        marks: "not listed here",
        quiet: "not listed here",
        sent_accuracy: None,
        source: "a printed list of standard-frequency transmissions, as quoted (carriers only)",
    },
    Station {
        call: "HLA",
        place: "Taejon, Korea (KRISS)",
        carriers_hz: &[5e6],
        tones_hz: &[],
        marks: "not listed here",
        quiet: "not listed here",
        sent_accuracy: None,
        source: "a printed list of standard-frequency transmissions, as quoted (carrier only)",
    },
    Station {
        call: "DCF77",
        place: "Mainflingen, Germany (PTB)",
        carriers_hz: &[77.5e3],
        tones_hz: &[],
        marks: "carrier lowered at each second",
        quiet: "no lowering in s 59",
        sent_accuracy: None,
        source: "a printed list of standard-frequency transmissions, as quoted (carrier); marks from memory",
    },
    Station {
        call: "MSF",
        place: "United Kingdom (NPL)",
        carriers_hz: &[60e3],
        tones_hz: &[],
        marks: "carrier off at each second",
        quiet: "not listed here",
        sent_accuracy: Some(2e-12),
        source: "the operator's figure, as quoted by an experimenter's page (accuracy); a printed list (carrier)",
    },
    Station {
        call: "WWVB",
        place: "Fort Collins, Colorado, USA (NIST)",
        carriers_hz: &[60e3],
        tones_hz: &[],
        marks: "carrier lowered at each second",
        quiet: "not listed here",
        sent_accuracy: None,
        source: "NIST SP 432 (2002), as quoted (carrier)",
    },
];

/// What the way through the ionosphere leaves of a carrier's accuracy: a standard uncertainty, relative, 1e-6.
///
/// Reflecting layers rise and sink, and a path that gets longer lowers the frequency. Half a hertz on 10 MHz, 0.05 ppm,
/// was measured about sunrise and sunset over 1771 km, a tenth of a hertz at quieter hours ("HF Signal Propagation and
/// Frequency Accuracy", febo.com). It is common to all that is heard in one session.
pub const HF_PATH_U_PPM: f64 = 0.05;

/// How far the delay of the path may change while one listens, half-width, s. 0.3 ms in a day were seen over 2479 km
/// (D. L. Mills, NTP driver 36, on a steady path); a change of the reflecting layer makes half a millisecond at once
/// (common practice, no source).
pub const PATH_DELAY_S: f64 = 0.5e-3;

/// The reason for [`HF_PATH_U_PPM`], for people.
pub const HF_PATH_REASON: &str = "as received over HF: the ionosphere moves the carrier by up to half a hertz at \
                                  10 MHz about sunrise and sunset (0.05 ppm), whatever the transmitter's accuracy";

/// Limits of the band in which carriers come by the ionosphere, Hz.
const HF_HZ: std::ops::RangeInclusive<f64> = 1.6e6..=30e6;

impl Station {
    /// The station of that call sign, in any case of letters.
    pub fn by_call(call: &str) -> Option<&'static Self> {
        STATIONS.iter().find(|station| station.call.eq_ignore_ascii_case(call.trim()))
    }

    /// Whether it sends this tone.
    pub fn sends_tone(&self, hertz: f64) -> bool {
        self.tones_hz.iter().any(|tone| (tone - hertz).abs() < 1e-6)
    }
}

/// Stations that send this carrier.
pub fn on_carrier(hertz: f64) -> impl Iterator<Item = &'static Station> {
    let same = move |carrier: &f64| (carrier - hertz).abs() < 1e-6 * hertz;
    STATIONS.iter().filter(move |station| station.carriers_hz.iter().any(same))
}

/// Standard uncertainty of a carrier as received, ppm; `None` outside the HF bands, where another path is taken and
/// nothing is stated here.
pub fn received_u_ppm(carrier_hz: f64) -> Option<f64> {
    HF_HZ.contains(&carrier_hz).then_some(HF_PATH_U_PPM)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 15 CFR 200.107: 2.5, 5, 10, 15 and 20 MHz from Fort Collins, the first four from Kauai. NRC: 3330, 7850 and
    /// 14670 kHz.
    #[test]
    fn carriers_are_the_published_ones() {
        let calls = |hertz| on_carrier(hertz).map(|s| s.call).collect::<Vec<_>>();
        assert_eq!(calls(20e6), ["WWV"]);
        assert_eq!(calls(2.5e6), ["WWV", "WWVH", "BPM"]);
        for chu in [3.33e6, 7.85e6, 14.67e6] {
            assert_eq!(calls(chu), ["CHU"]);
        }
        assert!(calls(7.335e6).is_empty(), "left at the end of 2008");
    }

    /// Half a hertz of 10 MHz is 5e-8 (febo.com, as above).
    #[test]
    fn what_is_received_is_worse_than_what_is_sent() {
        assert!((received_u_ppm(10e6).unwrap() * 1e-6 * 10e6 - 0.5).abs() < 1e-12);
        for station in STATIONS {
            assert!(station.sent_accuracy.is_none_or(|sent| sent < 1e-3 * HF_PATH_U_PPM * 1e-6));
            assert!(!station.source.is_empty());
        }
        assert_eq!(received_u_ppm(60e3), None);
    }

    #[test]
    fn a_station_is_found_by_its_call_and_knows_its_tones() {
        let wwv = Station::by_call("wwv").unwrap();
        assert!(wwv.sends_tone(600.0) && !wwv.sends_tone(1000.0));
        assert!(Station::by_call("XYZ").is_none());
    }
}
