//! The analysis thread: fetches, keeps, analyses, tells; loses the input and gets it back.

use super::meter::Meter;
use super::opener::Opener;
use super::watch::{Verdict, Watch};
use super::{InputState, Opened, Options, Order, Outcome, SessionError, Update};
use crate::block::{Loss, SampleBlock, StreamFormat};
use crate::clock::Clock;
use crate::heard::Snapshot;
use crate::pipeline::{Finished, Pipeline, PipelineError, Sink};
use crate::settings::{Command, Settings};
use crate::source::beside::{Note, Scribe};
use crate::source::inflow::{Inflow, Pace, Sound};
use crate::source::keep::Keeper;
use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError};
use std::time::{Duration, Instant};

/// The waits of the thread.
#[derive(Debug, Clone, Copy)]
pub(super) struct Waits {
    /// How often a card is looked at.
    pub card: Duration,
    /// Between attempts to get a lost input back.
    pub retry: Duration,
    /// How long an input may be silent before it is told.
    pub silent: Duration,
    /// How long before it is opened anew.
    pub reopen: Duration,
    /// How long the first opening may take.
    pub opening: Duration,
    /// How often the state is told while the ear says nothing.
    pub tell: Duration,
}

impl Default for Waits {
    fn default() -> Self {
        // A card is looked at twice for every portion that it hands over.
        Self {
            card: Duration::from_millis(10),
            retry: Duration::from_millis(500),
            silent: Duration::from_secs(2),
            reopen: Duration::from_secs(3),
            opening: Duration::from_secs(15),
            tell: Duration::from_millis(250),
        }
    }
}

/// The most sound taken at once, s: the screen must not wait for a backlog.
const PORTION_S: f64 = 0.05;
/// How much longer than asked to wait for the last sound of a card that has fallen silent.
const PATIENCE: Duration = Duration::from_secs(2);

/// What listens to the sound: the pipeline, or a stand-in in tests.
pub(super) trait Ear {
    fn push(&mut self, block: &SampleBlock, sink: &mut dyn Sink);
    fn command(&mut self, at_frame: u64, command: Command);
    fn finish(self, sink: &mut dyn Sink) -> Finished;
}

impl Ear for Pipeline {
    fn push(&mut self, block: &SampleBlock, sink: &mut dyn Sink) {
        Pipeline::push(self, block, sink);
    }
    fn command(&mut self, at_frame: u64, command: Command) {
        Pipeline::command(self, at_frame, command);
    }
    fn finish(self, sink: &mut dyn Sink) -> Finished {
        Pipeline::finish(self, sink)
    }
}

/// Why the loop over the sound was left.
enum Left {
    Ended,
    Lost(&'static str),
    /// It had been silent for so long, but could be opened anew.
    Replaced(Box<Inflow>, Duration),
}

/// The body of the thread.
pub(super) fn run<E: Ear>(
    sound: impl Sound + 'static,
    options: Options,
    ear: impl FnOnce(StreamFormat, &Settings) -> Result<E, PipelineError>,
    orders: &Receiver<Order>,
    updates: SyncSender<Update>,
    opened: &SyncSender<Opened>,
    waits: Waits,
) -> Result<Outcome, SessionError> {
    let mut opener = Opener::new(sound);
    opener.ask();
    let begun = match opener.answer(waits.opening) {
        None => Err(SessionError::NoAnswer),
        Some(Err(error)) => Err(error.into()),
        Some(Ok(inflow)) => {
            Analysis::begin(&inflow, options, ear, orders, updates).map(|begun| (begun, inflow))
        }
    };
    // Nobody waiting any more is as good as an order to stop, which the loop finds out by itself.
    let (mut analysis, mut inflow) = match begun {
        Ok(begun) => begun,
        Err(error) => {
            let _ = opened.send(Err(error));
            return Err(SessionError::Broken);
        }
    };
    let _ = opened.send(Ok((inflow.format, inflow.name.clone())));
    loop {
        let left = analysis.listen(&mut inflow, &mut opener, waits)?;
        let (name, words) = (inflow.name.clone(), inflow.words.clone());
        analysis.take_leave(inflow);
        let back = match left {
            Left::Ended => None,
            Left::Lost(why) => analysis.get_back(&mut opener, why, waits.retry),
            Left::Replaced(inflow, silent) => {
                analysis.go_on_with(*inflow, silent, "the sound input fell silent").ok()
            }
        };
        inflow = match back {
            Some(inflow) => inflow,
            None => return Ok(analysis.finish(name, words)),
        };
    }
}

struct Analysis<'a, E> {
    ear: E,
    format: StreamFormat,
    orders: &'a Receiver<Order>,
    /// A stop was ordered, or nobody listens any more.
    stopped: bool,
    out: Outbox,
    meter: Meter,
    keeping: Option<(Keeper, Scribe)>,
    /// Declarations of a kept recording that are still to come.
    to_come: VecDeque<(u64, Command)>,
    /// Listen up to this frame.
    end: Option<u64>,
    /// The frame that comes next.
    next_frame: u64,
    notes: Vec<String>,
    broke_off: Option<String>,
}

