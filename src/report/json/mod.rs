//! The report as JSON, to the contract in `docs/report.md`.
//!
//! The structs in [`shape`] are one to one what is written. Numbers are rounded here: probabilities and times to six
//! decimals, measured values and weights to six significant digits. A number that JSON has no word for (infinite, not a
//! number) becomes `null`.

pub mod shape;

use std::io::{self, Write};

use serde::Serialize;

use super::Report;
use super::escape::json::Visible;
use shape::{ReportOut, WheelsOut};

/// How the object is laid out.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Form {
    /// A line for each part and for each entry of a part.
    Lines,
    /// One line for the whole object.
    OneLine,
}

/// Writes the report as one object and a line end.
pub fn write(report: &Report, out: &mut dyn Write, form: Form) -> io::Result<()> {
    write_value(&ReportOut::from(report), out, form)
}

/// Writes the part `wheels` alone, as `{"wheels": […]}`.
pub fn write_wheels(report: &Report, out: &mut dyn Write, form: Form) -> io::Result<()> {
    write_value(&WheelsOut::from(report), out, form)
}

/// Writes any output struct in the same manner.
pub fn write_value(value: &impl Serialize, out: &mut dyn Write, form: Form) -> io::Result<()> {
    let layout = match form {
        Form::Lines => Visible::lines(2),
        Form::OneLine => Visible::one_line(),
    };
    let mut serializer = serde_json::Serializer::with_formatter(&mut *out, layout);
    value.serialize(&mut serializer).map_err(io::Error::from)?;
    out.write_all(b"\n")
}
