//! The swell: a beat below the audio band, heard as the programme's own loudness going up and down.
//!
//! Two carriers in a receiver make the programme swell at their difference ([`shape`]); so, irregularly, does fading.
//! The envelope is followed all the time ([`envelope`]), searched for a line now and then ([`fit`]), and a line is
//! followed cycle by cycle ([`follow`]). It is the beat if
//!
//! * it keeps its phase as an oscillator does and its depth, over at least [`LEAST_CYCLES`] cycles;
//! * the whole programme swells, not one line of it: two lines a few hertz apart also beat;
//! * it is not a clock: second marks and time slots repeat in whole seconds and are short;
//!
//! and else there is a warning that says what would settle it. A chance line in noise passes the first search once in
//! a million bins (about once in ten thousand recordings of a minute); the following takes most of those away.
//!
//! # Weak points
//!
//! Carriers of equal strength under a perfect gain control leave no swell. Below seven cycles nothing is said. Two
//! equal rays of a sky wave may fade as regularly as an oscillator for half a minute.

mod envelope;
mod fit;
mod follow;
mod shape;

use super::path::Path;
use crate::estimate::{Normal, PhasePoint, smooth};
use crate::heard::{Method, Rest, Warning};
use crate::offset::Side;
use envelope::{CHANNELS, Envelope, MOST, TONES};
use fit::{Found, LEAST_CHANCE, Search, Weights, harmonics};
use follow::Followed;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Window lengths searched, values (25 ms each).
const WINDOWS: [usize; 4] = [500, 1000, 2000, MOST];
/// A window is searched again when this part of it is new.
const RENEWED: u64 = 4;
/// Cycles of the line that a rest must hold.
const LEAST_CYCLES: f64 = 6.0;
/// Shallowest swell, nepers.
const SHALLOWEST: f64 = 0.008;
/// Most unsteady depth, as a part of itself, and least share of chunks that fit.
const UNSTEADY: f64 = 0.4;
const LEAST_SHARE: f64 = 0.75;
/// A channel swells too if its own depth stands out by so many standard deviations and is this part of the deepest.
const CHANNEL_SIGMAS: f64 = 3.5;
const CHANNEL_PART: f64 = 0.25;
/// How near to a clock's pace a line is suspect, parts, and how high its comb must be to be that of short marks.
const CLOCK: f64 = 3e-4;
const PULSE: f64 = 0.25;
/// Orders that are looked at for what the followed line is; the fractions need a long stretch.
const ORDERS: [f64; 14] =
    [1.0, 2.0, 3.0, 4.0, 0.5, 1.5, 1.0 / 3.0, 2.0 / 3.0, 4.0 / 3.0, 5.0 / 3.0, 0.25, 0.75, 1.25, 1.75];
/// How many of them a stretch of so many cycles can hold apart.
const HELD_APART: [(f64, usize); 3] = [(28.0, 14), (16.0, 10), (0.0, 6)];
/// Fewer phases than these do not show the oscillators' wander: then it is taken to be this, Hz/√s, a fifth of what a
/// good tube oscillator does (over the stretch a third of that is left, and the line may be twice the beat).
const TELLING_POINTS: usize = 8;
const UNSEEN_WANDER: f64 = 0.002;
/// Fastest drift of a rest, Hz/s.
const FASTEST_DRIFT: f64 = 0.2;

/// Steady tones that are worth offering, more than are followed at a time: some may be too near to another.
pub const TONES_OFFERED: usize = 8;

/// A swell at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct Swelling {
    pub rest: Rest,
    /// The line that was followed, Hz: the beat or twice it.
    pub line_hz: f64,
}

impl Swelling {
    /// Whether `path` is that of a note that moves beside this swell: farther than the lines lie apart that a swelling
    /// tone splits into.
    pub fn is_beside(&self, path: &Path) -> bool {
        path.travelled() && self.is_less_than(path.travel_hz())
    }

    /// Whether a line that has been `travel_hz` from its lowest to its highest is more than a tone that swells.
    pub fn is_less_than(&self, travel_hz: f64) -> bool {
        travel_hz > 6.0 * self.line_hz + 6.0
    }
}