impl<'a, E: Ear> Analysis<'a, E> {
    fn begin(
        inflow: &Inflow,
        options: Options,
        ear: impl FnOnce(StreamFormat, &Settings) -> Result<E, PipelineError>,
        orders: &'a Receiver<Order>,
        updates: SyncSender<Update>,
    ) -> Result<Self, SessionError> {
        let format = inflow.format;
        let ear = ear(format, &options.settings)?;
        let keeping = match &options.keep {
            Some(path) => {
                let (keeper, mut scribe) = (Keeper::create(path, format)?, Scribe::begin(path)?);
                if inflow.pace == Pace::Card {
                    scribe.input(&inflow.name)?;
                }
                Some((keeper, scribe))
            }
            None => None,
        };
        Ok(Self {
            ear,
            format,
            orders,
            stopped: false,
            out: Outbox { updates, now: Update::default(), waits: inflow.pace != Pace::Card, unread: false },
            meter: Meter::new(format),
            keeping,
            to_come: options.declared.into(),
            end: options.seconds.map(|seconds| (seconds * f64::from(format.rate_hz)).round() as u64),
            next_frame: 0,
            notes: Vec::new(),
            broke_off: None,
        })
    }

    /// Listens until the sound ends, is lost, or a stop is ordered.
    fn listen(
        &mut self,
        inflow: &mut Inflow,
        opener: &mut Opener,
        waits: Waits,
    ) -> Result<Left, SessionError> {
        let portion = ((f64::from(self.format.rate_hz) * PORTION_S) as usize).max(1);
        let idle = match inflow.pace {
            Pace::Card => waits.card,
            Pace::Waits(idle) => idle,
        };
        let opened = Instant::now();
        let mut watch = (inflow.pace == Pace::Card).then(|| Watch::new(self.format.rate_hz, waits.silent));
        let mut block = SampleBlock::default();
        let mut told = opened;
        loop {
            while !self.is_over() && inflow.tap.next_block(&mut block, self.until_next(portion)) {
                self.take(&mut block);
                self.obey_waiting();
            }
            if self.is_over() || inflow.tap.has_ended() {
                return Ok(Left::Ended);
            }
            if let Some(fault) = inflow.faults.reason() {
                return Ok(Left::Lost(fault.words()));
            }
            if let Some(watch) = &mut watch {
                let verdict =
                    watch.look(opened.elapsed().as_secs_f64(), inflow.tap.taken() + inflow.tap.lost());
                self.heed(verdict, &inflow.name)?;
                if let Some(left) = self.replace(verdict, opener, waits.reopen) {
                    return Ok(left);
                }
                if self.end.is_some_and(|end| self.is_late(opened, end)) {
                    return Ok(Left::Ended);
                }
            }
            if told.elapsed() >= waits.tell {
                told = Instant::now();
                self.out.tell();
            }
            self.obey_within(idle);
        }
    }

