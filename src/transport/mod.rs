//! Transport: frames in, whole messages out (ISO 15765-2, ISO 13400).
//!
//! Everything here is *sans IO*: it reads no clock and opens nothing. [`Observer`] listens; [`segment`] cuts
//! messages into frames. Identifiers that nobody named are recognised from the traffic itself.

#![warn(clippy::indexing_slicing)]

mod addressing;
mod clock;
mod control;
mod doip;
mod echo;
mod form;
pub mod fuzz;
mod lane;
mod observer;
mod pci;
mod queue;
mod receiver;
mod recognition;
pub mod segment;
mod sender;
mod settling;
mod stream;
mod tally;

#[cfg(test)]
mod tests;

use std::fmt;

pub use addressing::{AddressBook, Addressing, BookError, Conversation};
pub use control::{Control, FlowStatus, Pace, Separation};
pub use doip::{DoIpPayload, PayloadType};
pub use observer::Observer;
pub use receiver::{Received, Receiver, Reception};
pub use sender::{Next, SendFault, Sender};
pub use tally::TransportTally;

use crate::frame::{CanId, Channel, Timestamp};

/// Who sent a message, as far as the bus says.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Address {
    /// A CAN identifier, with the address-extension byte of extended and mixed addressing.
    Can {
        /// The identifier of the frames.
        id: CanId,
        /// The first data byte, where addressing is extended or mixed.
        extension: Option<u8>,
    },
    /// Logical addresses of ISO 13400.
    DoIp {
        /// Source address.
        source: u16,
        /// Target address.
        target: u16,
    },
}

impl Address {
    /// A CAN identifier without extension.
    pub const fn can(id: CanId) -> Self {
        Self::Can {
            id,
            extension: None,
        }
    }
}

/// `0x7E8`, `0x6F1/0x12` with an extension byte, `0x0E80>0x1010` for ISO 13400.
impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Can {
                id,
                extension: None,
            } => id.fmt(f),
            Self::Can {
                id,
                extension: Some(byte),
            } => write!(f, "{id}/0x{byte:02X}"),
            Self::DoIp { source, target } => write!(f, "0x{source:04X}>0x{target:04X}"),
        }
    }
}

/// Why a message is not whole.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Fault {
    /// A consecutive frame with a wrong or repeated number.
    Sequence,
    /// More than a second since the last frame (`N_Cr`, `N_Bs`).
    Timeout,
    /// The receiver refused it with an overflow.
    Overflow,
    /// A new first or single frame came in the middle.
    Restarted,
    /// A length that cannot be.
    Length,
    /// Consecutive frames without a first frame.
    Orphan,
    /// The capture ended in the middle.
    CaptureEnd,
    /// More was under way at once than is kept in memory.
    Limit,
}

impl Fault {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Sequence => "sequence",
            Self::Timeout => "timeout",
            Self::Overflow => "overflow",
            Self::Restarted => "restarted",
            Self::Length => "length",
            Self::Orphan => "orphan",
            Self::CaptureEnd => "capture-end",
            Self::Limit => "limit",
        }
    }
}

/// One transport message, whole or broken.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Message {
    /// Where its first frame stands in the capture (line or packet number, from 1).
    pub number: u64,
    /// When its first frame was seen.
    pub start: Option<Timestamp>,
    /// When its last frame was seen.
    pub end: Option<Timestamp>,
    /// On which bus.
    pub channel: Channel,
    /// Who sent it.
    pub address: Address,
    /// The address of the other side of this conversation, where it is known (profile, ISO 15765-4, or recognised).
    pub partner: Option<Address>,
    /// Whether it was sent to all (functional addressing).
    pub functional: bool,
    /// How many data frames it took; flow control is not counted.
    pub frames: u32,
    /// The bytes: all of them, or those that did arrive.
    pub payload: Vec<u8>,
    /// The length its first frame announced, in bytes.
    pub announced: u32,
    /// Why it is not whole; `None` when it is.
    pub fault: Option<Fault>,
}

impl Message {
    /// Whether it is whole.
    pub const fn is_complete(&self) -> bool {
        self.fault.is_none()
    }

    /// The first payload byte: the service identifier.
    pub fn service(&self) -> Option<u8> {
        self.payload.first().copied()
    }
}
