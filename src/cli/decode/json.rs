//! JSON: one object for each message, a line each, written by hand (a general serializer takes twice as long).

use tonering::frame::{Channel, Channels, Timestamp};
use tonering::service::{Field, Value, fields, head};
use tonering::transport::{Address, Control, FlowStatus, Pace};

use super::lines::Lines;
use super::{Printer, Shown};

/// Prints JSON.
#[derive(Debug)]
pub(super) struct Json {
    /// Whether to say clause, bits and arithmetic of each field.
    deep: bool,
    /// The capture's name as a JSON string, where there are several.
    file: Option<Vec<u8>>,
    several: bool,
}

impl Json {
    pub(super) const fn new(deep: bool, several: bool) -> Self {
        Self {
            deep,
            file: None,
            several,
        }
    }

    fn file(&self, out: &mut Lines) {
        if let Some(file) = &self.file {
            out.text("\"file\": \"");
            out.raw(file);
            out.text("\", ");
        }
    }
}

impl Printer for Json {
    fn capture(&mut self, out: &mut Lines, name: &str, _kind: &str) {
        if self.several {
            let start = out.len();
            out.escaped(name);
            self.file = Some(out.since(start).to_vec());
            out.truncate(start);
        }
    }

    fn message(&mut self, out: &mut Lines, shown: &Shown<'_>) {
        let message = shown.message;
        let head = head(message, shown.context.family);
        out.byte(b'{');
        self.file(out);
        out.text("\"time_s\": ");
        time(out, message.start);
        out.text(", \"end_s\": ");
        time(out, message.end);
        place(out, shown.channels, message.channel, message.address);
        out.text(", \"frames\": ");
        out.count(u64::from(message.frames));
        out.text(", \"payload\": \"");
        out.hexes(&message.payload);
        out.text(if message.is_complete() {
            "\", \"complete\": true, \"fault\": "
        } else {
            "\", \"complete\": false, \"fault\": "
        });
        match message.fault {
            Some(fault) => string(out, fault.id()),
            None => out.text("null"),
        }
        out.text(", \"direction\": \"");
        out.text(head.direction.id());
        out.text("\", \"service\": ");
        byte_or_null(out, head.service);
        out.text(", \"name\": ");
        string(out, head.name);
        out.text(", \"pending_for\": ");
        byte_or_null(out, head.pending_for);
        out.text(", \"fields\": [");
        let mut first = true;
        let deep = self.deep;
        fields(message, shown.request, &shown.context, &mut |found| {
            if !first {
                out.text(", ");
            }
            first = false;
            field(out, &found, &message.payload, deep);
        });
        out.text("]}\n");
    }

