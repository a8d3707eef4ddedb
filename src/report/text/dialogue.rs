//! What the dialogue shows, piece by piece: where things stand, the next check, what an answer has moved, what to do.

use std::io::{self, Write};

use super::details;
use super::page::{AGAINST, BOLD, DANGER, DIM, FOR, Form, Page};
use super::{Layout, summary};
use crate::report::phrase;
use crate::report::{CauseLine, CheckLine, Report, Urgency};

/// How many causes are shown while the dialogue runs.
const SHOWN: usize = 5;
/// Columns of the bar of a probability.
const BAR: u8 = 10;
/// A cause from this probability on is repaired.
const LIKELY: f64 = 0.5;

/// A cause whose probability an answer has changed.
#[derive(Clone, Debug)]
pub struct Move {
    /// Its name with its place.
    pub name: String,
    /// Its probability before.
    pub before: f64,
    /// Its probability after.
    pub after: f64,
    /// The finding that did most of it, and how many times likelier it is with this cause than without.
    pub reason: Option<(String, f64)>,
}

/// A paragraph.
pub fn say(text: &str, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    Page::new(out, layout).text(Form::indent(0), text)
}

/// A list under a heading.
pub fn list(
    heading: &str,
    lines: &[String],
    out: &mut dyn Write,
    layout: Layout,
) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    page.text(Form::indent(0).style(BOLD), heading)?;
    for line in lines {
        page.text(Form::indent(2).lead("* "), line)?;
    }
    Ok(())
}

/// The title, whether it is safe, and where things stand.
pub fn opening(report: &Report, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    page.text(Form::indent(0).style(BOLD).lines(1), &phrase::title(report))?;
    page.blank()?;
    summary::safety(report, page)?;
    ranking(report, page)
}

/// Where things stand: the likeliest causes.
pub fn standing(report: &Report, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    ranking(report, &mut Page::new(out, layout))
}

fn ranking(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.blank()?;
    page.text(Form::indent(0).style(BOLD), "Where it stands")?;
    if let (Some(fit), true) = (&report.fit, phrase::none_stands_out(report)) {
        page.text(Form::indent(2), fit)?;
    }
    let worth = |cause: &&CauseLine| cause.probability >= phrase::WORTH_A_LINE;
    for (at, cause) in report.causes.iter().take(SHOWN).filter(worth).enumerate() {
        let lead = format!(
            "{}  {:>9}  {}  ",
            at + 1,
            phrase::percent(cause.probability),
            page.bar(cause.probability, BAR)
        );
        page.text(Form::indent(2).lead(&lead), &phrase::cause(cause))?;
    }
    Ok(())
}

/// A check, where things stand in a line, and what may be answered. All of it stands together: what an answer has moved may
/// have left a small screen by then.
pub fn check(
    check: &CheckLine,
    report: &Report,
    moves: &[Move],
    answers: &str,
    out: &mut dyn Write,
    layout: Layout,
) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    page.blank()?;
    page.text(Form::indent(0).style(BOLD), "Next check")?;
    details::check_card("", check, page)?;
    let likeliest: Vec<String> = report
        .causes
        .iter()
        .take(phrase::FIRST)
        .filter(|cause| cause.probability >= phrase::WORTH_DETAIL)
        .map(|cause| {
            let name = phrase::cause(cause);
            let before = moves.iter().find(|moved| moved.name == name);
            let before = before.map(|moved| format!(", before {}", phrase::percent(moved.before)));
            let now = phrase::percent(cause.probability);
            format!("{name} ({now}{})", before.unwrap_or_default())
        })
        .collect();
    if !likeliest.is_empty() {
        let lead = Form::indent(2).styled_lead("Now: ", BOLD);
        page.text(lead, &likeliest.join("; "))?;
    }
    self::answers(answers, out, layout)
}

/// What may be answered.
pub fn answers(answers: &str, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    Page::new(out, layout).text(Form::indent(2).styled_lead("Answer: ", BOLD), answers)
}

