//! The ring between a capture (or replay) thread and the analysis thread. `ringbuf` is used only here.
//!
//! Two lock-free rings run side by side: the samples, and a few notes of where samples are missing. A block read
//! from the [`Tap`] never reaches across such a place, so that nothing is analysed across a hole. The [`Feed`] end
//! allocates nothing, takes no lock and formats nothing: it may be used in an audio callback.

use crate::block::{Loss, SampleBlock, StreamFormat};
use ringbuf::HeapRb;
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// How many places of loss may wait unread. When there are more, the sound between them is given up as well.
const HOLES: usize = 64;

/// A place where frames are missing.
#[derive(Debug, Clone, Copy)]
struct Hole {
    /// Frames that were stored before it.
    at: u64,
    loss: Loss,
}

/// A ring that holds `seconds` of sound.
pub fn ring(format: StreamFormat, seconds: f64) -> (Feed, Tap) {
    let channels = usize::from(format.channels).max(1);
    let frames = ((f64::from(format.rate_hz) * seconds) as usize).max(1);
    let (samples_in, samples_out) = HeapRb::new(frames * channels).split();
    let (holes_in, holes_out) = HeapRb::new(HOLES).split();
    let lost = Arc::new(AtomicU64::new(0));
    (
        Feed {
            samples: samples_in,
            holes: holes_in,
            channels,
            stored: 0,
            pending: None,
            lost: Arc::clone(&lost),
        },
        Tap { samples: samples_out, holes: holes_out, channels, taken: 0, skipped: 0, pending: None, lost },
    )
}

/// The end that sound goes into.
pub struct Feed {
    samples: ringbuf::HeapProd<f32>,
    holes: ringbuf::HeapProd<Hole>,
    channels: usize,
    stored: u64,
    pending: Option<Loss>,
    lost: Arc<AtomicU64>,
}

impl Feed {
    /// Stores interleaved samples, each turned into full scale ±1 by `convert`. Only whole frames go in, else the
    /// channels would change places; what finds no room is counted as lost.
    pub fn push<T: Copy>(&mut self, samples: &[T], convert: impl Fn(T) -> f32) {
        let offered = samples.len() / self.channels;
        let fits = if self.note_pending() { offered.min(self.vacant_frames()) } else { 0 };
        self.samples.push_iter(samples[..fits * self.channels].iter().map(|&s| convert(s)));
        self.stored += fits as u64;
        if fits < offered {
            self.lose(Loss::Frames((offered - fits) as u64));
        }
    }

    /// Says that frames are missing before the next ones.
    pub fn lose(&mut self, loss: Loss) {
        if let Loss::Frames(frames) = loss {
            self.lost.fetch_add(frames, Ordering::Relaxed);
        }
        self.pending = Some(match (self.pending, loss) {
            (None, loss) => loss,
            (Some(Loss::Frames(a)), Loss::Frames(b)) => Loss::Frames(a + b),
            _ => Loss::Unknown,
        });
    }

    /// Whether this many frames, and the note of what is missing before them, would fit now.
    pub fn has_room(&self, frames: usize) -> bool {
        self.vacant_frames() >= frames && (self.pending.is_none() || !self.holes.is_full())
    }

    fn vacant_frames(&self) -> usize {
        self.samples.vacant_len() / self.channels
    }

    /// Whether anybody still reads.
    pub fn is_read(&self) -> bool {
        self.samples.read_is_held()
    }

    /// Notes what is missing before the next frame; false when there is no room left to note it.
    fn note_pending(&mut self) -> bool {
        let Some(loss) = self.pending else { return true };
        let noted = self.vacant_frames() > 0 && self.holes.try_push(Hole { at: self.stored, loss }).is_ok();
        if noted {
            self.pending = None;
        }
        noted
    }
}

/// The end that sound comes out of.
pub struct Tap {
    samples: ringbuf::HeapCons<f32>,
    holes: ringbuf::HeapCons<Hole>,
    channels: usize,
    taken: u64,
    skipped: u64,
    pending: Option<Loss>,
    lost: Arc<AtomicU64>,
}

impl Tap {
    /// Counts on from `frame` with a gap of unknown length before the first block: this ring takes the place of one
    /// whose device went away.
    pub fn resume_at(&mut self, frame: u64) {
        self.skipped = frame;
        self.pending = Some(Loss::Unknown);
    }