/// Listens for swells.
pub struct Swells {
    envelope: Envelope,
    searches: Vec<(Search, u64)>,
    open: Option<Followed>,
    /// Nothing before this value is looked at again.
    done: u64,
    rests: Vec<Swelling>,
    doubt: Option<(f64, &'static str)>,
    station_tones: bool,
    /// The rest under way as last measured, and up to which value it was followed then.
    provisional: Option<(u64, Option<Swelling>)>,
}

impl Swells {
    /// For sound at `rate_hz` in hops of `hop` samples.
    pub fn new(rate_hz: f64, hop: usize, station_tones: bool) -> Self {
        let envelope = Envelope::new(rate_hz, hop);
        let searches = WINDOWS.map(|len| (Search::new(len, envelope.step_s()), 0)).into();
        Self {
            envelope,
            searches,
            open: None,
            done: 0,
            rests: Vec::new(),
            doubt: None,
            station_tones,
            provisional: None,
        }
    }

    /// Takes one hop of sound without its hum.
    pub fn push(&mut self, hop: &[f32]) {
        self.envelope.push(hop);
        let end = self.envelope.end();
        if end.is_multiple_of(20) {
            self.go_on();
        }
        if self.open.is_some() {
            return;
        }
        for i in 0..self.searches.len() {
            let len = self.searches[i].0.len() as u64;
            if end >= self.searches[i].1 + len / RENEWED && end >= self.done + len {
                self.searches[i].1 = end;
                self.search(i);
                if self.open.is_some() {
                    break;
                }
            }
        }
    }

    /// Offers the steady tones heard now, loudest first, Hz.
    pub fn offer(&mut self, tones_hz: &[f64]) {
        self.envelope.offer(tones_hz);
    }

    fn search(&mut self, i: usize) {
        let end = self.envelope.end();
        let from = end - self.searches[i].0.len() as u64;
        let values = self.envelope.slice(from, end);
        let weights = Weights::of(values);
        let found = self.searches[i].0.run(values, &weights);
        if let Some(found) = found.filter(|f| f.chance < LEAST_CHANCE && f.depth > SHALLOWEST) {
            self.follow(&found, (from, end), weights);
        }
    }

    fn follow(&mut self, found: &Found, window: (u64, u64), weights: Weights) {
        let earliest = self.done.max(self.envelope.first());
        let followed = Followed::from_found(&self.envelope, found, window, earliest, weights);
        match followed.filter(|f| self.regular(f)) {
            Some(followed) => self.open = Some(followed),
            None => self.doubt = Some((found.frequency_hz, "is not as regular as an oscillator")),
        }
    }

    fn regular(&self, f: &Followed) -> bool {
        f.cycles(&self.envelope) >= LEAST_CYCLES
            && f.points.len() >= 3
            && f.unsteadiness() < UNSTEADY
            && f.share() > LEAST_SHARE
    }

    fn go_on(&mut self) {
        let Some(open) = &mut self.open else { return };
        open.advance(&self.envelope);
        if open.over {
            self.close();
        }
    }

    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        self.done = open.to;
        match self.measure(&open) {
            Ok(swelling) => self.rests.push(swelling),
            Err(why) => self.doubt = Some((open.line_hz, why)),
        }
    }

    /// The swell under way, provisional.
    pub fn open(&mut self) -> Option<Swelling> {
        let open = self.open.as_ref()?;
        let grown = self
            .provisional
            .as_ref()
            .is_none_or(|(to, _)| open.to < *to || (open.to - to) * 10 > open.to - open.from);
        if grown {
            self.provisional = Some((open.to, self.measure(open).ok()));
        }
        self.provisional.as_ref().and_then(|p| p.1.clone())
    }

    /// Ends the sound: the swells at rest and, if there was something like one, what is doubtful.
    pub fn finish(mut self) -> (Vec<Swelling>, Option<Warning>) {
        let end = self.envelope.end();
        self.go_on();
        if self.open.is_none() {
            // Whatever is left over, in one piece and then in its newest parts.
            let left = (end - self.done.max(self.envelope.first())) as usize;
            let mut lengths = vec![left];
            lengths.extend(WINDOWS.iter().rev().copied().filter(|&len| len < left));
            for len in lengths.into_iter().filter(|&len| len >= 200) {
                self.searches = vec![(Search::new(len, self.envelope.step_s()), end)];
                self.search(0);
                if self.open.is_some() {
                    break;
                }
            }
        }
        self.close();
        let doubt = self.doubt.filter(|_| self.rests.is_empty()).map(|(f, why)| Warning {
            code: "swell-unsure".to_owned(),
            message: format!(
                "the sound swells about {f:.2} times a second, but that {why}: fading swells too; switch the meter \
                 off for half a minute: a swell that goes with it was the beat"
            ),
        });
        (self.rests, doubt)
    }

