//! Sending on a live link: one message, frame by frame, as the receiver's flow control allows.
//!
//! It reads no clock and owns no socket: the caller says what time it is and sends what it is given.
//!
//! Source: ISO 15765-2:2016, flow control (flow status, block size, separation time), `N_Bs` 1 s.

use std::collections::VecDeque;

use super::control::{FlowStatus, Separation};
use super::pci::{self, Pci};
use super::segment::{Cut, frames};
use crate::frame::Timestamp;

/// A message that is being sent.
///
/// ```
/// use tonering::frame::Timestamp;
/// use tonering::transport::segment::Cut;
/// use tonering::transport::{Next, Sender};
///
/// let mut sender = Sender::new(&[0x22, 0xF1, 0x90], Cut::classic(None));
/// let now = Timestamp::from_micros(0);
/// assert_eq!(sender.poll(now), Next::Send(vec![0x03, 0x22, 0xF1, 0x90]));
/// assert_eq!(sender.poll(now), Next::Done);
/// ```
#[derive(Clone, Debug)]
pub struct Sender {
    fields: VecDeque<Vec<u8>>,
    prefix: usize,
    state: State,
    waits: u32,
}

/// What the sender wants.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Next {
    /// This data field is to be sent now.
    Send(Vec<u8>),
    /// Nothing before this time; or earlier, when a flow control comes.
    Wait(Timestamp),
    /// All is sent.
    Done,
    /// The receiver cannot be reached, or does not want it.
    Failed(SendFault),
}

/// Why a message was not sent to its end.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SendFault {
    /// No flow control within a second.
    #[error("no flow control came within a second")]
    NoFlow,
    /// The receiver cannot hold a message of this length.
    #[error("the receiver refused the message as too long")]
    Overflow,
    /// The receiver asked to wait too often.
    #[error("the receiver asked to wait {MAX_WAITS} times")]
    TooManyWaits,
    /// A flow control with a reserved status.
    #[error("the receiver's flow control has a reserved status")]
    ReservedStatus,
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum State {
    /// The first field was not sent yet.
    Fresh,
    /// A flow control is due.
    Held {
        until: Timestamp,
    },
    /// May send: so many more in this block (`None`: all), the next one not before `after`.
    Free {
        left: Option<u8>,
        separation: Separation,
        after: Timestamp,
    },
    Failed(SendFault),
}

impl Sender {
    /// Prepares a message. An empty payload is done at once.
    pub fn new(payload: &[u8], cut: Cut) -> Self {
        Self {
            fields: frames(payload, cut).collect(),
            prefix: usize::from(cut.extension.is_some()),
            state: State::Fresh,
            waits: 0,
        }
    }

    /// What to do now.
    pub fn poll(&mut self, now: Timestamp) -> Next {
        match self.state {
            State::Failed(fault) => Next::Failed(fault),
            _ if self.fields.is_empty() => Next::Done,
            State::Held { until } => {
                if now > until {
                    return self.fail(SendFault::NoFlow);
                }
                Next::Wait(until)
            }
            State::Free { after, .. } if now < after => Next::Wait(after),
            State::Fresh
            | State::Free {
                left: Some(0 | 1), ..
            } => {
                self.state = State::Held {
                    until: later(now, FLOW_DUE),
                };
                self.send()
            }
            State::Free {
                left, separation, ..
            } => {
                self.state = State::Free {
                    left: left.map(|left| left - 1),
                    separation,
                    after: later(now, i64::from(separation.micros()) * 1_000),
                };
                self.send()
            }
        }
    }

    /// Takes a data field of the receiver. What is no flow control, or comes unasked, is ignored.
    pub fn take(&mut self, field: &[u8], now: Timestamp) {
        let State::Held { .. } = self.state else {
            return;
        };
        if self.fields.is_empty() {
            return;
        }
        match pci::parse(field, self.prefix) {
            Ok(Pci::Flow {
                status,
                block_size,
                separation,
            }) => self.obey(status, block_size, separation, now),
            Err(pci::Malformed::Flow) => {
                self.fail(SendFault::ReservedStatus);
            }
            Ok(_) | Err(_) => {}
        }
    }

    fn obey(&mut self, status: FlowStatus, block_size: u8, separation: Separation, now: Timestamp) {
        match status {
            FlowStatus::Continue => {
                self.waits = 0;
                self.state = State::Free {
                    left: (block_size != 0).then_some(block_size),
                    separation,
                    after: now,
                };
            }
            FlowStatus::Wait => {
                self.waits += 1;
                if self.waits > MAX_WAITS {
                    self.fail(SendFault::TooManyWaits);
                } else {
                    self.state = State::Held {
                        until: later(now, FLOW_DUE),
                    };
                }
            }
            FlowStatus::Overflow => {
                self.fail(SendFault::Overflow);
            }
        }
    }

    fn send(&mut self) -> Next {
        self.fields.pop_front().map_or(Next::Done, Next::Send)
    }

    fn fail(&mut self, fault: SendFault) -> Next {
        self.state = State::Failed(fault);
        Next::Failed(fault)
    }
}

fn later(now: Timestamp, nanos: i64) -> Timestamp {
    Timestamp::from_nanos(now.nanos().saturating_add(nanos))
}

/// `N_Bs`, in nanoseconds.
const FLOW_DUE: i64 = 1_000_000_000;
/// Wait frames in a row that are put up with.
const MAX_WAITS: u32 = 32;

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: i64) -> Timestamp {
        Timestamp::from_micros(millis * 1_000)
    }

    fn sent(next: Next) -> u8 {
        match next {
            Next::Send(field) => field[0],
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn block_size_and_separation_time_are_obeyed() {
        // 20 + 7 bytes: a first frame and three consecutive ones. Flow control: 2 frames, 10 ms apart.
        let mut sender = Sender::new(&[1; 27], Cut::classic(None));
        assert_eq!(sent(sender.poll(at(0))), 0x10);
        assert_eq!(sender.poll(at(5)), Next::Wait(at(1_000)));
        sender.take(&[0x30, 0x02, 0x0A], at(7));
        assert_eq!(sent(sender.poll(at(7))), 0x21);
        assert_eq!(sender.poll(at(8)), Next::Wait(at(17)));
        assert_eq!(sent(sender.poll(at(17))), 0x22);
        assert_eq!(sender.poll(at(40)), Next::Wait(at(1_017)));
        sender.take(&[0x31, 0x00, 0x00], at(900));
        assert_eq!(sender.poll(at(1_100)), Next::Wait(at(1_900)));
        sender.take(&[0x30, 0x00, 0x00], at(1_200));
        assert_eq!(sent(sender.poll(at(1_200))), 0x23);
        assert_eq!(sender.poll(at(1_200)), Next::Done);
    }

    #[test]
    fn a_receiver_that_does_not_want_it_ends_it() {
        let cases: [(&[u8], SendFault); 2] = [
            (&[0x32, 0, 0], SendFault::Overflow),
            (&[0x35, 0, 0], SendFault::ReservedStatus),
        ];
        for (flow, fault) in cases {
            let mut sender = Sender::new(&[1; 20], Cut::classic(Some(0)));
            sender.poll(at(0));
            sender.take(flow, at(1));
            assert_eq!(sender.poll(at(2)), Next::Failed(fault));
        }
        let mut sender = Sender::new(&[1; 20], Cut::classic(Some(0)));
        sender.poll(at(0));
        assert_eq!(sender.poll(at(1_001)), Next::Failed(SendFault::NoFlow));
    }
}
