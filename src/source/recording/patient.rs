//! A pipe read on a thread of its own, so that whoever waits for it can still be told to stop.

use super::Stop;
use std::io::{self, Read};
use std::sync::Mutex;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::thread;
use std::time::Duration;

/// Bytes taken from the pipe at a time, and how many such portions may wait.
const PORTION: usize = 65_536;
const WAITING: usize = 4;
/// How often the flag is looked at while nothing comes.
const LOOK: Duration = Duration::from_millis(50);

/// A stream that ends when the pipe does or when the flag is set.
pub(super) struct Patient {
    // The mutex makes it shareable, as a decoder asks; nobody else ever locks it.
    portions: Mutex<Receiver<io::Result<Vec<u8>>>>,
    now: Vec<u8>,
    taken: usize,
    stop: Stop,
}

impl Patient {
    pub(super) fn new(mut pipe: impl Read + Send + 'static, stop: Stop) -> Self {
        let (hand_over, portions) = mpsc::sync_channel(WAITING);
        // It ends when the pipe does or nobody takes its portions; it is not waited for, since it may wait itself.
        thread::spawn(move || {
            loop {
                let mut portion = vec![0; PORTION];
                let read = match pipe.read(&mut portion) {
                    Ok(0) => break,
                    Ok(n) => {
                        portion.truncate(n);
                        Ok(portion)
                    }
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                    Err(error) => Err(error),
                };
                let failed = read.is_err();
                if hand_over.send(read).is_err() || failed {
                    break;
                }
            }
        });
        Self { portions: Mutex::new(portions), now: Vec::new(), taken: 0, stop }
    }
}

impl Read for Patient {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while self.taken == self.now.len() {
            if self.stop.load(Ordering::Relaxed) {
                return Ok(0);
            }
            let portions = self.portions.get_mut().unwrap_or_else(std::sync::PoisonError::into_inner);
            match portions.recv_timeout(LOOK) {
                Ok(portion) => (self.now, self.taken) = (portion?, 0),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(0),
            }
        }
        let n = buffer.len().min(self.now.len() - self.taken);
        buffer[..n].copy_from_slice(&self.now[self.taken..self.taken + n]);
        self.taken += n;
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_comes_through_in_order() {
        let bytes: Vec<u8> = (0..300_000u32).map(|n| (n / 7) as u8).collect();
        let mut patient = Patient::new(io::Cursor::new(bytes.clone()), Stop::default());
        let mut read = Vec::new();
        patient.read_to_end(&mut read).unwrap();
        assert_eq!(read, bytes);
    }

    /// The writing end stays open and silent: without the flag this would wait for ever.
    #[test]
    fn a_pipe_that_says_nothing_is_left_when_told_to_stop() {
        let (reader, writer) = io::pipe().unwrap();
        let stop = Stop::default();
        let mut patient = Patient::new(reader, stop.clone());
        stop.store(true, Ordering::Relaxed);
        assert_eq!(patient.read(&mut [0; 8]).unwrap(), 0);
        drop(writer);
    }
}
