//! The last stretch of a sample stream, addressed by sample index.

use crate::block::any_missing;

/// Keeps at least the newest `keep` samples of a stream.
pub struct History {
    samples: Vec<f32>,
    first: u64,
    keep: usize,
    /// Index after the newest sample that is missing (NaN).
    missing: u64,
}

impl History {
    /// An empty history that keeps `keep` samples.
    pub fn new(keep: usize) -> Self {
        Self { samples: Vec::with_capacity(2 * keep), first: 0, keep, missing: 0 }
    }

    /// Appends samples and forgets the oldest beyond what is kept.
    pub fn push(&mut self, samples: &[f32]) {
        if any_missing(samples)
            && let Some(at) = samples.iter().rposition(|x| !x.is_finite())
        {
            self.missing = self.end() + at as u64 + 1;
        }
        self.samples.extend_from_slice(samples);
        if self.samples.len() >= 2 * self.keep {
            let drop = self.samples.len() - self.keep;
            self.samples.drain(..drop);
            self.first += drop as u64;
        }
    }

    /// Puts other samples in the place of those from `from` on, as far as they are kept.
    pub fn replace(&mut self, from: u64, samples: &[f32]) {
        let skip = self.first.saturating_sub(from) as usize;
        let at = ((from.max(self.first) - self.first) as usize).min(self.samples.len());
        for (old, new) in self.samples[at..].iter_mut().zip(samples.iter().skip(skip)) {
            *old = *new;
        }
    }

    /// Whether more than a quarter of the samples `from..to` are missing: a spectrum of them means nothing.
    pub fn is_gappy(&self, from: u64, to: u64) -> bool {
        let samples = self.slice(from, to.min(self.missing).max(from));
        samples.iter().filter(|x| !x.is_finite()).count() as u64 * 4 > to - from
    }

    /// Index of the oldest sample still kept.
    pub fn first(&self) -> u64 {
        self.first
    }

    /// Index after the newest sample.
    pub fn end(&self) -> u64 {
        self.first + self.samples.len() as u64
    }

    /// Samples `from..to`, as far as they are kept.
    pub fn slice(&self, from: u64, to: u64) -> &[f32] {
        let clip = |i: u64| (i.clamp(self.first, self.end()) - self.first) as usize;
        &self.samples[clip(from)..clip(to).max(clip(from))]
    }
}
