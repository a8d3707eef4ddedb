//! What follows the first screen, apart from the tables.

use std::io;

use super::page::{AGAINST, BOLD, DIM, FOR, Form, PLAIN, Page};
use crate::report::phrase::{self, Clock};
use crate::report::{CauseLine, CheckLine, FindingLine, Report, VisitLine, Weighed};

/// All reasons why it may not be safe; the first screen gives the first.
pub(super) fn safety(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    let Some(safety) = &report.safety else {
        return Ok(());
    };
    if safety.reasons.is_empty() {
        return Ok(());
    }
    page.heading("Why it may not be safe")?;
    bullets(page, 2, &safety.reasons)
}

/// The causes, the likeliest with their reasons, the others in a line each.
pub(super) fn causes(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.causes.is_empty() {
        return Ok(());
    }
    page.heading("Causes, and what speaks for and against each")?;
    page.text(
        Form::indent(2).style(DIM),
        "Several causes can be there at once, so the numbers need not add up to 100 %.",
    )?;
    page.text(Form::indent(2).style(DIM), phrase::WEIGHTS)?;
    if let Some(fit) = &report.fit {
        page.text(Form::indent(2).styled_lead("Mind: ", BOLD), fit)?;
    }
    let (detailed, brief) = phrase::split(&report.causes);
    for (at, cause) in detailed.iter().enumerate() {
        page.blank()?;
        let lead = format!("{}  {:>5}  ", at + 1, phrase::percent(cause.probability));
        page.text(
            Form::indent(2).styled_lead(&lead, BOLD).style(BOLD),
            &phrase::cause(cause),
        )?;
        let before = format!(
            "Before any evidence: {}. {}.",
            phrase::percent(cause.prior),
            phrase::capital(phrase::work(cause.work))
        );
        page.text(Form::indent(5), &cause.summary)?;
        page.text(Form::indent(5).style(DIM), &before)?;
        weighed(report, page, "for      ", FOR, &cause.speaks_for)?;
        weighed(report, page, "against  ", AGAINST, &cause.speaks_against)?;
        for caution in &cause.cautions {
            page.text(Form::indent(5).styled_lead("caution  ", BOLD), caution)?;
        }
    }
    if let Some(stability) = &report.stability {
        page.blank()?;
        page.text(Form::indent(2).style(DIM), stability)?;
    }
    let listed: Vec<&CauseLine> = brief
        .iter()
        .filter(|cause| cause.probability >= phrase::WORTH_A_LINE)
        .collect();
    if !listed.is_empty() {
        page.blank()?;
        page.text(Form::indent(2).style(BOLD), "Less likely")?;
        for cause in &listed {
            let lead = format!("{:>9}  ", phrase::percent(cause.probability));
            page.text(Form::indent(2).lead(&lead), &phrase::cause(cause))?;
        }
    }
    let rest = brief.len() - listed.len();
    if rest > 0 {
        page.text(
            Form::indent(2).lead("under 1 %  "),
            &format!("{rest} other causes, all listed in the JSON form."),
        )?;
    }
    Ok(())
}

fn weighed(
    report: &Report,
    page: &mut Page<'_>,
    lead: &str,
    style: anstyle::Style,
    reasons: &[Weighed],
) -> io::Result<()> {
    for reason in reasons {
        let Some(finding) = report.findings.get(reason.finding) else {
            continue;
        };
        let text = format!(
            "{} ({})",
            phrase::capital(&finding.summary),
            phrase::weight(reason.factor)
        );
        page.text(Form::indent(5).styled_lead(lead, style), &text)?;
    }
    Ok(())
}

/// The findings with their times and where they stand in the captures.
pub(super) fn evidence(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    let found: Vec<&FindingLine> = report.findings.iter().filter(|f| f.holds).collect();
    if report.findings.is_empty() {
        return Ok(());
    }
    page.heading("Evidence")?;
    if found.is_empty() {
        page.text(Form::indent(2), "Nothing out of the ordinary was found.")?;
    } else if found.iter().any(|finding| !finding.times_s.is_empty()) {
        page.text(
            Form::indent(2).style(DIM),
            "Times count from the start of the recording.",
        )?;
    }
    let clock = Clock::new(report);
    for finding in found {
        page.text(
            Form::indent(2).lead("* "),
            &phrase::capital(&finding.summary),
        )?;
        let details = phrase::finding_details(finding, clock);
        if !details.is_empty() {
            page.text(Form::indent(4).style(DIM), &details)?;
        }
    }
    let missing: Vec<&FindingLine> = report.findings.iter().filter(|f| !f.holds).collect();
    if !missing.is_empty() {
        page.blank()?;
        page.text(Form::indent(2).style(BOLD), "Looked for and not found")?;
        for finding in missing {
            page.text(
                Form::indent(2).lead("- "),
                &phrase::capital(&finding.summary),
            )?;
        }
    }
    Ok(())
}