    fn control(&mut self, out: &mut Lines, control: &Control, channels: &Channels) {
        match control {
            Control::Flow {
                time: at,
                channel,
                address,
                status,
                block_size,
                separation,
                ..
            } => {
                out.byte(b'{');
                self.file(out);
                out.text("\"time_s\": ");
                time(out, *at);
                place(out, channels, *channel, *address);
                out.text(", \"frame\": \"flow-control\", \"status\": ");
                string(out, status_id(*status));
                out.text(", \"block_size\": ");
                out.count(u64::from(*block_size));
                out.text(", \"separation_s\": ");
                out.show(&(f64::from(separation.micros()) / 1e6));
                out.text("}\n");
            }
            Control::DoIp(payload) => {
                out.byte(b'{');
                self.file(out);
                out.text("\"time_s\": ");
                time(out, payload.time);
                out.text(", \"channel\": \"");
                out.escaped(channels.name(payload.channel));
                out.text("\", \"transport\": \"iso13400\", \"frame\": \"payload\", \"from\": \"");
                out.show(&payload.from);
                out.text("\", \"to\": \"");
                out.show(&payload.to);
                out.text("\", \"over_tcp\": ");
                out.text(if payload.over_tcp { "true" } else { "false" });
                out.text(", \"kind\": \"");
                out.escaped_of(&payload.kind);
                out.text("\", \"name\": ");
                string(
                    out,
                    payload
                        .kind
                        .name()
                        .unwrap_or("reserved or given by the maker"),
                );
                out.text(", \"payload\": \"");
                out.hexes(&payload.payload);
                out.text("\"}\n");
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
        out.byte(b'{');
        self.file(out);
        out.text("\"timing\": {\"channel\": ");
        string(out, channel);
        out.text(", \"sender\": \"");
        out.show(&sender);
        out.text("\", \"receiver\": ");
        match receiver {
            Some(receiver) => {
                out.byte(b'"');
                out.show(&receiver);
                out.byte(b'"');
            }
            None => out.text("null"),
        }
        for (name, count) in [
            ("first_frames", pace.first_frames),
            ("flow_frames", pace.flow_frames),
            ("too_early", pace.too_early),
            ("waits", pace.waits),
            ("overflows", pace.overflows),
            ("lost", pace.lost),
            ("repeated", pace.repeated),
        ] {
            out.text(", \"");
            out.text(name);
            out.text("\": ");
            out.count(count);
        }
        let separation = pace
            .separation
            .map(|asked| i64::from(asked.micros()) * 1000);
        for (name, nanos) in [
            ("separation_asked_s", separation),
            ("least_gap_s", pace.least_gap),
            ("median_gap_s", pace.median_gap),
        ] {
            out.text(", \"");
            out.text(name);
            out.text("\": ");
            time(out, nanos.map(Timestamp::from_nanos));
        }
        out.text("}}\n");
    }
}

pub(super) const fn status_id(status: FlowStatus) -> &'static str {
    match status {
        FlowStatus::Continue => "continue",
        FlowStatus::Wait => "wait",
        FlowStatus::Overflow => "overflow",
    }
}

pub(crate) fn string(out: &mut Lines, text: &str) {
    out.byte(b'"');
    out.escaped(text);
    out.byte(b'"');
}

fn time(out: &mut Lines, time: Option<Timestamp>) {
    match time {
        Some(time) => out.seconds(time, 1),
        None => out.text("null"),
    }
}

fn byte_or_null(out: &mut Lines, byte: Option<u8>) {
    match byte {
        Some(byte) => {
            out.text("\"0x");
            out.hex(byte);
            out.byte(b'"');
        }
        None => out.text("null"),
    }
}

/// Channel, identifier, extension and transport, each with a comma before it.
fn place(out: &mut Lines, channels: &Channels, channel: Channel, address: Address) {
    out.text(", \"channel\": \"");
    out.escaped(channels.name(channel));
    match address {
        Address::Can { id, extension } => {
            out.text("\", \"id\": \"0x");
            let raw = id.raw().to_be_bytes();
            if id.is_extended() {
                out.hexes(&raw);
            } else {
                let [.., high, low] = raw;
                out.byte(
                    b"01234567"
                        .get(usize::from(high & 7))
                        .copied()
                        .unwrap_or(b'0'),
                );
                out.hex(low);
            }
            out.text(if id.is_extended() {
                "\", \"extended_id\": true, \"extension\": "
            } else {
                "\", \"extended_id\": false, \"extension\": "
            });
            byte_or_null(out, extension);
            out.text(", \"transport\": \"iso15765\"");
        }
        Address::DoIp { .. } => {
            out.text("\", \"id\": null, \"extended_id\": false, \"extension\": \"");
            out.show(&address);
            out.text("\", \"transport\": \"iso13400\"");
        }
    }
}

pub(crate) fn field(out: &mut Lines, field: &Field<'_>, payload: &[u8], deep: bool) {
    out.text("{\"name\": \"");
    out.escaped(&field.name);
    out.text("\", \"bytes\": [");
    out.count(field.bytes.start as u64);
    out.text(", ");
    out.count(field.bytes.end as u64);
    out.text("], \"raw\": \"");
    out.hexes(payload.get(field.bytes.clone()).unwrap_or_default());
    out.text("\", \"value\": ");
    value(out, &field.value);
    out.text(", \"unit\": ");
    match field.unit {
        Some(unit) => string(out, unit),
        None => out.text("null"),
    }
    out.text(", \"meaning\": ");
    if field.meaning.is_none() {
        out.text("null");
    } else {
        out.byte(b'"');
        match &field.meaning {
            tonering::service::Words::Plain(words) => out.escaped(words),
            other => out.escaped_of(other),
        }
        out.byte(b'"');
    }
    if deep {
        if let Some(bits) = field.bits {
            out.text(", \"bits\": [");
            out.count(u64::from(bits.high));
            out.text(", ");
            out.count(u64::from(bits.low));
            out.byte(b']');
        }
        if let Some(arithmetic) = field.arithmetic(payload) {
            out.text(", \"arithmetic\": ");
            string(out, &arithmetic);
        }
        out.text(", \"clause\": ");
        string(out, field.clause);
    }
    out.byte(b'}');
}

fn value(out: &mut Lines, value: &Value<'_>) {
    match *value {
        Value::Count(count) => out.count(count),
        Value::Number(number) => out.show(&number),
        Value::Flag(set) => out.text(if set { "true" } else { "false" }),
        Value::Missing => out.text("null"),
        Value::Byte(byte) => byte_or_null(out, Some(byte)),
        Value::Id(id) => {
            out.text("\"0x");
            out.hexes(&id.to_be_bytes());
            out.byte(b'"');
        }
        Value::Bytes(bytes) => {
            out.byte(b'"');
            out.hexes(bytes);
            out.byte(b'"');
        }
        Value::Text(_) | Value::Code(..) | Value::Supported { .. } => {
            out.byte(b'"');
            out.escaped_of(value);
            out.byte(b'"');
        }
    }
}
