//! What the user declares while listening.

use crate::offset::{Hand, Turning};
use crate::settings::Settings;

/// What was declared, and when.
#[derive(Debug, Clone, Copy)]
pub struct Declared {
    pub at_s: f64,
    pub hand: Hand,
    pub turning: Option<Turning>,
}

/// All declarations, oldest first; the first one is the settings'.
pub struct Declarations(Vec<Declared>);

impl Declarations {
    pub fn new(settings: &Settings) -> Self {
        Self(vec![Declared { at_s: 0.0, hand: settings.hand, turning: settings.turning }])
    }

    /// What holds now.
    pub fn newest(&self) -> Declared {
        self.0[self.0.len() - 1]
    }

    /// Takes what is in the hand from `at_s` on.
    pub fn hand(&mut self, at_s: f64, hand: Hand) {
        self.0.push(Declared { at_s, hand, ..self.newest() });
    }

    /// Takes which way it is turned from `at_s` on.
    pub fn turning(&mut self, at_s: f64, turning: Option<Turning>) {
        self.0.push(Declared { at_s, turning, ..self.newest() });
    }

    pub fn all(&self) -> &[Declared] {
        &self.0
    }
}
