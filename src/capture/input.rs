//! One kept buffer between a [`Source`] and the readers: they look at a window of it and say how much they took.
//!
//! The buffer holds [`CAPACITY`] bytes and never grows. A reader that needs a longer piece than that must skip it.

use std::io;
use std::ops::Range;

use super::source::{Fault, Source};

/// Size of the buffer in bytes, and so the longest piece that can be seen as a whole.
pub(super) const CAPACITY: usize = 256 << 10;

/// The buffered stream.
#[derive(Debug)]
pub(super) struct Input {
    source: Source,
    buffer: Vec<u8>,
    /// `0 <= start <= end <= CAPACITY`: what was read and not yet taken.
    start: usize,
    end: usize,
    /// Offset of `start` in the (unpacked) stream.
    offset: u64,
    ended: bool,
    damaged: bool,
}

impl Input {
    /// A buffer on `source`, still empty.
    pub(super) fn new(source: Source) -> Self {
        Self {
            source,
            buffer: vec![0; CAPACITY],
            start: 0,
            end: 0,
            offset: 0,
            ended: false,
            damaged: false,
        }
    }

    /// No stream at all: for readers that read a file where it lies.
    pub(super) fn none() -> Self {
        Self {
            source: Source::none(),
            buffer: Vec::new(),
            start: 0,
            end: 0,
            offset: 0,
            ended: true,
            damaged: false,
        }
    }

    /// What is there and not yet taken.
    #[inline]
    pub(super) fn window(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or_default()
    }

    /// Takes the first `count` bytes of the window (or all of it), and says where in [`Input::bytes`] they are.
    #[inline]
    pub(super) fn take(&mut self, count: usize) -> Range<usize> {
        let count = count.min(self.end - self.start);
        let from = self.start;
        self.start += count;
        self.offset = self.offset.wrapping_add(count as u64);
        from..self.start
    }

    /// Bytes by the place that [`Input::take`] told; good until [`Input::more`] is called.
    #[inline]
    pub(super) fn bytes(&self, place: Range<usize>) -> &[u8] {
        self.buffer.get(place).unwrap_or_default()
    }

    /// Offset of the window in the (unpacked) stream.
    #[inline]
    pub(super) const fn offset(&self) -> u64 {
        self.offset
    }

    /// Whether the packed stream broke off.
    pub(super) const fn is_damaged(&self) -> bool {
        self.damaged
    }

    /// Whether the source has no more bytes.
    pub(super) const fn is_ended(&self) -> bool {
        self.ended
    }

    /// How many bytes of the file or pipe were read so far, still packed.
    pub(super) fn bytes_read(&self) -> u64 {
        self.source.bytes_read()
    }

    /// Reads at least one more byte into the window. `false`: the stream has ended, or the buffer is full.
    pub(super) fn more(&mut self) -> io::Result<bool> {
        if self.ended {
            return Ok(false);
        }
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        let room = self.buffer.get_mut(self.end..).unwrap_or_default();
        if room.is_empty() {
            return Ok(false);
        }
        match self.source.read(room) {
            Ok(0) => self.ended = true,
            Ok(count) => self.end = (self.end + count).min(CAPACITY),
            Err(Fault::Io(error)) => {
                self.ended = true;
                return Err(error);
            }
            Err(Fault::Packing) => {
                self.damaged = true;
                self.ended = true;
            }
        }
        Ok(!self.ended)
    }

    /// Reads until the window holds `length` bytes. `false`: it cannot, see [`Input::more`].
    #[inline]
    pub(super) fn ensure(&mut self, length: usize) -> io::Result<bool> {
        while self.end - self.start < length {
            if !self.more()? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Passes over `count` bytes, however many; returns how many there were.
    pub(super) fn skip(&mut self, count: u64) -> io::Result<u64> {
        let mut left = count;
        loop {
            let here = usize::try_from(left).unwrap_or(usize::MAX);
            left -= self.take(here).len() as u64;
            if left == 0 || !self.more()? {
                return Ok(count - left);
            }
        }
    }
}