    /// Figure and shape of what was followed, or why it is no beat.
    fn measure(&self, f: &Followed) -> Result<Swelling, &'static str> {
        const IRREGULAR: &str = "is not as regular as an oscillator";
        if !self.regular(f) {
            return Err(IRREGULAR);
        }
        let colour = f.colour();
        let middle_s = f64::midpoint(f.points[0].at_s, f.points[f.points.len() - 1].at_s);
        let mut points: Vec<PhasePoint> =
            f.points.iter().map(|p| PhasePoint { variance: p.variance * colour, ..*p }).collect();
        let (bend, bend_u) = bend(&points, middle_s).unwrap_or((0.0, 0.0));
        let drifts = bend.abs() > 4.0 * bend_u && points.len() > 4;
        if drifts {
            for p in &mut points {
                p.phase -= PI * bend * (p.at_s - middle_s).powi(2);
            }
        }
        let steady = line(&points, middle_s).ok_or(IRREGULAR)?;
        // Wander shakes the depths a little too; what it does is looked for in white noise as well, and the more
        // doubtful answer counts.
        let white: Vec<PhasePoint> =
            points.iter().map(|p| PhasePoint { variance: p.variance / colour, ..*p }).collect();
        let smoothed = [smooth(&points, middle_s, None), smooth(&white, middle_s, None)];
        let widest = smoothed.into_iter().flatten().max_by(|a, b| a.u_hz.total_cmp(&b.u_hz));
        let (ahead_hz, u_hz, u_noise) = widest.map_or((steady.0, steady.1, steady.1), |s| {
            (s.frequency_hz, s.u_hz.max(steady.1), s.u_noise_hz.min(s.u_hz))
        });
        let span_s = (f.to - f.from) as f64 * self.envelope.step_s();
        let unseen = if points.len() < TELLING_POINTS { UNSEEN_WANDER * span_s.sqrt() } else { 0.0 };
        let u_hz = u_hz.hypot(unseen);
        let line_hz = f.line_hz + ahead_hz;
        self.whole_programme(f)?;
        let seen = self.lines(f).ok_or(IRREGULAR)?;
        if is_clock(line_hz, u_hz) && self.is_pulse(f, line_hz) {
            return Err("keeps time like a clock's marks");
        }
        let verdict = shape::judge(&seen);
        let k = verdict.beat;
        if bend.abs() * k > FASTEST_DRIFT {
            return Err("does not stand still");
        }
        let energy: f64 = points.iter().map(|p| 0.5 / p.variance).sum();
        let rest = Rest {
            start_s: (self.envelope.instant_s(f.from)).max(0.0),
            end_s: self.envelope.instant_s(f.to),
            at_s: middle_s,
            offset_hz: k * line_hz,
            u_hz: k * u_hz,
            u_noise_hz: k * u_noise,
            u_wander_hz: k * (u_hz * u_hz - u_noise * u_noise).max(0.0).sqrt(),
            heard_hz: k * line_hz,
            rate_hz_per_s: if drifts { k * bend } else { 0.0 },
            rate_u: k * bend_u.max(u_hz * 60f64.sqrt() / span_s),
            side: Side::Unknown,
            snr_db: 10.0 * (energy / span_s / 4000.0).log10(),
            method: Method::Swell,
            notes_hz: None,
            alternatives_hz: verdict.other.map(|o| o * line_hz).into_iter().collect(),
            pulled: None,
            near_hum_hz: None,
        };
        Ok(Swelling { rest, line_hz })
    }

    /// The newest part of the stretch that is still kept, as (phase, values).
    fn kept(&self, f: &Followed) -> impl Iterator<Item = (f64, &envelope::Values)> {
        let from = f.from.max(self.envelope.first());
        let values = self.envelope.slice(from, f.to);
        values.iter().enumerate().map(move |(k, v)| (f.phase_at(self.envelope.instant_s(from + k as u64)), v))
    }

    /// Whether more than one part of the sound swells; a declared station's tone is enough by itself.
    fn whole_programme(&self, f: &Followed) -> Result<(), &'static str> {
        let mut depths = [(0.0, 0.0); CHANNELS];
        let main = self.series(f, |v| f.weights.mix(v));
        let orders: Vec<f64> = f.template.lines.iter().map(|l| l.0).collect();
        let first = |h: &fit::Harmonics| h.lines.iter().find(|l| (l.0 - 1.0).abs() < 0.1).copied();
        let fitted = |series: &[(f64, f64)]| harmonics(series, &orders).as_ref().and_then(first);
        let (_, a, b, _) = fitted(&main).ok_or("is too short")?;
        let arg = Complex64::new(a, -b).arg();
        for (c, depth) in depths.iter_mut().enumerate().filter(|(c, _)| f.weights.weight[*c] > 0.0) {
            let own = self.series(f, |v| f.weights.channel(v, c));
            if let Some((_, a, b, variance)) = fitted(&own) {
                let along = (Complex64::new(a, -b) * Complex64::from_polar(1.0, -arg)).re;
                *depth = (along, along / (variance * f.colour()).sqrt());
            }
        }
        let deepest = depths.iter().map(|d| d.0).fold(0.0, f64::max);
        let swells = |c: usize| depths[c].1 > CHANNEL_SIGMAS && depths[c].0 > CHANNEL_PART * deepest;
        let number = (0..CHANNELS).filter(|&c| swells(c)).count();
        let tone = self.station_tones
            && (0..TONES).any(|slot| {
                swells(CHANNELS - TONES + slot)
                    && self.envelope.tone_hz(slot).is_some_and(|f| super::story::is_station_tone_near(f, 6.0))
            });
        if number >= 2 || tone { Ok(()) } else { Err("is heard in one part of the sound only") }
    }

    fn series(&self, f: &Followed, of: impl Fn(&envelope::Values) -> Option<f64>) -> Vec<(f64, f64)> {
        self.kept(f).filter_map(|(phase, v)| Some((phase, of(v)?))).collect()
    }

    /// The swell's lines at the followed one and at fractions and multiples of it.
    fn lines(&self, f: &Followed) -> Option<Vec<shape::Line>> {
        let main = self.series(f, |v| f.weights.mix(v));
        let cycles = main.len() as f64 * self.envelope.step_s() * f.line_hz;
        let count = HELD_APART.iter().find(|h| cycles >= h.0).map_or(6, |h| h.1);
        let visible = |h: &f64| *h < 1.2 || h * f.line_hz < 14.0;
        let orders: Vec<f64> = ORDERS[..count].iter().copied().filter(visible).collect();
        let fitted = harmonics(&main, &orders)?;
        let colour = f.colour();
        Some(fitted.lines.iter().map(|l| (l.0, Complex64::new(l.1, -l.2), l.3 * colour)).collect())
    }

    /// Whether a clock's line is one of a comb of short marks: over all whole hertz, or of the line's own multiples, the
    /// middle one is nearly as high as the highest. A swell's lines fall off quickly.
    fn is_pulse(&self, f: &Followed, line_hz: f64) -> bool {
        let main = self.series(f, |v| f.weights.mix(v));
        let step = line_hz.min(1.0);
        let orders: Vec<f64> = (1..=8).map(|k| f64::from(k) * step / line_hz).collect();
        let Some(fitted) = harmonics(&main, &orders) else { return false };
        let mut sizes: Vec<f64> = fitted.lines.iter().map(|l| l.1.hypot(l.2)).collect();
        sizes.sort_by(f64::total_cmp);
        sizes[sizes.len() / 2 - 1] > PULSE * sizes[sizes.len() - 1]
    }
}