    /// The most frames to take so that nothing declared or to be ended falls within them.
    fn until_next(&self, portion: usize) -> usize {
        let until = |frame: u64| (frame - self.next_frame) as usize;
        let declared =
            self.to_come.front().map_or(portion, |&(frame, _)| until(frame.max(self.next_frame + 1)));
        let end = self.end.map_or(portion, |end| until(end.max(self.next_frame)));
        portion.min(declared).min(end)
    }

    fn take(&mut self, block: &mut SampleBlock) {
        let channels = usize::from(self.format.channels);
        let frames = (block.samples.len() / channels) as u64;
        while let Some((_, command)) = self.to_come.pop_front_if(|&mut (frame, _)| frame <= block.first_frame)
        {
            self.ear.command(block.first_frame, command);
        }
        let missing = block.first_frame - self.next_frame;
        if let Some(loss) = block.lost_before {
            self.out.now.gaps += 1;
            let note = Note::Lost { frames: missing, exact: loss != Loss::Unknown };
            let from = self.next_frame;
            self.keep(|_, scribe| Ok(scribe.add(from, note)?));
        }
        self.next_frame = block.first_frame + frames;
        if let Some(end) = self.end.filter(|&end| end < self.next_frame) {
            // A gap may jump over the end.
            let frames = end.saturating_sub(block.first_frame) as usize;
            block.samples.truncate(frames * channels);
        }
        self.meter.take(&block.samples);
        self.out.now.level = self.meter.level();
        self.out.now.input = InputState::Flowing;
        // Silence is kept in the place of all that is missing, so that the time base stays.
        let as_heard = block.lost_before;
        block.lost_before = (missing > 0).then_some(Loss::Frames(missing));
        self.keep(|keeper, _| Ok(keeper.write(block)?));
        block.lost_before = as_heard;
        self.ear.push(block, &mut self.out);
    }

    /// Keeps something; where that fails listening goes on and the failure is told.
    fn keep(&mut self, write: impl FnOnce(&mut Keeper, &mut Scribe) -> Result<(), SessionError>) {
        if let Some((keeper, scribe)) = &mut self.keeping
            && let Err(error) = write(keeper, scribe)
        {
            self.keeping = None;
            self.out.now.keep_failed = Some(error.to_string());
        }
    }

    fn is_over(&self) -> bool {
        self.stopped || self.out.unread || self.end.is_some_and(|end| self.next_frame >= end)
    }

    /// A card that fell silent does not bring the last frame asked for.
    fn is_late(&self, opened: Instant, end: u64) -> bool {
        let due = Duration::from_secs_f64(end as f64 / f64::from(self.format.rate_hz));
        opened.elapsed() > due + PATIENCE
    }

    fn heed(&mut self, verdict: Verdict, name: &str) -> Result<(), SessionError> {
        match verdict {
            Verdict::Fine => {}
            Verdict::Silent(seconds) => self.out.now.input = InputState::Silent(seconds),
            Verdict::Leaking(part) => {
                self.out.now.input = InputState::Leaking(part);
                let note = "the sound input gave less sound than its rate says: some of it was lost unseen";
                if !self.notes.iter().any(|said| said == note) {
                    self.notes.push(note.to_owned());
                }
            }
            Verdict::Runaway => return Err(SessionError::Runaway(name.to_owned())),
        }
        Ok(())
    }

    /// Obeys what was ordered until now.
    fn obey_waiting(&mut self) {
        while let Ok(order) = self.orders.try_recv() {
            self.obey(order);
        }
    }

    /// Waits so long, but not when something is ordered.
    fn obey_within(&mut self, wait: Duration) {
        match self.orders.recv_timeout(wait) {
            Ok(order) => self.obey(order),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => self.stopped = true,
        }
    }

    fn obey(&mut self, order: Order) {
        match order {
            Order::Stop => self.stopped = true,
            Order::Declare(command) => {
                self.ear.command(self.next_frame, command);
                let next_frame = self.next_frame;
                self.keep(|_, scribe| Ok(scribe.add(next_frame, Note::Declared(command))?));
            }
        }
    }

