//! The arithmetic of a cause as plain text, 80 columns and up.

use std::io::{self, Write};

use super::{Why, exactness, factor, fine_percent, phrase_at, product, rival_details, turn_words};
use crate::report::Report;
use crate::report::phrase::{self, Clock};
use crate::report::text::Layout;
use crate::report::text::page::{BOLD, DIM, Form, Page};
use crate::report::text::summary;

/// Columns of the factor and of the probability after it.
const FACTOR: usize = 9;
const AFTER: usize = 9;

/// Writes the arithmetic of these causes.
pub fn write(report: &Report, whys: &[Why], out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    let mut page = Page::new(out, layout);
    page.text(Form::indent(0).style(BOLD).lines(1), &phrase::title(report))?;
    page.blank()?;
    summary::safety(report, &mut page)?;
    for why in whys {
        one(report, why, &mut page)?;
    }
    page.blank()?;
    let left_out = report.left_out.unwrap_or(0.0);
    page.text(Form::indent(0).style(DIM), &exactness(left_out))
}

fn one(report: &Report, why: &Why, page: &mut Page<'_>) -> io::Result<()> {
    let name = phrase_at(why);
    page.heading(&format!("Why: {name}"))?;
    page.text(Form::indent(2), &super::verdict(why))?;
    page.blank()?;
    page.text(Form::indent(2).style(DIM), super::EXPLAINED)?;
    page.blank()?;
    arithmetic(report, why, page)?;
    if !why.missing.is_empty() {
        page.heading("What bears on it and could not be observed")?;
        for missing in &why.missing {
            page.text(Form::indent(2).lead("* "), &super::missing_words(missing))?;
            let effect = super::missing_effect(missing);
            page.text(Form::indent(4).style(DIM), &effect)?;
        }
        if why.more_missing > 0 {
            page.text(Form::indent(2), &super::more_missing(why.more_missing))?;
        }
    }
    if !why.rivals.is_empty() {
        page.heading("Its rivals")?;
        for rival in &why.rivals {
            let lead = format!("{:>9}  ", fine_percent(rival.probability));
            let name = phrase::at(&rival.name, rival.place);
            page.text(Form::indent(2).styled_lead(&lead, BOLD).style(BOLD), &name)?;
            for line in rival_details(rival) {
                page.text(Form::indent(13), &line)?;
            }
        }
    }
    turns(why, &name, page)?;
    if let Some(stability) = &why.stability {
        page.heading("If the assumed frequencies are wrong")?;
        page.text(Form::indent(2), stability)?;
    }
    Ok(())
}

fn arithmetic(report: &Report, why: &Why, page: &mut Page<'_>) -> io::Result<()> {
    let clock = Clock::new(report);
    let lead = |times: &str, after: &str| format!("{times:>FACTOR$}  {after:>AFTER$}  ");
    let indent = 2 + FACTOR + 2 + AFTER + 2;
    page.text(
        Form::indent(2)
            .styled_lead(&lead("factor", "then"), DIM)
            .style(DIM),
        "what was seen",
    )?;
    page.text(
        Form::indent(2).lead(&lead("", &fine_percent(why.prior))),
        &why.prior_words,
    )?;
    if let Some((times, words)) = super::start(why) {
        page.text(
            Form::indent(2).lead(&lead(&times, &fine_percent(why.start))),
            words,
        )?;
    }
    let mut direct = true;
    for step in &why.steps {
        if direct && !step.direct {
            direct = false;
            page.text(Form::indent(indent).style(DIM), super::INDIRECT)?;
        }
        let times = format!("× {}", factor(step.factor));
        page.text(
            Form::indent(2).styled_lead(&lead(&times, &fine_percent(step.after)), BOLD),
            &phrase::capital(&step.words),
        )?;
        if let Some(details) = super::step_details(step) {
            page.text(Form::indent(indent).style(DIM), &details)?;
        }
        let places = step.finding.as_ref();
        let places = places.map(|finding| phrase::finding_details(finding, clock));
        if let Some(places) = places.filter(|places| !places.is_empty()) {
            page.text(Form::indent(indent).style(DIM), &places)?;
        }
    }
    page.blank()?;
    page.text(Form::indent(2).lead("Odds: "), &product(why))
}

fn turns(why: &Why, name: &str, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("What would change the order")?;
    if why.turns.is_empty() {
        page.text(Form::indent(2), super::NO_TURN)?;
    }
    let mut last = None;
    for turn in &why.turns {
        if last != Some((&turn.check, turn.place)) {
            last = Some((&turn.check, turn.place));
            let check = super::check_words(&turn.name, turn.place, turn.minutes);
            page.text(Form::indent(2).style(BOLD), &check)?;
        }
        page.text(Form::indent(4).lead("- "), &turn_words(turn, name))?;
    }
    let Some(telling) = &why.telling else {
        return Ok(());
    };
    page.blank()?;
    page.text(
        Form::indent(2).lead("Tells most about it: "),
        &super::check_words(&telling.name, telling.place, telling.minutes),
    )?;
    for result in &telling.results {
        page.text(Form::indent(4).lead("- "), &super::result_words(result))?;
    }
    Ok(())
}
