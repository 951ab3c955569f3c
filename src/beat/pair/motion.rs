//! Which of the notes moves against the other, and whether both glide.
//!
//! Steps of some hertz between sightings tell: where one note alone makes them it is in the hand, where both make the
//! same ones it is the receiver's doing.

/// Further apart than this the notes do not disturb each other, Hz.
pub const CLEAR_HZ: f64 = 60.0;

/// Both notes seen at one instant.
#[derive(Debug, Clone, Copy)]
pub struct Sighting {
    pub at_s: f64,
    pub hz: [f64; 2],
    /// Standard uncertainty of the difference, Hz.
    pub u_hz: f64,
    pub powers: [f64; 2],
    /// Whether it is sure which is which.
    pub sure: bool,
}

impl Sighting {
    /// Note 1 − note 0, Hz.
    pub fn apart(&self) -> f64 {
        self.hz[1] - self.hz[0]
    }
}

/// A movement of one of the notes against the other.
#[derive(Debug, Clone, Copy)]
pub struct Move {
    pub from_s: f64,
    pub to_s: f64,
    /// The note that moved.
    pub note: usize,
    /// By how much in pitch, Hz.
    pub by_hz: f64,
}

/// Motion seen so far.
#[derive(Default)]
pub struct Motion {
    /// Movements, in order of time.
    pub moves: Vec<Move>,
    /// Both glide by the same amount: the same way and against each other, Hz.
    pub together_hz: [f64; 2],
    /// What the next step is reckoned from.
    pub base: Option<Sighting>,
}

impl Motion {
    /// Notes which of the two moves against the other, and whether both glide.
    pub fn take(&mut self, now: &Sighting) {
        let Some(base) = self.base else {
            self.base = Some(*now);
            return;
        };
        let by = [0, 1].map(|i| now.hz[i] - base.hz[i]);
        let step_s = now.at_s - base.at_s;
        let far = by[0].abs().max(by[1].abs());
        let sure = 2.0f64.max(4.0 * now.u_hz);
        if far < sure && step_s < 1.5 {
            return;
        }
        self.base = Some(*now);
        if far < sure || step_s > 1.5 && far < 3.0 {
            return;
        }
        let (mover, still) = if by[1].abs() > by[0].abs() { (1, 0) } else { (0, 1) };
        if by[still].abs() > 0.6 * by[mover].abs() {
            // Peaks that are near each other pull at each other: that is no glide.
            let alike = by[still].abs() > 0.8 * by[mover].abs();
            if !alike || now.apart().abs() < CLEAR_HZ || base.apart().abs() < CLEAR_HZ {
                return;
            }
            self.together_hz[usize::from(by[0] * by[1] < 0.0)] += far;
            return;
        }
        if by[still].abs() > 0.4 * by[mover].abs() {
            return;
        }
        match self.moves.last_mut() {
            Some(last)
                if last.note == mover && last.by_hz * by[mover] > 0.0 && base.at_s - last.to_s < 1.0 =>
            {
                last.to_s = now.at_s;
                last.by_hz += by[mover];
            }
            _ => {
                if self.moves.len() > 4000 {
                    self.moves.drain(1..2000);
                }
                self.moves.push(Move { from_s: base.at_s, to_s: now.at_s, note: mover, by_hz: by[mover] });
            }
        }
    }
}
