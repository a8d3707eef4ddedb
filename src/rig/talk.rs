//! One side of an ISO 15765-2 conversation on classic CAN: cuts payloads into frames, obeys the partner's flow
//! control, joins what comes.
//!
//! Time is an argument; nothing here waits. Payloads up to 4095 bytes.

use std::collections::VecDeque;

use crate::frame::CanId;

/// Largest payload of one message, bytes: a 12-bit length.
pub const MAX_PAYLOAD: usize = 4095;
/// `N_Bs` and `N_Cr`: how long one side waits for the other, seconds.
const PATIENCE_S: f64 = 1.0;

/// A frame to be sent: identifier and up to eight bytes.
pub type Outgoing = (CanId, Vec<u8>);

/// A side of a conversation.
#[derive(Clone, Debug)]
pub struct Talk {
    /// The identifier of what this side sends.
    pub sends: CanId,
    /// The identifier of what it listens to.
    pub hears: CanId,
    /// What fills its frames up to eight bytes; `None`: frames are as short as they can be.
    pub padding: Option<u8>,
    /// The block size it asks of the partner.
    pub block_size: u8,
    /// The separation time it asks of the partner, as coded.
    pub separation: u8,
    joining: Option<Joining>,
    cutting: Option<Cutting>,
    waiting: VecDeque<Vec<u8>>,
}

#[derive(Clone, Debug)]
struct Joining {
    payload: Vec<u8>,
    length: usize,
    next: u8,
    in_block: u8,
    heard: f64,
}

#[derive(Clone, Debug)]
struct Cutting {
    payload: Vec<u8>,
    at: usize,
    next: u8,
    /// Frames left in the block; `None`: no limit.
    left: Option<u8>,
    gap_s: f64,
    /// When the next frame may go; `None`: waiting for flow control.
    due: Option<f64>,
    since: f64,
}

impl Talk {
    /// A side that sends on one identifier and listens to another.
    pub const fn new(sends: CanId, hears: CanId, padding: Option<u8>) -> Self {
        Self {
            sends,
            hears,
            padding,
            block_size: 0,
            separation: 0,
            joining: None,
            cutting: None,
            waiting: VecDeque::new(),
        }
    }

    fn frame(&self, head: &[u8], rest: &[u8]) -> Outgoing {
        let mut data = Vec::with_capacity(8);
        data.extend_from_slice(head);
        data.extend_from_slice(rest);
        if let Some(padding) = self.padding {
            data.resize(8, padding);
        }
        (self.sends, data)
    }

    /// Queues a payload; empty ones and those above [`MAX_PAYLOAD`] are refused with `false`.
    pub fn send(&mut self, payload: Vec<u8>) -> bool {
        if payload.is_empty() || payload.len() > MAX_PAYLOAD {
            return false;
        }
        self.waiting.push_back(payload);
        true
    }

    /// Whether a message is coming in, in pieces.
    pub fn is_joining(&self, now: f64) -> bool {
        let joining = self.joining.as_ref();
        joining.is_some_and(|joining| now - joining.heard <= PATIENCE_S)
    }

    /// Whether everything queued has been sent.
    pub fn is_idle(&self) -> bool {
        self.cutting.is_none() && self.waiting.is_empty()
    }

    /// Takes a frame that came on the identifier this side listens to. Gives a payload when one is whole; puts flow
    /// control that has to be sent into `out`.
    pub fn hear(&mut self, data: &[u8], now: f64, out: &mut Vec<Outgoing>) -> Option<Vec<u8>> {
        let (&control, rest) = data.split_first()?;
        match control >> 4 {
            0 => {
                let length = usize::from(control & 0x0F);
                let payload = rest.get(..length).filter(|payload| !payload.is_empty())?;
                self.joining = None;
                Some(payload.to_vec())
            }
            1 => {
                let (&low, payload) = rest.split_first()?;
                let length = usize::from(control & 0x0F) << 8 | usize::from(low);
                if length < 8 || payload.len() != 6 {
                    return None;
                }
                self.joining = Some(Joining {
                    payload: payload.to_vec(),
                    length,
                    next: 1,
                    in_block: 0,
                    heard: now,
                });
                out.push(self.frame(&[0x30, self.block_size, self.separation], &[]));
                None
            }
            2 => self.continue_joining(control & 0x0F, rest, now, out),
            3 => {
                self.take_flow(control & 0x0F, rest, now);
                None
            }
            _ => None,
        }
    }

    fn continue_joining(
        &mut self,
        number: u8,
        rest: &[u8],
        now: f64,
        out: &mut Vec<Outgoing>,
    ) -> Option<Vec<u8>> {
        let mut joining = self.joining.take()?;
        if number != joining.next || now - joining.heard > PATIENCE_S {
            return None;
        }
        let missing = joining.length.saturating_sub(joining.payload.len());
        let wanted = missing.min(7);
        joining.payload.extend_from_slice(rest.get(..wanted)?);
        if joining.payload.len() == joining.length {
            return Some(joining.payload);
        }
        joining.next = (joining.next + 1) & 0x0F;
        joining.heard = now;
        joining.in_block = joining.in_block.wrapping_add(1);
        if self.block_size != 0 && joining.in_block == self.block_size {
            joining.in_block = 0;
            out.push(self.frame(&[0x30, self.block_size, self.separation], &[]));
        }
        self.joining = Some(joining);
        None
    }

    fn take_flow(&mut self, status: u8, rest: &[u8], now: f64) {
        let Some(cutting) = &mut self.cutting else {
            return;
        };
        if cutting.due.is_some() {
            return;
        }
        match (status, rest) {
            (0, &[block_size, separation, ..]) => {
                cutting.left = (block_size != 0).then_some(block_size);
                cutting.gap_s = separation_s(separation);
                cutting.due = Some(now);
            }
            (1, _) => cutting.since = now,
            // Overflow, reserved or too short: give up.
            _ => self.cutting = None,
        }
    }

