//! The comparison as plain text.

use std::io::{self, Write};

use super::{CodeChange, Comparison, MeasureChange, MeasureFate, Outcome, wording};
use crate::report::phrase;
use crate::report::text::Layout;
use crate::report::text::details::visits;
use crate::report::text::page::{BOLD, CARE, DANGER, DIM, FOR, Form, Page};

/// Writes the comparison.
pub fn write(comparison: &Comparison, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    page.text(
        Form::indent(0).style(BOLD).lines(1),
        &wording::title(comparison),
    )?;
    page.blank()?;
    outcome(comparison, page)?;
    if !comparison.remaining.is_empty() {
        page.heading("Still to drive or to read")?;
        for (at, words) in comparison.remaining.iter().enumerate() {
            page.text(Form::indent(2).lead(&format!("{}. ", at + 1)), words)?;
        }
    }
    page.heading("Trouble codes")?;
    if comparison.codes.is_empty() {
        page.text(Form::indent(2), "No trouble code before or after.")?;
    }
    for change in &comparison.codes {
        code(change, page)?;
    }
    if !comparison.modules.is_empty() {
        page.heading("Control modules that kept silent")?;
        for change in &comparison.modules {
            let words = format!("{}: {}", change.name, change.words);
            page.text(Form::indent(2).lead("* "), &words)?;
        }
    }
    measures(comparison, page)?;
    visits(&comparison.visits, page)?;
    page.heading("What was read")?;
    for (lead, captures) in [
        ("Before: ", &comparison.before),
        ("After: ", &comparison.after),
    ] {
        for capture in captures {
            page.text(Form::indent(2).lead(lead), &phrase::capture(capture))?;
            for remark in &capture.remarks {
                page.text(Form::indent(4).lead("- "), remark)?;
            }
            if let Some(hash) = &capture.sha256 {
                page.text(Form::indent(4).style(DIM).lead("SHA-256 "), hash)?;
            }
        }
    }
    page.text(Form::indent(2), &format!("Made by {}.", comparison.program))
}

fn outcome(comparison: &Comparison, page: &mut Page<'_>) -> io::Result<()> {
    let (word, meaning) = wording::outcome(comparison.outcome);
    let style = match comparison.outcome {
        Outcome::Proven => FOR.bold(),
        Outcome::Likely | Outcome::NotShown => CARE,
        Outcome::NotMended => DANGER,
    };
    page.text(
        Form::indent(0).styled_lead("VERDICT  ", BOLD).style(style),
        word,
    )?;
    page.text(Form::indent(9), meaning)?;
    for reason in &comparison.reasons {
        page.text(Form::indent(9).lead("* "), reason)?;
    }
    Ok(())
}

fn code(change: &CodeChange, page: &mut Page<'_>) -> io::Result<()> {
    let name = format!(
        "{}: {} ({})",
        wording::code(change),
        wording::code_fate(change.fate),
        change.module
    );
    page.text(Form::indent(2).lead("* ").style(BOLD), &name)?;
    page.text(Form::indent(4), &change.meaning)?;
    page.text(Form::indent(4).style(DIM), &change.words)
}

fn measures(comparison: &Comparison, page: &mut Page<'_>) -> io::Result<()> {
    if comparison.measures.is_empty() {
        return Ok(());
    }
    page.heading("Measured before and after")?;
    let lines = wording::worth_a_line(comparison);
    if !lines.is_empty() {
        let mut rows = vec![["", "Before", "After", ""].map(str::to_owned).to_vec()];
        rows.extend(lines.iter().map(|change| row(change)));
        page.rows(&rows)?;
        page.blank()?;
        // What the last column says needs no more words, apart from what is wrong or open.
        for change in lines
            .iter()
            .filter(|change| change.fate <= MeasureFate::Better)
        {
            let words = format!(
                "{}: {}",
                phrase::capital(&wording::measure_name(change)),
                change.words
            );
            page.text(Form::indent(2).lead("* ").style(DIM), &words)?;
        }
    }
    match wording::others(comparison) {
        Some(words) => page.text(Form::indent(2), &words),
        None => Ok(()),
    }
}

fn row(change: &MeasureChange) -> Vec<String> {
    vec![
        wording::measure_name(change),
        wording::value(change.before),
        wording::value(change.after),
        wording::measure_fate(change.fate).to_owned(),
    ]
}
