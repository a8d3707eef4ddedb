//! The first screen: is it safe, what is it, what next. 24 lines at 80 columns, unless the safety remark is long:
//! that is never cut.

use std::io;

use super::page::{BOLD, CARE, DANGER, DIM, Form, Page};
use crate::report::{Report, Urgency, phrase};

/// Columns of the bar of a probability.
const BAR: u8 = 10;

/// Writes it.
pub(super) fn write(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.text(Form::indent(0).style(BOLD).lines(1), &phrase::title(report))?;
    page.blank()?;
    safety(report, page)?;
    causes(report, page)?;
    next_check(report, page)
}

pub(in crate::report) fn safety(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    let Some(safety) = &report.safety else {
        return page.text(
            Form::indent(0).styled_lead("SAFETY  ", BOLD).lines(3),
            phrase::NOTHING_UNSAFE,
        );
    };
    let style = match safety.urgency {
        Urgency::DoNotDrive => DANGER,
        Urgency::DriveWithCare => CARE,
    };
    let lead = Form::indent(0).styled_lead("SAFETY  ", BOLD);
    page.text(lead.style(style).lines(1), phrase::urgency(safety))?;
    page.text(Form::indent(8), &safety.words)?;
    match safety.reasons.first() {
        Some(reason) => page.text(Form::indent(8).lead("Why: ").lines(1), reason),
        None => Ok(()),
    }
}

fn causes(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("Most likely")?;
    if report.causes.is_empty() {
        return page.text(
            Form::indent(2),
            "No cause could be ranked from what was read.",
        );
    }
    if let (Some(fit), true) = (&report.fit, phrase::none_stands_out(report)) {
        return page.text(Form::indent(2).style(BOLD), fit);
    }
    for (at, cause) in report.causes.iter().take(phrase::FIRST).enumerate() {
        let lead = format!(
            "{}  {:>9}  {}  ",
            at + 1,
            phrase::percent(cause.probability),
            page.bar(cause.probability, BAR)
        );
        page.text(
            Form::indent(2).lead(&lead).style(BOLD).lines(2),
            &phrase::cause(cause),
        )?;
        page.text(
            Form::indent(5).lines(1),
            &phrase::capital(phrase::strongest(cause, report)),
        )?;
    }
    Ok(())
}

fn next_check(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("Next check")?;
    let Some(check) = report.checks.first() else {
        let words = if report.repair.is_some() {
            "No check by hand would tell more: see REPAIR."
        } else {
            "No check by hand would tell more."
        };
        return page.text(Form::indent(2), words);
    };
    if report.repair.is_some() {
        let words = "Something is certain enough to be repaired: see REPAIR.";
        page.text(Form::indent(2).lines(1), words)?;
    }
    let name = format!(
        "{} ({})",
        phrase::at(&check.name, check.place),
        phrase::minutes(check.minutes)
    );
    page.text(Form::indent(2).style(BOLD).lines(1), &name)?;
    page.text(Form::indent(2).lead("Why: ").lines(2), &check.why)?;
    page.text(Form::indent(2).lead("Expect: ").lines(2), &check.expect)?;
    page.text(
        Form::indent(2).style(DIM),
        "Read its steps and cautions under NEXT CHECKS before you start.",
    )
}
