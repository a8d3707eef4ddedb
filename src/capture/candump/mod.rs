//! candump text: one frame a line, in the log form or the screen form.
//!
//! A line longer than [`MAX_LINE`] is passed over. Lines without end need no memory.

mod clock;
mod digits;
mod fast;
mod line;

#[cfg(test)]
mod tests;

use std::io;

use self::fast::Memory;
use self::line::{Line, Parsed, Stamp, read_line};
use super::input::Input;
use super::{Kind, Remark, Tally};
use crate::frame::{CanId, Channel, Channels, Frame, FrameKind, MAX_DATA, Timestamp};

/// Longest line that is read, in bytes. The longest that candump writes has about 700: CAN FD in binary.
pub(super) const MAX_LINE: usize = 4 << 10;

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// Reads the lines of one text.
#[derive(Debug)]
pub(super) struct Lines {
    /// Lines taken so far.
    number: u64,
    memory: Memory,
    /// What the differences sum up to, in nanoseconds; `None` where stamps are moments.
    sum_nanos: Option<i64>,
    data: [u8; MAX_DATA],
    /// Whether the rest of a line that is too long is still to be passed over.
    within_long: bool,
}

/// A frame without its data, which are in [`Lines::data`].
struct Head {
    time: Option<Timestamp>,
    channel: Channel,
    id: CanId,
    kind: FrameKind,
    /// `length <= MAX_DATA`
    length: usize,
}

/// What the general path has met.
enum Met {
    End,
    Frame(Head),
    /// A line that is no frame, or the end of one that is too long.
    Other,
}

/// What the start of a text tells about it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Sight {
    pub(super) kind: Kind,
    pub(super) is_difference: bool,
    /// Whether more text could still change the second answer.
    pub(super) is_sure: bool,
}

/// Looks for a candump line in the start of a text; an unfinished last line counts only if `is_all`.
pub(super) fn look(head: &[u8], is_all: bool) -> Option<Sight> {
    let head = head.strip_prefix(BYTE_ORDER_MARK).unwrap_or(head);
    let end = head.iter().rposition(|&byte| byte == b'\n');
    let whole = match end {
        _ if is_all => head,
        Some(end) => head.get(..end).unwrap_or_default(),
        None => return None,
    };
    let mut first: Option<(Kind, &str, usize)> = None;
    let mut stamps = Vec::new();
    for line in whole.split(|&byte| byte == b'\n') {
        if line.len() > MAX_LINE {
            continue;
        }
        let Line::Frame(frame) = read_line(line) else {
            continue;
        };
        let kind = if frame.is_log {
            Kind::CandumpLog
        } else {
            Kind::CandumpScreen
        };
        let digits = frame.stamp.map_or(0, |stamp| stamp.whole_digits);
        let (_, name, digits) = *first.get_or_insert((kind, frame.name, digits));
        if clock::are_moments(digits) {
            break;
        }
        if let Some(stamp) = frame.stamp
            && frame.name == name
        {
            stamps.push(stamp.nanos);
        }
        if stamps.len() == clock::ENOUGH {
            break;
        }
    }
    let (kind, _, digits) = first?;
    Some(Sight {
        kind,
        is_difference: clock::are_differences(&stamps, digits),
        is_sure: clock::are_moments(digits) || stamps.len() == clock::ENOUGH,
    })
}

impl Lines {
    /// `is_difference`: whether time stamps are differences to the line before.
    pub(super) fn new(is_difference: bool) -> Self {
        Self {
            number: 0,
            memory: Memory::default(),
            sum_nanos: is_difference.then_some(0),
            data: [0; MAX_DATA],
            within_long: false,
        }
    }

