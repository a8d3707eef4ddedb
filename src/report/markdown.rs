//! The report as Markdown for issue trackers and mail: the same content as the text, in the same order.

use std::io::{self, Write};

use super::escape::markdown::{code, markdown};
use super::phrase::{self, Clock};
use super::{CauseLine, CheckLine, Report, VisitLine, Weighed};
use crate::place::Wheel;

/// Writes the report.
pub fn write(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    summary(report, out)?;
    causes(report, out)?;
    evidence(report, out)?;
    wheels(report, out)?;
    modules(report, out)?;
    codes(report, out)?;
    list(out, "Repair", &phrase::repair(report))?;
    checks(report, out)?;
    list(out, "Cautions", &report.cautions)?;
    visits(out, &report.visits)?;
    list(out, "What this recording could not show", &report.limits)?;
    captures(report, out)
}

fn summary(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "# {}\n", markdown(&phrase::title(report)))?;
    match &report.safety {
        Some(safety) => {
            writeln!(out, "**SAFETY: {}**\n", phrase::urgency(safety))?;
            writeln!(out, "{}\n", markdown(&safety.words))?;
            for reason in &safety.reasons {
                writeln!(out, "- {}", markdown(reason))?;
            }
            if !safety.reasons.is_empty() {
                writeln!(out)?;
            }
        }
        None => writeln!(out, "**Safety:** {}\n", phrase::NOTHING_UNSAFE)?,
    }
    writeln!(out, "## Most likely\n")?;
    if report.causes.is_empty() {
        writeln!(out, "No cause could be ranked from what was read.\n")?;
    } else {
        writeln!(out, "| Probability | Cause | Work |\n| ---: | --- | --- |")?;
        for cause in report
            .causes
            .iter()
            .enumerate()
            .take_while(|(at, cause)| {
                *at < phrase::FIRST || cause.probability >= phrase::WORTH_A_LINE
            })
            .map(|(_, cause)| cause)
        {
            writeln!(
                out,
                "| {} | {} | {} |",
                phrase::percent(cause.probability),
                markdown(&phrase::cause(cause)),
                markdown(phrase::work(cause.work))
            )?;
        }
        writeln!(out)?;
    }
    if let Some(check) = report.checks.first() {
        writeln!(
            out,
            "**Next check:** {} ({}). {}\n",
            markdown(&phrase::at(&check.name, check.place)),
            phrase::minutes(check.minutes),
            markdown(&check.why)
        )?;
    }
    Ok(())
}

fn causes(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    if report.causes.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Causes, and what speaks for and against each\n")?;
    writeln!(
        out,
        "Several causes can be there at once, so the numbers need not add up to 100 %. {}\n",
        phrase::WEIGHTS
    )?;
    if let Some(fit) = &report.fit {
        writeln!(out, "**Mind:** {}\n", markdown(fit))?;
    }
    for (at, cause) in report.causes.iter().enumerate() {
        if at < phrase::FIRST || cause.probability >= phrase::WORTH_DETAIL {
            one_cause(at + 1, cause, report, out)?;
        }
    }
    if let Some(stability) = &report.stability {
        writeln!(out, "{}\n", markdown(stability))?;
    }
    Ok(())
}

fn one_cause(
    number: usize,
    cause: &CauseLine,
    report: &Report,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(
        out,
        "### {number}. {}: {}\n",
        markdown(&phrase::cause(cause)),
        phrase::percent(cause.probability)
    )?;
    writeln!(out, "{}\n", markdown(&cause.summary))?;
    writeln!(
        out,
        "Before any evidence: {}. {}.\n",
        phrase::percent(cause.prior),
        markdown(&phrase::capital(phrase::work(cause.work)))
    )?;
    weighed("For", &cause.speaks_for, report, out)?;
    weighed("Against", &cause.speaks_against, report, out)?;
    for caution in &cause.cautions {
        writeln!(out, "- **Caution:** {}", markdown(caution))?;
    }
    writeln!(out)
}

fn weighed(
    word: &str,
    reasons: &[Weighed],
    report: &Report,
    out: &mut dyn Write,
) -> io::Result<()> {
    for reason in reasons {
        if let Some(finding) = report.findings.get(reason.finding) {
            writeln!(
                out,
                "- **{word}:** {} ({})",
                markdown(&phrase::capital(&finding.summary)),
                phrase::weight(reason.factor)
            )?;
        }
    }
    Ok(())
}

fn evidence(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    if report.findings.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Evidence\n")?;
    let clock = Clock::new(report);
    let mut found = false;
    for finding in report.findings.iter().filter(|finding| finding.holds) {
        found = true;
        let details = phrase::finding_details(finding, clock);
        if details.is_empty() {
            writeln!(out, "- {}", markdown(&phrase::capital(&finding.summary)))?;
        } else {
            writeln!(
                out,
                "- {} ({})",
                markdown(&phrase::capital(&finding.summary)),
                markdown(&details)
            )?;
        }
    }
    if !found {
        writeln!(out, "Nothing out of the ordinary was found.")?;
    }
    writeln!(out)?;
    let missing: Vec<String> = report
        .findings
        .iter()
        .filter(|finding| !finding.holds)
        .map(|finding| finding.summary.clone())
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    writeln!(out, "Looked for and not found:\n")?;
    items(out, &missing)
}

