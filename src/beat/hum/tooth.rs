//! A line of the comb: its turns over a hop, its mean, and what was taken out of the sound for it.

use super::{HOPS, LEAST_HOPS};
use crate::estimate::Turnings;
use crate::spectrum::dot_there;
use multiversion::multiversion;
use num_complex::{Complex32, Complex64};
use std::collections::VecDeque;
use std::f64::consts::PI;

/// What was taken out of one hop for one line.
#[derive(Clone, Copy, Default)]
pub struct Shot {
    pub amplitude: Complex32,
    /// At the first sample of the hop, rad.
    pub phase: f64,
    /// Per sample, rad.
    pub step: f64,
}

/// The turns of a line over a hop, from nothing: kept, since a line's frequency changes but twice a second.
#[derive(Default)]
pub struct Turns {
    step: f64,
    cos: Vec<f32>,
    sin: Vec<f32>,
}

impl Turns {
    /// Makes them those of a line that turns by `step` a sample, over `hop` samples.
    pub fn set(&mut self, step: f64, hop: usize) {
        if self.step.to_bits() == step.to_bits() && self.cos.len() == hop {
            return;
        }
        self.step = step;
        self.cos.resize(hop, 0.0);
        self.sin.resize(hop, 0.0);
        set_turns(Turnings::new(step / (2.0 * PI), 0.0, 0.0, 1.0), &mut self.cos, &mut self.sin);
    }

    /// Twice the mean of the samples turned back by a phase that starts at `phase`: the amplitude of a line that turns
    /// with it. A hop with missing samples counts them as nothing.
    pub fn mean(&self, samples: &[f32], phase: f64) -> Complex32 {
        let [re, im] = [&self.cos, &self.sin].map(|wave| dot_there(samples, &wave[..samples.len()]).0);
        unit(-phase) * Complex32::new(re, -im) * (2.0 / samples.len().max(1) as f32)
    }

    /// Takes a line of this amplitude and phase out of a hop.
    pub fn take_out(&self, amplitude: Complex32, phase: f64, hop: &mut [f32]) {
        take_line_out(unit(phase) * amplitude, &self.cos, &self.sin, hop);
    }
}

/// Writes turns down, one after the other.
#[multiversion(targets("x86_64+avx2"))]
fn set_turns(mut turnings: Turnings<4>, cos: &mut [f32], sin: &mut [f32]) {
    let ((cosines, last_cos), (sines, last_sin)) = (cos.as_chunks_mut(), sin.as_chunks_mut());
    for (cos, sin) in cosines.iter_mut().zip(sines) {
        [*cos, *sin] = turnings.turn().map(|part| part.map(|x| x as f32));
    }
    for (last, part) in [last_cos, last_sin].into_iter().zip(turnings.turn()) {
        last.iter_mut().zip(part).for_each(|(last, x)| *last = x as f32);
    }
}

/// Takes a line of the complex amplitude `a` out of a stretch over which its turns are `cos` and `sin`.
#[multiversion(targets("x86_64+avx2"))]
pub fn take_line_out(a: Complex32, cos: &[f32], sin: &[f32], hop: &mut [f32]) {
    for ((y, c), s) in hop.iter_mut().zip(cos).zip(sin) {
        *y -= a.re * c - a.im * s;
    }
}

impl Shot {
    /// Adds the line to the last samples of a hop of `hop` samples.
    pub fn add_to(&self, part: &mut [f32], hop: usize) {
        let skipped = (hop - part.len()) as f64;
        let amplitude = Complex64::new(self.amplitude.re.into(), self.amplitude.im.into());
        let (turn, mut now) =
            (Complex64::cis(self.step), Complex64::cis(self.phase + self.step * skipped) * amplitude);
        let (mut re, mut im) = ([0.0; SIDE_BY_SIDE], [0.0; SIDE_BY_SIDE]);
        for (re, im) in re.iter_mut().zip(&mut im) {
            (*re, *im) = (now.re as f32, now.im as f32);
            now *= turn;
        }
        add_line(re, im, turn.powu(SIDE_BY_SIDE as u32), part);
    }
}

/// Samples that a line is added to side by side.
const SIDE_BY_SIDE: usize = 8;

/// Adds a line to samples: `re` and `im` are its values at the first of them, which turn by `leap` from each to the one that
/// many further on.
#[multiversion(targets("x86_64+avx2"))]
fn add_line(mut re: [f32; SIDE_BY_SIDE], mut im: [f32; SIDE_BY_SIDE], leap: Complex64, part: &mut [f32]) {
    let (leap_re, leap_im) = (leap.re as f32, leap.im as f32);
    let (some, rest) = part.as_chunks_mut::<SIDE_BY_SIDE>();
    for some in some {
        for i in 0..SIDE_BY_SIDE {
            some[i] += re[i];
            (re[i], im[i]) = (re[i] * leap_re - im[i] * leap_im, re[i] * leap_im + im[i] * leap_re);
        }
    }
    rest.iter_mut().zip(re).for_each(|(y, re)| *y += re);
}

/// A line of the comb while it is taken out.
pub struct Tooth {
    pub order: u32,
    /// Mean of each hop, turned back by the comb's phase; newest last.
    pub sums: VecDeque<Complex32>,
    pub amplitude: Complex32,
    /// What was taken out of the last hops, newest last.
    pub taken: VecDeque<Shot>,
    /// For how many hops more the amplitude is held, since a note stood near.
    pub held: usize,
    pub turns: Turns,
}

impl Tooth {
    pub fn new(order: u32) -> Self {
        Self {
            order,
            sums: VecDeque::with_capacity(HOPS + 1),
            amplitude: Complex32::default(),
            taken: VecDeque::new(),
            held: 0,
            turns: Turns::default(),
        }
    }

    pub fn take(&mut self, mean: Complex32) {
        self.sums.push_back(mean);
        if self.sums.len() > HOPS {
            self.sums.pop_front();
        }
        if self.held == 0 && self.sums.len() >= LEAST_HOPS {
            self.amplitude = self.sums.iter().sum::<Complex32>() / self.sums.len() as f32;
        }
    }

    /// How fast the line turns against the comb's phase, Hz at the fundamental, and the weight of that; `None` where
    /// the line has not been heard for long enough or something else is heard with it.
    pub fn slip(&self, hop_s: f64) -> Option<(f64, f64)> {
        if self.held > 0 || self.sums.len() < HOPS {
            return None;
        }
        let half = HOPS / 2;
        let older: Complex32 = self.sums.iter().take(half).sum::<Complex32>() / half as f32;
        let newer: Complex32 = self.sums.iter().skip(half).sum::<Complex32>() / (HOPS - half) as f32;
        let spread: f32 =
            self.sums.iter().map(|s| (s - self.amplitude).norm_sqr()).sum::<f32>() / HOPS as f32;
        let clear = older.norm_sqr().min(newer.norm_sqr()) / (spread / half as f32).max(1e-20);
        let h = f64::from(self.order);
        let turned = f64::from((newer * older.conj()).arg()) / (2.0 * PI);
        (clear > 8.0).then(|| (turned / (half as f64 * hop_s) / h, h * h * f64::from(clear.min(1e4))))
    }
}

/// A turn by an angle, rad.
pub fn unit(a: f64) -> Complex32 {
    Complex32::new(a.cos() as f32, a.sin() as f32)
}
