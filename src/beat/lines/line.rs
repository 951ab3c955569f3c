//! One line: a filter of its frequency and rate, and how long it is waited for.

use super::{Seen, View};
use crate::beat::path::{self, Path};
use crate::beat::{low, under};
use crate::spectrum::Peak;

/// A line.
#[derive(Debug, Clone)]
pub struct Line {
    pub id: u32,
    pub seen: Seen,
    pub born_s: f64,
    pub last_seen_s: f64,
    pub hits: u32,
    pub(super) misses: u32,
    /// Signed frequency now, Hz.
    pub b: f64,
    /// Rate, Hz/s.
    pub r: f64,
    pub(super) p: [f64; 3],
    pub(super) now_s: f64,
    /// Squared amplitude, smoothed.
    pub power: f64,
    pub snr: f64,
    /// Signed frequency and rate when last seen.
    pub(super) seen_state: (f64, f64),
    pub path: Path,
}

/// Sightings that make a line one.
pub(super) const CONFIRMED: u32 = 3;

/// Below this a short frame's peak and its mirror image run into each other, Hz.
pub const SHORT_LOWEST_HZ: f64 = 26.0;
/// Down to here a short frame's peak may still be a known line's, Hz.
pub(super) const SHORT_EDGE_HZ: f64 = 0.6 * SHORT_LOWEST_HZ;
/// The span about zero in which a line may be unheard for longer and still be the same, Hz.
const NEAR_ZERO_HZ: f64 = 45.0;
/// The span about zero in which what rides beside a note at mains frequency crosses it, Hz.
const ABOUT_ZERO_HZ: f64 = 60.0;
/// How long a line that went there may go unseen, s, and how soon its rate dies away meanwhile, s.
const UNDER_PATIENCE_S: f64 = 6.5;
const UNDER_S: f64 = 0.6;

/// What moves more slowly stands, Hz/s. What is heard above so many times its frequency and is softer by so much, in power, are
/// its harmonics: the note itself would not have become softer on its way up.
const STANDS_HZ_S: f64 = 8.0;
const ABOVE: f64 = 1.5;
const SOFTER: f64 = 0.6;

impl Line {
    pub(super) fn born(id: u32, peak: &Peak, view: &View) -> Self {
        let spread = if view.seen == Seen::Short { 500.0 } else { 3.0 / view.length_s };
        let d = view.state_s() - view.middle_s();
        let doubt = spread * spread;
        let mut line = Self {
            id,
            seen: view.seen,
            born_s: view.end_s - view.length_s,
            last_seen_s: view.end_s,
            hits: 1,
            misses: 0,
            b: peak.frequency_hz,
            r: 0.0,
            p: [peak_variance(peak, view, 0.0) + doubt * d * d, doubt * d, doubt],
            now_s: view.state_s(),
            power: peak.power,
            snr: peak.snr,
            seen_state: (peak.frequency_hz, 0.0),
            path: Path::default(),
        };
        line.path.see(view.middle_s(), peak.frequency_hz, line.p[0].sqrt(), peak.power, view.seen);
        line
    }

    /// Takes a peak of a frame so long that the line was heard for all of it: one look confirms it.
    pub(super) fn heard_throughout(&mut self, peak: &Peak, view: &View) {
        self.hits = CONFIRMED;
        for part in [-0.35, 0.35] {
            let at_s = view.middle_s() + part * view.length_s;
            self.path.see(at_s, peak.frequency_hz, self.p[0].sqrt(), peak.power, view.seen);
        }
    }

    /// Whether the line has been seen often enough to be one.
    pub fn confirmed(&self) -> bool {
        self.hits >= CONFIRMED
    }

    /// |b| expected at `at_s` and the standard deviation of that.
    pub(super) fn expected(&self, at_s: f64) -> (f64, f64) {
        let dt = at_s - self.now_s;
        let variance = self.p[0] + 2.0 * self.p[1] * dt + self.p[2] * dt * dt;
        (self.b + self.r * dt, variance.max(0.0).sqrt())
    }

    pub(super) fn advance(&mut self, to_s: f64) {
        let dt = to_s - self.now_s;
        if dt <= 0.0 {
            return;
        }
        // Acceleration, Hz/s² over a tenth of a second: small at rest, of the order of the speed in a move.
        let jerk = match self.seen {
            Seen::Short => 25.0 + 4.0 * self.r.abs().min(2000.0),
            Seen::Medium => 4.0,
            Seen::Long => 0.3,
        };
        let q = jerk * jerk * 0.1;
        self.b += self.r * dt;
        if self.went_under() && to_s - self.last_seen_s > 0.25 {
            // A hand near zero slows down: unheard, the note is more likely there than through and away.
            let slower = (-dt / UNDER_S).exp();
            self.r *= slower;
        }
        let [a, b, c] = self.p;
        self.p = [
            a + 2.0 * b * dt + c * dt * dt + q * dt.powi(3) / 3.0,
            b + c * dt + q * dt * dt / 2.0,
            c + q * dt,
        ];
        // No hand is faster than this.
        self.p[2] = self.p[2].min(3000.0 * 3000.0);
        self.now_s = to_s;
    }

