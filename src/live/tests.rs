//! The screen in every state and at every size, and all cases of the sign rule, as they are seen.

use super::keys::Key;
use super::tests_support::{rest, snapshot};
use super::view::View;
use super::words::Against;
use super::{Clerk, HoldOff, Round, Signal, Teller, draw};
use crate::block::StreamFormat;
use crate::heard::{EndingState, Snapshot};
use crate::offset::{Hand, Offset, Side, Turning, side_from_turn};
use crate::session::{InputLevel, InputState, Update};
use crate::settings::{ChannelChoice, Command, Mains, Settings};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

#[cfg(unix)]
#[path = "../../tests/support/pty.rs"]
#[allow(dead_code, reason = "tests/terminal.rs uses the rest of it")]
mod pty;

const STEREO: StreamFormat = StreamFormat { rate_hz: 48_000, channels: 2 };

/// A screen as text; the frame shows where it ends.
fn screen(view: &View, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("a terminal of straw");
    terminal.draw(|frame| draw::draw(view, true, frame)).expect("drawn");
    let buffer = terminal.backend().buffer();
    let row = |y| (0..width).map(|x| buffer[(x, y)].symbol()).collect::<String>();
    let rows: Vec<String> = (0..height).map(|y| format!("|{}|", row(y))).collect();
    format!("{width}×{height}\n{}\n", rows.join("\n"))
}

/// The screen at every size that is tried.
fn screens(view: &View) -> String {
    [(80, 24), (120, 40), (40, 12), (1, 1)].map(|(width, height)| screen(view, width, height)).join("\n")
}

fn view(settings: Settings, against: Against) -> View {
    View::new(STEREO, settings, against, None)
}

fn good() -> InputLevel {
    InputLevel { peak_dbfs: Some(-12.0), clipped: false }
}

/// An update with a good input.
fn update(snapshot: Snapshot) -> Update {
    Update { snapshot: Some(snapshot), level: good(), ..Update::default() }
}

/// |b| in hertz while the hand turns: from 1200 down to 6.4 within eight seconds, then still.
fn falling(t: f64) -> f64 {
    let part = ((t - 4.0) / 8.0).clamp(0.0, 1.0);
    1200.0 * (6.4f64 / 1200.0).powf(part * part * (3.0 - 2.0 * part))
}

/// Twenty snapshots a second of a descent, up to `until_s`.
fn descend(view: &mut View, until_s: f64, side: Side) {
    for n in 0..(until_s * 20.0) as u32 {
        let t = f64::from(n) / 20.0;
        let mut moving = snapshot(EndingState::Moving);
        moving.at_s = t;
        moving.offset_hz = Some(falling(t));
        moving.u_hz = Some(2.0);
        moving.rate_hz_per_s = Some((falling(t + 0.01) - falling(t - 0.01)) / 0.02);
        moving.side = side;
        moving.hand = view.settings.hand;
        view.take(update(moving));
    }
}

/// The end of the descent: a rest.
fn resting(view: &View, at_s: f64, side: Side) -> Snapshot {
    let mut resting = snapshot(EndingState::Resting);
    (resting.at_s, resting.offset_hz, resting.u_hz) = (at_s, Some(6.4), Some(0.4));
    resting.rate_hz_per_s = Some(0.003);
    (resting.side, resting.hand) = (side, view.settings.hand);
    resting.rest = Some(rest(6.4137, 0.0121, side));
    resting
}

fn resting_from(view: &View, from_s: f64, to_s: f64) -> Snapshot {
    let mut resting = resting(view, to_s, Side::High);
    let of = resting.rest.as_mut().unwrap();
    (of.start_s, of.end_s, of.at_s) = (from_s, to_s, to_s);
    resting
}

#[test]
fn listening() {
    insta::assert_snapshot!(screens(&view(Settings::default(), Against::Signal)));
}

