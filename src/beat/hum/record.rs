//! What has been heard of the hum.

use super::LOST_HZ;
use super::comb::Orders;
use super::tooth::Tooth;
use crate::heard::Hum;

/// Combs remembered at most.
const MOST_COMBS: usize = 8;
/// Looks from which on a comb that is no longer heard still explains what stood on its lines.
const WELL_KNOWN: f64 = 4.0;
/// Least standard uncertainty of a fundamental, Hz.
const LEAST_U_HZ: f64 = 0.003;

/// One comb, as long as it was followed.
#[derive(Default)]
struct Known {
    looks: f64,
    sum: f64,
    sum_squares: f64,
    orders: Orders,
    /// Power of its lines when it was last looked at.
    power: f32,
}

impl Known {
    fn mean_hz(&self) -> f64 {
        self.sum / self.looks
    }

    fn spread_hz(&self) -> f64 {
        (self.sum_squares / self.looks - self.mean_hz().powi(2)).max(0.0).sqrt()
    }
}

/// The combs that have been heard.
#[derive(Default)]
pub struct Record {
    combs: Vec<Known>,
    /// Which of them is followed.
    newest: usize,
}

impl Record {
    /// Takes the fundamental that a look has shown, Hz, and the lines that are taken out; `news` where it is not the one that was
    /// followed up to now.
    pub fn take(&mut self, fundamental_hz: f64, news: bool, teeth: &[Tooth]) {
        if news || self.combs.is_empty() {
            let same = |k: &Known| (k.mean_hz() - fundamental_hz).abs() < LOST_HZ;
            self.newest = self.combs.iter().position(same).unwrap_or_else(|| {
                if self.combs.len() == MOST_COMBS {
                    let rank = |&i: &usize| self.combs[i].looks;
                    let rarest = (0..MOST_COMBS).min_by(|a, b| rank(a).total_cmp(&rank(b)));
                    rarest.map(|i| self.combs.swap_remove(i));
                }
                self.combs.push(Known::default());
                self.combs.len() - 1
            });
        }
        let known = &mut self.combs[self.newest];
        known.looks += 1.0;
        known.sum += fundamental_hz;
        known.sum_squares += fundamental_hz * fundamental_hz;
        for tooth in teeth {
            known.orders.insert(tooth.order);
        }
        known.power = teeth.iter().map(|t| t.amplitude.norm_sqr()).sum();
    }

    /// The comb that was heard for longest.
    fn longest(&self) -> Option<&Known> {
        self.combs.iter().max_by(|a, b| a.looks.total_cmp(&b.looks)).filter(|k| k.looks >= 2.0)
    }

    /// Fundamental of the comb that was heard for longest, Hz.
    pub fn fundamental_hz(&self) -> Option<f64> {
        self.longest().map(Known::mean_hz)
    }

    /// Whether `frequency_hz` was for long a line of a comb to within `within_hz` and as far as the comb wandered.
    pub fn is_line(&self, frequency_hz: f64, within_hz: f64) -> bool {
        self.combs.iter().filter(|k| k.looks >= WELL_KNOWN).any(|k| {
            let order = (frequency_hz / k.mean_hz()).round();
            let apart_hz = (frequency_hz - order * k.mean_hz()).abs();
            apart_hz < within_hz + order * k.spread_hz() && k.orders.has(order as u32)
        })
    }

    /// What is told of it.
    pub fn heard(&self) -> Option<Hum> {
        let known = self.longest()?;
        Some(Hum {
            fundamental_hz: known.mean_hz(),
            u_hz: known.spread_hz().max(LEAST_U_HZ),
            level_db: 10.0 * f64::from(known.power.max(1e-20)).log10(),
            harmonics: known.orders.iter().collect(),
        })
    }
}
