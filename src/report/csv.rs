//! Codes, checks or causes for a spreadsheet: comma-separated values (RFC 4180) with a header, UTF-8, line ends CR LF.

use std::io::{self, Write};

use super::escape::csv::csv;
use super::{Report, phrase};

/// Which table.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Table {
    /// The codes.
    Codes,
    /// The checks in their order, with an empty column for the result.
    Checks,
    /// The causes by falling probability.
    Causes,
}

/// Writes one table.
pub fn write(report: &Report, out: &mut dyn Write, table: Table) -> io::Result<()> {
    match table {
        Table::Codes => codes(report, out),
        Table::Checks => checks(report, out),
        Table::Causes => causes(report, out),
    }
}

fn codes(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    row(
        out,
        &[
            "code",
            "failure_type",
            "status",
            "list",
            "state",
            "module",
            "meaning",
            "time_s",
            "origin",
        ],
    )?;
    for code in &report.codes {
        row(
            out,
            &[
                &code.code,
                code.failure_type.as_deref().unwrap_or(""),
                code.status.as_deref().unwrap_or(""),
                code.list.unwrap_or(""),
                &code.state_words,
                &code.module,
                &phrase::code_meaning(code),
                &code.time_s.map(seconds).unwrap_or_default(),
                &code.origin,
            ],
        )?;
    }
    Ok(())
}

fn checks(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    row(
        out,
        &[
            "number", "check", "name", "place", "minutes", "tools", "why", "steps", "expect",
            "outcomes", "cautions", "result",
        ],
    )?;
    for (at, check) in report.checks.iter().enumerate() {
        row(
            out,
            &[
                &(at + 1).to_string(),
                &check.id,
                &check.name,
                &check.place.to_string(),
                &phrase::number(check.minutes),
                &check.tools.join(", "),
                &check.why,
                &check.steps.join(" / "),
                &check.expect,
                &check.outcomes.join(" / "),
                &check.cautions.join(" / "),
                "",
            ],
        )?;
    }
    Ok(())
}

fn causes(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    row(
        out,
        &[
            "cause",
            "name",
            "place",
            "probability",
            "prior",
            "work",
            "summary",
        ],
    )?;
    for cause in &report.causes {
        row(
            out,
            &[
                &cause.id,
                &cause.name,
                &cause.place.to_string(),
                &format!("{:.4}", cause.probability),
                &format!("{:.4}", cause.prior),
                cause.work,
                &cause.summary,
            ],
        )?;
    }
    Ok(())
}

fn row(out: &mut dyn Write, fields: &[&str]) -> io::Result<()> {
    let fields: Vec<String> = fields.iter().map(|field| csv(field)).collect();
    write!(out, "{}\r\n", fields.join(","))
}

fn seconds(time_s: f64) -> String {
    format!("{time_s:.6}")
}
