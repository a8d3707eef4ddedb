//! The generic header: version, its inverse, payload type, length.
//!
//! Source: ISO 13400-2:2019, "generic DoIP header structure" and "overview of DoIP payload types".

use std::fmt;

/// What a payload is.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct PayloadType(pub u16);

impl PayloadType {
    /// A diagnostic message: source address, target address, bytes of a service.
    pub const DIAGNOSTIC: Self = Self(0x8001);

    /// Its name in plain words; `None` for numbers that the standard leaves to makers or to the future.
    pub const fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x0000 => "header not accepted",
            0x0001 => "vehicle identification request",
            0x0002 => "vehicle identification request by entity id",
            0x0003 => "vehicle identification request by vehicle number",
            0x0004 => "vehicle announcement or identification response",
            0x0005 => "routing activation request",
            0x0006 => "routing activation response",
            0x0007 => "alive check request",
            0x0008 => "alive check response",
            0x4001 => "entity status request",
            0x4002 => "entity status response",
            0x4003 => "power mode request",
            0x4004 => "power mode response",
            0x8001 => "diagnostic message",
            0x8002 => "diagnostic message accepted",
            0x8003 => "diagnostic message not accepted",
            _ => return None,
        })
    }

    /// Whether source and target address come first.
    pub const fn has_addresses(self) -> bool {
        matches!(self.0, 0x8001..=0x8003)
    }
}

impl fmt::Display for PayloadType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "0x{:04X}", self.0)
    }
}

/// A header that is one.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Header {
    pub version: u8,
    pub kind: PayloadType,
    pub length: u32,
}

impl Header {
    /// Bytes of a header.
    pub(super) const LENGTH: usize = 8;

    /// The header at the beginning, and what follows it; `None` if there is none.
    pub(super) fn split(bytes: &[u8]) -> Option<(Self, &[u8])> {
        let (&[version, inverse, k1, k0, l3, l2, l1, l0], rest) =
            bytes.split_first_chunk::<{ Self::LENGTH }>()?;
        (version == !inverse).then_some((
            Self {
                version,
                kind: PayloadType(u16::from_be_bytes([k1, k0])),
                length: u32::from_be_bytes([l3, l2, l1, l0]),
            },
            rest,
        ))
    }

    /// Whether bytes in the middle of nowhere are likely to be a header: known version, known type, a length that goes
    /// with it. `None` when there are too few to tell.
    pub(super) fn is_likely(bytes: &[u8]) -> Option<bool> {
        let known = match *bytes {
            [] => return None,
            [version] => {
                if is_version(version) {
                    return None;
                }
                false
            }
            [version, inverse, ..] => is_version(version) && version == !inverse,
        };
        if !known {
            return Some(false);
        }
        let (header, _) = Self::split(bytes)?;
        let length = header.length;
        Some(
            header.kind.name().is_some()
                && match header.kind.0 {
                    0x0001 | 0x0007 | 0x4001 | 0x4003 => length == 0,
                    0x0000 | 0x4004 => length == 1,
                    0x8001..=0x8003 => (4..=0xFF_FFFF).contains(&length),
                    _ => length <= 64,
                },
        )
    }
}

const fn is_version(version: u8) -> bool {
    matches!(version, 0x01..=0x04 | 0xFF)
}
