//! Frames as a raw CAN socket of Linux gives and takes them.
//!
//! 16 bytes are a classic frame, 72 a frame of CAN FD: identifier with flags (4 bytes, in the byte order of the machine),
//! length, flags of CAN FD, two bytes of no meaning, data.
//!
//! Source: Linux `include/uapi/linux/can.h` (`struct can_frame`, `struct canfd_frame`).

use super::bus::Data;
use crate::frame::{CanId, FrameKind, MAX_DATA};

/// Bytes of a classic frame.
pub(super) const CLASSIC: usize = 16;
/// Bytes of a frame of CAN FD.
pub(super) const FD: usize = 72;

const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;
const BIT_RATE_SWITCH: u8 = 0x01;
const ERROR_PASSIVE: u8 = 0x02;
const FD_FORMAT: u8 = 0x04;
const HEAD: usize = 8;

/// The lengths that a frame of CAN FD can have beyond 8 bytes (ISO 11898-1:2015, DLC 9 to 15).
const FD_LENGTHS: [usize; 7] = [12, 16, 20, 24, 32, 48, MAX_DATA];

/// What a socket gave; `None` where that is neither kind of frame.
pub(super) fn read(bytes: &[u8]) -> Option<(CanId, FrameKind, Data)> {
    let (word, rest) = bytes.split_first_chunk()?;
    let word = u32::from_ne_bytes(*word);
    let [length, flags, _, _] = *rest.first_chunk()?;
    let most = match bytes.len() {
        CLASSIC => 8,
        FD => MAX_DATA,
        _ => return None,
    };
    let length = usize::from(length).min(most);
    let data = bytes.get(HEAD..HEAD + length)?;
    let id = if word & (EXTENDED | ERROR) != 0 {
        CanId::extended_masked(word)
    } else {
        CanId::standard_masked(word)
    };
    let (kind, data) = if word & ERROR != 0 {
        (FrameKind::Error, data)
    } else if most == MAX_DATA {
        let kind = FrameKind::Fd {
            bit_rate_switch: flags & BIT_RATE_SWITCH != 0,
            error_passive: flags & ERROR_PASSIVE != 0,
        };
        (kind, data)
    } else if word & REMOTE != 0 {
        let length = u8::try_from(length).unwrap_or(8);
        (FrameKind::Remote { length }, &[][..])
    } else {
        (FrameKind::Data, data)
    };
    Some((id, kind, Data::new(data)?))
}

/// What a socket takes: the bytes, and how many of them count. `None` for data that do not fit the kind. Data of CAN FD are
/// filled up with zeros to the next length that there is.
pub(super) fn write(id: CanId, kind: FrameKind, data: &[u8]) -> Option<([u8; FD], usize)> {
    let mut word = id.raw();
    if id.is_extended() {
        word |= EXTENDED;
    }
    let (size, length, flags) = match kind {
        FrameKind::Data if data.len() <= 8 => (CLASSIC, data.len(), 0),
        FrameKind::Remote { length } if length <= 8 && data.is_empty() => {
            word |= REMOTE;
            (CLASSIC, usize::from(length), 0)
        }
        FrameKind::Error if data.len() <= 8 => {
            word = id.raw() | ERROR;
            (CLASSIC, 8, 0)
        }
        FrameKind::Fd {
            bit_rate_switch, ..
        } => {
            let room = |&room: &usize| room >= data.len();
            let length = match data.len() {
                short @ ..=8 => short,
                _ => FD_LENGTHS.into_iter().find(room)?,
            };
            let switch = if bit_rate_switch { BIT_RATE_SWITCH } else { 0 };
            (FD, length, FD_FORMAT | switch)
        }
        _ => return None,
    };
    let mut bytes = [0; FD];
    *bytes.first_chunk_mut()? = word.to_ne_bytes();
    *bytes.get_mut(4)? = u8::try_from(length).ok()?;
    *bytes.get_mut(5)? = flags;
    bytes
        .get_mut(HEAD..HEAD + data.len())?
        .copy_from_slice(data);
    Some((bytes, size))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn id(raw: u32, extended: bool) -> CanId {
        if extended {
            CanId::extended_masked(raw)
        } else {
            CanId::standard_masked(raw)
        }
    }

    /// Source: Linux can.h, worked by hand; little-endian machines.
    #[cfg(target_endian = "little")]
    #[test]
    fn bytes_are_where_the_kernel_puts_them() {
        let classic = [
            0xDF, 0x07, 0, 0, 3, 0, 0, 0, 0x02, 0x01, 0x0C, 0, 0, 0, 0, 0,
        ];
        let (id, kind, data) = read(&classic).unwrap();
        assert_eq!((id.to_string().as_str(), kind), ("0x7DF", FrameKind::Data));
        assert_eq!(&*data, [0x02, 0x01, 0x0C]);
        let (bytes, size) = write(id, kind, &data).unwrap();
        assert_eq!(bytes[..size], classic);

        let mut error = [0x04, 0x02, 0, 0x20, 8, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 9];
        let (id, kind, data) = read(&error).unwrap();
        assert_eq!((id.raw(), kind), (0x204, FrameKind::Error));
        assert_eq!(data.len(), 8);
        error[3] = 0xC0;
        let (_, kind, data) = read(&error).unwrap();
        assert_eq!((kind, data.len()), (FrameKind::Remote { length: 8 }, 0));
        assert_eq!(read(&error[..15]), None);
        // A length that cannot be counts as the longest.
        error[4] = 200;
        error[3] = 0;
        assert_eq!(read(&error).unwrap().2.len(), 8);
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let id = id(1, false);
        assert!(write(id, FrameKind::Data, &[0; 9]).is_none());
        assert!(write(id, FrameKind::Remote { length: 9 }, &[]).is_none());
        let fd = FrameKind::Fd {
            bit_rate_switch: false,
            error_passive: false,
        };
        assert!(write(id, fd, &[0; 65]).is_none());
        let (bytes, size) = write(id, fd, &[7; 13]).unwrap();
        assert_eq!(
            (size, bytes[4], bytes[8 + 12], bytes[8 + 13]),
            (FD, 16, 7, 0)
        );
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(raw: u32, extended: bool, switch: bool, bytes in proptest::collection::vec(any::<u8>(), 0..=8)) {
            let id = id(raw, extended);
            let fd = FrameKind::Fd { bit_rate_switch: switch, error_passive: false };
            for kind in [FrameKind::Data, fd] {
                let (written, size) = write(id, kind, &bytes).unwrap();
                let (id_read, kind_read, data) = read(&written[..size]).unwrap();
                prop_assert_eq!((id_read, kind_read), (id, kind));
                prop_assert_eq!(&*data, &bytes[..]);
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
            let is_frame = bytes.len() == CLASSIC || bytes.len() == FD;
            prop_assert_eq!(read(&bytes).is_some(), is_frame);
        }
    }
}
