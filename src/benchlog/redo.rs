//! The arithmetic of a kept entry, done again from what is kept.

use super::entry::{About, Entry};
use crate::correction::chain::{CardReference, CounterReference, CrystalReference};
use crate::correction::{Corrected, again, holds_on_paper};
use crate::report;

/// What doing it again came to.
#[derive(Debug, Clone, PartialEq)]
pub enum Redone {
    /// Every printed figure came out as it was kept; how many lines there are.
    Agrees {
        /// Printed lines compared.
        lines: usize,
    },
    /// Some did not: each line as kept and as redone.
    Differs {
        /// Kept, redone.
        lines: Vec<(String, String)>,
    },
    /// The record holds no sum that can be redone from the log alone; why.
    NotHere(&'static str),
}

/// Does the arithmetic of an entry again: the corrected frequency with its checks, budget, interval and verdict, the
/// sum on paper, and the figures that are listed. Compared is what is printed, to the last digit.
pub fn redo(entry: &Entry) -> Redone {
    let Some(result) = &entry.result else { return Redone::NotHere("there is no sum in it") };
    if let Some(link) = Link::of(entry) {
        return link.redo(&entry.about);
    }
    let Some(taken) = &entry.about.taken else {
        return Redone::NotHere("there is no sum of dial, book and beat in it");
    };
    let Ok(kept) = serde_json::from_value::<Corrected>(result.clone()) else {
        return Redone::NotHere("its record is not that of a corrected frequency");
    };
    if kept.checks.len() != taken.check_beats_hz.len() {
        return Redone::NotHere("check points and their beats do not belong together");
    }
    let again = again(&kept, taken);
    let (before, after) = (report::correct::text(&kept), report::correct::text(&again));
    let mut differing: Vec<(String, String)> = pairs(&before, &after);
    differing.extend(off_paper(&kept.line));
    let (before, after) = (entry.about.clone(), About::of(&again));
    let (before, after) = (listed(&before), listed(&after));
    differing.extend(pairs(&before, &after));
    judged(report::correct::text(&kept).lines().count() + before.lines().count(), differing)
}

/// A sum on paper whose printed operands do not give its printed result, and that this is so.
fn off_paper(line: &str) -> Option<(String, String)> {
    let wrong = !holds_on_paper(line);
    wrong.then(|| (line.to_owned(), "the printed operands do not give the printed result".to_owned()))
}

fn judged(lines: usize, differing: Vec<(String, String)>) -> Redone {
    if differing.is_empty() { Redone::Agrees { lines } } else { Redone::Differs { lines: differing } }
}

/// A link of the chain in an entry.
pub(super) enum Link {
    Crystal(CrystalReference),
    Counter(CounterReference),
    Card(CardReference),
}

impl Link {
    /// The link that an entry is about, if it is about one.
    pub fn of(entry: &Entry) -> Option<Self> {
        let record = entry.result.clone()?;
        match entry.kind.as_str() {
            "reference crystal" => serde_json::from_value(record).map(Self::Crystal).ok(),
            "reference counter" => serde_json::from_value(record).map(Self::Counter).ok(),
            "reference card" => serde_json::from_value(record).map(Self::Card).ok(),
            _ => None,
        }
    }

    /// As its command prints it.
    pub fn text(&self) -> String {
        match self {
            Self::Crystal(found) => report::reference::crystal(found),
            Self::Counter(found) => report::reference::counter(found),
            Self::Card(found) => report::reference::card(found),
        }
    }

    /// Worked out again; of a card, whose recordings are not in the log, the budget alone.
    fn again(&self) -> Self {
        match self {
            Self::Crystal(found) => Self::Crystal(found.again()),
            Self::Counter(found) => Self::Counter(found.again()),
            Self::Card(found) => Self::Card(CardReference { total: found.total.again(), ..found.clone() }),
        }
    }

    /// Its sum on paper; a card has none, its tones stand in a table.
    fn line(&self) -> Option<&str> {
        match self {
            Self::Crystal(found) => Some(&found.line),
            Self::Counter(found) => Some(&found.line),
            Self::Card(_) => None,
        }
    }

    fn about(&self) -> About {
        let (error_ppm, total) = match self {
            Self::Crystal(found) => (Some(found.error_ppm), &found.total),
            Self::Counter(found) => (Some(found.error_ppm), &found.total),
            Self::Card(found) => (found.error_ppm, &found.total),
        };
        About { error_u_ppm: error_ppm.map(|_| total.u_ppm), error_ppm, ..About::default() }
    }

    fn redo(&self, about: &About) -> Redone {
        let again = self.again();
        let mut differing = pairs(&self.text(), &again.text());
        differing.extend(self.line().and_then(off_paper));
        differing.extend(pairs(&super::list::outcome(about), &super::list::outcome(&again.about())));
        judged(self.text().lines().count() + 1, differing)
    }
}

impl About {
    /// What a corrected frequency says about itself in the list.
    pub fn of(record: &Corrected) -> Self {
        Self {
            offset_hz: record.offset_hz,
            side: record.offset_hz.map(|_| record.side),
            frequencies_hz: record.frequency_hz.map_or_else(|| record.alternatives_hz.clone(), |hz| vec![hz]),
            u_hz: Some(record.u_hz),
            expanded_u_hz: Some(record.expanded_u_hz),
            ..Self::default()
        }
    }
}

/// The listed figures as they are printed.
fn listed(about: &About) -> String {
    let offset = about.offset_hz.map_or_else(String::new, |hz| format!("{hz:.6}"));
    format!("{}\noffset {offset} Hz, {:?}\n", super::list::outcome(about), about.side)
}

fn pairs(before: &str, after: &str) -> Vec<(String, String)> {
    let rows = before.lines().count().max(after.lines().count());
    let line = |text: &str, at: usize| text.lines().nth(at).unwrap_or("(nothing)").trim().to_owned();
    (0..rows).map(|at| (line(before, at), line(after, at))).filter(|(kept, redone)| kept != redone).collect()
}
