//! The picture: what a person in front of a terminal sees, at most so many lines.
//!
//! The same parts stand in the same order at every size, and the last line always says how to stop. Where room is short, parts
//! say less; the safety remark and what is wrong with the link never give way. Colour only repeats what the words say.

use std::fmt::Write as _;
use std::io;

use super::{Live, changes, wheels};
use crate::place::Place;
use crate::report::escape::terminal::terminal;
use crate::report::phrase;
use crate::report::text::Layout;
use crate::report::text::page::{BOLD, CARE, DANGER, DIM, Form, Page, wrap};
use crate::report::{Report, Urgency};

/// Columns of the bar of a probability.
const BAR: u8 = 10;
/// So many characters of a module's name are shown.
const LONGEST_NAME: usize = 24;
/// A judgement that is older than this, while frames come, says so; in seconds.
const FRESH_S: f64 = 5.0;

/// How much the parts may say.
#[derive(Clone, Copy, Debug)]
struct Room {
    codes: usize,
    modules: usize,
    causes: usize,
    /// Lines for each cause's strongest reason.
    reasons: usize,
    /// Lines for why the next check.
    why: usize,
    safety: usize,
    troubles: usize,
    spaces: bool,
}

const ROOMS: [Room; 5] = [
    Room {
        codes: 12,
        modules: 4,
        causes: 5,
        reasons: 2,
        why: 3,
        safety: 4,
        troubles: 4,
        spaces: true,
    },
    Room {
        codes: 6,
        modules: 2,
        causes: 3,
        reasons: 1,
        why: 2,
        safety: 3,
        troubles: 4,
        spaces: true,
    },
    Room {
        codes: 3,
        modules: 1,
        causes: 3,
        reasons: 0,
        why: 1,
        safety: 2,
        troubles: 3,
        spaces: true,
    },
    Room {
        codes: 2,
        modules: 1,
        causes: 2,
        reasons: 0,
        why: 0,
        safety: 2,
        troubles: 3,
        spaces: false,
    },
    Room {
        codes: 1,
        modules: 0,
        causes: 1,
        reasons: 0,
        why: 0,
        safety: 1,
        troubles: 2,
        spaces: false,
    },
];

/// The lines of the picture, at most `rows`, without their ends.
///
/// Where the window is too small for that, a few plain lines say the most urgent things.
pub fn screen(live: &Live, layout: Layout, rows: usize) -> io::Result<Vec<String>> {
    let mut lines = Vec::new();
    for room in ROOMS {
        lines = draw(live, layout, room)?;
        if lines.len() < rows {
            break;
        }
    }
    if lines.len() >= rows || layout.width < Layout::MIN_WIDTH {
        return Ok(small(live, layout, rows));
    }
    let foot = draw_with(layout, |page| {
        let keys = "Ctrl-C stops. ";
        let care = "Never watch this while driving: a second person does.";
        page.text(
            Form::indent(0).styled_lead(keys, BOLD).style(DIM).lines(1),
            care,
        )
    })?;
    // The foot stays at the foot, so that the eye finds it.
    while lines.len() + 1 < rows {
        lines.push(String::new());
    }
    lines.extend(foot);
    lines.truncate(rows);
    Ok(lines)
}

/// What a window shows that is too small for the picture: what is wrong, what is unsafe, the wheels, the codes, the likeliest
/// cause, in this order, as far as there is room.
fn small(live: &Live, layout: Layout, rows: usize) -> Vec<String> {
    let mut parts = vec![format!(
        "{} for {}: {}, {} lost",
        live.link,
        phrase::span(live.seconds.floor()),
        phrase::count(live.frames, "frame"),
        live.lost
    )];
    parts.extend(live.troubles.iter().take(1).map(|(_, words)| words.clone()));
    let report = live.report.as_ref();
    let unsafe_words = report.and_then(|report| report.safety.as_ref());
    parts.extend(unsafe_words.map(|safety| safety.words.clone()));
    let speeds: Vec<String> = wheels(live)
        .map(|(wheel, now)| format!("{wheel} {}", now.words()))
        .collect();
    parts.push(format!("km/h: {}", speeds.join(", ")));
    if let Some(report) = report {
        let codes: Vec<String> = report.codes.iter().map(changes::name).collect();
        if !codes.is_empty() {
            let count = u64::try_from(codes.len()).unwrap_or(u64::MAX);
            parts.push(format!(
                "{}: {}",
                phrase::count(count, "code"),
                codes.join(", ")
            ));
        }
        if let Some(first) = report.causes.first()
            && !phrase::none_stands_out(report)
        {
            let likely = phrase::percent(first.probability);
            parts.push(format!("{likely} {}", phrase::cause(first)));
        }
    }
    parts.push("A window of 80 columns and 24 lines shows more.".to_owned());
    let mut lines: Vec<String> = parts
        .iter()
        .flat_map(|part| wrap(&terminal(part, layout.unicode), layout.width.max(1)))
        .collect();
    let room = rows.saturating_sub(1);
    lines.truncate(room);
    lines.resize(room, String::new());
    lines.extend(
        wrap("Ctrl-C stops.", layout.width.max(1))
            .into_iter()
            .take(1),
    );
    lines.truncate(rows);
    lines
}

