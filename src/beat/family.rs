//! A note with harmonics that went below what short frames resolve.
//!
//! Of a rich note below some 26 Hz short frames see lumps of harmonics that run into each other, wherever these happen to beat;
//! their followers wander from one to the next and seem to move. Longer frames see each harmonic stand, and the note itself. Where
//! rests stand at a low frequency and at multiples of it at the same time, that frequency is the note's, and of the lives that
//! moved the loudest that fell there went on as it.

use super::life::Life;
use super::lines::SHORT_LOWEST_HZ;
use super::mend::exchange_after;
use super::rest::Measured;

/// The least time that a low note stands, s, and the highest harmonic asked for.
const LEAST_S: f64 = 1.5;
const MOST_ORDER: u32 = 6;
/// How near to a multiple a harmonic is measured, Hz, besides its uncertainty, and how many uncertainties.
const EXACT_HZ: f64 = 0.02;
const SIGMAS: f64 = 5.0;
/// A note may be so much softer than a harmonic of it, in power, where the path falls off.
const SOFTEST: f64 = 0.03;
/// Harmonics that make a family where one of them is louder than the note.
const FEW: usize = 2;
/// How long before it was found at rest the note began to move at the latest, within how many times that frequency it was lost,
/// and how long before the rest what began is of the family, s.
const FELL_S: f64 = 1.0;
const NEARLY: f64 = 10.0;
const AROUND_S: f64 = 1.0;

/// Gives a low note at rest to the life that fell there, and leaves nothing to what followed its harmonics.
pub fn gather_low_family(lives: &mut [Life]) {
    let Some((found, note)) = lowest_family(lives) else { return };
    let fell = |l: &&Life| {
        let before: Vec<f64> =
            l.outline.iter().filter(|p| p.at_s < note.start_s + AROUND_S).map(|p| p.b.abs()).collect();
        let lowest = before.iter().copied().fold(f64::INFINITY, f64::min);
        l.moved()
            && l.first().0 < note.start_s - FELL_S
            && l.first().1.abs() > NEARLY * note.heard_hz
            && lowest < NEARLY * note.heard_hz
    };
    let fallen = lives.iter().enumerate().filter(|(_, l)| fell(l));
    let Some((mover, _)) = fallen.max_by(|(_, a), (_, b)| a.power.total_cmp(&b.power)) else { return };
    if mover != found {
        if fell(&&lives[found]) && !lives[found].rides_on(&lives[mover]) {
            return;
        }
        exchange_after(lives, mover, found, note.start_s - AROUND_S / 2.0);
    }
    let of_family = |m: &Measured| m.together_s(&note) > 0.0 && order_of(m, &note).is_some_and(|k| k > 1);
    for (i, life) in lives.iter_mut().enumerate() {
        life.rests.retain(|(m, _)| !of_family(m));
        if i != mover && life.born_s > note.start_s - AROUND_S && life.power < note.power / SOFTEST {
            life.has_not_moved();
        }
    }
}

/// The life and the rest of the lowest note that stands together with its harmonics.
fn lowest_family(lives: &[Life]) -> Option<(usize, Measured)> {
    let all = || lives.iter().enumerate().flat_map(|(i, l)| l.rests.iter().map(move |(m, _)| (i, m)));
    let is_note = |(i, m): &(usize, &Measured)| {
        let harmonics = all()
            .filter(|(j, o)| j != i && m.lies_over(o) && order_of(o, m).is_some_and(|k| k > 1))
            .map(|(_, o)| o.power);
        let (count, loudest) = harmonics.fold((0, 0.0f64), |(n, most), p| (n + 1, most.max(p)));
        let louder = m.power > loudest;
        count > 0 && m.power > SOFTEST * loudest && (louder || count >= FEW)
    };
    let low = |(_, m): &(usize, &Measured)| m.heard_hz < SHORT_LOWEST_HZ && m.end_s - m.start_s > LEAST_S;
    let note = all().filter(low).filter(is_note).min_by(|a, b| a.1.heard_hz.total_cmp(&b.1.heard_hz))?;
    Some((note.0, note.1.clone()))
}

/// Which harmonic of a note a rest is, as well as both are known.
fn order_of(m: &Measured, note: &Measured) -> Option<u32> {
    let order = (m.heard_hz / note.heard_hz).round();
    let u_hz = m.u_hz().hypot(order * note.u_hz());
    let near = (m.heard_hz - order * note.heard_hz).abs() < EXACT_HZ * order + SIGMAS * u_hz;
    (near && (1.0..=f64::from(MOST_ORDER)).contains(&order)).then_some(order as u32)
}

#[cfg(test)]
mod tests {
    use super::super::life::made::{life, rest};
    use super::*;

    /// A pulled note falls to 12.12 Hz; its own follower stays with what short frames see around 49 Hz, that of its second harmonic
    /// is found at 24.24 Hz, and another wanders among the higher ones.
    fn lives(second_hz: f64) -> Vec<Life> {
        vec![
            life(
                &[(0.0, 435.0, 4e-2), (2.8, 50.0, 2e-2), (15.0, 49.0, 4e-4)],
                vec![rest(6.1, 11.7, 48.49, 4e-4)],
            ),
            life(
                &[(0.0, 870.0, 2.7e-3), (2.8, 55.0, 2.6e-3), (3.3, 24.24, 5e-3), (15.0, 24.24, 5e-3)],
                vec![rest(3.0, 15.0, second_hz, 5e-3)],
            ),
            life(&[(3.0, 12.12, 2e-2), (15.0, 12.12, 2e-2)], vec![rest(3.0, 15.0, 12.12, 2e-2)]),
            life(
                &[(4.0, 36.4, 1.6e-3), (9.0, 85.0, 1e-5), (15.0, 61.0, 1e-4)],
                vec![rest(5.3, 8.1, 36.36, 1.6e-3)],
            ),
        ]
    }

    #[test]
    fn a_rich_note_is_gathered_where_it_stands() {
        let mut lives = lives(24.24);
        gather_low_family(&mut lives);
        let left: Vec<f64> = lives.iter().flat_map(|l| &l.rests).map(|(m, _)| m.heard_hz).collect();
        assert_eq!((lives[0].last_hz(), left), (12.12, vec![12.12]));
        assert!(lives[0].rests.len() == 1 && !lives[3].travelled);
    }

    /// What stands at no multiple of it is another line.
    #[test]
    fn a_low_line_alone_is_no_family() {
        let mut lives = lives(25.1);
        lives.truncate(3);
        lives[0].rests.clear();
        gather_low_family(&mut lives);
        assert!((lives[0].last_hz() - 49.0).abs() < 1e-9);
    }
}