#[test]
fn no_note() {
    let mut view = view(Settings::default(), Against::Signal);
    view.take(update(snapshot(EndingState::Quiet)));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn closing_in_without_a_side() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 9.0, Side::Unknown);
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn going_away() {
    let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
    let mut view = view(settings, Against::Signal);
    let mut away = snapshot(EndingState::Moving);
    (away.offset_hz, away.u_hz, away.rate_hz_per_s) = (Some(1843.2), Some(11.0), Some(320.0));
    away.side = Side::High;
    view.take(update(away));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn at_rest() {
    let settings = Settings { turning: Some(Turning::Down), ..Settings::default() };
    let mut view = view(settings, Against::Signal);
    descend(&mut view, 22.0, Side::High);
    view.take(update(resting(&view, 22.0, Side::High)));
    assert_eq!(view.press(Key::Mark), None);
    assert_eq!(view.marks.len(), 1);
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn at_rest_without_a_side() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 22.0, Side::Unknown);
    view.take(update(resting(&view, 22.0, Side::Unknown)));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn within_its_uncertainty_of_zero() {
    let mut view = view(Settings::default(), Against::Signal);
    let mut near = resting(&view, 22.0, Side::Low);
    near.rest = Some(rest(0.031, 0.027, Side::Low));
    view.take(update(near));
    insta::assert_snapshot!(screen(&view, 80, 24));
}

#[test]
fn in_the_dead_band() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 10.2, Side::Low);
    let mut deaf = snapshot(EndingState::DeadBand);
    (deaf.at_s, deaf.side, deaf.bound_hz) = (12.0, Side::Low, Some(18.3));
    view.take(update(deaf));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn locked() {
    let mut view = view(Settings::default(), Against::Signal);
    view.take(update(snapshot(EndingState::Locked)));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn lost() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 9.0, Side::Low);
    let mut lost = snapshot(EndingState::Lost);
    lost.at_s = 11.0;
    view.take(update(lost));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn a_note_that_is_eaten() {
    let mut view = view(Settings::default(), Against::Signal);
    for n in 0..60u32 {
        let mut eaten = snapshot(EndingState::Resting);
        eaten.at_s = f64::from(n) / 20.0;
        (eaten.offset_hz, eaten.u_hz) = (Some(431.2), Some(0.2));
        eaten.level_db = -20.0 - 0.4 * f64::from(n);
        view.take(update(eaten));
    }
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn the_input_gone() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 9.0, Side::Low);
    let why = "the sound input went away".to_owned();
    let attempt = Some("sound input default is in use".to_owned());
    view.take(Update { input: InputState::Gone { why, attempt }, ..view.update.clone() });
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn the_input_silent() {
    let mut view = view(Settings::default(), Against::Signal);
    view.take(Update { input: InputState::Silent(7.4), ..Update::default() });
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn inputs_that_are_not_good() {
    let mut view = view(Settings::default(), Against::Signal);
    let mut shown = String::new();
    let mut show = |peak: f64, clipped, input, keep_failed: Option<&str>| {
        let mut quiet = snapshot(EndingState::Quiet);
        quiet.lost_samples = 960;
        let level = InputLevel { peak_dbfs: Some(peak), clipped };
        view.take(Update {
            snapshot: Some(quiet),
            level,
            input,
            gaps: 2,
            keep_failed: keep_failed.map(str::to_owned),
        });
        let screen = screen(&view, 80, 5);
        shown += screen.lines().last().expect("five lines");
        shown.push('\n');
    };
    show(0.0, true, InputState::Flowing, None);
    show(-63.2, false, InputState::Flowing, None);
    show(f64::NEG_INFINITY, false, InputState::Flowing, None);
    show(-9.0, false, InputState::Leaking(0.018), None);
    show(-9.0, false, InputState::Flowing, Some("evening.wav: can't be written (no space left on device)"));
    insta::assert_snapshot!(shown);
}

#[test]
fn help() {
    let mut view = view(Settings::default(), Against::Signal);
    view.press(Key::Help);
    insta::assert_snapshot!(screens(&view));
    view.press(Key::Help);
    assert!(!view.help);
}

#[test]
fn on_a_check_point() {
    let against = Against::CheckPoint { crystal: 7, meter: 2 };
    let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
    let mut view = view(settings, against);
    descend(&mut view, 22.0, Side::Low);
    view.take(update(resting(&view, 22.0, Side::Low)));
    insta::assert_snapshot!(screens(&view));
}

#[test]
fn with_the_dial_known() {
    let clerk: Clerk = Box::new(|offset| match *offset {
        Offset::Heard { offset_hz, side, .. } => Some(Signal {
            frequencies_hz: match side.sign() {
                Some(sign) => vec![2_125_000.0 - sign * offset_hz],
                None => vec![2_125_000.0 - offset_hz, 2_125_000.0 + offset_hz],
            },
            u_hz: 4.2,
            expanded_u_hz: 8.4,
            from_target_hz: side.sign().map(|_| -31.7),
        }),
        Offset::Within { .. } => None,
    });
    let mut view = View::new(STEREO, Settings::default(), Against::Signal, Some(clerk));
    view.take(update(resting(&view, 22.0, Side::High)));
    let known = screen(&view, 80, 24);
    view.press(Key::Mark);
    assert_eq!(view.marks[0].signal.as_ref().map(|s| s.frequencies_hz.len()), Some(1));
    view.take(update(resting(&view, 22.5, Side::Unknown)));
    insta::assert_snapshot!(known + &screen(&view, 80, 24));
}

/// hand × turning × the note falling or rising: sign(b) = h·t·ρ decides the side, and the words turn it into what the
/// one in the hand must do. Seen while it moves and when it rests.
#[test]
fn all_eight_sign_cases() {
    let mut shown = String::new();
    for hand in [Hand::Meter, Hand::Signal] {
        for turning in [Turning::Up, Turning::Down] {
            for rate in [-40.0, 40.0] {
                let settings = Settings { hand, turning: Some(turning), ..Settings::default() };
                let mut view = view(settings, Against::Signal);
                let side = side_from_turn(hand, turning, rate);
                let mut moving = snapshot(EndingState::Moving);
                (moving.offset_hz, moving.u_hz, moving.rate_hz_per_s) = (Some(64.0), Some(2.0), Some(rate));
                (moving.side, moving.hand) = (side, hand);
                view.take(update(moving));
                let note = if rate < 0.0 { "falling" } else { "rising" };
                shown.extend([
                    format!("— {hand:?} in the hand, turned {turning:?}, note {note} —\n"),
                    screen(&view, 80, 24),
                ]);
                view.take(update(resting(&view, 30.0, side)));
                shown += &screen(&view, 80, 24);
            }
        }
    }
    insta::assert_snapshot!(shown);
}

/// From nothing to larger than any terminal: drawing never fails, whatever the state.
#[test]
fn any_size_can_be_drawn() {
    let mut view = view(Settings::default(), Against::Signal);
    descend(&mut view, 22.0, Side::Low);
    let mut deaf = snapshot(EndingState::DeadBand);
    (deaf.at_s, deaf.bound_hz) = (22.0, Some(18.3));
    for state in [view.update.clone(), update(resting(&view, 22.0, Side::Low)), update(deaf)] {
        view.take(state);
        for width in (0..=45).chain([79, 80, 200, 500]) {
            for height in (0..=25).chain([39, 200]) {
                let mut terminal =
                    Terminal::new(TestBackend::new(width, height)).expect("a terminal of straw");
                terminal.draw(|frame| draw::draw(&view, false, frame)).expect("drawn");
            }
        }
        view.press(Key::Help);
        screen(&view, 3, 2);
        view.press(Key::Help);
    }
}

#[test]
fn keys_declare_what_they_say() {
    use {Command as C, Key as K};
    let mut view = view(Settings::default(), Against::Signal);
    let turned = |t| Some(C::Turning(t));
    let channel = |c| Some(C::Channel(c));
    let mains = |m| Some(C::Mains(m));
    for (key, command) in [
        (K::Up, turned(Some(Turning::Up))),
        (K::Down, turned(Some(Turning::Down))),
        (K::NoTurning, turned(None)),
        (K::Up, turned(Some(Turning::Up))),
        (K::Hand, Some(C::Hand(Hand::Signal))),
        (K::Hand, Some(C::Hand(Hand::Meter))),
        (K::Channel, channel(ChannelChoice::Number(1))),
        (K::Channel, channel(ChannelChoice::Number(2))),
        (K::Channel, channel(ChannelChoice::Auto)),
        (K::Mains, mains(Mains::Near(50.0))),
        (K::Mains, mains(Mains::Near(60.0))),
        (K::Mains, mains(Mains::Off)),
        (K::Mains, mains(Mains::Auto)),
        (K::Mark, None),
        (K::Leave, None),
    ] {
        assert_eq!(view.press(key), command, "{key:?}");
    }
    assert_eq!(view.settings, Settings::default(), "the other oscillator's turning is not this one's");
    assert_eq!(view.answer(), Some("no rest to mark: hold the note still"));
    assert!(view.left && view.marks.is_empty());
}

#[test]
fn plain_lines_tell_each_change_once() {
    let mut teller = Teller::new(Against::Signal, true, None);
    let mut view = view(Settings { turning: Some(Turning::Down), ..Settings::default() }, Against::Signal);
    let mut lines = teller.tell(&Update::default());
    let mut quiet = snapshot(EndingState::Quiet);
    quiet.hand = Hand::Meter;
    lines.extend(teller.tell(&update(quiet)));
    for n in 1..240u32 {
        let until = f64::from(n) / 20.0;
        descend(&mut view, until, Side::High);
        lines.extend(teller.tell(&view.update));
    }
    for n in 0..100u32 {
        lines.extend(teller.tell(&update(resting(&view, 12.0 + f64::from(n) / 20.0, Side::High))));
    }
    let why = "the sound input went away".to_owned();
    let gone = Update { input: InputState::Gone { why, attempt: None }, gaps: 1, ..view.update.clone() };
    lines.extend(teller.tell(&gone));
    lines.extend(teller.tell(&gone));
    insta::assert_snapshot!(lines.join("\n"));
}

/// The process that panics: the screen is up, and another thread fails.
#[cfg(unix)]
#[test]
#[ignore = "is the process that the other test runs on a terminal"]
fn panics_with_the_screen_up() {
    let mut up = super::screen::Screen::open(true).expect("a terminal");
    up.draw(&view(Settings::default(), Against::default())).expect("drawn");
    std::thread::spawn(|| panic!("a fault on purpose")).join().expect_err("it panics");
    panic!("and another");
}

#[cfg(unix)]
#[test]
fn a_panic_leaves_a_terminal_on_which_it_can_be_read() {
    let program = std::env::current_exe().expect("this program");
    let line = format!(
        "{} --exact live::tests::panics_with_the_screen_up --ignored --nocapture --test-threads 1",
        program.display()
    );
    // A trace of calls would push the message off the top.
    let brief = |command: &mut std::process::Command| {
        command.env("RUST_BACKTRACE", "0");
    };
    let Some(terminal) = pty::Terminal::run(&line, brief) else { return };
    let shown = terminal.ends_well(101);
    assert!(shown.contains("a fault on purpose") || shown.contains("and another"), "{shown}");
}

/// Held 275 Hz above 3520 kHz with the transmitter in the hand: the screen shows its distance to the target, and on which
/// side; with the side unknown both answers.
#[test]
fn held_off_the_target() {
    let held = HoldOff { target_hz: 3.52e6, beat_hz: 275.0, signal_harmonic: 1 };
    let settings = Settings { hand: Hand::Signal, turning: Some(Turning::Up), ..Settings::default() };
    let mut view = view(settings, Against::HoldOff(held));
    let mut moving = snapshot(EndingState::Moving);
    (moving.at_s, moving.offset_hz, moving.u_hz, moving.rate_hz_per_s) =
        (3.0, Some(301.0), Some(2.0), Some(-20.0));
    (moving.side, moving.hand) = (Side::High, Hand::Signal);
    view.take(update(moving));
    let mut shown = screen(&view, 80, 24);
    let at = |side| {
        let mut resting = resting(&view, 6.0, side);
        (resting.offset_hz, resting.rest) = (Some(271.4), Some(rest(271.4137, 0.0121, side)));
        update(resting)
    };
    let (known, unknown) = (at(Side::High), at(Side::Unknown));
    view.take(known);
    let (distance, u) = view.shown().unwrap();
    assert!((distance - 3.5863).abs() < 1e-9 && (u.unwrap() - 0.0121).abs() < 1e-12);
    shown += &screen(&view, 80, 24);
    view.take(unknown);
    shown += &screen(&view, 80, 24);
    insta::assert_snapshot!(shown);
}

/// A label is typed for the rest that stood when `l` was pressed; a list gives every mark the next.
#[test]
fn rests_get_labels() {
    use Key as K;
    let mut view = view(Settings::default(), Against::Signal);
    view.press(K::Label);
    assert!(!view.is_typing(), "there is no rest to label");
    view.take(update(resting(&view, 22.0, Side::High)));
    view.press(K::Label);
    view.take(update(snapshot(EndingState::Lost)));
    for letter in "K 1x".chars() {
        view.press(K::Letter(letter));
    }
    view.press(K::Erase);
    assert!(view.is_typing() && screen(&view, 80, 24).contains("label for this rest: K 1_"));
    view.press(K::Done);
    assert_eq!(view.marks[0].label.as_deref(), Some("K 1"));
    assert!((view.marks[0].rest.offset_hz - 6.4137).abs() < 1e-9);
    view.take(update(resting(&view, 23.0, Side::High)));
    view.press(K::Label);
    view.press(K::Drop);
    assert!(!view.is_typing() && view.marks.len() == 1);

    let list = ["NCS", "A"].map(str::to_owned).into_iter().collect();
    let mut view = self::view(Settings::default(), Against::Signal).with_round(Some(Round::Stations(list)));
    view.take(update(resting(&view, 22.0, Side::High)));
    assert_eq!(view.words().advice, "next NCS: space marks its rest");
    for from_s in [3.0, 9.0, 15.0] {
        // What is marked twice while it rests is still of one station.
        for to_s in [from_s + 2.0, from_s + 5.0] {
            view.take(update(resting_from(&view, from_s, to_s)));
            view.press(K::Mark);
        }
    }
    assert!(view.marks.iter().all(|mark| mark.rest.end_s - mark.rest.start_s > 4.0));
    let labels: Vec<Option<&str>> = view.marks.iter().map(|mark| mark.label.as_deref()).collect();
    assert_eq!(labels, [Some("NCS"), Some("A"), None]);
    assert_eq!(view.words().advice, "all have been heard; q prints them");
}

/// Check point and then signal: the first mark makes the clerk of the second.
#[test]
fn a_transfer_is_led_through() {
    let clerk_of = |check: &Offset| -> Clerk {
        let Offset::Heard { offset_hz: by_check, .. } = *check else { panic!("a rest") };
        Box::new(move |offset| match *offset {
            Offset::Heard { offset_hz, .. } => Some(Signal {
                frequencies_hz: vec![1000.0 + by_check - offset_hz],
                u_hz: 0.5,
                expanded_u_hz: 1.0,
                from_target_hz: None,
            }),
            Offset::Within { .. } => None,
        })
    };
    let round = Round::Transfer(7, 2, Box::new(clerk_of));
    let mut view = view(Settings::default(), Against::Signal).with_round(Some(round));
    view.take(update(resting(&view, 22.0, Side::Unknown)));
    assert!(view.words().advice.starts_with("1 of 2: crystal on, rest beside 7/2"));
    view.press(Key::Mark);
    assert!(view.marks.is_empty() && view.answer().unwrap().contains("side is not known"));
    view.take(update(resting(&view, 23.0, Side::High)));
    view.press(Key::Mark);
    assert_eq!(view.marks[0].label.as_deref(), Some("check 7/2"));
    assert!(view.words().advice.starts_with("2 of 2: leave the dial"));
    view.take(update(resting(&view, 23.5, Side::High)));
    view.press(Key::Mark);
    assert_eq!(view.marks.len(), 1, "that is still the check's rest");
    view.take(update(resting_from(&view, 23.8, 24.0)));
    view.press(Key::Mark);
    let signal = view.marks[1].signal.as_ref().unwrap();
    assert!((signal.frequencies_hz[0] - 1000.0).abs() < 1e-9);
    assert_eq!(view.words().advice, "done: q prints it");
}
