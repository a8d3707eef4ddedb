//! Error frames: what a controller says of its bus, as Linux `SocketCAN` passes it on.
//!
//! One frame may name several things at once, so it is a set. Bits that are not known here are left alone.
//!
//! Source: Linux `include/uapi/linux/can/error.h` (classes in the identifier, details in the data).

use super::bus::Heard;
use crate::frame::FrameKind;

const CONTROLLER: u32 = 0x004;
const PROTOCOL: u32 = 0x008;
const NO_ACKNOWLEDGE: u32 = 0x020;
const BUS_OFF: u32 = 0x040;
const BUS_ERROR: u32 = 0x080;
const RESTARTED: u32 = 0x100;

/// In data byte 1 of the controller class.
const RECEIVE_OVERFLOW: u8 = 0x01;
const RECEIVE_WARNING: u8 = 0x04;
const RECEIVE_PASSIVE: u8 = 0x10;
const SEND_PASSIVE: u8 = 0x20;

/// In data byte 2 of the protocol class: the fault happened while this node was sending.
const WHILE_SENDING: u8 = 0x80;

/// What one error frame says.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "it is a set")]
pub struct ErrorFrame {
    /// The controller's own buffer was full: frames of the bus are lost.
    pub overflow: bool,
    /// What came on the bus was no frame as this controller understands it: bit, form, stuffing or checksum.
    pub unreadable: bool,
    /// So many receive errors that the controller warns or goes passive.
    pub receive_errors: bool,
    /// The controller is error passive, for receive or send errors.
    pub passive: bool,
    /// A frame that was sent got no acknowledgement.
    pub no_acknowledge: bool,
    /// The controller has left the bus.
    pub bus_off: bool,
    /// The controller was started again after it had left the bus.
    pub restarted: bool,
}

impl ErrorFrame {
    /// What it says; `None` for a frame that is none.
    pub fn of(heard: &Heard) -> Option<Self> {
        if heard.kind != FrameKind::Error {
            return None;
        }
        let class = heard.id.raw();
        let detail = |of: u32, index: usize| {
            let byte = heard.data.get(index).copied();
            byte.filter(|_| class & of != 0).unwrap_or_default()
        };
        let controller = detail(CONTROLLER, 1);
        let violation = class & (PROTOCOL | BUS_ERROR) != 0;
        let sending = detail(PROTOCOL, 2) & WHILE_SENDING != 0 || class & NO_ACKNOWLEDGE != 0;
        Some(Self {
            overflow: controller & RECEIVE_OVERFLOW != 0,
            unreadable: violation && !sending,
            receive_errors: controller & (RECEIVE_WARNING | RECEIVE_PASSIVE) != 0,
            passive: controller & (RECEIVE_PASSIVE | SEND_PASSIVE) != 0,
            no_acknowledge: class & NO_ACKNOWLEDGE != 0,
            bus_off: class & BUS_OFF != 0,
            restarted: class & RESTARTED != 0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, Timestamp};
    use crate::link::Data;

    fn says(class: u32, data: [u8; 8]) -> ErrorFrame {
        let heard = Heard {
            time: Timestamp::default(),
            id: CanId::extended_masked(class),
            kind: FrameKind::Error,
            data: Data::new(&data).unwrap(),
            lost: 0,
        };
        ErrorFrame::of(&heard).unwrap()
    }

    /// Source: Linux error.h.
    #[test]
    fn classes_are_sets() {
        let silent = ErrorFrame::default();
        assert_eq!(says(0x001, [0; 8]), silent);
        let expected = ErrorFrame {
            overflow: true,
            ..silent
        };
        // With the error counters that drivers add (0x200).
        assert_eq!(says(0x204, [0, 0x01, 0, 0, 0, 0, 0, 0]), expected);
        let expected = ErrorFrame {
            unreadable: true,
            receive_errors: true,
            passive: true,
            ..silent
        };
        // Stuffing error in the data section, receive passive.
        assert_eq!(says(0x08C, [0, 0x10, 0x04, 0x0A, 0, 0, 0, 130]), expected);
        let expected = ErrorFrame {
            no_acknowledge: true,
            passive: true,
            ..silent
        };
        // No acknowledgement: a bus error while sending, so nothing that came was unreadable.
        assert_eq!(says(0x0AC, [0, 0x20, 0x80, 0x19, 0, 0, 128, 0]), expected);
        let expected = ErrorFrame {
            bus_off: true,
            restarted: true,
            ..silent
        };
        assert_eq!(says(0x140, [0; 8]), expected);
        // A detail without its class says nothing.
        assert!(!says(0x080, [0, 0x11, 0x80, 0, 0, 0, 0, 0]).overflow);
    }

    #[test]
    fn other_frames_say_nothing() {
        let heard = Heard {
            time: Timestamp::default(),
            id: CanId::standard_masked(0x040),
            kind: FrameKind::Data,
            data: Data::new(&[1]).unwrap(),
            lost: 0,
        };
        assert_eq!(ErrorFrame::of(&heard), None);
    }
}
