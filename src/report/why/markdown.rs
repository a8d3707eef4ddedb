//! The arithmetic of a cause as Markdown: the same content as the text, in the same order.

use std::io::{self, Write};

use super::{Why, exactness, factor, fine_percent, phrase_at, product, rival_details, turn_words};
use crate::report::Report;
use crate::report::escape::markdown::markdown;
use crate::report::phrase::{self, Clock};

/// Writes the arithmetic of these causes.
pub fn write(report: &Report, whys: &[Why], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "# {}\n", markdown(&phrase::title(report)))?;
    match &report.safety {
        Some(safety) => {
            writeln!(out, "**SAFETY: {}**\n", phrase::urgency(safety))?;
            writeln!(out, "{}\n", markdown(&safety.words))?;
        }
        None => writeln!(out, "**Safety:** {}\n", phrase::NOTHING_UNSAFE)?,
    }
    for why in whys {
        one(report, why, out)?;
    }
    let left_out = report.left_out.unwrap_or(0.0);
    writeln!(out, "{}", markdown(&exactness(left_out)))
}

fn one(report: &Report, why: &Why, out: &mut dyn Write) -> io::Result<()> {
    let name = phrase_at(why);
    writeln!(out, "## Why: {}\n", markdown(&name))?;
    writeln!(out, "{}\n", markdown(&super::verdict(why)))?;
    writeln!(out, "{}\n", markdown(super::EXPLAINED))?;
    arithmetic(report, why, out)?;
    if !why.missing.is_empty() {
        writeln!(out, "### What bears on it and could not be observed\n")?;
        for missing in &why.missing {
            let (words, effect) = (
                super::missing_words(missing),
                super::missing_effect(missing),
            );
            writeln!(out, "- {} {}", markdown(&words), markdown(&effect))?;
        }
        if why.more_missing > 0 {
            writeln!(
                out,
                "- {}",
                markdown(&super::more_missing(why.more_missing))
            )?;
        }
        writeln!(out)?;
    }
    if !why.rivals.is_empty() {
        writeln!(out, "### Its rivals\n")?;
        for rival in &why.rivals {
            let name = phrase::at(&rival.name, rival.place);
            let details = rival_details(rival).join(" ");
            writeln!(
                out,
                "- **{}, {}.** {}",
                markdown(&name),
                fine_percent(rival.probability),
                markdown(&details)
            )?;
        }
        writeln!(out)?;
    }
    writeln!(out, "### What would change the order\n")?;
    if why.turns.is_empty() {
        writeln!(out, "{}", markdown(super::NO_TURN))?;
    }
    for turn in &why.turns {
        let check = super::check_words(&turn.name, turn.place, turn.minutes);
        let words = turn_words(turn, &name);
        writeln!(out, "- **{}:** {}", markdown(&check), markdown(&words))?;
    }
    writeln!(out)?;
    if let Some(telling) = &why.telling {
        let check = super::check_words(&telling.name, telling.place, telling.minutes);
        writeln!(out, "Tells most about it: {}\n", markdown(&check))?;
        for result in &telling.results {
            writeln!(out, "- {}", markdown(&super::result_words(result)))?;
        }
        writeln!(out)?;
    }
    if let Some(stability) = &why.stability {
        writeln!(out, "### If the assumed frequencies are wrong\n")?;
        writeln!(out, "{}\n", markdown(stability))?;
    }
    Ok(())
}

fn arithmetic(report: &Report, why: &Why, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(report);
    writeln!(
        out,
        "| Factor | Then | What was seen |\n| ---: | ---: | --- |"
    )?;
    writeln!(
        out,
        "| | {} | {} |",
        fine_percent(why.prior),
        markdown(&why.prior_words)
    )?;
    if let Some((times, words)) = super::start(why) {
        let start = fine_percent(why.start);
        writeln!(out, "| {times} | {start} | {} |", markdown(words))?;
    }
    for step in &why.steps {
        let mut words = phrase::capital(&step.words);
        let places = step.finding.as_ref();
        let places = places.map(|finding| phrase::finding_details(finding, clock));
        let places = places.filter(|places| !places.is_empty());
        for details in super::step_details(step).into_iter().chain(places) {
            words.push_str("; ");
            words.push_str(&details);
        }
        writeln!(
            out,
            "| × {} | {} | {} |",
            factor(step.factor),
            fine_percent(step.after),
            markdown(&words)
        )?;
    }
    writeln!(out, "\nOdds: {}\n", markdown(&product(why)))?;
    if why.steps.iter().any(|step| !step.direct) {
        writeln!(out, "{}\n", markdown(&super::indirect_lines(why)))?;
    }
    Ok(())
}
