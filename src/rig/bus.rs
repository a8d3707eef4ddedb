//! The bus: frames wait, the lowest identifier goes first, each takes its time on the wire.

use std::collections::VecDeque;

use crate::frame::{CanId, Channel, Frame, FrameKind, Timestamp};

/// 500 kbit/s, in seconds for each bit.
const BIT_S: f64 = 2e-6;

/// Who is on the bus.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Node {
    Brakes,
    Powertrain,
    Body,
    Cluster,
    Motion,
    Tester,
}

/// A frame that the rig has put on its bus, with its own data.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct RigFrame {
    /// When it was over.
    pub time: Timestamp,
    /// On which bus.
    pub channel: Channel,
    /// Its identifier.
    pub id: CanId,
    /// What kind of frame it is.
    pub kind: FrameKind,
    /// Its data.
    pub data: Vec<u8>,
}

impl RigFrame {
    /// The same as a borrowed frame, as the `number`th of its capture.
    pub fn as_frame(&self, number: u64) -> Frame<'_> {
        Frame {
            number,
            time: Some(self.time),
            channel: self.channel,
            id: self.id,
            kind: self.kind,
            data: &self.data,
        }
    }
}

#[derive(Clone, Debug)]
struct Waiting {
    ready: f64,
    node: Node,
    id: CanId,
    data: Vec<u8>,
}

/// A frame that all others have received.
#[derive(Clone, Debug)]
pub(super) struct Delivered {
    pub(super) node: Node,
    pub(super) id: CanId,
    pub(super) data: Vec<u8>,
}

/// The bus.
#[derive(Clone, Debug, Default)]
pub(super) struct Bus {
    waiting: Vec<Waiting>,
    free_at: f64,
    pub(super) out: VecDeque<RigFrame>,
    start: Timestamp,
}

impl Bus {
    pub(super) fn new(start: Timestamp) -> Self {
        Self {
            start,
            ..Self::default()
        }
    }

    fn stamp(&self, time: f64) -> Timestamp {
        let micros = super::whole::whole(time * 1e6);
        Timestamp::from_nanos(
            self.start
                .nanos()
                .saturating_add(micros.saturating_mul(1_000)),
        )
    }

    /// A frame is ready at `ready` seconds.
    pub(super) fn queue(&mut self, ready: f64, node: Node, id: CanId, data: Vec<u8>) {
        self.waiting.push(Waiting {
            ready,
            node,
            id,
            data,
        });
    }

    /// An error frame as Linux reports it: classes, then the details.
    pub(super) fn error(&mut self, time: f64, classes: u32, details: [u8; 8]) {
        self.free_at = self.free_at.max(time) + 20.0 * BIT_S;
        self.out.push_back(RigFrame {
            time: self.stamp(self.free_at),
            channel: Channel(0),
            id: CanId::extended_masked(classes),
            kind: FrameKind::Error,
            data: details.to_vec(),
        });
    }

    /// Sends what fits before `now`. A node for which `off` says so loses its frames.
    pub(super) fn run(&mut self, now: f64, off: impl Fn(Node) -> bool) -> Vec<Delivered> {
        let mut delivered = Vec::new();
        while self.free_at < now {
            let earliest = self
                .waiting
                .iter()
                .map(|frame| frame.ready)
                .fold(f64::INFINITY, f64::min);
            let start = self.free_at.max(earliest);
            if start >= now {
                break;
            }
            // Of those that are ready, the lowest identifier wins the arbitration.
            let winner = (0..self.waiting.len())
                .filter(|&index| self.waiting[index].ready <= start)
                .min_by_key(|&index| {
                    let id = self.waiting[index].id;
                    let base = if id.is_extended() {
                        id.raw() >> 18
                    } else {
                        id.raw()
                    };
                    (base, id)
                });
            let Some(winner) = winner else { break };
            let frame = self.waiting.remove(winner);
            if off(frame.node) {
                continue;
            }
            let head = if frame.id.is_extended() { 67.0 } else { 47.0 };
            // One stuff bit in ten, roughly.
            let bits = (head + 8.0 * super::whole::real(frame.data.len())) * 1.1;
            self.free_at = start + bits * BIT_S;
            self.out.push_back(RigFrame {
                time: self.stamp(self.free_at),
                channel: Channel(0),
                id: frame.id,
                kind: FrameKind::Data,
                data: frame.data.clone(),
            });
            delivered.push(Delivered {
                node: frame.node,
                id: frame.id,
                data: frame.data,
            });
        }
        delivered
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_identifier_goes_first_and_nothing_overlaps() {
        let mut bus = Bus::new(Timestamp::default());
        for raw in [0x300, 0x100, 0x200] {
            bus.queue(0.0, Node::Body, CanId::standard_masked(raw), vec![0; 8]);
        }
        bus.queue(0.0, Node::Brakes, CanId::standard_masked(0x50), vec![0; 8]);
        let delivered = bus.run(0.01, |node| node == Node::Brakes);
        let order: Vec<u32> = delivered.iter().map(|frame| frame.id.raw()).collect();
        assert_eq!(order, [0x100, 0x200, 0x300]);
        let times: Vec<i64> = bus.out.iter().map(|frame| frame.time.nanos()).collect();
        assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= 200_000));
    }
}
