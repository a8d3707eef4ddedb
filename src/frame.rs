//! The one currency of the left side of the house: identifiers, times, channels and frames.
//!
//! A [`Frame`] borrows its data from whoever read it, so that a capture streams without copying. Nothing here
//! knows a file format or a socket.

use std::fmt;

/// Longest data field of a CAN FD frame, in bytes (ISO 11898-1:2015, DLC 15).
pub const MAX_DATA: usize = 64;

/// An 11-bit or 29-bit identifier, known to fit.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct CanId {
    /// The identifier; bit 31 is set for a 29-bit one, so that the order is standard before extended.
    packed: u32,
}

const EXTENDED: u32 = 0x8000_0000;

impl CanId {
    /// The largest 11-bit identifier.
    pub const MAX_STANDARD: u32 = 0x7FF;
    /// The largest 29-bit identifier.
    pub const MAX_EXTENDED: u32 = 0x1FFF_FFFF;

    /// An 11-bit identifier.
    pub const fn standard(raw: u32) -> Result<Self, IdOutOfRange> {
        match raw {
            0..=Self::MAX_STANDARD => Ok(Self { packed: raw }),
            _ => Err(IdOutOfRange { raw, bits: 11 }),
        }
    }

    /// A 29-bit identifier.
    pub const fn extended(raw: u32) -> Result<Self, IdOutOfRange> {
        match raw {
            0..=Self::MAX_EXTENDED => Ok(Self {
                packed: raw | EXTENDED,
            }),
            _ => Err(IdOutOfRange { raw, bits: 29 }),
        }
    }

    /// The low 11 bits of `raw` as an 11-bit identifier: for sources whose field is no wider.
    #[inline]
    pub const fn standard_masked(raw: u32) -> Self {
        Self {
            packed: raw & Self::MAX_STANDARD,
        }
    }

    /// The low 29 bits of `raw` as a 29-bit identifier: for sources whose field is no wider.
    #[inline]
    pub const fn extended_masked(raw: u32) -> Self {
        Self {
            packed: (raw & Self::MAX_EXTENDED) | EXTENDED,
        }
    }

    /// The number, without its width.
    #[inline]
    pub const fn raw(self) -> u32 {
        self.packed & !EXTENDED
    }

    /// Whether it has 29 bits.
    #[inline]
    pub const fn is_extended(self) -> bool {
        self.packed & EXTENDED != 0
    }
}

/// `0x7E8` for 11 bits, `0x18DAF110` (eight digits) for 29.
impl fmt::Display for CanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_extended() {
            write!(f, "0x{:08X}", self.raw())
        } else {
            write!(f, "0x{:03X}", self.raw())
        }
    }
}

/// A number that is no CAN identifier.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
#[error("0x{raw:X} does not fit a {bits}-bit CAN identifier")]
pub struct IdOutOfRange {
    /// The number.
    pub raw: u32,
    /// The width that was asked for: 11 or 29.
    pub bits: u8,
}

/// A moment on the capture's own clock, in nanoseconds since that clock's zero (often 1970-01-01 UTC, not always).
#[derive(Clone, Copy, Debug, Default, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Timestamp {
    nanos: i64,
}

impl Timestamp {
    /// From nanoseconds.
    #[inline]
    pub const fn from_nanos(nanos: i64) -> Self {
        Self { nanos }
    }

    /// From microseconds; saturates.
    #[inline]
    pub const fn from_micros(micros: i64) -> Self {
        Self {
            nanos: micros.saturating_mul(1_000),
        }
    }

    /// From seconds, rounded to the nanosecond; saturates.
    pub fn from_seconds(seconds: f64) -> Self {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "float to integer casts saturate, as documented"
        )]
        let nanos = (seconds * 1e9).round() as i64;
        Self { nanos }
    }

    /// Nanoseconds since the clock's zero.
    #[inline]
    pub const fn nanos(self) -> i64 {
        self.nanos
    }

    /// Seconds since the clock's zero, for mathematics and print: good to about 0.3 µs at today's Unix times.
    #[expect(
        clippy::cast_precision_loss,
        reason = "the whole seconds are exact and the rest is below one"
    )]
    pub fn seconds(self) -> f64 {
        let whole = self.nanos.div_euclid(1_000_000_000);
        let rest = self.nanos.rem_euclid(1_000_000_000);
        whole as f64 + rest as f64 / 1e9
    }

    /// Nanoseconds from `earlier` to `self`: negative when the clock went back; saturates.
    #[inline]
    pub const fn nanos_since(self, earlier: Self) -> i64 {
        self.nanos.saturating_sub(earlier.nanos)
    }
}

