//! What a trainee is told.

use crate::offset::{Hand, Side, Turning};
use crate::task::rehearse::{Answer, Attempt, Grade, Marked, Practice};
use std::fmt::Write;

/// The task, without its answer.
pub fn task(practice: &Practice, file: &str) -> String {
    let hand = match practice.hand {
        Hand::Meter => "the meter",
        Hand::Signal => "the transmitter",
    };
    let way = match practice.turning {
        Some(Turning::Up) => "its frequency going up at first (--turning up)",
        Some(Turning::Down) => "its frequency going down at first (--turning down)",
        None => "nothing is turned",
    };
    format!(
        "{file}: {:.0} s, level {}: {}\nin the hand: {hand}, {way}\nHow far apart are they where the note comes to rest \
         at last, and on which side?\ncheck     hushbeat rehearse --check {file} OFFSET:SIDE, such as 62.4Hz:high\n",
        practice.duration_s,
        practice.level.word(),
        practice.level.about()
    )
}

/// The answer.
pub fn answer(answer: &Answer) -> String {
    let amount = format!("{:.2} Hz", answer.offset_hz);
    let mut text = format!(
        "answer    {}, {:.1} to {:.1} s ({:.2}Hz:{})\n",
        Hand::Meter.side_in_words(answer.side, &amount),
        answer.rest_s.0,
        answer.rest_s.1,
        answer.offset_hz,
        word(answer.side)
    );
    if answer.offset_hz - answer.heard_hz > 1.0 {
        let _ = writeln!(
            text,
            "heard     {:.2} Hz: coupled oscillators pull each other, so the note is lower\n          than the true offset",
            answer.heard_hz
        );
    }
    text
}

/// An attempt with its mark.
pub fn marked(attempt: &Attempt, marked: &Marked, right: &Answer) -> String {
    let grade = match marked.grade {
        Grade::Exact => "as near as it can be measured here",
        Grade::Close => "close: within 1 Hz",
        Grade::Near => "near: within 5 Hz, what an ear alone reaches",
        Grade::Off => "off",
    };
    let sign = if marked.difference_hz < 0.0 { "−" } else { "+" };
    let mut text = format!(
        "yours     {} Hz, {sign}{:.2} Hz from the answer: {grade}\n",
        attempt.offset_hz,
        marked.difference_hz.abs()
    );
    text += match marked.side_right {
        Some(true) => "side      right\n",
        Some(false) => {
            "side      the other one: a note that falls while the meter's frequency goes up\n          \
                        means that the meter is below\n"
        }
        None => "side      not said; the turning tells it\n",
    };
    if marked.as_heard && marked.grade != Grade::Exact {
        text += "pulling   that is the note as heard; loosen the coupling, or undo the pull\n";
    }
    if let Some(off) = marked.signal_off_hz {
        let _ = writeln!(text, "signal    your figure would put it {:.2} Hz off", off.abs());
    }
    text + &answer(right)
}

fn word(side: Side) -> &'static str {
    match side {
        Side::High => "high",
        Side::Low => "low",
        Side::Unknown => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::task::rehearse::{Level, make, mark};

    #[test]
    fn task_answer_and_mark_in_words() {
        let (practice, _) = make(Level::Pulling, 3).unwrap();
        let right = practice.answer;
        let told = task(&practice, "p.wav");
        assert!(!told.contains(&format!("{:.1}", right.offset_hz)) && !told.contains("answer"), "{told}");
        let tries = [
            (right.offset_hz + 0.02, right.side),
            (right.heard_hz, right.side.opposite()),
            (7.0, Side::Unknown),
        ];
        let told: String = tries
            .into_iter()
            .map(|(offset_hz, side)| {
                let attempt = Attempt { offset_hz: (offset_hz * 100.0).round() / 100.0, side };
                marked(&attempt, &mark(&right, &attempt), &right) + "\n"
            })
            .collect();
        insta::assert_snapshot!(task(&practice, "p.wav") + "\n" + &told);
    }
}