    /// Fills `block` with the next sound, at most `max_frames` frames and never across a hole; false when there is
    /// none now.
    pub fn next_block(&mut self, block: &mut SampleBlock, max_frames: usize) -> bool {
        // A hole is noted before the samples that follow it are stored, so the samples are to be looked at first.
        let ready = self.samples.occupied_len() / self.channels;
        if ready == 0 || max_frames == 0 {
            return false;
        }
        block.lost_before = self.pending.take();
        if let Some(hole) = self.holes.first().filter(|hole| hole.at == self.taken).copied() {
            self.holes.try_pop();
            block.lost_before = match (block.lost_before, hole.loss) {
                (None, loss) => Some(loss),
                (Some(_), _) => Some(Loss::Unknown),
            };
            if let Loss::Frames(frames) = hole.loss {
                self.skipped += frames;
            }
        }
        let to_hole = self.holes.first().map_or(usize::MAX, |hole| (hole.at - self.taken) as usize);
        let frames = ready.min(max_frames).min(to_hole);
        block.first_frame = self.taken + self.skipped;
        block.samples.resize(frames * self.channels, 0.0);
        self.samples.pop_slice(&mut block.samples);
        self.taken += frames as u64;
        true
    }

    /// Index of the frame that comes next, lost frames counted.
    pub fn position(&self) -> u64 {
        self.taken + self.skipped
    }

    /// Frames that came out so far.
    pub fn taken(&self) -> u64 {
        self.taken
    }

    /// Frames that found no room in the ring so far.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// True when the feeding end is gone and everything was taken out.
    pub fn has_ended(&self) -> bool {
        !self.samples.write_is_held() && self.samples.occupied_len() < self.channels
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STEREO: StreamFormat = StreamFormat { rate_hz: 1000, channels: 2 };

    fn block_of(tap: &mut Tap, max: usize) -> Option<SampleBlock> {
        let mut block = SampleBlock::default();
        tap.next_block(&mut block, max).then_some(block)
    }

    #[test]
    fn whole_frames_go_in_and_the_rest_is_counted() {
        let (mut feed, mut tap) = ring(STEREO, 0.003);
        feed.push(&[1i16, -1, 2, -2, 3, -3, 4, -4, 5, -5], f32::from);
        assert_eq!(tap.lost(), 2);
        assert_eq!(block_of(&mut tap, 9).map(|b| b.samples), Some(vec![1.0, -1.0, 2.0, -2.0, 3.0, -3.0]));
        feed.push(&[6i16, -6], f32::from);
        let after = block_of(&mut tap, 9).expect("a frame was stored");
        assert_eq!(after.samples, [6.0, -6.0]);
        assert_eq!((after.first_frame, after.lost_before), (5, Some(Loss::Frames(2))));
    }

    #[test]
    fn a_loss_of_unknown_length_stops_a_block_but_not_the_count() {
        let (mut feed, mut tap) = ring(STEREO, 1.0);
        feed.push(&[0.1f32, 0.2], |s| s);
        feed.lose(Loss::Unknown);
        feed.push(&[0.3f32, 0.4], |s| s);
        assert_eq!(block_of(&mut tap, 100).map(|b| b.samples.len()), Some(2));
        let second = block_of(&mut tap, 100).expect("stored");
        assert_eq!((second.first_frame, second.lost_before), (1, Some(Loss::Unknown)));
        assert!(!tap.has_ended());
        drop(feed);
        assert!(tap.has_ended());
    }

    #[test]
    fn a_ring_that_takes_the_place_of_another_counts_on() {
        let (mut feed, mut tap) = ring(STEREO, 1.0);
        tap.resume_at(5000);
        feed.push(&[0.0f32; 8], |s| s);
        let block = block_of(&mut tap, 3).expect("stored");
        assert_eq!((block.first_frame, block.lost_before), (5000, Some(Loss::Unknown)));
        assert_eq!(block_of(&mut tap, 3).map(|b| (b.first_frame, b.lost_before)), Some((5003, None)));
        assert_eq!(tap.position(), 5004);
    }

    proptest! {
        /// Whatever is pushed and pulled in whatever portions: frames come out in order, channels never change
        /// places, and every frame is either there or counted, at its own index.
        #[test]
        fn every_frame_is_there_or_counted(steps in prop::collection::vec((0usize..40, 0usize..40), 1..200)) {
            let (mut feed, mut tap) = ring(STEREO, 0.025);
            let mut sent = 0u64;
            let mut expected = 0u64;
            let mut check = |tap: &mut Tap, max: usize| {
                if let Some(block) = block_of(tap, max) {
                    if let Some(Loss::Frames(lost)) = block.lost_before {
                        expected += lost;
                    }
                    assert_eq!(block.first_frame, expected);
                    for frame in block.samples.chunks(2) {
                        assert_eq!(frame, [expected as f32, -(expected as f32)]);
                        expected += 1;
                    }
                    true
                } else {
                    false
                }
            };
            for (push, pull) in steps {
                let samples: Vec<f32> =
                    (0..push).flat_map(|_| { let x = sent as f32; sent += 1; [x, -x] }).collect();
                feed.push(&samples, |s| s);
                check(&mut tap, pull);
            }
            while check(&mut tap, usize::MAX) {}
            feed.push(&[sent as f32, -(sent as f32)], |s| s);
            check(&mut tap, 1);
            prop_assert_eq!(expected, sent + 1);
        }
    }
}
