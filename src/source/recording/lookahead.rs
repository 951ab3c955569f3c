//! A byte stream that can be looked into before it is read: what a chunk walker needs where it can't seek.

use std::io::{self, Read};

/// The bytes of a file, a pipe or a test, with their position and a few of them read ahead.
pub(super) struct Lookahead {
    inner: Box<dyn Read + Send + Sync>,
    ahead: Vec<u8>,
    /// How much of `ahead` has been handed out already.
    taken: usize,
    position: u64,
}

impl Lookahead {
    pub(super) fn new(inner: Box<dyn Read + Send + Sync>) -> Self {
        Self { inner, ahead: Vec::new(), taken: 0, position: 0 }
    }

    /// Bytes handed out so far.
    pub(super) fn position(&self) -> u64 {
        self.position
    }

    /// The next `wanted` bytes, fewer at the end of the stream, without taking them.
    pub(super) fn peek(&mut self, wanted: usize) -> io::Result<&[u8]> {
        let held = self.ahead.len() - self.taken;
        if held < wanted {
            self.ahead.drain(..self.taken);
            self.taken = 0;
            let missing = (wanted - held) as u64;
            self.inner.by_ref().take(missing).read_to_end(&mut self.ahead)?;
        }
        let end = self.ahead.len().min(self.taken + wanted);
        Ok(&self.ahead[self.taken..end])
    }

    /// Fills `buffer` as far as the stream goes and tells how many bytes that were.
    pub(super) fn fill(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut filled = 0;
        while filled < buffer.len() {
            match self.read(&mut buffer[filled..]) {
                Ok(0) => break,
                Ok(n) => filled += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(filled)
    }

    /// Drops `count` bytes; `false` when the stream ends before.
    pub(super) fn skip(&mut self, count: u64) -> io::Result<bool> {
        Ok(io::copy(&mut self.by_ref().take(count), &mut io::sink())? == count)
    }
}

impl Read for Lookahead {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let held = &self.ahead[self.taken..];
        let n = if held.is_empty() {
            self.inner.read(buffer)?
        } else {
            let n = held.len().min(buffer.len());
            buffer[..n].copy_from_slice(&held[..n]);
            self.taken += n;
            n
        };
        self.position += n as u64;
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_looked_at_is_still_read() {
        let mut stream = Lookahead::new(Box::new(&b"abcdefgh"[..]));
        assert_eq!(stream.peek(3).unwrap(), b"abc");
        assert_eq!(stream.peek(5).unwrap(), b"abcde");
        let mut buffer = [0; 4];
        assert_eq!(stream.fill(&mut buffer).unwrap(), 4);
        assert_eq!(&buffer, b"abcd");
        assert_eq!(stream.position(), 4);
        assert_eq!(stream.peek(9).unwrap(), b"efgh");
        assert!(stream.skip(2).unwrap());
        assert_eq!(stream.fill(&mut buffer).unwrap(), 2);
        assert_eq!(&buffer[..2], b"gh");
        assert!(!stream.skip(1).unwrap());
        assert_eq!(stream.position(), 8);
    }
}
