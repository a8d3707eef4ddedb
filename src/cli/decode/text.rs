//! Text: one line for each message; with `--bytes` its fields below it.

use std::borrow::Cow;

use tonering::frame::{Channels, Timestamp};
use tonering::service::{Direction, Family, Field, Value, Words, fields, head};
use tonering::transport::{Address, Control, Pace};

use super::super::console::{Console, printable};
use super::super::wrap;
use super::lines::Lines;
use super::{Printer, Shown, json};

/// Most fields that a line names before it only counts them.
const MOST_FIELDS: usize = 12;

/// Most bytes of one field that a line shows.
const MOST_BYTES: usize = 16;

/// Prints text.
#[derive(Debug)]
pub(super) struct Text {
    console: Console,
    deep: bool,
    /// Time 0 of the capture that is printed.
    zero: Option<Timestamp>,
    /// The line before the messages, until the first one says what time 0 is.
    heading: Option<String>,
    captures: u32,
}

impl Text {
    pub(super) const fn new(console: Console, deep: bool) -> Self {
        Self {
            console,
            deep,
            zero: None,
            heading: None,
            captures: 0,
        }
    }

    /// Time since the capture's first message, channel, address.
    fn start(&mut self, out: &mut Lines, time: Option<Timestamp>, channel: &str, from: Address) {
        if let Some(heading) = self.heading.take() {
            self.zero = time;
            out.text(&heading);
            if let Some(zero) = time {
                out.text("; time 0 is ");
                out.seconds(zero, 6);
            }
            out.byte(b'\n');
        }
        let start = out.len();
        match (time, self.zero) {
            (Some(time), Some(zero)) => {
                // Microseconds are enough for a person; the whole time stands in the other formats.
                let nanos = time.nanos_since(zero);
                out.seconds(Timestamp::from_nanos(nanos - nanos % 1_000), 6);
            }
            _ => out.byte(b'-'),
        }
        pad_left(out, start, 12);
        out.text("  ");
        out.text(&printable(channel));
        out.text("  ");
        out.show(&from);
    }

    fn arrow(&self, direction: Direction) -> &'static str {
        match (direction, self.console.unicode) {
            (Direction::Request, true) => " → ",
            (Direction::Request, false) => " > ",
            (Direction::Response, true) => " ← ",
            (Direction::Response, false) => " < ",
            (Direction::Unknown, _) => " ? ",
        }
    }
}

fn pad_left(out: &mut Lines, start: usize, width: usize) {
    let length = out.len() - start;
    if length < width {
        let held = out.since(start).to_vec();
        out.truncate(start);
        for _ in length..width {
            out.byte(b' ');
        }
        out.raw(&held);
    }
}

impl Printer for Text {
    fn capture(&mut self, out: &mut Lines, name: &str, kind: &str) {
        if self.captures > 0 {
            out.byte(b'\n');
        }
        self.captures += 1;
        self.heading = Some(format!("{} ({kind})", printable(name)));
    }

    fn message(&mut self, out: &mut Lines, shown: &Shown<'_>) {
        let message = shown.message;
        let head = head(message, shown.context.family);
        let channel = shown.channels.name(message.channel);
        self.start(out, message.start, channel, message.address);
        out.text(self.arrow(head.direction));
        if let Some(service) = head.service
            && shown.context.family == Family::Other
            && service != 0x7F
        {
            // Their names are unknown here; the number is all there is to tell them apart.
            out.text("0x");
            out.hex(service);
            out.byte(b' ');
        }
        out.text(head.name);
        let deep = self.deep;
        if !deep {
            content(out, shown, ": ", !self.console.unicode);
        }
        if let Some(fault) = message.fault {
            out.text(" [not whole: ");
            out.text(tonering::service::fault_words(fault));
            out.byte(b']');
        }
        out.byte(b'\n');
        if deep {
            let ascii = !self.console.unicode;
            fields(message, shown.request, &shown.context, &mut |field| {
                taken_apart(out, &field, &message.payload, ascii);
            });
        }
    }

