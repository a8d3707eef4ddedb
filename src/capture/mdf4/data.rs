//! The data of a group as one stream, however it is cut up: one block, lists of blocks, deflated blocks, blocks of
//! which nobody wrote down the end because the logger lost its power.
//!
//! Limits: [`MAX_UNPACKED`] for a deflated block.
//!
//! Source: ASAM MDF 4.1, data blocks DT, SD, RD, DZ, lists DL and HL.

use std::io::{self, Read};

use flate2::read::ZlibDecoder;

use super::blocks::{BLOCK_HEADER, Store, block, head};
use crate::capture::{Remark, Tally};

/// Largest deflated block, in bytes when unpacked. The standard asks writers to stay below 4 MiB.
pub(super) const MAX_UNPACKED: u64 = 64 << 20;

/// How much is read at a time of a block that is not deflated, in bytes.
const PIECE: u64 = 64 << 10;
/// The header of a deflated block behind its (absent) links.
const DEFLATED_HEADER: u64 = 24;
const TRANSPOSED: u8 = 1;

/// One stream of data, read from front to back.
#[derive(Debug)]
pub(super) struct Stream {
    root: u64,
    /// Whether a last block without a length goes to the end of the file.
    is_open: bool,
    /// Blocks still to come, the next one last.
    waiting: Vec<u64>,
    /// The list that follows those.
    next_list: Option<u64>,
    /// What is left of the block at hand: `from..to` in the file.
    from: u64,
    to: u64,
    /// How many blocks may still be visited before it must be a circle.
    budget: u64,
    buffer: Vec<u8>,
    /// `start <= buffer.len()`: what was taken.
    start: usize,
    /// Position of `buffer`'s first byte in the stream.
    base: u64,
    is_ended: bool,
}

impl Stream {
    /// The stream that begins at block `root`; `None` is an empty one.
    pub(super) fn new(root: Option<u64>, is_open: bool, store: &Store) -> Self {
        Self {
            root: root.unwrap_or(0),
            is_open,
            waiting: root.into_iter().collect(),
            next_list: None,
            from: 0,
            to: 0,
            budget: store.length() / BLOCK_HEADER + 1,
            buffer: Vec::new(),
            start: 0,
            base: 0,
            is_ended: false,
        }
    }

    /// What is there and not yet taken.
    pub(super) fn window(&self) -> &[u8] {
        self.buffer.get(self.start..).unwrap_or_default()
    }

    /// Takes `count` bytes of the window, or all of it.
    pub(super) fn take(&mut self, count: usize) {
        self.start = self.start.saturating_add(count).min(self.buffer.len());
    }

    /// Position of the window in the stream.
    pub(super) fn position(&self) -> u64 {
        self.base.saturating_add(self.start as u64)
    }