    /// Opens an input anew that has been silent for long: its stream may hang for good. One that speaks again before
    /// the new one is open stays, for it has the backlog.
    fn replace(&mut self, verdict: Verdict, opener: &mut Opener, patience: Duration) -> Option<Left> {
        let silent = match verdict {
            Verdict::Silent(seconds) => Duration::from_secs_f64(seconds),
            _ => Duration::ZERO,
        };
        if silent >= patience {
            opener.ask();
        }
        match opener.answer(Duration::ZERO)? {
            Ok(inflow) if silent >= patience && inflow.format == self.format => {
                Some(Left::Replaced(Box::new(inflow), silent))
            }
            Ok(inflow) => {
                self.take_leave(inflow);
                None
            }
            Err(_) => None,
        }
    }

    /// Closes an inflow and notes what it has to tell.
    fn take_leave(&mut self, inflow: Inflow) {
        drop(inflow.tap);
        match inflow.running.close() {
            Ok(notes) => self.notes.extend(notes),
            Err(error) => self.broke_off = Some(error.to_string()),
        }
    }

    /// Tries until the sound is back, counting the time as a gap; none when a stop is ordered first.
    fn get_back(&mut self, opener: &mut Opener, why: &str, retry: Duration) -> Option<Inflow> {
        let lost = Instant::now();
        let mut attempt = None;
        loop {
            self.out.now.input = InputState::Gone { why: why.to_owned(), attempt: attempt.clone() };
            self.out.tell();
            let again = Instant::now() + retry;
            while !self.stopped && Instant::now() < again {
                self.obey_within(again.saturating_duration_since(Instant::now()));
            }
            let position = self.next_frame + self.frames_in(lost.elapsed());
            if self.stopped || self.out.unread || self.end.is_some_and(|end| position >= end) {
                return None;
            }
            opener.ask();
            match opener.answer(retry) {
                Some(Ok(inflow)) => match self.go_on_with(inflow, lost.elapsed(), why) {
                    Ok(inflow) => return Some(inflow),
                    Err(differs) => attempt = Some(differs),
                },
                Some(Err(error)) => attempt = Some(error.to_string()),
                None => {}
            }
        }
    }

    /// Lets an inflow take the place of one that was lost so long ago; a line saying why where it can't.
    fn go_on_with(&mut self, mut inflow: Inflow, lost: Duration, why: &str) -> Result<Inflow, String> {
        if inflow.format == self.format {
            inflow.tap.resume_at(self.next_frame + self.frames_in(lost));
            self.notes.push(format!("{why}; it was back after {:.1} s, which is a gap", lost.as_secs_f64()));
            return Ok(inflow);
        }
        let differs = format!(
            "it came back with {} Hz and {} channels instead of {} Hz and {}",
            inflow.format.rate_hz, inflow.format.channels, self.format.rate_hz, self.format.channels
        );
        self.take_leave(inflow);
        Err(differs)
    }

    fn frames_in(&self, time: Duration) -> u64 {
        (time.as_secs_f64() * f64::from(self.format.rate_hz)) as u64
    }

    fn finish(mut self, name: String, words: String) -> Outcome {
        self.keep(|keeper, _| Ok(keeper.finish()?));
        let finished = self.ear.finish(&mut self.out);
        Outcome {
            finished,
            format: self.format,
            name,
            words,
            notes: self.notes,
            broke_off: self.broke_off,
            keep_failed: self.out.now.keep_failed,
            clock: Clock::default(),
        }
    }
}

/// Puts the newest state together and hands it over.
struct Outbox {
    updates: SyncSender<Update>,
    now: Update,
    /// Whether to wait for a slow reader: a recording can, a card can't.
    waits: bool,
    /// Nobody takes the updates any more.
    unread: bool,
}

impl Outbox {
    fn tell(&mut self) {
        let update = self.now.clone();
        self.unread |= if self.waits {
            self.updates.send(update).is_err()
        } else {
            matches!(self.updates.try_send(update), Err(TrySendError::Disconnected(_)))
        };
    }
}

impl Sink for Outbox {
    fn wants_snapshots(&self) -> bool {
        true
    }

    fn snapshot(&mut self, snapshot: &Snapshot) {
        self.now.snapshot = Some(snapshot.clone());
        self.tell();
    }
}
