//! Captures: bytes of a file or a pipe in, [`Item`]s out, plus a [`Tally`] of what could not be read and where.
//!
//! The kind is recognised from the content. Items stream and borrow from the reader; memory does not grow with
//! the capture.
//!
//! In reading order: `source` unpacks, `input` buffers, then one file for each kind; `packet` is what the two
//! packet formats share.

#![warn(clippy::indexing_slicing)]

mod candump;
#[cfg(test)]
mod damage_tests;
mod input;
mod mdf4;
mod open;
mod packet;
mod pcap;
mod pcapng;
mod source;
#[cfg(test)]
mod tests;

pub use self::open::{Capture, OpenError, ReadError};
use crate::frame::{CanId, Channel, Channels, Frame, FrameKind, Timestamp};
pub mod torture;
pub mod write;

use std::fmt;
use std::ops::Range;

/// What a capture yields: a CAN frame, or an Ethernet packet that may carry ISO 13400 (`DoIP`).
#[derive(Clone, Copy, Debug)]
pub enum Item<'a> {
    /// A CAN frame.
    Can(Frame<'a>),
    /// An Ethernet packet, from its destination address on.
    Ethernet(Packet<'a>),
}

/// One Ethernet packet of a capture.
#[derive(Clone, Copy, Debug)]
pub struct Packet<'a> {
    /// Packet number in its capture, from 1.
    pub number: u64,
    /// When it was seen, on the capture's clock.
    pub time: Option<Timestamp>,
    /// On which interface.
    pub channel: Channel,
    /// The bytes, from the Ethernet header on; may be cut off by the capture's snap length.
    pub data: &'a [u8],
}

/// The kinds of capture that are recognised.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
#[non_exhaustive]
pub enum Kind {
    /// candump text, log form: `(1700000000.100000) can0 7DF#02010C`.
    CandumpLog,
    /// candump text, screen form: `can0  7DF   [3]  02 01 0C`.
    CandumpScreen,
    /// pcap.
    Pcap,
    /// pcapng.
    Pcapng,
    /// ASAM MDF 4 bus log.
    Mdf4,
    /// No file: a CAN link that was listened to.
    Link,
}

impl Kind {
    /// The word for it in the JSON report: both candump forms are `candump`.
    pub const fn id(self) -> &'static str {
        match self {
            Self::CandumpLog | Self::CandumpScreen => "candump",
            Self::Pcap => "pcap",
            Self::Pcapng => "pcapng",
            Self::Mdf4 => "mdf4",
            Self::Link => "link",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.id())
    }
}

/// Why a piece of a capture could not be read, or what was set aside on purpose.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
#[non_exhaustive]
pub enum Remark {
    /// A line or record that is no frame.
    Malformed,
    /// A line longer than the reader's limit.
    LineTooLong,
    /// A record that ends before its own length says.
    CutOff,
    /// The compressed stream is damaged or ends too early.
    Compression,
    /// A packet of a link type that is neither CAN nor Ethernet.
    OtherLinkType,
    /// A time stamp went back by more than a second.
    ClockBack,
    /// A part of the file that this reader does not know.
    UnknownPart,
    /// More distinct buses than [`crate::frame::Channels::MAX`].
    TooManyChannels,
    /// A place where frames of a link did not reach the program.
    LinkLoss,
}

impl Remark {
    /// What it says to a person, for `count` of them.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Malformed => "unreadable lines or records",
            Self::LineTooLong => "lines longer than the limit",
            Self::CutOff => "records that end too early",
            Self::Compression => "damage in the compressed stream",
            Self::OtherLinkType => "packets of another link type",
            Self::ClockBack => "jumps of the clock backwards",
            Self::UnknownPart => "parts of an unknown kind",
            Self::TooManyChannels => "frames of more buses than can be told apart",
            Self::LinkLoss => "places where frames of the link were lost on their way",
        }
    }

    /// Whether it means that something of the capture was lost (and `--strict` fails).
    pub const fn is_damage(self) -> bool {
        matches!(
            self,
            Self::Malformed | Self::LineTooLong | Self::CutOff | Self::Compression | Self::LinkLoss
        )
    }
}

/// How many of one [`Remark`], and where the first was.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Tallied {
    /// What it is.
    pub remark: Remark,
    /// How many.
    pub count: u64,
    /// Line or record number of the first, from 1.
    pub first_number: u64,
    /// Byte offset of the first in the (decompressed) stream.
    pub first_offset: u64,
}

/// What a capture held: counted, never text.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// CAN frames of all kinds (data, remote, error), or Ethernet packets.
    pub frames: u64,
    /// Remarks in the order in which each was first made; one entry for each kind.
    pub remarks: Vec<Tallied>,
}

impl Tally {
    /// Counts a remark.
    pub fn add(&mut self, remark: Remark, number: u64, offset: u64) {
        match self.remarks.iter_mut().find(|known| known.remark == remark) {
            Some(known) => known.count = known.count.saturating_add(1),
            None => self.remarks.push(Tallied {
                remark,
                count: 1,
                first_number: number,
                first_offset: offset,
            }),
        }
    }

    /// Whether there is such a remark.
    pub fn has(&self, remark: Remark) -> bool {
        self.remarks.iter().any(|known| known.remark == remark)
    }

    /// How many pieces were lost to damage.
    pub fn unreadable(&self) -> u64 {
        let damage = self.remarks.iter().filter(|known| known.remark.is_damage());
        damage.fold(0, |sum, known| sum.saturating_add(known.count))
    }
}

/// What a packet reader has found: the frame or packet without its bytes, and where in the buffer they are.
#[derive(Debug)]
struct Found {
    number: u64,
    time: Option<Timestamp>,
    channel: Channel,
    /// `None`: an Ethernet packet.
    can: Option<(CanId, FrameKind)>,
    data: Range<usize>,
}

/// The channel of this name; counts a frame whose bus cannot be told apart any more.
fn intern(
    channels: &mut Channels,
    name: &str,
    tally: &mut Tally,
    number: u64,
    offset: u64,
) -> Channel {
    let channel = channels.intern(name);
    if channels.name(channel) != name {
        tally.add(Remark::TooManyChannels, number, offset);
    }
    channel
}

/// The buses of captures whose packets carry the number of an interface (Linux cooked, version 2).
///
/// The first number of a file's or block's interface has that one's name; later ones add theirs: `0`, `0.7`.
#[derive(Debug, Default)]
struct Buses {
    known: Vec<(Channel, u32, Channel)>,
}

impl Buses {
    /// The channel of interface `number` within `base`; `at` is where the packet stands, for the tally.
    fn channel(
        &mut self,
        base: Channel,
        number: u32,
        channels: &mut Channels,
        tally: &mut Tally,
        at: (u64, u64),
    ) -> Channel {
        let mut of_base = self.known.iter().filter(|(known, _, _)| *known == base);
        let is_first = of_base.clone().next().is_none();
        if let Some((_, _, channel)) = of_base.find(|(_, known, _)| *known == number) {
            return *channel;
        }
        let channel = if is_first {
            base
        } else {
            let name = format!("{}.{number}", channels.name(base));
            intern(channels, &name, tally, at.0, at.1)
        };
        if self.known.len() < Channels::MAX {
            self.known.push((base, number, channel));
        }
        channel
    }
}