    /// Reads until the window holds `count` bytes. `false`: the stream ends before.
    pub(super) fn ensure(
        &mut self,
        count: usize,
        store: &mut Store,
        tally: &mut Tally,
    ) -> io::Result<bool> {
        while self.window().len() < count {
            if !self.more(store, tally)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Moves to `position`, forward or within what is at hand. `false`: it cannot get there.
    pub(super) fn seek(
        &mut self,
        position: u64,
        store: &mut Store,
        tally: &mut Tally,
    ) -> io::Result<bool> {
        loop {
            let Some(within) = position.checked_sub(self.base) else {
                return Ok(false);
            };
            match usize::try_from(within) {
                Ok(within) if within <= self.buffer.len() => {
                    self.start = within;
                    return Ok(true);
                }
                _ => self.start = self.buffer.len(),
            }
            if !self.more(store, tally)? {
                return Ok(false);
            }
        }
    }

    /// Back to the front.
    pub(super) fn rewind(&mut self, store: &Store) {
        let root = Some(self.root).filter(|root| *root != 0);
        *self = Self::new(root, self.is_open, store);
    }

    /// Reads some more. `false`: there is none.
    fn more(&mut self, store: &mut Store, tally: &mut Tally) -> io::Result<bool> {
        if self.start > 0 {
            self.buffer.drain(..self.start);
            self.base = self.base.saturating_add(self.start as u64);
            self.start = 0;
        }
        let before = self.buffer.len();
        while self.buffer.len() == before {
            if self.is_ended {
                return Ok(false);
            }
            if self.from < self.to {
                let count = PIECE.min(self.to - self.from);
                store.read(self.from, count, &mut self.buffer)?;
                self.from += count;
                if self.buffer.len() as u64 != before as u64 + count {
                    tally.add(Remark::CutOff, 0, self.from);
                    self.is_ended = true;
                }
            } else if let Some(offset) = self.waiting.pop() {
                self.enter(offset, store, tally)?;
            } else if let Some(offset) = self.next_list.take() {
                self.enter(offset, store, tally)?;
            } else {
                self.is_ended = true;
            }
        }
        Ok(true)
    }

    fn enter(&mut self, offset: u64, store: &mut Store, tally: &mut Tally) -> io::Result<()> {
        let Some(budget) = self.budget.checked_sub(1) else {
            tally.add(Remark::Malformed, 0, offset);
            self.is_ended = true;
            return Ok(());
        };
        self.budget = budget;
        let Ok(found) = head(store, offset)? else {
            tally.add(Remark::Malformed, 0, offset);
            return Ok(());
        };
        match &found.kind {
            b"##DT" | b"##SD" | b"##RD" => {
                self.from = offset.saturating_add(BLOCK_HEADER);
                self.to = offset.saturating_add(found.length).max(self.from);
                let is_last = self.waiting.is_empty() && self.next_list.is_none();
                if self.is_open && is_last && &found.kind == b"##DT" {
                    // Its length may stand as it was when the file was begun. What follows is more of it, unless
                    // another block stands there.
                    let end = self.to.next_multiple_of(8);
                    if self.to == self.from || head(store, end)?.is_err() {
                        self.to = store.length();
                    }
                }
                if self.to > store.length() {
                    tally.add(Remark::CutOff, 0, offset);
                    self.to = store.length();
                }
            }
            b"##DZ" => self.unpack(offset, store, tally)?,
            b"##HL" | b"##DL" => match block(store, offset)? {
                Ok(list) if &found.kind == b"##HL" => self.next_list = list.link(0),
                Ok(list) => {
                    self.next_list = list.link(0);
                    let blocks = list.links().iter().skip(1).rev();
                    self.waiting.extend(blocks.filter(|link| **link != 0));
                }
                Err(_) => tally.add(Remark::Malformed, 0, offset),
            },
            _ => tally.add(Remark::UnknownPart, 0, offset),
        }
        Ok(())
    }

    /// Adds a deflated block to the buffer.
    fn unpack(&mut self, offset: u64, store: &mut Store, tally: &mut Tally) -> io::Result<()> {
        let mut header = Vec::new();
        let at = offset.saturating_add(BLOCK_HEADER);
        store.read(at, DEFLATED_HEADER, &mut header)?;
        let number = |at: usize| -> Option<u64> {
            let rest = header.get(at..)?;
            rest.first_chunk().map(|bytes| u64::from_le_bytes(*bytes))
        };
        let (Some(&way), Some(columns), Some(plain), Some(packed)) =
            (header.get(2), number(0), number(8), number(16))
        else {
            tally.add(Remark::CutOff, 0, offset);
            return Ok(());
        };
        if plain > MAX_UNPACKED || packed > MAX_UNPACKED {
            tally.add(Remark::Malformed, 0, offset);
            return Ok(());
        }
        let mut bytes = Vec::new();
        let at = at.saturating_add(DEFLATED_HEADER);
        store.read(at, packed, &mut bytes)?;
        let mut unpacked = Vec::new();
        let outcome = ZlibDecoder::new(bytes.as_slice())
            .take(plain)
            .read_to_end(&mut unpacked);
        if outcome.is_err() || unpacked.len() as u64 != plain {
            tally.add(Remark::Compression, 0, offset);
        }
        // The number of columns is the upper half of the first eight bytes.
        let columns = usize::try_from(columns >> 32).unwrap_or(usize::MAX);
        if way == TRANSPOSED {
            transpose_back(&unpacked, columns, &mut self.buffer);
        } else {
            self.buffer.append(&mut unpacked);
        }
        Ok(())
    }
}

/// Undoes a transposition: records of `columns` bytes were written column by column, the incomplete last one as it was.
fn transpose_back(bytes: &[u8], columns: usize, into: &mut Vec<u8>) {
    let Some(rows) = bytes.len().checked_div(columns).filter(|rows| *rows > 0) else {
        into.extend_from_slice(bytes);
        return;
    };
    let (whole, rest) = bytes.split_at_checked(rows * columns).unwrap_or_default();
    for row in 0..rows {
        into.extend(whole.iter().skip(row).step_by(rows));
    }
    into.extend_from_slice(rest);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_become_records_again() {
        // Three records of two bytes, and one byte more.
        let mut found = Vec::new();
        transpose_back(&[1, 2, 3, 11, 12, 13, 9], 2, &mut found);
        assert_eq!(found, [1, 11, 2, 12, 3, 13, 9]);
        for columns in [0, 1, 8, usize::MAX] {
            found.clear();
            transpose_back(&[1, 2, 3], columns, &mut found);
            assert_eq!(found, [1, 2, 3]);
        }
    }
}