/// Whether a line keeps the pace of whole seconds or of whole parts of one.
fn is_clock(line_hz: f64, u_hz: f64) -> bool {
    let whole = |x: f64| x > 0.9 && (x - x.round()).abs() < x * (CLOCK + 4.0 * u_hz / line_hz);
    whole(line_hz) || whole(1.0 / line_hz)
}

/// Frequency (Hz) of the line through the phases, and its standard uncertainty, the scatter counted in.
fn line(points: &[PhasePoint], middle_s: f64) -> Option<(f64, f64)> {
    let mut normal = Normal::new(2);
    for p in points {
        let w = p.variance.sqrt().recip();
        normal.add(&[w, w * 2.0 * PI * (p.at_s - middle_s)], w * p.phase);
    }
    let solution = normal.solve()?;
    let scatter = (normal.misfit(&solution.x) / (points.len() as f64 - 2.0).max(1.0)).max(1.0);
    Some((solution.x[1], (solution.variance(1) * scatter).sqrt()))
}

/// Drift (Hz/s) of the phases and its standard uncertainty, the scatter counted in.
fn bend(points: &[PhasePoint], middle_s: f64) -> Option<(f64, f64)> {
    let mut normal = Normal::new(3);
    for p in points {
        let (w, t) = (p.variance.sqrt().recip(), p.at_s - middle_s);
        normal.add(&[w, w * t, w * PI * t * t], w * p.phase);
    }
    let solution = normal.solve()?;
    let scatter = (normal.misfit(&solution.x) / (points.len() as f64 - 3.0).max(1.0)).max(1.0);
    Some((solution.x[2], (solution.variance(2) * scatter).sqrt()))
}
