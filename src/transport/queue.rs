//! Finished messages in the order in which they ended, some of them waiting for their identifier to be recognised.

use std::collections::VecDeque;

use super::Message;

/// Whose message it is, for the question whether it may go out.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Owner {
    /// Index of the lane; [`Owner::NOBODY`] for messages that need no permission.
    pub lane: u32,
    /// Whether it was read with an address byte.
    pub extended: bool,
}

impl Owner {
    pub(super) const NOBODY: Self = Self {
        lane: u32::MAX,
        extended: false,
    };
}

/// A message that is held back.
#[derive(Debug)]
pub(super) struct Held {
    pub owner: Owner,
    /// The stream it came from.
    pub stream: u32,
    /// Counts the messages that were ever held.
    pub serial: u64,
    pub message: Message,
}

#[derive(Debug, Default)]
pub(super) struct Queue {
    ready: VecDeque<Message>,
    held: VecDeque<Held>,
    held_bytes: usize,
    /// Payload bytes of the messages under way in all streams.
    open_bytes: usize,
    serial: u64,
    spares: Vec<Vec<u8>>,
}

impl Queue {
    /// Takes a message that may go out as soon as those before it have.
    #[inline]
    pub(super) fn push(&mut self, owner: Owner, stream: u32, settled: bool, message: Message) {
        if settled && self.held.is_empty() {
            self.ready.push_back(message);
            return;
        }
        self.held_bytes = self.held_bytes.saturating_add(message.payload.len());
        self.serial += 1;
        self.held.push_back(Held {
            owner,
            stream,
            serial: self.serial,
            message,
        });
    }

    #[inline]
    pub(super) fn pop_ready(&mut self) -> Option<Message> {
        self.ready.pop_front()
    }

    pub(super) fn front(&self) -> Option<&Held> {
        self.held.front()
    }

    /// The number of the last message that was held.
    pub(super) fn serial(&self) -> u64 {
        self.serial
    }

    /// Lets the oldest held message out.
    pub(super) fn release_front(&mut self, finish: impl FnOnce(&mut Message)) {
        if let Some(mut held) = self.take_front() {
            finish(&mut held.message);
            self.ready.push_back(held.message);
        }
    }

    /// Drops the oldest held message.
    pub(super) fn drop_front(&mut self) {
        if let Some(held) = self.take_front() {
            self.recycle(held.message.payload);
        }
    }

    fn take_front(&mut self) -> Option<Held> {
        let held = self.held.pop_front()?;
        self.held_bytes = self.held_bytes.saturating_sub(held.message.payload.len());
        Some(held)
    }

    /// Whether more is held than memory should be spent on.
    #[inline]
    pub(super) fn is_over(&self) -> bool {
        self.held.len() > MAX_HELD || self.held_bytes > MAX_HELD_BYTES
    }

    /// So many bytes more are under way.
    #[inline]
    pub(super) fn opened(&mut self, bytes: usize) {
        self.open_bytes = self.open_bytes.saturating_add(bytes);
    }

    /// A message of so many bytes is under way no longer.
    #[inline]
    pub(super) fn closed(&mut self, bytes: usize) {
        self.open_bytes = self.open_bytes.saturating_sub(bytes);
    }

    /// Whether more is under way than memory should be spent on.
    #[inline]
    pub(super) fn is_too_open(&self) -> bool {
        self.open_bytes > MAX_OPEN_BYTES
    }

    /// Drops the held messages for which `keep` is false; gives how many.
    pub(super) fn purge(&mut self, keep: impl Fn(&Held) -> bool) -> u64 {
        let mut dropped = 0;
        let mut bytes = self.held_bytes;
        self.held.retain(|held| {
            let stays = keep(held);
            if !stays {
                dropped += 1;
                bytes = bytes.saturating_sub(held.message.payload.len());
            }
            stays
        });
        self.held_bytes = bytes;
        dropped
    }

    /// An empty buffer, used before where there is one.
    #[inline]
    pub(super) fn spare(&mut self) -> Vec<u8> {
        self.spares.pop().unwrap_or_default()
    }

    #[inline]
    pub(super) fn recycle(&mut self, mut buffer: Vec<u8>) {
        if self.spares.len() < MAX_SPARES && buffer.capacity() <= MAX_SPARE_BYTES {
            buffer.clear();
            self.spares.push(buffer);
        }
    }
}

/// Most messages held back at a time.
const MAX_HELD: usize = 8_192;
/// Most payload bytes held back at a time.
const MAX_HELD_BYTES: usize = 2 << 20;
/// Most payload bytes of all messages under way together: of the longest message of classic CAN, one on each of 8,192 streams.
pub(super) const MAX_OPEN_BYTES: usize = 32 << 20;
const MAX_SPARES: usize = 64;
const MAX_SPARE_BYTES: usize = 8_192;