/// A bus of a capture or link: an index into its [`Channels`].
#[derive(Clone, Copy, Debug, Default, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Channel(pub u16);

/// The names of a capture's buses, in the order in which they were first seen.
#[derive(Clone, Debug, Default)]
pub struct Channels {
    names: Vec<String>,
}

impl Channels {
    /// Most buses that are told apart; later ones share the last.
    pub const MAX: usize = 256;

    /// The channel of this name, made if it is new.
    pub fn intern(&mut self, name: &str) -> Channel {
        let mut index = 0;
        for known in &self.names {
            if known == name {
                return Channel(index);
            }
            index += 1;
        }
        if self.names.len() == Self::MAX {
            return Channel(index - 1);
        }
        self.names.push(name.to_owned());
        Channel(index)
    }

    /// The name of a channel; empty for one that was never made.
    pub fn name(&self, channel: Channel) -> &str {
        self.names
            .get(usize::from(channel.0))
            .map_or("", String::as_str)
    }

    /// All names, in channel order.
    pub fn names(&self) -> &[String] {
        &self.names
    }
}

/// What kind of frame it is.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum FrameKind {
    /// A classic data frame, up to 8 bytes.
    Data,
    /// A CAN FD data frame, up to [`MAX_DATA`] bytes.
    Fd {
        /// Sent with the higher bit rate in the data phase.
        bit_rate_switch: bool,
        /// The sender was error passive.
        error_passive: bool,
    },
    /// A classic remote frame, which asks for data and has none.
    Remote {
        /// The length asked for, in bytes.
        length: u8,
    },
    /// An error frame as Linux SocketCAN reports it: the identifier holds the error classes, the data the details.
    Error,
}

impl FrameKind {
    /// Whether it carries data of the bus (classic or FD).
    #[inline]
    pub const fn is_data(self) -> bool {
        matches!(self, Self::Data | Self::Fd { .. })
    }
}

/// One frame of a capture or link. It borrows its data from the reader.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    /// Where it stands in its capture: line number (candump), packet or record number (others), from 1.
    pub number: u64,
    /// When it was seen, on the capture's clock; `None` where the capture has no times.
    pub time: Option<Timestamp>,
    /// On which bus.
    pub channel: Channel,
    /// Its identifier; for an error frame the error classes as a 29-bit value.
    pub id: CanId,
    /// What kind of frame it is.
    pub kind: FrameKind,
    /// Its data: at most 8 bytes for classic frames, at most [`MAX_DATA`] for FD; empty for remote frames.
    pub data: &'a [u8],
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_keep_their_width() {
        let low = CanId::extended(0x180).unwrap();
        assert_ne!(low, CanId::standard(0x180).unwrap());
        assert_eq!(low.raw(), 0x180);
        assert_eq!(low.to_string(), "0x00000180");
        assert_eq!(CanId::standard(0x7E).unwrap().to_string(), "0x07E");
        assert_eq!(
            CanId::standard(0x800),
            Err(IdOutOfRange {
                raw: 0x800,
                bits: 11
            })
        );
        assert!(CanId::extended(0x2000_0000).is_err());
    }

    #[test]
    fn times_keep_their_nanoseconds() {
        let time = Timestamp::from_nanos(-1);
        assert!((time.seconds() - -1e-9).abs() < 1e-12);
        assert_eq!(Timestamp::from_seconds(1.5).nanos(), 1_500_000_000);
        assert_eq!(Timestamp::from_seconds(f64::INFINITY).nanos(), i64::MAX);
        assert_eq!(
            Timestamp::from_nanos(i64::MAX).nanos_since(Timestamp::from_nanos(-1)),
            i64::MAX
        );
    }

    #[test]
    fn channels_are_made_once() {
        let mut channels = Channels::default();
        let first = channels.intern("can0");
        assert_eq!(channels.intern("can1"), Channel(1));
        assert_eq!(channels.intern("can0"), first);
        for index in 0..1_000 {
            channels.intern(&format!("vcan{index}"));
        }
        assert_eq!(channels.names().len(), Channels::MAX);
    }
}
