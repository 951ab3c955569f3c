//! The session with sound and ear of straw: what is pushed when, what is told, what is survived.

use super::*;
use crate::block::{Loss, SampleBlock};
use crate::heard::{Ending, EndingState, Heard, Level};
use crate::offset::{Hand, Side, Turning};
use crate::pipeline::Sink;
use crate::source::beside::{self, Note};
use crate::source::inflow::{Fault, Faults, Inflow, Pace, Running};
use crate::source::ring::{Feed, ring};
use std::sync::{Arc, Mutex};

const MONO: StreamFormat = StreamFormat { rate_hz: 1000, channels: 1 };
const QUICK: Waits = Waits {
    card: Duration::from_micros(50),
    retry: Duration::from_micros(100),
    silent: Duration::from_millis(1),
    reopen: Duration::from_millis(2),
    opening: Duration::from_secs(20),
    tell: Duration::from_micros(50),
};

/// What the ear of straw was given.
#[derive(Debug, Clone, PartialEq)]
enum Given {
    Sound { first: u64, frames: usize, lost: Option<Loss> },
    Command(u64, Command),
}

#[derive(Clone, Default)]
struct Straw(Arc<Mutex<Vec<Given>>>);

impl Straw {
    /// What was given, with adjoining sound put together.
    fn given(&self) -> Vec<Given> {
        let mut joined: Vec<Given> = Vec::new();
        for given in self.0.lock().expect("no test panics in between").iter().cloned() {
            match (joined.last_mut(), given) {
                (Some(Given::Sound { frames, .. }), Given::Sound { frames: more, lost: None, .. }) => {
                    *frames += more;
                }
                (_, given) => joined.push(given),
            }
        }
        joined
    }
}

impl Ear for Straw {
    fn push(&mut self, block: &SampleBlock, sink: &mut dyn Sink) {
        let (first, frames) = (block.first_frame, block.samples.len());
        self.0.lock().expect("no panic").push(Given::Sound { first, frames, lost: block.lost_before });
        sink.snapshot(&Snapshot {
            at_s: first as f64 / 1000.0,
            state: EndingState::Quiet,
            offset_hz: None,
            u_hz: None,
            side: Side::Unknown,
            hand: Hand::Meter,
            rate_hz_per_s: None,
            level_db: -60.0,
            rest: None,
            lost_samples: 0,
            bound_hz: None,
            notes: None,
        });
    }

    fn command(&mut self, at_frame: u64, command: Command) {
        self.0.lock().expect("no panic").push(Given::Command(at_frame, command));
    }

    fn finish(self, _sink: &mut dyn Sink) -> Finished {
        Finished {
            heard: Heard {
                rests: vec![],
                ending: Ending {
                    state: EndingState::Quiet,
                    at_s: 0.0,
                    offset_hz: None,
                    bound_hz: None,
                    side: Side::Unknown,
                },
                crossings: vec![],
                steady_notes: vec![],
                hum: None,
                level: Level::default(),
                warnings: vec![],
            },
            channel_used: 1,
            frames: 0,
        }
    }
}

/// One opening of the sound of straw.
enum Opening {
    /// So many frames, and then this fault, or the end.
    Gives(usize, Option<Fault>),
    /// Nothing for ever.
    Hangs,
    /// So many frames, and then nothing for ever.
    Stalls(usize),
    /// Far more than the clock allows.
    Floods,
    Refuses,
    /// Another format.
    Differs,
}

struct Scripted {
    openings: std::vec::IntoIter<Opening>,
    pace: Pace,
}

fn scripted(openings: Vec<Opening>, pace: Pace) -> Scripted {
    Scripted { openings: openings.into_iter(), pace }
}

struct Holds(Option<Feed>);
impl Running for Holds {
    fn close(self: Box<Self>) -> Result<Vec<String>, SoundError> {
        drop(self.0);
        Ok(vec![])
    }
}

