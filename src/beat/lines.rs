//! Lines: everything in the spectrum that lasts, each followed by a filter of its own.
//!
//! # Derivation
//!
//! A line's state is its signed frequency b (Hz) and its rate r (Hz/s) in the middle of the newest short frame. Over a
//! hop the hand may change the rate: db = r·dt, dr = white acceleration whose spread grows with the speed already
//! there (a resting hand is quiet, a moving one jerks). A short frame observes b itself; a longer one that ends at the
//! same sample has its middle d earlier and observes b − r·d, which for the slow lines it is asked about is as good.
//! The variance is what the Cramér–Rao bound gives a peak of its signal-to-noise ratio, widened by the slide. The sign of b is the line's own: it was + when the line
//! was born, and the rate keeps its sign through zero, so a line that coasts through zero comes out with b < 0.
//!
//! # Assumptions and weak points
//!
//! * One peak per line and frame: two lines closer than a frame's resolution are seen as one; the moving one coasts.
//! * The hand is a filter with one speed of change: a dial that is spun at more than 3 kHz/s is lost and found again.
//! * Births need three sightings, so a note shorter than 0.2 s is no line.
//! * Crossing and turning back within the deaf span differ only by what comes before and after
//!   (see [`super::passage`]).

use super::path::{Path, Point};
use crate::spectrum::Peak;

/// Which kind of frame saw a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// Short frames: a strong line, at rest or moving.
    Short,
    /// Medium frames only.
    Medium,
    /// Long frames only: a weak standing line.
    Long,
}

/// One frame's view: where its middle lies and how well it sees.
#[derive(Debug, Clone, Copy)]
pub struct View {
    pub seen: Seen,
    /// End of the frame, s.
    pub end_s: f64,
    /// Length of the frame, s.
    pub length_s: f64,
    /// Equivalent noise bandwidth of a bin, Hz.
    pub enbw_hz: f64,
}

impl View {
    /// Middle of the frame, s.
    fn middle_s(&self) -> f64 {
        self.end_s - self.length_s / 2.0
    }

    /// Middle of the short frame that ends with this one, s: the instant that the lines' states are for.
    fn state_s(&self) -> f64 {
        self.end_s - super::SHORT_S / 2.0
    }
}

/// A line.
#[derive(Debug, Clone)]
pub struct Line {
    pub id: u32,
    pub seen: Seen,
    pub born_s: f64,
    pub last_seen_s: f64,
    pub hits: u32,
    misses: u32,
    /// Signed frequency now, Hz.
    pub b: f64,
    /// Rate, Hz/s.
    pub r: f64,
    p: [f64; 3],
    now_s: f64,
    /// Squared amplitude, smoothed.
    pub power: f64,
    pub snr: f64,
    /// Signed frequency and rate when last seen.
    seen_state: (f64, f64),
    pub path: Path,
}

/// Sightings that make a line one.
const CONFIRMED: u32 = 3;

/// Below this a short frame's peak and its mirror image run into each other, Hz.
pub const SHORT_LOWEST_HZ: f64 = 26.0;
/// Down to here a short frame's peak may still be a known line's, Hz.
const SHORT_EDGE_HZ: f64 = 0.6 * SHORT_LOWEST_HZ;
/// The span about zero in which a line may be unheard for longer and still be the same, Hz.
const NEAR_ZERO_HZ: f64 = 45.0;
/// How long a line that went there may go unseen, s, and how soon its rate dies away meanwhile, s.
const UNDER_PATIENCE_S: f64 = 6.5;
const UNDER_S: f64 = 0.6;

/// What moves more slowly stands, Hz/s. What is heard above so many times its frequency and is softer by so much, in power, are
/// its harmonics: the note itself would not have become softer on its way up.
const STANDS_HZ_S: f64 = 8.0;
const ABOVE: f64 = 1.5;
const SOFTER: f64 = 0.6;