    /// The next frame; `None` at the end.
    #[inline]
    pub(super) fn next<'a>(
        &'a mut self,
        input: &mut Input,
        channels: &mut Channels,
        tally: &mut Tally,
    ) -> io::Result<Option<Frame<'a>>> {
        let head = match self.next_plain(input) {
            Some(head) => head,
            None => match self.next_general(input, channels, tally)? {
                Some(head) => head,
                None => return Ok(None),
            },
        };
        Ok(Some(Frame {
            number: self.number,
            time: head.time,
            channel: head.channel,
            id: head.id,
            kind: head.kind,
            data: self.data.get(..head.length).unwrap_or_default(),
        }))
    }

    /// The next line by the fast path, if it can.
    #[inline]
    fn next_plain(&mut self, input: &mut Input) -> Option<Head> {
        if self.within_long {
            return None;
        }
        let found = self.memory.read(input.window())?;
        input.take(found.line);
        self.number += 1;
        let time = self.moment(found.nanos);
        let (whole, _) = self.data.split_at_mut(found.data.len());
        whole.copy_from_slice(&found.data);
        Some(Head {
            time: Some(time),
            channel: found.channel,
            id: found.id,
            kind: FrameKind::Data,
            length: found.length,
        })
    }

    /// The next frame where the next line is not plain.
    fn next_general(
        &mut self,
        input: &mut Input,
        channels: &mut Channels,
        tally: &mut Tally,
    ) -> io::Result<Option<Head>> {
        loop {
            let head = match self.line(input, channels, tally)? {
                Met::End => return Ok(None),
                Met::Frame(head) => Some(head),
                // What follows damage may well be plain.
                Met::Other => self.next_plain(input),
            };
            if head.is_some() {
                return Ok(head);
            }
        }
    }

    /// Reads one line by the general path.
    fn line(
        &mut self,
        input: &mut Input,
        channels: &mut Channels,
        tally: &mut Tally,
    ) -> io::Result<Met> {
        let mut seen = 0;
        let (whole, taken) = loop {
            let window = input.window();
            let fresh = window.get(seen..).unwrap_or_default();
            match memchr::memchr(b'\n', fresh) {
                Some(feed) => break (true, seen + feed + 1),
                None if window.len() > MAX_LINE || self.within_long => {
                    if !self.within_long {
                        self.within_long = true;
                        self.number += 1;
                        tally.add(Remark::LineTooLong, self.number, input.offset());
                    }
                    input.take(window.len());
                    seen = 0;
                    if !input.more()? {
                        return Ok(Met::End);
                    }
                }
                None => {
                    seen = window.len();
                    if !input.more()? {
                        break (false, input.window().len());
                    }
                }
            }
        };
        if self.within_long {
            self.within_long = false;
            input.take(taken);
            return Ok(Met::Other);
        }
        if !whole && taken == 0 {
            return Ok(Met::End);
        }
        let offset = input.offset();
        let place = input.take(taken);
        let line = input.bytes(place.start..place.start + line_length(!whole, taken));
        self.number += 1;
        let line = match line.strip_prefix(BYTE_ORDER_MARK) {
            Some(rest) if offset == 0 => rest,
            _ => line,
        };
        if line.len() > MAX_LINE {
            tally.add(Remark::LineTooLong, self.number, offset);
            return Ok(Met::Other);
        }
        match read_line(line) {
            Line::Blank => Ok(Met::Other),
            Line::Malformed(stamp) => {
                if let Some(stamp) = stamp {
                    self.moment(stamp.nanos);
                }
                let remark = if whole {
                    Remark::Malformed
                } else {
                    Remark::CutOff
                };
                tally.add(remark, self.number, offset);
                Ok(Met::Other)
            }
            Line::Frame(frame) => {
                if let Some(stamp) = frame.stamp {
                    self.memory.learn_seconds(line, stamp.nanos);
                }
                let channel = super::intern(channels, frame.name, tally, self.number, offset);
                if channels.name(channel) == frame.name {
                    self.memory.learn_name(frame.name, channel);
                }
                Ok(Met::Frame(self.keep(&frame, channel)))
            }
        }
    }

    fn keep(&mut self, parsed: &Parsed<'_>, channel: Channel) -> Head {
        let time = parsed.stamp.map(|Stamp { nanos, .. }| self.moment(nanos));
        self.data = parsed.data;
        Head {
            time,
            channel,
            id: parsed.id,
            kind: parsed.kind,
            length: parsed.length,
        }
    }

    /// The moment that a stamp means.
    #[inline]
    fn moment(&mut self, nanos: i64) -> Timestamp {
        match &mut self.sum_nanos {
            None => Timestamp::from_nanos(nanos),
            Some(sum) => {
                *sum = sum.saturating_add(nanos);
                Timestamp::from_nanos(*sum)
            }
        }
    }
}

/// Length of a line without its line feed; the last line may have none.
const fn line_length(is_last: bool, taken: usize) -> usize {
    if is_last {
        taken
    } else {
        taken.saturating_sub(1)
    }
}