impl Sound for Scripted {
    fn open(&mut self) -> Result<Inflow, SoundError> {
        let faults = Arc::new(Faults::default());
        let (mut feed, tap) = ring(MONO, 100.0);
        let mut format = MONO;
        let feed = match self.openings.next() {
            Some(Opening::Gives(frames, fault)) => {
                feed.push(&vec![0.25f32; frames], |s| s);
                fault.map(|fault| {
                    faults.fatal(fault);
                    feed
                })
            }
            Some(Opening::Hangs) => Some(feed),
            Some(Opening::Stalls(frames)) => {
                feed.push(&vec![0.25f32; frames], |s| s);
                Some(feed)
            }
            Some(Opening::Floods) => {
                feed.push(&vec![0.0f32; 90_000], |s| s);
                Some(feed)
            }
            Some(Opening::Differs) => {
                format.channels = 2;
                Some(feed)
            }
            Some(Opening::Refuses) | None => return Err(SoundError::Other("refused".to_owned())),
        };
        let running = Box::new(Holds(feed));
        let (name, words) = ("straw".to_owned(), "none".to_owned());
        Ok(Inflow { format, name, words, tap, faults, pace: self.pace, running })
    }
}

const WAITS: Pace = Pace::Waits(Duration::from_micros(50));

fn start(sound: Scripted, options: Options) -> (Session, Straw) {
    let straw = Straw::default();
    let ear = straw.clone();
    let session = Session::start_with(sound, options, move |_, _| Ok(ear), QUICK).expect("it opens");
    (session, straw)
}

/// Takes updates until the end.
fn all_updates(session: &Session) -> Vec<Update> {
    let mut updates = Vec::new();
    loop {
        match session.next_update(Duration::from_secs(20)) {
            Next::Update(update) => updates.push(*update),
            Next::Ended => return updates,
            Next::Nothing => panic!("twenty seconds without a word"),
        }
    }
}

fn whole(first: u64, frames: usize) -> Given {
    Given::Sound { first, frames, lost: None }
}

#[test]
fn all_of_a_recording_is_heard_and_every_snapshot_told() {
    let (session, straw) = start(scripted(vec![Opening::Gives(4321, None)], WAITS), Options::default());
    let updates = all_updates(&session);
    assert_eq!(straw.given(), [whole(0, 4321)]);
    let mut seen: Vec<f64> = updates.iter().filter_map(|u| u.snapshot.as_ref().map(|s| s.at_s)).collect();
    seen.dedup();
    assert_eq!(seen.len(), 4321usize.div_ceil(50));
    let outcome = session.finish().expect("nothing went wrong");
    assert_eq!((outcome.name.as_str(), outcome.notes.len()), ("straw", 0));
}

#[test]
fn it_ends_at_the_frame_it_is_told_to() {
    let options = Options { seconds: Some(1.234), ..Options::default() };
    let (session, straw) = start(scripted(vec![Opening::Gives(5000, None)], WAITS), options);
    all_updates(&session);
    assert_eq!(straw.given(), [whole(0, 1234)]);
}

#[test]
fn declarations_of_a_kept_recording_come_at_their_frames() {
    let up = Command::Turning(Some(Turning::Up));
    let signal = Command::Hand(Hand::Signal);
    let declared = vec![(0, signal), (777, up), (777, signal)];
    let options = Options { declared, ..Options::default() };
    let (session, straw) = start(scripted(vec![Opening::Gives(1000, None)], WAITS), options);
    all_updates(&session);
    let expected = [
        Given::Command(0, signal),
        whole(0, 777),
        Given::Command(777, up),
        Given::Command(777, signal),
        whole(777, 223),
    ];
    assert_eq!(straw.given(), expected);
}

#[test]
fn a_declaration_by_key_is_stamped_kept_and_stops_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let wav = folder.path().join("kept.wav");
    let (session, straw) = start(
        scripted(vec![Opening::Hangs], Pace::Card),
        Options { keep: Some(wav.clone()), ..Options::default() },
    );
    session.declare(Command::Turning(Some(Turning::Down)));
    session.finish().expect("a stop is no fault");
    assert_eq!(straw.given(), [Given::Command(0, Command::Turning(Some(Turning::Down)))]);
    let notes = beside::read(&wav).expect("readable");
    assert_eq!(notes, [(0, Note::Declared(Command::Turning(Some(Turning::Down))))]);
}

