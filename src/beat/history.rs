//! The last stretch of a sample stream, addressed by sample index.

/// Keeps at least the newest `keep` samples of a stream.
pub struct History {
    samples: Vec<f32>,
    first: u64,
    keep: usize,
}

impl History {
    /// An empty history that keeps `keep` samples.
    pub fn new(keep: usize) -> Self {
        Self { samples: Vec::with_capacity(2 * keep), first: 0, keep }
    }

    /// Appends samples and forgets the oldest beyond what is kept.
    pub fn push(&mut self, samples: &[f32]) {
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
