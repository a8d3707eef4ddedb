//! One frame of ISO 15765-2: its protocol control information and what follows.
//!
//! Source: ISO 15765-2:2016, protocol control information (types, lengths), flow control parameters.

use super::control::{FlowStatus, Separation};

/// A frame of the transport protocol.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Pci<'a> {
    /// A whole message. `data` is shorter than `length` when the frame cannot hold what it announces.
    Single { length: usize, data: &'a [u8] },
    /// The first part of a longer message.
    First { length: u32, data: &'a [u8] },
    /// A further part.
    Consecutive { number: u8, data: &'a [u8] },
    /// From the receiver: how to go on.
    Flow {
        status: FlowStatus,
        block_size: u8,
        separation: Separation,
    },
}

/// Why a frame is none of the protocol: a receiver ignores it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Malformed {
    /// No byte is left for the protocol control information.
    Empty,
    /// A single frame of length zero.
    ZeroLength,
    /// A single frame with a short length in a CAN FD frame of more than 8 bytes.
    ShortLengthInLongFrame,
    /// A first frame that does not fill its frame.
    FirstNotFull,
    /// A first frame whose length would fit a single frame, or an escape for a length that needs none.
    FirstNeedless,
    /// A kind above 3.
    ReservedKind,
    /// A flow status above 2, or a flow control frame that is cut off.
    Flow,
}

/// Reads the data field of a frame; `prefix` bytes of address stand before the protocol control information.
#[inline]
pub(super) fn parse(frame: &[u8], prefix: usize) -> Result<Pci<'_>, Malformed> {
    let Some((&first, rest)) = frame.get(prefix..).and_then(<[u8]>::split_first) else {
        return Err(Malformed::Empty);
    };
    let low = first & 0x0F;
    match first >> 4 {
        0x0 if frame.len() <= CLASSIC => {
            let length = usize::from(low);
            if length == 0 {
                return Err(Malformed::ZeroLength);
            }
            Ok(Pci::Single {
                length,
                data: rest.get(..length).unwrap_or(rest),
            })
        }
        0x0 => escaped_single(low, rest),
        0x1 => first_frame(frame.len(), prefix, low, rest),
        0x2 => Ok(Pci::Consecutive {
            number: low,
            data: rest,
        }),
        0x3 => match (FlowStatus::from_nibble(low), rest) {
            (Some(status), &[block_size, separation, ..]) => Ok(Pci::Flow {
                status,
                block_size,
                separation: Separation(separation),
            }),
            _ => Err(Malformed::Flow),
        },
        _ => Err(Malformed::ReservedKind),
    }
}

/// Data bytes of the longest classic frame.
pub(super) const CLASSIC: usize = 8;

fn escaped_single(low: u8, rest: &[u8]) -> Result<Pci<'_>, Malformed> {
    let (0, Some((&length, rest))) = (low, rest.split_first()) else {
        return Err(Malformed::ShortLengthInLongFrame);
    };
    let length = usize::from(length);
    if length == 0 {
        return Err(Malformed::ZeroLength);
    }
    Ok(Pci::Single {
        length,
        data: rest.get(..length).unwrap_or(rest),
    })
}

fn first_frame(frame: usize, prefix: usize, low: u8, rest: &[u8]) -> Result<Pci<'_>, Malformed> {
    if frame < CLASSIC {
        return Err(Malformed::FirstNotFull);
    }
    let Some((&next, rest)) = rest.split_first() else {
        return Err(Malformed::FirstNotFull);
    };
    let short = u32::from(low) << 8 | u32::from(next);
    if short != 0 {
        // A single frame holds one byte less than the frame, two with the escape of CAN FD, less the address byte.
        let overhead = if frame > CLASSIC { 2 } else { 1 };
        let fits_single = frame.saturating_sub(overhead + prefix);
        if short as usize <= fits_single {
            return Err(Malformed::FirstNeedless);
        }
        return Ok(Pci::First {
            length: short,
            data: rest,
        });
    }
    let Some((&bytes, rest)) = rest.split_first_chunk::<4>() else {
        return Err(Malformed::FirstNotFull);
    };
    let length = u32::from_be_bytes(bytes);
    if length <= MAX_SHORT_LENGTH {
        return Err(Malformed::FirstNeedless);
    }
    Ok(Pci::First { length, data: rest })
}

/// The largest length that a first frame holds without the escape.
pub(super) const MAX_SHORT_LENGTH: u32 = 0xFFF;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_that_a_receiver_ignores() {
        // Source: ISO 15765-2:2016, unexpected and invalid protocol data units; the same in Linux net/can/isotp.c.
        let cases: [(&[u8], usize, Malformed); 10] = [
            (&[], 0, Malformed::Empty),
            (&[0xF1], 1, Malformed::Empty),
            (&[0x00, 0, 0, 0, 0, 0, 0, 0], 0, Malformed::ZeroLength),
            (&[0x10, 0x14, 1, 2], 0, Malformed::FirstNotFull),
            (&[0x10, 0x07, 1, 2, 3, 4, 5, 6], 0, Malformed::FirstNeedless),
            (
                &[0x10, 0, 0, 0, 0x0F, 0xFF, 1, 2],
                0,
                Malformed::FirstNeedless,
            ),
            (&[0x33, 0, 0], 0, Malformed::Flow),
            (&[0x30, 0], 0, Malformed::Flow),
            (&[0x40, 0, 0], 0, Malformed::ReservedKind),
            (
                &[0x03, 1, 2, 3, 0, 0, 0, 0, 0, 0, 0, 0],
                0,
                Malformed::ShortLengthInLongFrame,
            ),
        ];
        for (frame, prefix, expected) in cases {
            assert_eq!(parse(frame, prefix), Err(expected), "{frame:02X?}");
        }
    }

    #[test]
    fn a_first_frame_of_seven_bytes_is_right_where_a_byte_is_taken_by_the_address() {
        // Source: can-isotp 2.0.7, extended addressing, 7 bytes.
        let frame = [0x55, 0x10, 0x07, 1, 2, 3, 4, 5];
        assert_eq!(
            parse(&frame, 1),
            Ok(Pci::First {
                length: 7,
                data: &[1, 2, 3, 4, 5]
            })
        );
    }
}
