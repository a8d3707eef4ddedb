//! The sending twin: cuts a payload into the data fields of its frames.
//!
//! Source: ISO 15765-2:2016, segmentation; CAN FD lengths: ISO 11898-1:2015.

use super::pci::MAX_SHORT_LENGTH;

/// How frames are made.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Cut {
    /// The address byte of extended and mixed addressing.
    pub extension: Option<u8>,
    /// Bytes of a full frame: 8 for classic CAN; 12, 16, 20, 24, 32, 48 or 64 for CAN FD.
    pub frame_length: FrameLength,
    /// The byte that fills frames up; `None` sends them as short as they may be.
    pub filling: Option<u8>,
}

impl Cut {
    /// Classic CAN, no address byte.
    pub const fn classic(filling: Option<u8>) -> Self {
        Self {
            extension: None,
            frame_length: FrameLength::CLASSIC,
            filling,
        }
    }
}

/// A data length that a frame can have, at least 8 bytes.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct FrameLength(usize);

impl FrameLength {
    /// 8 bytes.
    pub const CLASSIC: Self = Self(8);
    /// 64 bytes, the longest of CAN FD.
    pub const LONGEST: Self = Self(64);

    /// The length, if a frame can have it.
    pub const fn new(bytes: usize) -> Option<Self> {
        match bytes {
            8 | 12 | 16 | 20 | 24 | 32 | 48 | 64 => Some(Self(bytes)),
            _ => None,
        }
    }

    /// In bytes.
    pub const fn bytes(self) -> usize {
        self.0
    }
}

/// The data fields of a message's frames, in order. An empty payload, or one longer than a 32-bit length, has none.
///
/// ```
/// use tonering::transport::segment::{Cut, frames};
///
/// let cut: Vec<_> = frames(&[0x22, 0xF1, 0x90], Cut::classic(Some(0xCC))).collect();
/// assert_eq!(cut, [[0x03, 0x22, 0xF1, 0x90, 0xCC, 0xCC, 0xCC, 0xCC]]);
/// ```
pub fn frames(payload: &[u8], cut: Cut) -> Frames<'_> {
    let rest = if u32::try_from(payload.len()).is_ok() {
        payload
    } else {
        &[]
    };
    Frames {
        rest,
        total: rest.len(),
        cut,
        next: None,
    }
}

/// Iterator over data fields; see [`frames`].
#[derive(Clone, Debug)]
pub struct Frames<'a> {
    rest: &'a [u8],
    total: usize,
    cut: Cut,
    /// The number of the next consecutive frame; `None` before the first frame.
    next: Option<u8>,
}

impl Iterator for Frames<'_> {
    type Item = Vec<u8>;

    fn next(&mut self) -> Option<Vec<u8>> {
        if self.rest.is_empty() {
            return None;
        }
        let mut field = Vec::with_capacity(self.cut.frame_length.bytes());
        field.extend(self.cut.extension);
        if let Some(number) = self.next {
            field.push(0x20 | number);
            self.next = Some((number + 1) & 0x0F);
        } else {
            self.next = Some(1);
            self.begin(&mut field);
        }
        let room = self.cut.frame_length.bytes().saturating_sub(field.len());
        let (data, rest) = self.rest.split_at(room.min(self.rest.len()));
        field.extend_from_slice(data);
        self.rest = rest;
        fill(&mut field, self.cut.filling);
        Some(field)
    }
}

impl Frames<'_> {
    /// The protocol control information of a single or a first frame.
    fn begin(&self, field: &mut Vec<u8>) {
        let prefix = field.len();
        let full = self.cut.frame_length.bytes();
        let classic = FrameLength::CLASSIC.bytes() - 1 - prefix;
        let length = u32::try_from(self.total).unwrap_or(u32::MAX);
        let [_, _, high, low] = length.to_be_bytes();
        if self.total <= classic {
            field.push(low);
        } else if full > FrameLength::CLASSIC.bytes() && self.total <= full - 2 - prefix {
            field.extend([0x00, low]);
        } else if length <= MAX_SHORT_LENGTH {
            field.extend([0x10 | high, low]);
        } else {
            field.extend([0x10, 0x00]);
            field.extend(length.to_be_bytes());
        }
    }
}

/// Fills a data field up: to 8 bytes if there is a filling, and in any case to a length that a frame can have.
fn fill(field: &mut Vec<u8>, filling: Option<u8>) {
    let least = if filling.is_some() { 8 } else { 0 };
    let mut length = field.len().max(least);
    while length > 8 && FrameLength::new(length).is_none() && length < 64 {
        length += 1;
    }
    field.resize(length, filling.unwrap_or(DEFAULT_FILLING));
}

/// What fills CAN FD frames whose length does not exist, where nothing else was asked for (ISO 15765-2:2016 names 0xCC).
const DEFAULT_FILLING: u8 = 0xCC;