    fn control(&mut self, out: &mut Lines, control: &Control, channels: &Channels) {
        match control {
            Control::Flow {
                time,
                channel,
                address,
                status,
                block_size,
                separation,
                ..
            } => {
                self.start(out, *time, channels.name(*channel), *address);
                out.text(if self.console.unicode { " · " } else { " . " });
                out.text("flow control: ");
                out.text(json::status_id(*status));
                out.text(", block size ");
                out.count(u64::from(*block_size));
                out.text(", separation ");
                out.show(&(f64::from(separation.micros()) / 1e3));
                out.text(" ms\n");
            }
            Control::DoIp(payload) => {
                let unknown = Address::DoIp {
                    source: 0,
                    target: 0,
                };
                self.start(out, payload.time, channels.name(payload.channel), unknown);
                // The logical addresses stand inside the payload, where there are any.
                let length = out.len() - unknown.to_string().len();
                out.truncate(length);
                out.show(&payload.from);
                out.byte(b'>');
                out.show(&payload.to);
                out.text(if self.console.unicode { " · " } else { " . " });
                out.show(&payload.kind);
                if let Some(name) = payload.kind.name() {
                    out.byte(b' ');
                    out.text(name);
                }
                out.text(": ");
                short_bytes(out, &payload.payload);
                out.byte(b'\n');
            }
            _ => {}
        }
    }

    fn pace(
        &mut self,
        out: &mut Lines,
        channel: &str,
        sender: Address,
        receiver: Option<Address>,
        pace: &Pace,
    ) {
        let mut words = vec![format!("timing  {}  {sender}", printable(channel))];
        if let Some(receiver) = receiver {
            words.push(format!(" to {receiver}"));
        }
        words.push(format!(
            ": {}",
            counted(pace.first_frames, "segmented message")
        ));
        match pace.separation {
            None => words.push("; no flow control seen".to_owned()),
            Some(separation) => {
                let block = match pace.block_size {
                    None | Some(0) => "all at once".to_owned(),
                    Some(size) => format!("{size} frames at a time"),
                };
                let millis = f64::from(separation.micros()) / 1e3;
                words.push(format!(
                    "; {} asked for {block}, {millis} ms apart",
                    counted(pace.flow_frames, "flow control frame")
                ));
            }
        }
        match (pace.least_gap, pace.median_gap) {
            (Some(least), Some(median)) => {
                words.push(format!(
                    "; kept: {} ms at the least, {} ms in the median",
                    millis_of(least),
                    millis_of(median)
                ));
            }
            _ => words.push("; no two consecutive frames to measure".to_owned()),
        }
        for (count, what) in [
            (pace.too_early, "too early"),
            (pace.waits, "told to wait"),
            (pace.overflows, "refused as too long"),
            (pace.lost, "lost"),
            (pace.repeated, "sent again"),
        ] {
            if count > 0 {
                words.push(format!("; {count} {what}"));
            }
        }
        wrapped(
            out,
            0,
            8,
            &words.concat(),
            self.console.width,
            !self.console.unicode,
        );
    }
}

/// `1 frame`, `2 frames`.
fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// Nanoseconds as milliseconds with three digits after the point.
#[expect(clippy::cast_precision_loss, reason = "shown with a few digits")]
fn millis_of(nanos: i64) -> f64 {
    (nanos as f64 / 1e3).round() / 1e3
}

/// Words from column `at` on, further lines from column `indent` on, no wider than the console.
pub(crate) fn wrapped(
    out: &mut Lines,
    at: usize,
    indent: usize,
    words: &str,
    width: usize,
    ascii: bool,
) {
    let words = if ascii {
        Cow::Owned(in_ascii(words))
    } else {
        Cow::Borrowed(words)
    };
    for line in wrap::lines(&words, at, indent, width) {
        out.text(&line);
        out.byte(b'\n');
    }
}

/// What a message says, short; nothing when it has no fields besides its service.
pub(super) fn content(out: &mut Lines, shown: &Shown<'_>, lead: &str, ascii: bool) {
    let mut count = 0_usize;
    let mut after_code = false;
    fields(shown.message, shown.request, &shown.context, &mut |field| {
        if is_said_already(&field, &shown.message.payload) {
            return;
        }
        // A status right after its code stands with it.
        if after_code && field.name == "status" {
            after_code = false;
            if count <= MOST_FIELDS {
                out.byte(b'=');
                out.show(&field.value);
            }
            return;
        }
        count += 1;
        after_code = matches!(field.value, Value::Code(..));
        if count > MOST_FIELDS {
            return;
        }
        out.text(if count == 1 { lead } else { ", " });
        short(out, &field, ascii);
    });
    if count > MOST_FIELDS {
        out.text(", and ");
        out.count((count - MOST_FIELDS) as u64);
        out.text(" more");
    }
}

