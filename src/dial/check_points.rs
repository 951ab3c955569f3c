//! Check points: where a harmonic of the crystal meets a harmonic of the meter.

use super::book::BookPoint;
use super::meter::{Meter, Range};

/// One check point on a range.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckPoint {
    /// N, the crystal's harmonic.
    pub crystal_harmonic: u32,
    /// M, the meter's harmonic.
    pub meter_harmonic: u32,
    /// Where the book puts it.
    pub point: BookPoint,
    /// 1 for the loudest of the range.
    pub loudness_rank: usize,
    /// Another point of like loudness lies so near that the two are easily mistaken.
    pub too_close: bool,
}

impl CheckPoint {
    /// The fundamental, Hz.
    pub fn hertz(&self) -> f64 {
        self.point.hertz
    }

    /// Harmonics fade about as their order, so the product of the orders tells how faint the beat is.
    fn faintness(&self) -> u32 {
        self.crystal_harmonic * self.meter_harmonic
    }

    /// The beat of this point at another fundamental, Hz.
    fn beat_at(&self, hertz: f64) -> f64 {
        f64::from(self.meter_harmonic) * (hertz - self.hertz()).abs()
    }
}

/// Highest orders and highest product of orders that are still heard in the phones (common practice, no source).
const MOST_CRYSTAL_HARMONIC: u32 = 40;
const MOST_METER_HARMONIC: u32 = 12;
const MOST_FAINTNESS: u32 = 120;
/// Top of the phones' band, Hz: two points whose beats both lie below it sound at once.
const AUDIBLE_HZ: f64 = 3000.0;
/// Points nearer to each other than this share of their frequency may be taken for one another on an old meter, whose
/// book may be half of it off either way (common practice, no source).
const CONFUSED: f64 = 0.012;
/// A point fainter than this many times another does not confuse it (20 dB).
const MASKED: u32 = 10;

/// The check points of a range in the order of frequency: `f = N·f_crystal/M` in lowest terms.
pub fn check_points(meter: &Meter, range: &Range) -> Vec<CheckPoint> {
    let crystal = meter.crystal.actual_hz();
    let mut points: Vec<CheckPoint> = check_orders(crystal, range.from_hz, range.to_hz)
        .into_iter()
        .filter_map(|(n, m)| {
            let point = range.book.reading_of(f64::from(n) * crystal / f64::from(m))?;
            Some(CheckPoint {
                crystal_harmonic: n,
                meter_harmonic: m,
                point,
                loudness_rank: 0,
                too_close: false,
            })
        })
        .collect();
    for (place, point) in points.iter_mut().enumerate() {
        point.loudness_rank = place + 1;
    }
    points.sort_by(|a, b| a.hertz().total_cmp(&b.hertz()));
    let crowded: Vec<bool> = points
        .iter()
        .map(|point| {
            points.iter().any(|other| {
                other.loudness_rank != point.loudness_rank
                    && (other.beat_at(point.hertz()) < AUDIBLE_HZ
                        || (other.hertz() - point.hertz()).abs() < CONFUSED * point.hertz())
                    && other.faintness() <= MASKED * point.faintness()
            })
        })
        .collect();
    for (point, too_close) in points.iter_mut().zip(crowded) {
        point.too_close = too_close;
    }
    points
}

/// The orders (N, M) in lowest terms whose check points `N·crystal/M` lie in this span, Hz, and can be heard; the
/// loudest first.
pub fn check_orders(crystal_hz: f64, from_hz: f64, to_hz: f64) -> Vec<(u32, u32)> {
    let mut orders: Vec<(u32, u32)> = (1..=MOST_METER_HARMONIC)
        .flat_map(|m| (1..=MOST_CRYSTAL_HARMONIC.min(MOST_FAINTNESS / m)).map(move |n| (n, m)))
        .filter(|&(n, m)| {
            gcd(n, m) == 1 && (from_hz..=to_hz).contains(&(f64::from(n) * crystal_hz / f64::from(m)))
        })
        .collect();
    orders.sort_by_key(|&(n, m)| (n * m, n));
    orders
}

/// The nearest check points at or below and at or above a fundamental, those too close to others left out.
pub fn either_side(points: &[CheckPoint], hertz: f64) -> (Option<&CheckPoint>, Option<&CheckPoint>) {
    let clear = || points.iter().filter(|point| !point.too_close);
    (clear().rfind(|point| point.hertz() <= hertz), clear().find(|point| point.hertz() > hertz))
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dial::meter::tests::{PLAIN, plain_book, plain_load, plain_meter};

    #[test]
    fn the_points_of_a_500_khz_crystal() {
        let meter = plain_meter();
        let points = check_points(&meter, &meter.ranges[0]);
        let at = |n, m| points.iter().find(|p| (p.crystal_harmonic, p.meter_harmonic) == (n, m));
        // 500/2 = 250 kHz is the loudest, 90 × 10.01 div above the reading 100.
        let half = at(1, 2).unwrap();
        assert_eq!(half.loudness_rank, 1);
        assert!((half.point.reading - 1000.9).abs() < 1e-6);
        assert!(at(2, 4).is_none(), "only lowest terms");
        assert!(at(2, 3).is_none(), "333.3 kHz is off the range");
        assert!((at(3, 5).unwrap().hertz() - 300_000.0).abs() < 1e-6);
        assert!(points.windows(2).all(|pair| pair[0].hertz() < pair[1].hertz()));
        let (below, above) = either_side(&points, 240_000.0);
        assert!(below.unwrap().hertz() < 240_000.0 && above.unwrap().hertz() > 240_000.0);
    }

    /// With 160 kHz, 10/9 and 11/10 lie 1.0 % apart; with 500 kHz no two points of the range come nearer than 1.9 %.
    #[test]
    fn points_that_crowd_each_other_are_marked() {
        let meter = Meter::parse(&PLAIN.replace("500e3", "160e3"), "m", plain_load).unwrap();
        let points = check_points(&meter, &meter.ranges[0]);
        let close =
            |n, m| points.iter().any(|p| (p.crystal_harmonic, p.meter_harmonic) == (n, m) && p.too_close);
        assert!(close(10, 9) && close(11, 10) && !close(3, 2));
        let meter = plain_meter();
        assert!(check_points(&meter, &meter.ranges[0]).iter().all(|point| !point.too_close));
    }

    /// Common practice, no source: 3500 kHz on a 1 MHz crystal is the point 7/2.
    #[test]
    fn three_and_a_half_megahertz_is_seven_halves() {
        let text =
            PLAIN.replace("500e3", "1e6").replace("160_000", "3_400_000").replace("330_000", "3_600_000");
        let book = plain_book().lines().skip(1).fold("frequency_khz,reading\n".to_owned(), |text, line| {
            let (khz, reading) = line.split_once(',').unwrap();
            text + &format!("{},{reading}\n", khz.parse::<f64>().unwrap() + 3260.0)
        });
        let meter = Meter::parse(&text, "m", |name| Ok::<_, String>((name.into(), book.clone()))).unwrap();
        let points = check_points(&meter, &meter.ranges[0]);
        let loudest = points.iter().find(|point| point.loudness_rank == 1).unwrap();
        assert_eq!((loudest.crystal_harmonic, loudest.meter_harmonic), (7, 2));
        assert!((loudest.hertz() - 3.5e6).abs() < 1e-6);
    }
}
