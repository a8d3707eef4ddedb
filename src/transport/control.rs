//! What is no message: flow control, and how well a conversation kept the times it was asked for.
//!
//! Source: ISO 15765-2:2016, flow control (flow status, block size, separation time).

use super::{Address, DoIpPayload};
use crate::frame::{Channel, Timestamp};

/// A frame or packet that steers the transport and is not a message.
#[derive(Clone, Debug, Eq, PartialEq)]
#[non_exhaustive]
pub enum Control {
    /// A flow-control frame of ISO 15765-2.
    Flow {
        /// Where it stands in the capture.
        number: u64,
        /// When it was seen.
        time: Option<Timestamp>,
        /// On which bus.
        channel: Channel,
        /// Who sent it: the receiver of the message.
        address: Address,
        /// Whose message it steers, where that is known.
        sender: Option<Address>,
        /// Go on, wait, or give up.
        status: FlowStatus,
        /// So many consecutive frames until the next flow control; 0 is "all".
        block_size: u8,
        /// The least time between consecutive frames.
        separation: Separation,
    },
    /// A payload of ISO 13400 other than a diagnostic message.
    DoIp(DoIpPayload),
}

/// What a receiver says in a flow-control frame.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum FlowStatus {
    /// Continue to send.
    Continue,
    /// Wait for another flow control.
    Wait,
    /// The message is too long; give up.
    Overflow,
}

impl FlowStatus {
    /// From the low four bits of the first byte; `None` for the reserved values.
    pub const fn from_nibble(nibble: u8) -> Option<Self> {
        match nibble {
            0 => Some(Self::Continue),
            1 => Some(Self::Wait),
            2 => Some(Self::Overflow),
            _ => None,
        }
    }
}

/// The separation-time byte (`STmin`) of a flow-control frame.
#[derive(Clone, Copy, Debug, Default, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Separation(pub u8);

impl Separation {
    /// In microseconds. Reserved values mean the longest time, 127 ms.
    pub const fn micros(self) -> u32 {
        match self.0 {
            0x00..=0x7F => self.0 as u32 * 1_000,
            0xF1..=0xF9 => (self.0 - 0xF0) as u32 * 100,
            0x80..=0xF0 | 0xFA..=0xFF => 127_000,
        }
    }
}

/// How the segmented messages of one sender went: what was asked of it and what it kept.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct Pace {
    /// First frames.
    pub first_frames: u64,
    /// Flow-control frames that told it to continue.
    pub flow_frames: u64,
    /// The last block size asked for; `None` before the first flow control.
    pub block_size: Option<u8>,
    /// The last separation time asked for; `None` before the first flow control.
    pub separation: Option<Separation>,
    /// The shortest time between two consecutive frames, in nanoseconds.
    pub least_gap: Option<i64>,
    /// The median time between two consecutive frames, in nanoseconds, to an eighth of its value.
    pub median_gap: Option<i64>,
    /// Gaps shorter than the separation time asked for (by more than a tenth).
    pub too_early: u64,
    /// Times that "wait" was said to it.
    pub waits: u64,
    /// Times that "overflow" was said to it.
    pub overflows: u64,
    /// Consecutive frames missing at a break of the sequence.
    pub lost: u64,
    /// Consecutive frames sent again.
    pub repeated: u64,
}
