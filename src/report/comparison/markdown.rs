//! The comparison as Markdown for issue trackers and mail.

use std::io::{self, Write};

use super::{Comparison, wording};
use crate::report::escape::markdown::{code, markdown};
use crate::report::markdown::visits;
use crate::report::phrase;

/// Writes the comparison.
pub fn write(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    let (word, meaning) = wording::outcome(comparison.outcome);
    writeln!(out, "# {}\n", markdown(&wording::title(comparison)))?;
    writeln!(out, "**Verdict: {word}.** {meaning}\n")?;
    items(out, &comparison.reasons)?;
    if !comparison.remaining.is_empty() {
        writeln!(out, "## Still to drive or to read\n")?;
        for words in &comparison.remaining {
            writeln!(out, "- [ ] {}", markdown(words))?;
        }
        writeln!(out)?;
    }
    codes(comparison, out)?;
    if !comparison.modules.is_empty() {
        writeln!(out, "## Control modules that kept silent\n")?;
        for change in &comparison.modules {
            writeln!(
                out,
                "- {}: {}",
                markdown(&change.name),
                markdown(&change.words)
            )?;
        }
        writeln!(out)?;
    }
    measures(comparison, out)?;
    visits(out, &comparison.visits)?;
    writeln!(out, "## What was read\n")?;
    for (lead, captures) in [("Before", &comparison.before), ("After", &comparison.after)] {
        for capture in captures {
            writeln!(out, "- {lead}: {}", markdown(&phrase::capture(capture)))?;
            for remark in &capture.remarks {
                writeln!(out, "  - {}", markdown(remark))?;
            }
            if let Some(hash) = &capture.sha256 {
                writeln!(out, "  - SHA-256 {}", code(hash, false))?;
            }
        }
    }
    writeln!(out, "- Made by {}.", markdown(&comparison.program))
}

fn codes(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "## Trouble codes\n")?;
    if comparison.codes.is_empty() {
        return writeln!(out, "No trouble code before or after.\n");
    }
    writeln!(
        out,
        "| Code | Module | Meaning | Now | Why |\n| --- | --- | --- | --- | --- |"
    )?;
    for change in &comparison.codes {
        writeln!(
            out,
            "| {} | {} | {} | {} | {} |",
            code(&wording::code(change), true),
            markdown(&change.module),
            markdown(&change.meaning),
            wording::code_fate(change.fate),
            markdown(&change.words)
        )?;
    }
    writeln!(out)
}

fn measures(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    if comparison.measures.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Measured before and after\n")?;
    let lines = wording::worth_a_line(comparison);
    if !lines.is_empty() {
        writeln!(
            out,
            "| Measure | Before | After | Now | Why |\n| --- | ---: | ---: | --- | --- |"
        )?;
        for change in lines {
            writeln!(
                out,
                "| {} | {} | {} | {} | {} |",
                markdown(&phrase::capital(&wording::measure_name(change))),
                markdown(&wording::value(change.before)),
                markdown(&wording::value(change.after)),
                wording::measure_fate(change.fate),
                markdown(&change.words)
            )?;
        }
        writeln!(out)?;
    }
    match wording::others(comparison) {
        Some(words) => writeln!(out, "{words}\n"),
        None => Ok(()),
    }
}

fn items(out: &mut dyn Write, texts: &[String]) -> io::Result<()> {
    for text in texts {
        writeln!(out, "- {}", markdown(text))?;
    }
    if texts.is_empty() {
        Ok(())
    } else {
        writeln!(out)
    }
}
