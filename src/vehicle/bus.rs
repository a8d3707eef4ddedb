//! Error frames, as Linux SocketCAN reports them, counted by what they say of the bus.
//!
//! Source: Linux `include/uapi/linux/can/error.h` (classes in the identifier, details in the data).

use super::{Bus, Origin};
use crate::frame::{Frame, FrameKind};

const CONTROLLER: u32 = 0x004;
const NO_ACKNOWLEDGE: u32 = 0x020;
const BUS_OFF: u32 = 0x040;

/// In data byte 1 of the controller class.
const RECEIVE_OVERFLOW: u8 = 0x01;
const PASSIVE: u8 = 0x10 | 0x20;

/// How many error frames keep their origin.
const KEPT: usize = 8;

impl Bus {
    /// Counts a frame; an error frame also by its classes.
    pub(super) fn count(&mut self, frame: &Frame<'_>, origin: impl FnOnce() -> Origin) {
        self.frames += 1;
        if frame.kind != FrameKind::Error {
            return;
        }
        self.error_frames += 1;
        if self.first_errors.len() < KEPT {
            self.first_errors.push(origin());
        }
        let class = frame.id.raw();
        let controller = match frame.data.get(1) {
            Some(&byte) if class & CONTROLLER != 0 => byte,
            _ => 0,
        };
        self.bus_off += u64::from(class & BUS_OFF != 0);
        self.no_acknowledge += u64::from(class & NO_ACKNOWLEDGE != 0);
        self.error_passive += u64::from(controller & PASSIVE != 0);
        self.overflow += u64::from(controller & RECEIVE_OVERFLOW != 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, Channel};

    #[test]
    fn classes_are_sets() {
        let mut bus = Bus::default();
        let mut push = |class: u32, data: &[u8]| {
            let frame = Frame {
                number: 1,
                time: None,
                channel: Channel(0),
                id: CanId::extended_masked(class),
                kind: FrameKind::Error,
                data,
            };
            let origin = || Origin {
                capture: 0,
                number: 1,
                time: None,
            };
            bus.count(&frame, origin);
        };
        // Source: Linux error.h. Bus off; no acknowledge with transmit passive; receive overflow with counters (0x200).
        push(0x040, &[0; 8]);
        push(0x024, &[0, 0x20, 0, 0, 0, 0, 0, 0]);
        push(0x204, &[0, 0x01, 0, 0, 0, 0, 0, 0]);
        push(0x004, &[]);
        assert_eq!((bus.frames, bus.error_frames, bus.bus_off), (4, 4, 1));
        assert_eq!(
            (bus.no_acknowledge, bus.error_passive, bus.overflow),
            (1, 1, 1)
        );
        assert_eq!(bus.first_errors.len(), 4);
    }
}