    /// How well a peak agrees: distance in standard deviations of the gate, sign of b that it is taken with; `None`
    /// outside the gate.
    pub(super) fn agreement(&self, peak: &Peak, view: &View) -> Option<(f64, f64)> {
        let (expected, spread) = self.expected(view.middle_s());
        let blind = view.end_s - self.last_seen_s;
        // A hand may have begun to move since: half of 1500 Hz/s² times the square of the time not seen.
        let surprise = match view.seen {
            Seen::Short => 750.0 * blind * blind + 6.0,
            Seen::Medium => 3.0,
            Seen::Long => 0.8,
        };
        if view.seen == Seen::Short && self.has_harmonic(peak) {
            return None;
        }
        let gate = (3.0 * spread).min(150.0).hypot(surprise.min(80.0));
        // A note that went under is waited for near zero only: elsewhere anything might be taken for it.
        if blind > 0.4 && self.went_under() && peak.frequency_hz > 2.0 * NEAR_ZERO_HZ + 0.3 * self.r.abs() {
            return None;
        }
        // What is far softer there than the note was when it went past is not the note.
        let passed = || path::passed(self.path.outline(), peak.frequency_hz);
        if blind > 0.4
            && self.went_under()
            && view.seen != Seen::Long
            && passed().is_some_and(|power| peak.power < under::FAR_SOFTER * power)
        {
            return None;
        }
        if view.seen == Seen::Short && self.is_near_zero() {
            let (least, most) = self.path.loudness_at(peak.frequency_hz);
            let moves = self.seen_state.1.abs() > STANDS_HZ_S;
            if peak.power > most || moves && peak.power < least {
                return None;
            }
        }
        [1.0, -1.0]
            .into_iter()
            .map(|sign| ((sign * peak.frequency_hz - expected).abs() / gate, sign))
            .filter(|(d, _)| *d <= 1.0)
            .min_by(|x, y| x.0.total_cmp(&y.0))
    }

    /// Whether the line was last seen about zero, where what rides beside a note crosses it.
    fn is_near_zero(&self) -> bool {
        let (b, r) = self.seen_state;
        self.path.travelled() && b.abs() < ABOUT_ZERO_HZ + 0.25 * r.abs()
    }

    /// Whether a short frame's peak is of the harmonics of the line, which stands so low that only longer frames see it and that
    /// a short one does not resolve them.
    fn has_harmonic(&self, peak: &Peak) -> bool {
        let (b, f) = (self.b.abs(), peak.frequency_hz);
        let run_together = b < SHORT_EDGE_HZ && f < SHORT_LOWEST_HZ;
        b < SHORT_LOWEST_HZ
            && self.r.abs() < STANDS_HZ_S
            && (run_together || f > ABOVE * b && peak.power < SOFTER * self.power)
    }

    pub(super) fn update(&mut self, peak: &Peak, sign: f64, view: &View) {
        let variance = peak_variance(peak, view, self.r);
        let d = view.state_s() - view.middle_s();
        let nu = sign * peak.frequency_hz - (self.b - self.r * d);
        let [a, b, c] = self.p;
        // H = [1, −d]
        let (ph0, ph1) = (a - b * d, b - c * d);
        let mut s = ph0 - ph1 * d + variance;
        if nu * nu > 9.0 * s && view.seen == Seen::Short {
            // The hand did more than expected: believe the peak, doubt the rate.
            // A push that explains the step over a tenth of a second: its marks on b and r go together.
            let push = nu * nu / 0.01;
            self.p = [a + push * 0.01, b + push * 0.1, c + push];
            let [a, b, c] = self.p;
            let (ph0, ph1) = (a - b * d, b - c * d);
            s = ph0 - ph1 * d + variance;
            self.gain(ph0 / s, ph1 / s, ph0, ph1, nu);
        } else {
            self.gain(ph0 / s, ph1 / s, ph0, ph1, nu);
        }
        self.hits += 1;
        self.misses = 0;
        self.last_seen_s = view.end_s;
        self.seen_state = (self.b, self.r);
        if view.seen < self.seen {
            self.seen = view.seen;
        }
        let weight = if view.seen == Seen::Short { 0.3 } else { 0.5 };
        self.power += weight * (peak.power - self.power);
        self.snr = peak.snr;
        self.path.see(view.middle_s(), sign * peak.frequency_hz, variance.sqrt(), peak.power, view.seen);
    }

