//! A recording as candump text in log form: `(1700000000.100000) can0 7DF#02010C`.

use std::io::{self, Write};

use super::bus::RigFrame;
use crate::frame::FrameKind;

/// The flag that marks an error frame in candump's identifiers.
const ERROR_FLAG: u32 = 0x2000_0000;

/// Writes one frame as a line, with the bus called `channel`.
pub fn write_candump(out: &mut impl Write, channel: &str, frame: &RigFrame) -> io::Result<()> {
    let nanos = frame.time.nanos();
    let seconds = nanos.div_euclid(1_000_000_000);
    let micros = nanos.rem_euclid(1_000_000_000) / 1_000;
    write!(out, "({seconds}.{micros:06}) {channel} ")?;
    match frame.kind {
        FrameKind::Error => write!(out, "{:08X}#", frame.id.raw() | ERROR_FLAG)?,
        _ if frame.id.is_extended() => write!(out, "{:08X}#", frame.id.raw())?,
        _ => write!(out, "{:03X}#", frame.id.raw())?,
    }
    for byte in &frame.data {
        write!(out, "{byte:02X}")?;
    }
    writeln!(out)
}