/// Harmonics by which a line that comes out of zero may be caught, and how long after it, s; how fast the note runs then at
/// least, Hz/s.
const HARMONICS: [f64; 4] = [2.0, 3.0, 4.0, 5.0];
const EMERGED_S: f64 = 1.0;
const RUNS_HZ_S: f64 = 40.0;
/// How far it may be from a harmonic: Hz, and parts; and its rate: Hz/s, and parts.
const HARMONIC_OFF: (f64, f64) = (1.5, 0.015);
const HARMONIC_RATE_OFF: (f64, f64) = (60.0, 0.25);
/// How loud a sideband may be, of its note, in power.
const SIDEBAND: f64 = 0.35;
/// A note is this loud, of the loudest line that runs into zero with it, in power.
const AS_LOUD: f64 = 0.1;

impl Line {
    fn born(id: u32, peak: &Peak, view: &View) -> Self {
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
    fn heard_throughout(&mut self, peak: &Peak, view: &View) {
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
    fn expected(&self, at_s: f64) -> (f64, f64) {
        let dt = at_s - self.now_s;
        let variance = self.p[0] + 2.0 * self.p[1] * dt + self.p[2] * dt * dt;
        (self.b + self.r * dt, variance.max(0.0).sqrt())
    }

    fn advance(&mut self, to_s: f64) {
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
    fn agreement(&self, peak: &Peak, view: &View) -> Option<(f64, f64)> {
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
        [1.0, -1.0]
            .into_iter()
            .map(|sign| ((sign * peak.frequency_hz - expected).abs() / gate, sign))
            .filter(|(d, _)| *d <= 1.0)
            .min_by(|x, y| x.0.total_cmp(&y.0))
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

    fn update(&mut self, peak: &Peak, sign: f64, view: &View) {
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
    fn outruns(&self, view: &View) -> bool {
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
            && (b.abs() < super::low::HIGHEST_HZ || b * r < 0.0)
    }

    /// Since when the line has been below what the frames resolve, s.
    pub fn went_low_s(&self) -> f64 {
        let last_above = self.path.recent().rev().find(|p| p.b.abs() > super::low::HIGHEST_HZ);
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

    /// Goes on after `into`, its own last sighting on the way into zero, on the other side of that and as what another line has
    /// been since `since_s`.
    fn goes_on_as(&mut self, other: &Self, into: &Point, since_s: f64) {
        let sign = -into.b.signum() * other.b.signum();
        (self.b, self.r, self.p, self.now_s) = (sign * other.b, sign * other.r, other.p, other.now_s);
        (self.power, self.snr, self.last_seen_s) = (other.power, other.snr, other.last_seen_s);
        self.seen_state = (self.b, self.r);
        self.misses = other.misses;
        self.hits += CONFIRMED;
        self.path.forget_after(into.at_s);
        for p in other.path.recent().filter(|p| p.at_s > since_s && p.seen == Seen::Short) {
            self.path.see(p.at_s, sign * p.b, p.u, p.power, p.seen);
        }
    }

    /// When the line came out of zero lately, s.
    fn out_of_zero_s(&self) -> Option<f64> {
        let out = [self.path.turned_s(), self.path.dipped_s()];
        let out_s = out.into_iter().flatten().max_by(f64::total_cmp)?;
        (self.last_seen_s - out_s < EMERGED_S && self.b * self.r > 0.0).then_some(out_s)
    }

    /// Since when the line runs away from zero, new or having come out of it lately, s.
    fn set_out_s(&self) -> Option<f64> {
        let young = self.last_seen_s - self.born_s < EMERGED_S;
        let runs = self.confirmed() && self.b * self.r > 0.0 && self.r.abs() > RUNS_HZ_S;
        if runs && young { Some(self.born_s) } else { self.out_of_zero_s().filter(|_| runs) }
    }

    /// Whether the line lies beside a note that runs away from zero as a sideband does, softer.
    fn sideband_of(&self, note: &Line, beside: &dyn Fn(f64) -> bool) -> bool {
        let apart = (self.b.abs() - note.b.abs()).abs();
        let together = self.b * self.r > 0.0 && self.last_seen_s >= note.last_seen_s;
        together
            && self.power < SIDEBAND * note.power
            && (self.r.abs() - note.r.abs()).abs() < HARMONIC_RATE_OFF.0 + HARMONIC_RATE_OFF.1 * note.r.abs()
            && beside(apart)
    }

    /// Whether the line is a harmonic of a note that runs away from zero.
    fn harmonic_of(&self, note: &Line) -> bool {
        let (f, rate) = (self.b.abs(), self.r.abs());
        let is = |k: f64| {
            (f - k * note.b.abs()).abs() < HARMONIC_OFF.0 + HARMONIC_OFF.1 * f
                && (rate - k * note.r.abs()).abs() < HARMONIC_RATE_OFF.0 + HARMONIC_RATE_OFF.1 * rate
        };
        self.b * self.r > 0.0 && self.last_seen_s >= note.last_seen_s && HARMONICS.into_iter().any(is)
    }

    fn over(&self, now_s: f64) -> bool {
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

/// The table of lines: bounded, strongest kept.
#[derive(Debug, Default)]
pub struct Table {
    pub lines: Vec<Line>,
    next_id: u32,
    /// Scratch: which peaks are taken, and the order in which the lines choose.
    taken: Vec<bool>,
    order: Vec<usize>,
}

/// How far under a line another must be to be taken for its side lobe, in power.
const SHADOW: f64 = 0.003;

/// How far a known line may fade from one sighting to the next, in power.
const FAINT: f64 = 0.006;

/// Most lines followed at a time.
const MOST_LINES: usize = 24;

impl Table {
    /// Moves every line to `now_s` and takes those that have been unseen for too long out to `over`.
    pub fn advance(&mut self, now_s: f64, over: &mut Vec<Line>) {
        for line in &mut self.lines {
            line.advance(now_s - super::SHORT_S / 2.0);
        }
        over.extend(self.lines.extract_if(.., |l| l.over(now_s)));
    }

    /// Gives the peaks of one frame to the lines; what nobody takes and is at least `birth` over the floor begins a
    /// line of its own.
    pub fn observe(&mut self, peaks: &[Peak], view: &View, birth: f64) {
        let Self { lines, next_id, taken, order } = self;
        taken.clear();
        taken.resize(peaks.len(), false);
        order.clear();
        order.extend(0..lines.len());
        // Those that stand choose first, then the better known.
        order.sort_unstable_by_key(|&i| {
            let line = &lines[i];
            (line.r.abs() > 8.0, std::cmp::Reverse(line.hits.min(1000)), i)
        });
        for &i in &*order {
            let line = &mut lines[i];
            if line.outruns(view) {
                continue;
            }
            // Nearness against loudness: a peak 10 dB down must lie twice as near.
            // Where a sliding note and its mirror image overlap within the frame, a peak is neither.
            let lowest = SHORT_EDGE_HZ + 0.5 * line.r.abs() * view.length_s;
            let best = peaks
                .iter()
                .enumerate()
                .filter(|(k, p)| !taken[*k] && (view.seen != Seen::Short || p.frequency_hz > lowest))
                .filter(|(_, p)| line.hits < 5 || p.power > FAINT * line.power)
                .filter_map(|(k, p)| {
                    line.agreement(p, view)
                        .map(|(d, sign)| (d * d - 0.25 * (p.power / line.power).log10(), sign, k))
                })
                .min_by(|x, y| x.0.total_cmp(&y.0));
            if let Some((_, sign, k)) = best {
                line.update(&peaks[k], sign, view);
                taken[k] = true;
            } else if view.seen == line.seen {
                line.misses += 1;
            }
        }
        for (peak, _) in peaks.iter().zip(&*taken).filter(|(p, t)| !**t && p.snr >= birth) {
            let middle = view.middle_s();
            let shadowed = lines.iter().any(|l| {
                let (expected, _) = l.expected(middle);
                let apart = (expected.abs() - peak.frequency_hz).abs();
                // A window's lobes, drawn out by the slide that a frame does not undo.
                let smear = l.r.abs() * view.length_s;
                apart < 1.6 / view.length_s + 0.6 * smear
                    || apart < 8.0 / view.length_s + 1.5 * smear && peak.power < SHADOW * l.power
            });
            if shadowed || view.seen == Seen::Short && peak.frequency_hz < SHORT_LOWEST_HZ {
                continue;
            }
            if lines.len() >= MOST_LINES {
                let Some(weakest) = (0..lines.len())
                    .filter(|&i| !lines[i].confirmed())
                    .min_by(|&x, &y| lines[x].power.total_cmp(&lines[y].power))
                else {
                    continue;
                };
                if lines[weakest].power > peak.power {
                    continue;
                }
                lines.swap_remove(weakest);
            }
            lines.push(Line::born(*next_id, peak, view));
            *next_id += 1;
        }
    }

    /// Takes the peaks of a very long frame that no line is near to for lines at once: they were heard for seconds. So was a
    /// line that is there but has not been seen often enough yet.
    pub fn discover(&mut self, peaks: &[Peak], view: &View) {
        let middle = view.middle_s();
        for peak in peaks {
            let apart = |l: &Line| {
                let b = l.path.at(middle, 4.0).map_or(l.b.abs(), |p| p.b.abs());
                (b - peak.frequency_hz).abs().min((l.b.abs() - peak.frequency_hz).abs())
            };
            let known = |l: &Line| {
                let smear = l.r.abs() * view.length_s;
                apart(l) < 2.0 + smear
                    || apart(l) < 30.0 / view.length_s + 2.0 * smear && peak.power < SHADOW * l.power
            };
            if let Some(line) = self.lines.iter_mut().find(|l| known(l)) {
                if !line.confirmed() && line.seen == Seen::Long && apart(line) < 2.0 {
                    line.heard_throughout(peak, view);
                }
            } else if self.lines.len() < MOST_LINES {
                let mut line = Line::born(self.next_id, peak, view);
                line.heard_throughout(peak, view);
                self.lines.push(line);
                self.next_id += 1;
            }
        }
    }

    /// A note may come out of zero as a new line, or as what was a harmonic or a sideband on the way in, where its own line was
    /// caught by one of those: short frames see them the sooner. What it is since is given back to the line that was the note
    /// on the way in. `beside` tells whether a sideband may lie so far, Hz, from a note; the id of a new line that is one no more.
    pub fn come_down(&mut self, beside: &dyn Fn(f64) -> bool) -> Option<u32> {
        let (j, to, into, own) = (0..self.lines.len()).find_map(|j| {
            let note = &self.lines[j];
            let since_s = note.set_out_s()?;
            let rides = |l: &Line| l.harmonic_of(note) || l.sideband_of(note, beside);
            let out = |l: &Line| l.out_of_zero_s().is_some() || l.born_s > since_s;
            self.lines.iter().find(|l| rides(l) && out(l))?;
            let (to, into) = self.went_in(since_s)?;
            let was = &self.lines[to];
            let free = was.last_seen_s < note.last_seen_s || rides(was);
            (to != j && free).then(|| (j, to, into, note.path.into_zero(since_s)))
        })?;
        let (note, was) = (self.lines[j].clone(), self.lines[to].clone());
        self.lines[to].goes_on_as(&note, &into, own.unwrap_or(into).at_s);
        if let Some(own) = own {
            self.lines[j].goes_on_as(&was, &own, into.at_s);
            return None;
        }
        self.lines.remove(j);
        Some(note.id)
    }

    /// The line that was the note when lines ran into zero before `since_s`, and its last sighting on the way there: the lowest of
    /// those that were about as loud as any.
    fn went_in(&self, since_s: f64) -> Option<(usize, Point)> {
        let runs = |i: &usize| self.lines[*i].confirmed() && self.lines[*i].born_s < since_s;
        let into: Vec<(usize, Point)> = (0..self.lines.len())
            .filter(runs)
            .filter_map(|i| Some((i, self.lines[i].path.into_zero(since_s)?)))
            .collect();
        let first_s = into.iter().map(|(_, p)| p.at_s).min_by(f64::total_cmp)?;
        let then = |i: usize| self.lines[i].path.at(first_s, 0.3).map(|p| (p.b.abs(), p.power));
        let loudest = into.iter().filter_map(|(i, _)| then(*i)).map(|(_, power)| power).fold(0.0, f64::max);
        let height =
            |i: usize| then(i).filter(|(_, power)| *power > AS_LOUD * loudest).map_or(f64::MAX, |(b, _)| b);
        into.into_iter().min_by(|a, b| height(a.0).total_cmp(&height(b.0)))
    }

    /// Finds a line that is another one's double: the id of the lesser of two that have run together.
    pub fn double(&self) -> Option<u32> {
        let rank = |l: &Line| (l.path.travelled(), l.hits);
        self.lines.iter().enumerate().find_map(|(i, a)| {
            self.lines[i + 1..]
                .iter()
                .find(|b| {
                    (a.b.abs() - b.b.abs()).abs() < 0.6
                        && (a.r.abs() - b.r.abs()).abs() < 20.0
                        && a.b.abs() > 5.0
                })
                .map(|b| if rank(a) < rank(b) { a.id } else { b.id })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A note that stands at 12.7 Hz is seen by long frames; what short ones see of its harmonics is not it, but a note as loud that
    /// is heard at 40 Hz has moved off.
    #[test]
    fn harmonics_of_a_low_note_are_not_taken_for_it() {
        let long = View { seen: Seen::Long, end_s: 4.0, length_s: 2.048, enbw_hz: 0.7 };
        let short = View { seen: Seen::Short, end_s: 4.3, length_s: super::super::SHORT_S, enbw_hz: 9.4 };
        let peak = |frequency_hz: f64, power: f64| Peak { frequency_hz, power, snr: 1e4 };
        for (f, power, taken) in [(45.0, 0.2, false), (17.0, 0.9, false), (40.0, 0.9, true)] {
            let mut line = Line::born(0, &peak(12.7, 1.0), &long);
            line.hits = 9;
            assert_eq!(line.agreement(&peak(f, power), &short).is_some(), taken, "{f}");
        }
    }

    /// A note that falls by 350 Hz/s is last seen near 60 Hz and found a second later at rest at 1.3 Hz: that one look shows
    /// where it went, and it is waited for there.
    #[test]
    fn a_note_found_low_has_gone_there() {
        let (mut table, mut over, mut now_s) = (Table::default(), Vec::new(), 0.16);
        let peak = |frequency_hz: f64| Peak { frequency_hz, power: 1.0, snr: 1e4 };
        while now_s < 1.74 {
            let view =
                View { seen: Seen::Short, end_s: now_s, length_s: super::super::SHORT_S, enbw_hz: 9.4 };
            table.advance(now_s, &mut over);
            table.observe(&[peak(600.0 - 350.0 * (now_s - 0.16))], &view, 40.0);
            now_s += 0.05;
        }
        now_s += 1.3;
        table.advance(now_s, &mut over);
        assert_eq!((table.lines.len(), over.len()), (1, 0));
        assert!(table.lines[0].path.lowest_hz() > 70.0 && table.lines[0].went_under());
        table.lines[0].take_low(&peak(1.3), now_s, 1.3);
        assert!(table.lines[0].went_under());
        table.advance(now_s + 2.0, &mut over);
        assert_eq!((table.lines.len(), over.len()), (1, 0), "it is waited for");
    }

    /// A note falls through zero and slows down beyond it; of what short frames see below 26 Hz only a harmonic is told apart, and
    /// that catches its line. It is given back when the note is seen again.
    #[test]
    fn a_note_comes_out_of_zero_as_itself() {
        let b = |t: f64| {
            let beyond_s = (t - 1.5).max(0.0);
            450.0 - 300.0 * t + 60.0 * beyond_s * beyond_s
        };
        for k in [2.0, 3.0] {
            let (mut table, mut over, mut now_s, mut gone) = (Table::default(), Vec::new(), 0.16, 0);
            while now_s < 2.4 {
                let view =
                    View { seen: Seen::Short, end_s: now_s, length_s: super::super::SHORT_S, enbw_hz: 9.4 };
                let b = b(view.middle_s());
                // A path that falls off lets the harmonic through the sooner.
                let note = (b.abs(), 1.0, if b > 0.0 { SHORT_LOWEST_HZ } else { 45.0 });
                let peaks: Vec<Peak> = [note, (k * b.abs(), 0.5, SHORT_LOWEST_HZ)]
                    .into_iter()
                    .filter(|(hz, _, lowest)| hz > lowest)
                    .map(|(frequency_hz, power, _)| Peak { frequency_hz, power, snr: 1e5 * power })
                    .collect();
                table.advance(now_s, &mut over);
                table.observe(&peaks, &view, 40.0);
                gone += usize::from(table.come_down(&|_| false).is_some());
                now_s += 0.05;
            }
            let note = &table.lines[0];
            let now = b(note.now_s);
            assert!(
                note.id == 0 && (note.b - now).abs() < 4.0 && gone > 0,
                "{k}: {} for {now}, {gone}",
                note.b
            );
            let astray = |p: &&Point| (p.b - b(p.at_s)).abs() > 12.0;
            assert!(!note.path.recent().any(|p| astray(&p)), "{k}: {:?}", note.path.recent().find(astray));
        }
    }

    /// A sideband 60 Hz above a note goes through zero with it; what the note's line is taken for there is given back.
    #[test]
    fn a_sideband_is_not_taken_for_the_note() {
        let mut table = Table::default();
        let view = |end_s| View { seen: Seen::Short, end_s, length_s: super::super::SHORT_S, enbw_hz: 9.4 };
        let b = |t: f64| 500.0 * (1.0 - t);
        let mut line = |id: u32, f: fn(f64) -> f64, power: f64| {
            let mut made: Option<Line> = None;
            for hop in 3..32 {
                let end_s = f64::from(hop) * 0.05;
                let (view, peak) = (view(end_s), |hz: f64| Peak { frequency_hz: hz.abs(), power, snr: 1e4 });
                let hz = f(view.middle_s());
                if hz.abs() < SHORT_LOWEST_HZ {
                    continue;
                }
                if let Some(line) = &mut made {
                    line.advance(view.state_s());
                    line.update(&peak(hz), hz.signum(), &view);
                } else {
                    made = Some(Line::born(id, &peak(hz), &view));
                }
            }
            made.into_iter().for_each(|line| table.lines.push(line));
        };
        // The note's line goes on at what is the sideband beyond zero, the sideband's at the note.
        line(0, |t| if t < 1.0 { 500.0 * (1.0 - t) } else { 500.0 * (1.0 - t) - 60.0 }, 1.0);
        line(1, |t| if t < 1.0 { 500.0 * (1.0 - t) + 60.0 } else { 500.0 * (1.0 - t) }, 1.0);
        table.lines[0].power = 0.02;
        for p in [0.7, 0.8, 0.9] {
            assert!(table.lines[1].path.at(p, 0.3).is_some());
        }
        assert_eq!(table.come_down(&|apart| (apart - 60.0).abs() < 3.0), None);
        let note = &table.lines[0];
        assert!((note.b - b(note.now_s)).abs() < 4.0 && (table.lines[1].b - note.b + 60.0).abs() < 4.0);
        assert!((note.power - 1.0).abs() < 1e-6, "{}", note.power);
    }
}