/// What is certain enough to be repaired.
pub(super) fn repair(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.repair.is_none() {
        return Ok(());
    }
    page.heading("Repair")?;
    bullets(page, 2, &phrase::repair(report))
}

/// The checks to do by hand.
pub(super) fn checks(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.checks.is_empty() {
        return Ok(());
    }
    page.heading("Next checks, in this order")?;
    for (at, line) in report.checks.iter().enumerate() {
        if at > 0 {
            page.blank()?;
        }
        check(at + 1, line, page)?;
    }
    Ok(())
}

fn check(number: usize, check: &CheckLine, page: &mut Page<'_>) -> io::Result<()> {
    check_card(&format!("{number}. "), check, page)
}

/// A check with everything that a person needs to do it.
pub(super) fn check_card(lead: &str, check: &CheckLine, page: &mut Page<'_>) -> io::Result<()> {
    let name = format!(
        "{} ({})",
        phrase::at(&check.name, check.place),
        phrase::minutes(check.minutes)
    );
    page.text(Form::indent(2).styled_lead(lead, BOLD).style(BOLD), &name)?;
    let indent = 2 + lead.len();
    for caution in &check.cautions {
        page.text(Form::indent(indent).styled_lead("CAUTION: ", BOLD), caution)?;
    }
    page.text(Form::indent(indent).lead("Why: "), &check.why)?;
    if !check.tools.is_empty() {
        page.text(
            Form::indent(indent).lead("Tools: "),
            &check.tools.join(", "),
        )?;
    }
    for (at, step) in check.steps.iter().enumerate() {
        let lead = format!("{}) ", char_for(at));
        page.text(Form::indent(indent).lead(&lead), step)?;
    }
    page.text(Form::indent(indent).lead("Expect: "), &check.expect)?;
    for outcome in &check.outcomes {
        page.text(Form::indent(indent).lead("- "), outcome)?;
    }
    Ok(())
}

/// `a`, `b`, … for the steps of a check.
fn char_for(at: usize) -> char {
    ('a'..='z').nth(at).unwrap_or('+')
}

/// Cautions for everything.
pub(super) fn cautions(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.cautions.is_empty() {
        return Ok(());
    }
    page.heading("Cautions")?;
    bullets(page, 2, &report.cautions)
}

/// What the captures could not show.
pub(super) fn limits(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.limits.is_empty() {
        return Ok(());
    }
    page.heading("What this recording could not show")?;
    bullets(page, 2, &report.limits)
}

/// What earlier visits found and did.
pub(in crate::report) fn visits(visits: &[VisitLine], page: &mut Page<'_>) -> io::Result<()> {
    if visits.is_empty() {
        return Ok(());
    }
    page.heading("Earlier visits")?;
    for visit in visits {
        page.text(Form::indent(2).style(BOLD), &phrase::visit(visit))?;
        bullets(page, 4, &visit.found)?;
        for words in &visit.done {
            page.text(Form::indent(4).lead("* Checked by hand: "), words)?;
        }
    }
    Ok(())
}

/// What was read, how well, and with which rules.
pub(super) fn captures(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("What was read")?;
    for capture in &report.captures {
        page.text(Form::indent(2).lead("* "), &phrase::capture(capture))?;
        for remark in &capture.remarks {
            page.text(Form::indent(4).lead("- "), remark)?;
        }
        if let Some(hash) = &capture.sha256 {
            page.text(Form::indent(4).style(DIM).lead("SHA-256 "), hash)?;
        }
    }
    for rules in &report.rules {
        page.text(Form::indent(2).lead("* Rules: "), rules)?;
    }
    if let Some(words) = phrase::left_out(report) {
        page.text(Form::indent(2).lead("* "), &words)?;
    }
    page.text(
        Form::indent(2).lead("* ").style(PLAIN),
        &format!("Made by {}.", report.program),
    )
}

fn bullets(page: &mut Page<'_>, indent: usize, texts: &[String]) -> io::Result<()> {
    for text in texts {
        page.text(Form::indent(indent).lead("* "), text)?;
    }
    Ok(())
}