    fn gain(&mut self, k0: f64, k1: f64, ph0: f64, ph1: f64, nu: f64) {
        self.b += k0 * nu;
        self.r += k1 * nu;
        let [a, b, c] = self.p;
        self.p = [(a - k0 * ph0).max(1e-12), b - k0 * ph1, (c - k1 * ph1).max(1e-12)];
        self.r = self.r.clamp(-4000.0, 4000.0);
    }

    /// Whether a frame is too long for what the line does to show where it is.
    pub(super) fn outruns(&self, view: &View) -> bool {
        let fastest = match view.seen {
            Seen::Short => return false,
            Seen::Medium => 10.0,
            Seen::Long => 1.5,
        };
        self.r.abs() > fastest || self.had_left(view) || self.had_moved(view)
    }

    /// Whether a longer frame shows a loud line only because it stood there in the frame's first part: the short frames have
    /// just lost it, before that frame's middle.
    fn had_left(&self, view: &View) -> bool {
        const LOUD: f64 = 100.0;
        let last_short = self.path.recent().rev().find(|p| p.seen == Seen::Short);
        let ago_s = last_short.map_or(f64::INFINITY, |p| view.middle_s() - p.at_s);
        self.snr > LOUD && (0.04..view.length_s.min(0.7)).contains(&ago_s)
    }

    /// Whether a longer frame began while the line was still somewhere else: what it shows is neither there nor here.
    fn had_moved(&self, view: &View) -> bool {
        // The window hides the first part.
        let then = self.path.at(view.end_s - 0.8 * view.length_s, 0.3);
        then.is_some_and(|p| (p.b.abs() - self.b.abs()).abs() > 3.0 / view.length_s)
    }

    /// Standard deviation of b now, Hz.
    pub fn b_u(&self) -> f64 {
        self.p[0].sqrt()
    }

    /// How long the line may go unseen, s.
    fn patience(&self) -> f64 {
        let moved = self.path.travelled();
        match self.seen {
            _ if !self.confirmed() => match self.seen {
                Seen::Short => 0.2,
                Seen::Medium => 0.35,
                Seen::Long => 1.1,
            },
            _ if moved && self.went_under() => UNDER_PATIENCE_S,
            Seen::Short => 0.7,
            Seen::Medium => 1.0,
            Seen::Long => 2.6,
        }
    }

    /// Whether the line was last seen where a short frame loses it, or about to go there.
    pub fn went_under(&self) -> bool {
        let (b, r) = self.seen_state;
        self.path.travelled()
            && self.path.lowest_hz() < NEAR_ZERO_HZ + 0.1 * r.abs()
            && b.abs() < NEAR_ZERO_HZ + 0.25 * r.abs()
            && (b.abs() < low::HIGHEST_HZ || b * r < 0.0)
    }

    /// Since when the line has been below what the frames resolve, s.
    pub fn went_low_s(&self) -> f64 {
        let last_above = self.path.recent().rev().find(|p| p.b.abs() > low::HIGHEST_HZ);
        last_above.map_or(self.born_s, |p| p.at_s)
    }

    /// Takes a low note found at rest for this line: the hand has stopped.
    pub fn take_low(&mut self, peak: &Peak, now_s: f64, length_s: f64) {
        // The sign it had when last seen: whether it has passed zero since, nobody heard.
        let sign = if self.seen_state.0 < 0.0 { -1.0 } else { 1.0 };
        self.b = sign * peak.frequency_hz;
        self.r = 0.0;
        self.p = [0.25, 0.0, 1.0];
        self.power = peak.power;
        self.snr = peak.snr;
        self.hits += 1;
        self.last_seen_s = now_s;
        self.seen_state = (self.b, 0.0);
        self.path.see(now_s - length_s / 2.0, self.b, 0.3 / length_s, peak.power, Seen::Long);
        self.path.was_at(peak.frequency_hz);
    }

    /// The passage at `at_s` was none: what came after has the sign it had before.
    pub fn turn_back(&mut self, at_s: f64) {
        self.b = -self.b;
        self.r = -self.r;
        self.path.turn_back(at_s);
    }

    pub(super) fn over(&self, now_s: f64) -> bool {
        now_s - self.last_seen_s > self.patience()
    }
}

/// Variance of a peak's frequency, Hz².
fn peak_variance(peak: &Peak, view: &View, rate: f64) -> f64 {
    let bound = crate::estimate::tone_bound_hz((peak.snr * view.enbw_hz).max(1e-9), view.length_s);
    // A Hann window costs a factor 2.34 in variance; a slide's curvature moves the peak by a little of its width.
    let bend = match view.seen {
        Seen::Short => 0.05 + 0.002 * rate.abs(),
        Seen::Medium => 0.02 + 0.05 * rate.abs() * view.length_s,
        Seen::Long => 0.01 + 0.1 * rate.abs() * view.length_s,
    };
    2.34 * bound * bound + bend * bend
}
