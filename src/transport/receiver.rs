//! Receiving on a live link: data fields in, flow control to be sent and messages out.
//!
//! The [`Observer`](super::Observer) only listens. This one is the other side of a [`Sender`](super::Sender): a module of
//! the rig, or a tester that asks. It reads no clock.
//!
//! Source: ISO 15765-2:2016, reception (`N_Cr` 1 s), flow control.

use super::Fault;
use super::control::Separation;
use super::pci::{self, Pci};
use super::stream::MAX_PAYLOAD;
use crate::frame::Timestamp;

/// One direction of a conversation, as its receiver sees it.
#[derive(Clone, Debug)]
pub struct Receiver {
    settings: Reception,
    open: Option<Open>,
}

/// How a receiver wants to be sent to.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Reception {
    /// The address byte of its own flow control, for extended and mixed addressing.
    pub extension: Option<u8>,
    /// Consecutive frames until the next flow control; 0 is "all".
    pub block_size: u8,
    /// The least time between consecutive frames.
    pub separation: Separation,
    /// The byte that fills flow-control frames up to 8; `None` sends 3 bytes.
    pub filling: Option<u8>,
}

/// What a data field led to.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Received {
    /// Nothing to do.
    Nothing,
    /// This flow control is to be sent.
    Flow(Vec<u8>),
    /// A message is whole.
    Message(Vec<u8>),
    /// The message under way is broken.
    Broken(Fault),
}

#[derive(Clone, Debug)]
struct Open {
    payload: Vec<u8>,
    announced: usize,
    next: u8,
    left: u8,
    until: Timestamp,
}

impl Receiver {
    /// A receiver that waits for the first frame.
    pub const fn new(settings: Reception) -> Self {
        Self {
            settings,
            open: None,
        }
    }

    /// Takes a data field of the sender.
    pub fn take(&mut self, field: &[u8], now: Timestamp) -> Received {
        let prefix = usize::from(self.settings.extension.is_some());
        match pci::parse(field, prefix) {
            Ok(Pci::Single { length, data }) if data.len() == length => {
                self.open = None;
                Received::Message(data.to_vec())
            }
            Ok(Pci::First { length, data }) => self.begin(length, data, now),
            Ok(Pci::Consecutive { number, data }) => self.go_on(number, data, now),
            Ok(Pci::Single { .. } | Pci::Flow { .. }) | Err(_) => Received::Nothing,
        }
    }

    /// When the message under way is overdue.
    pub fn deadline(&self) -> Option<Timestamp> {
        self.open.as_ref().map(|open| open.until)
    }

    /// Says what time it is.
    pub fn expire(&mut self, now: Timestamp) -> Received {
        if self.deadline().is_some_and(|until| now > until) {
            self.open = None;
            return Received::Broken(Fault::Timeout);
        }
        Received::Nothing
    }

    fn begin(&mut self, length: u32, data: &[u8], now: Timestamp) -> Received {
        let announced = length as usize;
        if announced > MAX_PAYLOAD {
            self.open = None;
            return Received::Flow(self.flow(0x32));
        }
        self.open = Some(Open {
            payload: data.to_vec(),
            announced,
            next: 1,
            left: self.settings.block_size,
            until: due(now),
        });
        Received::Flow(self.flow(0x30))
    }

    fn go_on(&mut self, number: u8, data: &[u8], now: Timestamp) -> Received {
        let Some(mut open) = self.open.take() else {
            return Received::Nothing;
        };
        if now > open.until {
            return Received::Broken(Fault::Timeout);
        }
        if number != open.next {
            return Received::Broken(Fault::Sequence);
        }
        let missing = open.announced.saturating_sub(open.payload.len());
        open.payload
            .extend_from_slice(data.get(..missing).unwrap_or(data));
        if open.payload.len() == open.announced {
            return Received::Message(open.payload);
        }
        open.next = (number + 1) & 0x0F;
        open.until = due(now);
        let block_is_over = open.left == 1;
        open.left = if block_is_over {
            self.settings.block_size
        } else {
            open.left.saturating_sub(1)
        };
        self.open = Some(open);
        if block_is_over {
            return Received::Flow(self.flow(0x30));
        }
        Received::Nothing
    }

    fn flow(&self, status: u8) -> Vec<u8> {
        let mut field: Vec<u8> = self.settings.extension.into_iter().collect();
        field.extend([status, self.settings.block_size, self.settings.separation.0]);
        if let Some(filling) = self.settings.filling {
            field.resize(pci::CLASSIC, filling);
        }
        field
    }
}

fn due(now: Timestamp) -> Timestamp {
    Timestamp::from_nanos(now.nanos().saturating_add(FRAME_DUE))
}

/// `N_Cr`, in nanoseconds.
const FRAME_DUE: i64 = 1_000_000_000;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::segment::{Cut, FrameLength};
    use super::super::{Next, Sender};
    use super::*;

    fn lengths() -> impl Strategy<Value = FrameLength> {
        prop::sample::select(vec![8_usize, 12, 20, 24, 64])
            .prop_map(|bytes| FrameLength::new(bytes).unwrap())
    }

    proptest! {
        /// What one side sends is what the other one gets, whatever the flow control asks for.
        #[test]
        fn sender_and_receiver_agree(
            payload in prop::collection::vec(any::<u8>(), 1..700),
            frame_length in lengths(),
            extension in any::<Option<u8>>(),
            filling in any::<Option<u8>>(),
            block_size in 0_u8..5,
            separation in any::<u8>(),
        ) {
            let settings = Reception { extension, block_size, separation: Separation(separation), filling };
            let mut sender = Sender::new(&payload, Cut { extension, frame_length, filling });
            let mut receiver = Receiver::new(settings);
            let mut now = Timestamp::from_micros(0);
            let mut got = None;
            let mut waits = 0;
            loop {
                match sender.poll(now) {
                    Next::Send(field) => {
                        waits = 0;
                        match receiver.take(&field, now) {
                            Received::Flow(flow) => sender.take(&flow, now),
                            Received::Message(message) => got = Some(message),
                            Received::Nothing => {}
                            Received::Broken(fault) => panic!("{fault:?}"),
                        }
                    }
                    Next::Wait(until) => {
                        waits += 1;
                        prop_assert!(waits < 3);
                        now = until;
                    }
                    Next::Done => break,
                    Next::Failed(fault) => panic!("{fault}"),
                }
            }
            prop_assert_eq!(got, Some(payload));
        }
    }

    #[test]
    fn a_late_or_wrong_frame_breaks_the_message() {
        let mut receiver = Receiver::new(Reception::default());
        let second = |second: i64| Timestamp::from_micros(second * 1_000_000);
        let first = [0x10, 0x14, 1, 2, 3, 4, 5, 6];
        assert_eq!(
            receiver.take(&first, second(0)),
            Received::Flow(vec![0x30, 0, 0])
        );
        assert_eq!(receiver.expire(second(1)), Received::Nothing);
        assert_eq!(receiver.expire(second(2)), Received::Broken(Fault::Timeout));
        receiver.take(&first, second(3));
        assert_eq!(
            receiver.take(&[0x22, 7, 8, 9], second(3)),
            Received::Broken(Fault::Sequence)
        );
        assert_eq!(receiver.deadline(), None);
    }
}