/// Whether the line says it without this field: the service stands before, and the parameter of an answer has its name
/// with its value.
fn is_said_already(field: &Field<'_>, payload: &[u8]) -> bool {
    match &*field.name {
        "service" => field.bytes == (0..1),
        "parameter" => {
            let answer = matches!(payload.first(), Some(0x41 | 0x42));
            let known = !matches!(field.meaning, Words::Plain("reserved or not known here"));
            answer && known && payload.len() > field.bytes.end
        }
        _ => false,
    }
}

fn short(out: &mut Lines, field: &Field<'_>, ascii: bool) {
    match (&field.value, &field.meaning) {
        (Value::Flag(true), _) if field.name == "suppress positive response" => {
            out.text("no answer wanted");
        }
        (Value::Byte(_), Words::Plain(words)) if field.name == "sub-function" => out.text(words),
        (Value::Supported { base, .. }, _) => {
            out.text("supported above ");
            out.hex(*base);
            out.text(": ");
            out.show(&field.value);
        }
        (Value::Id(_), Words::Plain("given by the maker" | "given by the supplier")) => {
            out.text(&field.name);
            out.byte(b' ');
            out.show(&field.value);
        }
        (Value::Code(..), _) => out.show(&field.value),
        (Value::Missing, meaning) => {
            out.text(&field.name);
            out.text(" missing: ");
            out.show(meaning);
        }
        (Value::Bytes(bytes), _) => {
            out.text(&field.name);
            out.byte(b' ');
            short_bytes(out, bytes);
        }
        (Value::Byte(_) | Value::Id(_), Words::Plain(words)) if field.name != "data" => {
            if !matches!(
                &*field.name,
                "sub-function" | "refused service" | "response code"
            ) {
                out.text(&field.name);
                out.byte(b' ');
            }
            out.show(&field.value);
            out.byte(b' ');
            out.text(words);
        }
        _ => {
            out.text(&field.name);
            out.byte(b' ');
            out.show(&field.value);
            if let Some(unit) = field.unit {
                out.byte(b' ');
                symbols(out, unit, ascii);
            }
        }
    }
}

fn short_bytes(out: &mut Lines, bytes: &[u8]) {
    match bytes.get(..MOST_BYTES) {
        Some(head) if bytes.len() > MOST_BYTES => {
            out.hexes(head);
            out.text("... (");
            out.count(bytes.len() as u64);
            out.text(" bytes)");
        }
        _ => out.hexes(bytes),
    }
}

/// One field below its message: place, bytes, name, value, meaning, arithmetic, clause.
pub(crate) fn taken_apart(out: &mut Lines, field: &Field<'_>, payload: &[u8], ascii: bool) {
    out.text("    ");
    let start = out.len();
    out.byte(b'[');
    out.count(field.bytes.start as u64);
    if field.bytes.len() != 1 {
        out.text("..");
        out.count(field.bytes.end as u64);
    }
    if let Some(bits) = field.bits {
        out.text(" bit ");
        out.count(u64::from(bits.high));
        if bits.low != bits.high {
            out.byte(b'-');
            out.count(u64::from(bits.low));
        }
    }
    out.byte(b']');
    pad_right(out, start, 12);
    let start = out.len();
    short_bytes(out, payload.get(field.bytes.clone()).unwrap_or_default());
    pad_right(out, start, 9);
    out.text(&field.name);
    out.text(": ");
    out.show(&field.value);
    if let Some(unit) = field.unit {
        out.byte(b' ');
        symbols(out, unit, ascii);
    }
    if !field.meaning.is_none() {
        out.text(if ascii { " - " } else { " – " });
        out.show(&field.meaning);
    }
    if let Some(arithmetic) = field.arithmetic(payload) {
        out.text("; ");
        symbols(out, &arithmetic, ascii);
    }
    out.text(" (");
    out.text(field.clause);
    out.text(")\n");
}

fn symbols(out: &mut Lines, text: &str, ascii: bool) {
    if ascii {
        out.text(&in_ascii(text));
    } else {
        out.text(text);
    }
}

/// Our own symbols for a console that takes nothing but ASCII.
pub(crate) fn in_ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '×' => plain.push('x'),
            '−' | '–' => plain.push('-'),
            '°' => plain.push_str("deg "),
            '·' => plain.push('.'),
            'Ω' => plain.push_str("ohm"),
            _ => plain.push(character),
        }
    }
    plain
}

fn pad_right(out: &mut Lines, start: usize, width: usize) {
    for _ in (out.len() - start)..width {
        out.byte(b' ');
    }
    out.byte(b' ');
}