fn draw_with(
    layout: Layout,
    what: impl FnOnce(&mut Page<'_>) -> io::Result<()>,
) -> io::Result<Vec<String>> {
    let mut bytes: Vec<u8> = Vec::new();
    what(&mut Page::new(&mut bytes, layout))?;
    let text = String::from_utf8_lossy(&bytes);
    Ok(text.lines().map(str::to_owned).collect())
}

fn draw(live: &Live, layout: Layout, room: Room) -> io::Result<Vec<String>> {
    draw_with(layout, |page| {
        head(live, page, room)?;
        wheel_speeds(live, page, room)?;
        match &live.report {
            Some(report) => judged(report, live.judged_s.unwrap_or(0.0), page, room),
            None if live.frames == 0 => {
                part(page, room, "Causes", "are judged once something was heard")
            }
            None => part(page, room, "Causes", "are being judged for the first time"),
        }
    })
}

/// A part that is one paragraph, its heading as the lead.
fn part(page: &mut Page<'_>, room: Room, heading: &str, text: &str) -> io::Result<()> {
    space(page, room)?;
    page.text(Form::indent(0).styled_lead(&lead(heading), BOLD), text)
}

/// Headings are leads of the same width, so that all text begins in one column.
fn lead(heading: &str) -> String {
    format!("{:<11}", heading.to_uppercase())
}

fn space(page: &mut Page<'_>, room: Room) -> io::Result<()> {
    if room.spaces { page.blank() } else { Ok(()) }
}

fn head(live: &Live, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    let mut title = format!("{} for {}", live.link, phrase::span(live.seconds.floor()));
    if !live.bus.is_empty() {
        title = format!("{title}: {}", live.bus);
    }
    let form = |heading: &str| (lead(heading), Form::indent(0));
    let (heading, plain) = form("Listening");
    page.text(
        plain.styled_lead(&heading, BOLD).style(BOLD).lines(1),
        &title,
    )?;
    let heard = format!(
        "{}, {:.0} a second; {}; {} lost",
        phrase::count(live.frames, "frame"),
        live.rate,
        phrase::count(live.error_frames, "error frame"),
        live.lost
    );
    let (heading, plain) = form("Heard");
    page.text(plain.lead(&heading).lines(1), &heard)?;
    let (heading, plain) = form("Sent");
    page.text(plain.lead(&heading).lines(1), &live.sending)?;
    if let Some(asking) = &live.asking {
        let (heading, plain) = form("Asking");
        page.text(plain.lead(&heading).lines(1), asking)?;
    }
    if let Some(recording) = &live.recording {
        let (heading, plain) = form("Recording");
        page.text(plain.lead(&heading).lines(1), recording)?;
    }
    for (_, words) in live.troubles.iter().take(2) {
        let (heading, plain) = form("Attention");
        let form = plain.styled_lead(&heading, CARE).style(BOLD);
        page.text(form.lines(room.troubles), words)?;
    }
    Ok(())
}

fn wheel_speeds(live: &Live, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    space(page, room)?;
    let (mut names, mut speeds) = (String::new(), String::new());
    let width = page.width().saturating_sub(11).div_euclid(4).min(13);
    for (wheel, now) in wheels(live) {
        // Writing to a String cannot fail.
        let _ = write!(names, "{:>width$}", wheel.to_string());
        let _ = write!(speeds, "{:>width$}", now.words());
    }
    page.columns(&lead("Wheels"), &names, BOLD)?;
    page.columns(&format!("{:<11}", "  km/h"), &speeds, BOLD)
}

fn judged(report: &Report, old_s: f64, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    modules_and_codes(report, page, room)?;
    if old_s > FRESH_S {
        let words = format!(
            "{} ago; judging takes its time here",
            phrase::span(old_s.floor())
        );
        let heading = lead("Judged");
        page.text(Form::indent(0).lead(&heading).style(DIM).lines(1), &words)?;
    }
    causes(report, page, room)?;
    if let Some(check) = report.checks.first() {
        let name = phrase::at(&check.name, check.place);
        let words = format!("{name} ({})", phrase::minutes(check.minutes));
        let heading = lead("Next check");
        let form = Form::indent(0).styled_lead(&heading, BOLD).style(BOLD);
        page.text(form.lines(1), &words)?;
        if room.why > 0 {
            page.text(
                Form::indent(11).lines(room.why),
                &phrase::capital(&check.why),
            )?;
        }
    }
    safety(report, page, room)
}

fn modules_and_codes(report: &Report, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    let spoken: Vec<String> = report
        .modules
        .iter()
        .filter(|module| module.state != "not-asked")
        .map(|module| format!("{} {}", short(&module.name), module.state))
        .collect();
    space(page, room)?;
    if room.modules > 0 {
        let words = if spoken.is_empty() {
            "none has been asked or has answered so far".to_owned()
        } else {
            spoken.join("; ")
        };
        let heading = lead("Modules");
        let form = Form::indent(0).styled_lead(&heading, BOLD);
        page.text(form.lines(room.modules), &words)?;
    }
    let mut heading = lead("Codes");
    if report.codes.is_empty() {
        let words = "none reported so far";
        return page.text(Form::indent(0).styled_lead(&heading, BOLD), words);
    }
    for code in report.codes.iter().take(room.codes) {
        let form = Form::indent(0).styled_lead(&heading, BOLD).lines(1);
        page.text(form, &changes::phrase_code(code, &short(&code.module)))?;
        heading = lead("");
    }
    if report.codes.len() > room.codes {
        let more = report.codes.len() - room.codes;
        page.text(Form::indent(11), &format!("and {more} more"))?;
    }
    Ok(())
}

/// A module's name, cut where it would push what matters off the line.
fn short(name: &str) -> String {
    match name.char_indices().nth(LONGEST_NAME) {
        Some((end, _)) => format!("{}…", name.get(..end).unwrap_or_default().trim_end()),
        None => name.to_owned(),
    }
}

fn causes(report: &Report, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    space(page, room)?;
    if let (Some(fit), true) = (&report.fit, phrase::none_stands_out(report)) {
        let heading = lead("Causes");
        return page.text(Form::indent(0).styled_lead(&heading, BOLD).lines(2), fit);
    }
    let mut heading = lead("Causes");
    let listed = report.causes.iter().take(room.causes);
    for cause in listed.filter(|cause| cause.probability >= phrase::WORTH_A_LINE) {
        let figures = format!(
            "{heading}{:>9} {} ",
            phrase::percent(cause.probability),
            page.bar(cause.probability, BAR)
        );
        // The place comes first, so that a long name cannot push it off the line.
        let words = match cause.place {
            Place::Vehicle => cause.name.clone(),
            place => format!("{place}: {}", cause.name),
        };
        page.text(Form::indent(0).styled_lead(&figures, BOLD).lines(1), &words)?;
        if room.reasons > 0 {
            let form = Form::indent(32).lines(room.reasons);
            page.text(form, &phrase::capital(phrase::strongest(cause, report)))?;
        }
        heading = lead("");
    }
    Ok(())
}

fn safety(report: &Report, page: &mut Page<'_>, room: Room) -> io::Result<()> {
    let heading = lead("Safety");
    let form = Form::indent(0).styled_lead(&heading, BOLD);
    let Some(safety) = &report.safety else {
        return page.text(form.lines(room.safety), phrase::NOTHING_UNSAFE);
    };
    let style = match safety.urgency {
        Urgency::DoNotDrive => DANGER,
        Urgency::DriveWithCare => CARE,
    };
    page.text(form.style(style).lines(room.safety), &safety.words)?;
    match safety.reasons.first() {
        Some(reason) if room.safety > 1 => {
            page.text(Form::indent(11).lead("Why: ").lines(1), reason)
        }
        _ => Ok(()),
    }
}
