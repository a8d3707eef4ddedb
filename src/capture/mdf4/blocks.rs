//! The blocks of an MDF 4 file, by their offset: header, links, and the rest.
//!
//! A file is read where it lies; a pipe or a packed file is held in memory. Links are numbers from outside: they may
//! lead anywhere, also in circles, so every walk has a budget.
//! Limits: [`MAX_HELD`] for a file that must be held, [`MAX_DESCRIPTION`] for a block that is not data.
//!
//! Source: ASAM MDF 4.1 as its public descriptions give it; from memory where those are silent.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

/// Largest file that is held in memory because it cannot be read where it lies, in bytes.
pub(in crate::capture) const MAX_HELD: u64 = 512 << 20;
/// Largest block that is not data, in bytes.
const MAX_DESCRIPTION: u64 = 4 << 20;

/// Identifier, reserved bytes, length, number of links.
pub(super) const BLOCK_HEADER: u64 = 24;

/// Where the bytes of the file are.
#[derive(Debug)]
pub(in crate::capture) enum Store {
    /// A file on a disk.
    File {
        file: File,
        /// In bytes, when it was opened.
        length: u64,
        /// How many bytes were read of it so far.
        read: u64,
    },
    /// All of it.
    Memory(Vec<u8>),
}

impl Store {
    pub(super) fn length(&self) -> u64 {
        match self {
            Self::File { length, .. } => *length,
            Self::Memory(bytes) => bytes.len() as u64,
        }
    }

    /// Up to `count` bytes from `offset` on, added to `into`; fewer at the end of the file.
    pub(super) fn read(&mut self, offset: u64, count: u64, into: &mut Vec<u8>) -> io::Result<()> {
        let left = self.length().saturating_sub(offset);
        let count = count.min(left);
        match self {
            Self::File { file, read, .. } => {
                file.seek(SeekFrom::Start(offset))?;
                let got = file.take(count).read_to_end(into)?;
                *read = read.saturating_add(got as u64);
            }
            Self::Memory(bytes) => {
                let from = usize::try_from(offset).unwrap_or(usize::MAX);
                let rest = bytes.get(from..).unwrap_or_default();
                let count = usize::try_from(count).unwrap_or(usize::MAX);
                into.extend_from_slice(rest.get(..count).unwrap_or(rest));
            }
        }
        Ok(())
    }
}

/// The head of a block.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Head {
    pub(super) kind: [u8; 4],
    /// Length of the whole block in bytes, as it says.
    pub(super) length: u64,
    links: u64,
}

/// A block that describes something.
#[derive(Debug)]
pub(super) struct Block {
    pub(super) kind: [u8; 4],
    links: Vec<u64>,
    body: Vec<u8>,
}

/// A link that leads to no block, or one that is cut off.
#[derive(Debug, Eq, PartialEq)]
pub(super) struct Broken;

impl Block {
    /// The link at `index`; `None` where it leads nowhere.
    pub(super) fn link(&self, index: usize) -> Option<u64> {
        self.links.get(index).copied().filter(|link| *link != 0)
    }

    pub(super) fn links(&self) -> &[u64] {
        &self.links
    }

    /// `N` bytes of the part behind the links; zeros where the block is shorter.
    pub(super) fn bytes<const N: usize>(&self, at: usize) -> [u8; N] {
        let rest = self.body.get(at..).unwrap_or_default();
        rest.first_chunk().copied().unwrap_or([0; N])
    }

    pub(super) fn u8(&self, at: usize) -> u8 {
        u8::from_le_bytes(self.bytes(at))
    }

    pub(super) fn u16(&self, at: usize) -> u16 {
        u16::from_le_bytes(self.bytes(at))
    }

    pub(super) fn u32(&self, at: usize) -> u32 {
        u32::from_le_bytes(self.bytes(at))
    }

    pub(super) fn u64(&self, at: usize) -> u64 {
        u64::from_le_bytes(self.bytes(at))
    }

    pub(super) fn f64(&self, at: usize) -> f64 {
        f64::from_le_bytes(self.bytes(at))
    }

    /// The text of a text block, without its padding.
    pub(super) fn text(&self) -> String {
        let text = self.body.split(|&byte| byte == 0).next();
        String::from_utf8_lossy(text.unwrap_or_default()).into_owned()
    }
}

/// Reads the head of the block at `offset`.
pub(super) fn head(store: &mut Store, offset: u64) -> io::Result<Result<Head, Broken>> {
    let mut bytes = Vec::new();
    store.read(offset, BLOCK_HEADER, &mut bytes)?;
    let number = |at: usize| {
        let rest = bytes.get(at..)?;
        rest.first_chunk().map(|bytes| u64::from_le_bytes(*bytes))
    };
    let (Some(kind), Some(length), Some(links)) = (bytes.first_chunk(), number(8), number(16))
    else {
        return Ok(Err(Broken));
    };
    if !kind.starts_with(b"##") {
        return Ok(Err(Broken));
    }
    Ok(Ok(Head {
        kind: *kind,
        length,
        links,
    }))
}

/// Reads the block at `offset`, which must not be data.
pub(super) fn block(store: &mut Store, offset: u64) -> io::Result<Result<Block, Broken>> {
    let Ok(head) = head(store, offset)? else {
        return Ok(Err(Broken));
    };
    let rest = head.length.saturating_sub(BLOCK_HEADER);
    let room = head.links.checked_mul(8);
    if head.length > MAX_DESCRIPTION || room.is_none_or(|room| room > rest) {
        return Ok(Err(Broken));
    }
    let mut bytes = Vec::new();
    store.read(offset.saturating_add(BLOCK_HEADER), rest, &mut bytes)?;
    if bytes.len() as u64 != rest {
        return Ok(Err(Broken));
    }
    let count = usize::try_from(head.links).unwrap_or(usize::MAX);
    let links: Vec<u64> = bytes
        .as_chunks::<8>()
        .0
        .iter()
        .take(count)
        .map(|link| u64::from_le_bytes(*link))
        .collect();
    let body = bytes.split_off(links.len() * 8);
    Ok(Ok(Block {
        kind: head.kind,
        links,
        body,
    }))
}