/// What an answer has moved and why, and where things stand then. What makes it unsafe to drive stands first.
pub fn moved(
    moves: &[Move],
    report: &Report,
    newly_unsafe: bool,
    out: &mut dyn Write,
    layout: Layout,
) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    if let Some(safety) = report.safety.as_ref().filter(|_| newly_unsafe) {
        page.blank()?;
        page.text(Form::indent(0).style(DANGER), phrase::urgency(safety))?;
        page.text(Form::indent(2), &safety.words)?;
        for reason in &safety.reasons {
            page.text(Form::indent(2).lead("* "), reason)?;
        }
    }
    if moves.is_empty() {
        return page.text(Form::indent(0), "That moved no cause.");
    }
    page.blank()?;
    page.text(Form::indent(0).style(BOLD), "What moved, and why")?;
    for one in moves {
        let rose = one.after > one.before;
        let (word, style) = if rose {
            ("up  ", FOR)
        } else {
            ("down", AGAINST)
        };
        let lead = format!(
            "{word}  {:>9} to {:<9}  ",
            phrase::percent(one.before),
            phrase::percent(one.after)
        );
        page.text(Form::indent(2).styled_lead(&lead, style), &one.name)?;
        if let Some((summary, factor)) = &one.reason {
            let words = format!("{} ({})", phrase::capital(summary), phrase::weight(*factor));
            page.text(Form::indent(8).style(DIM), &words)?;
        }
    }
    ranking(report, page)
}

/// What is certain enough to be repaired, and what may be left then.
pub fn repair(report: &Report, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    list(
        "Enough is known to repair.",
        &phrase::repair(report),
        out,
        layout,
    )
}

/// What to do now: drive or not, repair what is likely, then read again and compare.
pub fn closing(
    report: &Report,
    compare: &str,
    out: &mut dyn Write,
    layout: Layout,
) -> io::Result<()> {
    let page = &mut Page::new(out, layout);
    page.blank()?;
    page.text(Form::indent(0).style(BOLD), "What to do")?;
    if let Some(safety) = &report.safety {
        let style = match safety.urgency {
            Urgency::DoNotDrive => DANGER,
            Urgency::DriveWithCare => BOLD,
        };
        page.text(Form::indent(2).style(style), phrase::urgency(safety))?;
        page.text(Form::indent(2), &safety.words)?;
    }
    let likely: Vec<&CauseLine> = report
        .causes
        .iter()
        .filter(|cause| cause.probability >= LIKELY)
        .collect();
    for cause in &likely {
        let lead = format!("{:>9}  ", phrase::percent(cause.probability));
        page.text(
            Form::indent(2).styled_lead(&lead, BOLD).style(BOLD),
            &phrase::cause(cause),
        )?;
        page.text(Form::indent(13), &cause.summary)?;
        let work = phrase::capital(phrase::work(cause.work));
        page.text(Form::indent(13).style(DIM), &format!("{work}."))?;
        for caution in &cause.cautions {
            page.text(Form::indent(13).styled_lead("CAUTION: ", BOLD), caution)?;
        }
    }
    if likely.is_empty() {
        let words = match (&report.fit, phrase::none_stands_out(report), report.checks.first()) {
            (Some(fit), true, _) => fit.clone(),
            (_, _, Some(check)) => format!(
                "No cause is likely enough to repair yet. The next check would be: {}.",
                phrase::at(&check.name, check.place)
            ),
            _ => "No cause is likely enough to repair, and no check that can be done with these means would tell more: \
                  have somebody look who has others."
                .to_owned(),
        };
        page.text(Form::indent(2), &words)?;
    } else {
        let words = "After the repair: pedal first, at a standstill. Clear the codes, drive above 20 km/h, read all modules \
             again into a new recording, and compare:";
        page.text(Form::indent(2), words)?;
        page.text(Form::indent(4), compare)?;
        // That it is certain, and how to prove the repair, has been said.
        for words in phrase::repair(report).iter().skip(2) {
            page.text(Form::indent(2), words)?;
        }
    }
    Ok(())
}