    /// Puts the frames that are due into `out`.
    pub fn poll(&mut self, now: f64, out: &mut Vec<Outgoing>) {
        if self.cutting.is_none() {
            let Some(payload) = self.waiting.pop_front() else {
                return;
            };
            let [low, high, ..] = payload.len().to_le_bytes();
            if payload.len() < 8 {
                out.push(self.frame(&[low], &payload));
                return;
            }
            if let Some(first) = payload.get(..6) {
                out.push(self.frame(&[0x10 | high, low], first));
            }
            self.cutting = Some(Cutting {
                payload,
                at: 6,
                next: 1,
                left: None,
                gap_s: 0.0,
                due: None,
                since: now,
            });
            return;
        }
        let Some(mut cutting) = self.cutting.take() else {
            return;
        };
        let Some(due) = cutting.due else {
            if now - cutting.since <= PATIENCE_S {
                self.cutting = Some(cutting);
            }
            return;
        };
        if now < due {
            self.cutting = Some(cutting);
            return;
        }
        let end = cutting.payload.len().min(cutting.at + 7);
        let Some(piece) = cutting.payload.get(cutting.at..end) else {
            return;
        };
        out.push(self.frame(&[0x20 | cutting.next], piece));
        if end == cutting.payload.len() {
            return;
        }
        cutting.at = end;
        cutting.next = (cutting.next + 1) & 0x0F;
        cutting.due = Some(now + cutting.gap_s);
        if let Some(left) = &mut cutting.left {
            *left -= 1;
            if *left == 0 {
                cutting.due = None;
                cutting.since = now;
            }
        }
        self.cutting = Some(cutting);
    }
}

/// Separation time as coded, in seconds; reserved values count as the longest (ISO 15765-2:2016, 9.6.5.4).
fn separation_s(coded: u8) -> f64 {
    match coded {
        0..=0x7F => f64::from(coded) / 1e3,
        0xF1..=0xF9 => f64::from(coded - 0xF0) / 1e4,
        _ => 0.127,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(block_size: u8, separation: u8) -> (Talk, Talk) {
        let id = |raw| CanId::standard(raw).unwrap();
        let tester = Talk {
            block_size,
            separation,
            ..Talk::new(id(0x7E0), id(0x7E8), Some(0xCC))
        };
        let module = Talk::new(id(0x7E8), id(0x7E0), None);
        (tester, module)
    }

    /// Sends a payload from module to tester; gives the frames in order and what arrived.
    fn carry(
        tester: &mut Talk,
        module: &mut Talk,
        payload: &[u8],
    ) -> (Vec<Outgoing>, Option<Vec<u8>>) {
        assert!(module.send(payload.to_vec()));
        let mut frames = Vec::new();
        for step in 0..200_000_u32 {
            let now = f64::from(step) / 1e3;
            let mut out = Vec::new();
            module.poll(now, &mut out);
            for (_, data) in &out {
                let mut back = Vec::new();
                let whole = tester.hear(data, now, &mut back);
                frames.push((module.sends, data.clone()));
                for flow in back {
                    let mut none = Vec::new();
                    assert_eq!(module.hear(&flow.1, now, &mut none), None);
                    assert!(none.is_empty());
                    frames.push(flow);
                }
                if whole.is_some() {
                    return (frames, whole);
                }
            }
        }
        (frames, None)
    }

    /// Source: can-isotp 2.0.7 and scapy 2.8.0 on the same payload (mode 09 answer of 20 bytes).
    #[test]
    fn frames_are_those_of_other_implementations() {
        let (mut tester, mut module) = pair(2, 10);
        let payload = *b"\x49\x02\x01W0L000051T2123456";
        let (frames, whole) = carry(&mut tester, &mut module, &payload);
        let lines: Vec<(u32, &[u8])> = frames
            .iter()
            .map(|(id, data)| (id.raw(), data.as_slice()))
            .collect();
        assert_eq!(
            lines,
            [
                (0x7E8, &b"\x10\x14\x49\x02\x01W0L"[..]),
                (0x7E0, b"\x30\x02\x0A\xCC\xCC\xCC\xCC\xCC"),
                (0x7E8, b"\x21000051T"),
                (0x7E8, b"\x222123456")
            ]
        );
        assert_eq!(whole.as_deref(), Some(&payload[..]));
    }

    #[test]
    fn every_length_arrives() {
        for length in (1..40).chain([62, 111, 112, 113, 1_000, MAX_PAYLOAD]) {
            for (block_size, separation) in [(0, 0), (1, 0), (8, 5), (3, 0xF3)] {
                let (mut tester, mut module) = pair(block_size, separation);
                let payload: Vec<u8> = (0..length).map(|n| n.to_le_bytes()[0]).collect();
                let (_, whole) = carry(&mut tester, &mut module, &payload);
                assert_eq!(whole.as_deref(), Some(&payload[..]), "{length}");
                assert!(module.is_idle());
            }
        }
        let (_, mut module) = pair(0, 0);
        assert!(!module.send(Vec::new()));
        assert!(!module.send(vec![0; MAX_PAYLOAD + 1]));
    }

    #[test]
    fn a_partner_who_keeps_silent_is_given_up() {
        let (_, mut module) = pair(0, 0);
        module.send(vec![1; 20]);
        let mut out = Vec::new();
        module.poll(0.0, &mut out);
        module.poll(0.9, &mut out);
        assert!(!module.is_idle());
        module.poll(1.1, &mut out);
        assert!(module.is_idle());
        assert_eq!(out.len(), 1);
    }
}