fn wheels(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    if report.wheels.is_empty() {
        return Ok(());
    }
    writeln!(out, "## The four wheels\n")?;
    let names = Wheel::ALL.map(|wheel| phrase::capital(wheel.words()));
    writeln!(out, "| Measure | {} |", names.join(" | "))?;
    writeln!(out, "| --- | ---: | ---: | ---: | ---: |")?;
    for row in phrase::wheel_rows(report) {
        let cells = row.cells.map(|cell| markdown(&cell));
        writeln!(out, "| {} | {} |", markdown(&row.name), cells.join(" | "))?;
    }
    writeln!(out)?;
    items(out, &phrase::wheel_notes(report))
}

fn modules(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    if report.modules.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Control modules: who answered, who kept silent\n")?;
    writeln!(
        out,
        "| Module | Role | Address | State |\n| --- | --- | --- | --- |"
    )?;
    for module in &report.modules {
        writeln!(
            out,
            "| {} | {} | {} | {} |",
            markdown(&module.name),
            markdown(module.role),
            markdown(&phrase::addresses(module)),
            markdown(&module.words)
        )?;
    }
    writeln!(out)
}

fn codes(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "## Trouble codes\n")?;
    if report.codes.is_empty() {
        return writeln!(out, "No trouble code was read.\n");
    }
    writeln!(
        out,
        "| Code | State | Module | Meaning | Where |\n| --- | --- | --- | --- | --- |"
    )?;
    for line in &report.codes {
        writeln!(
            out,
            "| {} | {} | {} | {} | {} |",
            code(&phrase::code(line), true),
            markdown(&phrase::code_state(line)),
            markdown(&line.module),
            markdown(&phrase::code_meaning(line)),
            code(&line.origin, true)
        )?;
    }
    writeln!(out)
}

fn checks(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    if report.checks.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Next checks, in this order\n")?;
    for (at, check) in report.checks.iter().enumerate() {
        one_check(at + 1, check, out)?;
    }
    Ok(())
}

fn one_check(number: usize, check: &CheckLine, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "### {number}. {} ({})\n",
        markdown(&phrase::at(&check.name, check.place)),
        phrase::minutes(check.minutes)
    )?;
    for caution in &check.cautions {
        writeln!(out, "- **CAUTION:** {}", markdown(caution))?;
    }
    writeln!(out, "- **Why:** {}", markdown(&check.why))?;
    if !check.tools.is_empty() {
        writeln!(out, "- **Tools:** {}", markdown(&check.tools.join(", ")))?;
    }
    writeln!(out, "- **Expect:** {}", markdown(&check.expect))?;
    for outcome in &check.outcomes {
        writeln!(out, "- {}", markdown(outcome))?;
    }
    writeln!(out)?;
    if check.steps.is_empty() {
        return Ok(());
    }
    writeln!(out, "Steps:\n")?;
    for step in &check.steps {
        writeln!(out, "- [ ] {}", markdown(step))?;
    }
    writeln!(out)
}

/// What earlier visits found and did.
pub(super) fn visits(out: &mut dyn Write, visits: &[VisitLine]) -> io::Result<()> {
    if visits.is_empty() {
        return Ok(());
    }
    writeln!(out, "## Earlier visits\n")?;
    for visit in visits {
        writeln!(out, "### {}\n", markdown(&phrase::visit(visit)))?;
        for words in &visit.found {
            writeln!(out, "- {}", markdown(words))?;
        }
        for words in &visit.done {
            writeln!(out, "- Checked by hand: {}", markdown(words))?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn list(out: &mut dyn Write, heading: &str, texts: &[String]) -> io::Result<()> {
    if texts.is_empty() {
        return Ok(());
    }
    writeln!(out, "## {heading}\n")?;
    items(out, texts)
}

/// A list of texts and an empty line; nothing for none.
fn items(out: &mut dyn Write, texts: &[String]) -> io::Result<()> {
    for text in texts {
        writeln!(out, "- {}", markdown(text))?;
    }
    if texts.is_empty() {
        return Ok(());
    }
    writeln!(out)
}

fn captures(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "## What was read\n")?;
    for capture in &report.captures {
        writeln!(out, "- {}", markdown(&phrase::capture(capture)))?;
        for remark in &capture.remarks {
            writeln!(out, "  - {}", markdown(remark))?;
        }
        if let Some(hash) = &capture.sha256 {
            writeln!(out, "  - SHA-256 {}", code(hash, false))?;
        }
    }
    for rules in &report.rules {
        writeln!(out, "- Rules: {}", markdown(rules))?;
    }
    if let Some(words) = phrase::left_out(report) {
        writeln!(out, "- {words}")?;
    }
    writeln!(out, "- Made by {}.", markdown(&report.program))
}
