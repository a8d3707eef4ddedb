//! CSV: one row for each message.

use tonering::frame::Channels;
use tonering::service::head;
use tonering::transport::{Address, Control, Pace};

use super::super::console::printable;
use super::lines::Lines;
use super::{Printer, Shown, json, text};

/// Prints CSV.
#[derive(Debug)]
pub(super) struct Csv {
    several: bool,
    file: String,
}

impl Csv {
    pub(super) const fn new(several: bool) -> Self {
        Self {
            several,
            file: String::new(),
        }
    }

    fn file(&self, out: &mut Lines) {
        if self.several {
            cell(out, &self.file);
            out.byte(b',');
        }
    }
}

impl Printer for Csv {
    fn start(&mut self, out: &mut Lines) {
        if self.several {
            out.text("file,");
        }
        out.text(
            "time_s,end_s,channel,address,direction,service,name,complete,fault,payload,content\n",
        );
    }

    fn capture(&mut self, _out: &mut Lines, name: &str, _kind: &str) {
        name.clone_into(&mut self.file);
    }

    fn message(&mut self, out: &mut Lines, shown: &Shown<'_>) {
        let message = shown.message;
        let head = head(message, shown.context.family);
        self.file(out);
        for time in [message.start, message.end] {
            if let Some(time) = time {
                out.seconds(time, 1);
            }
            out.byte(b',');
        }
        cell(out, shown.channels.name(message.channel));
        out.byte(b',');
        out.show(&message.address);
        out.byte(b',');
        out.text(head.direction.id());
        out.byte(b',');
        if let Some(service) = head.service {
            out.text("0x");
            out.hex(service);
        }
        out.byte(b',');
        cell(out, head.name);
        out.text(if message.is_complete() {
            ",true,"
        } else {
            ",false,"
        });
        if let Some(fault) = message.fault {
            out.text(fault.id());
        }
        out.byte(b',');
        out.hexes(&message.payload);
        out.byte(b',');
        let start = out.len();
        text::content(out, shown, "", false);
        let content = String::from_utf8_lossy(out.since(start)).into_owned();
        out.truncate(start);
        cell(out, &content);
        out.byte(b'\n');
    }

    fn control(&mut self, out: &mut Lines, control: &Control, channels: &Channels) {
        if let Control::Flow {
            time,
            channel,
            address,
            status,
            block_size,
            separation,
            ..
        } = control
        {
            self.file(out);
            for _ in 0..2 {
                if let Some(time) = time {
                    out.seconds(*time, 1);
                }
                out.byte(b',');
            }
            cell(out, channels.name(*channel));
            out.byte(b',');
            out.show(address);
            out.text(",,,flow control,true,,,\"");
            out.text(json::status_id(*status));
            out.text(", block size ");
            out.count(u64::from(*block_size));
            out.text(", separation ");
            out.show(&(f64::from(separation.micros()) / 1e3));
            out.text(" ms\"\n");
        }
    }

    fn pace(&mut self, _: &mut Lines, _: &str, _: Address, _: Option<Address>, _: &Pace) {}
}

/// One cell: quoted where it must be; a text that a spreadsheet would compute gets an apostrophe before it.
fn cell(out: &mut Lines, text: &str) {
    let text = &printable(text);
    let computes = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if !computes && !text.contains([',', '"', '\n', '\r']) {
        out.text(text);
        return;
    }
    out.byte(b'"');
    if computes {
        out.byte(b'\'');
    }
    for part in text.split_inclusive('"') {
        out.text(part);
        if part.ends_with('"') {
            out.byte(b'"');
        }
    }
    out.byte(b'"');
}