#[test]
fn a_lost_card_is_got_back_and_the_time_is_a_gap() {
    let openings = vec![
        Opening::Gives(500, Some(Fault::Gone)),
        Opening::Refuses,
        Opening::Differs,
        Opening::Gives(300, None),
    ];
    let (session, straw) = start(scripted(openings, Pace::Card), Options::default());
    let updates = all_updates(&session);
    let given = straw.given();
    let [first, Given::Sound { first: again, frames: 300, lost: Some(Loss::Unknown) }] = &given[..] else {
        panic!("{given:?}");
    };
    assert_eq!(*first, whole(0, 500));
    assert!(*again >= 500);
    let gone: Vec<_> = updates
        .iter()
        .filter_map(|u| match &u.input {
            InputState::Gone { why, attempt } => Some((why.as_str(), attempt.as_deref())),
            _ => None,
        })
        .collect();
    assert_eq!(gone[0], ("the sound input went away", None));
    // How often each state is shown is up to the scheduler.
    let mut attempts: Vec<_> = gone.iter().filter_map(|g| g.1).collect();
    attempts.dedup();
    assert_eq!(attempts, ["refused", "it came back with 1000 Hz and 2 channels instead of 1000 Hz and 1"]);
    assert_eq!(updates.last().map(|u| (u.gaps, u.input.clone())), Some((1, InputState::Flowing)));
    let outcome = session.finish().expect("it went on");
    assert!(
        outcome.notes[0].starts_with("the sound input went away; it was back after "),
        "{:?}",
        outcome.notes
    );
}

#[test]
fn a_card_that_hangs_is_opened_anew_and_the_time_is_a_gap() {
    let openings = vec![Opening::Stalls(400), Opening::Refuses, Opening::Gives(300, None)];
    let (session, straw) = start(scripted(openings, Pace::Card), Options::default());
    let updates = all_updates(&session);
    let given = straw.given();
    let [first, Given::Sound { first: again, frames: 300, lost: Some(Loss::Unknown) }] = &given[..] else {
        panic!("{given:?}");
    };
    assert_eq!(*first, whole(0, 400));
    assert!(*again > 400);
    assert!(updates.iter().any(|u| matches!(u.input, InputState::Silent(_))));
    let outcome = session.finish().expect("it went on");
    assert!(
        outcome.notes[0].starts_with("the sound input fell silent; it was back after "),
        "{:?}",
        outcome.notes
    );
}

#[test]
fn a_stop_is_heeded_while_the_card_is_away() {
    let (session, straw) =
        start(scripted(vec![Opening::Gives(10, Some(Fault::Broken))], Pace::Card), Options::default());
    while !matches!(session.next_update(Duration::from_secs(20)), Next::Update(u) if matches!(u.input, InputState::Gone { attempt: Some(_), .. }))
    {
    }
    session.finish().expect("a stop is no fault");
    assert_eq!(straw.given(), [whole(0, 10)]);
}

#[test]
fn what_is_no_card_is_refused() {
    let (session, _) = start(scripted(vec![Opening::Floods], Pace::Card), Options::default());
    all_updates(&session);
    let error = session.finish().expect_err("ninety seconds of sound at once");
    assert!(matches!(&error, SessionError::Runaway(name) if name == "straw"), "{error}");
}

#[test]
fn what_does_not_open_is_an_error_of_the_start() {
    let sound = scripted(vec![Opening::Refuses], WAITS);
    let straw = Straw::default();
    let error = Session::start_with(sound, Options::default(), move |_, _| Ok(straw), QUICK).err();
    assert_eq!(error.map(|e| e.to_string()).as_deref(), Some("refused"));
}
