//! What has changed between two moments, a line each: for a pipe, a log, a screen reader.

use super::{Live, wheels};
use crate::report::phrase;
use crate::report::{CodeLine, Report};

/// A cause's probability has to move by so much to be told again.
const MOVED: f64 = 0.1;

/// The lines of what has changed; empty when nothing has. Texts from outside are as they came.
pub fn changes(before: &Live, after: &Live) -> Vec<String> {
    let mut lines = Vec::new();
    for (kind, words) in &after.troubles {
        if !before.troubles.iter().any(|(known, _)| known == kind) {
            lines.push(format!("{kind}: {words}"));
        }
    }
    for (kind, _) in &before.troubles {
        if !after.troubles.iter().any(|(known, _)| known == kind) {
            lines.push(format!("{kind}: over"));
        }
    }
    if after.bus != before.bus && !after.bus.is_empty() {
        lines.push(format!("bus: {}", after.bus));
    }
    if after.recording != before.recording
        && let Some(recording) = &after.recording
        && before.recording.is_none()
    {
        lines.push(format!("recording: {recording}"));
    }
    if after.asking != before.asking {
        match &after.asking {
            Some(asking) => lines.push(format!("asking: {asking}")),
            None => lines.push("asking: done".to_owned()),
        }
    }
    for ((wheel, was), (_, is)) in wheels(before).zip(wheels(after)) {
        let (was, is) = (was.words(), is.words());
        let told = |words: &str| words == "silent" || words == "no value";
        if was == "–" && is != "–" {
            lines.push(format!("wheel: {wheel} speaks, {}", with_unit(&is)));
        } else if is != was && (told(&was) || told(&is)) {
            lines.push(format!("wheel: {wheel} {}", with_unit(&is)));
        }
    }
    let nothing = Report::default();
    let was = before.report.as_ref().unwrap_or(&nothing);
    if let Some(is) = &after.report {
        reports(was, is, &mut lines);
    }
    lines
}

/// Where things stand, in one line.
pub fn status(live: &Live) -> String {
    let speeds: Vec<String> = wheels(live).map(|(_, now)| now.words()).collect();
    format!(
        "status: {}, {:.0} a second, {}, {} lost; wheels {} km/h",
        phrase::count(live.frames, "frame"),
        live.rate,
        phrase::count(live.error_frames, "error frame"),
        live.lost,
        speeds.join(" ")
    )
}

fn with_unit(words: &str) -> String {
    if words.ends_with(|last: char| last.is_ascii_digit()) {
        format!("{words} km/h")
    } else {
        words.to_owned()
    }
}

fn reports(was: &Report, is: &Report, lines: &mut Vec<String>) {
    for module in &is.modules {
        let same = |known: &&crate::report::ModuleLine| {
            known.name == module.name
                && known.request == module.request
                && known.response == module.response
        };
        let known = was.modules.iter().find(same);
        let is_news = known.map_or(module.state != "not-asked", |known| {
            known.state != module.state
        });
        if is_news {
            lines.push(format!("module: {}, {}", module.name, module.words));
        }
    }
    for code in &is.codes {
        let known = was.codes.iter().find(|known| is_same(known, code));
        if known.is_none_or(|known| known.state_words != code.state_words) {
            lines.push(format!("code: {}", phrase_code(code, &code.module)));
        }
    }
    for code in &was.codes {
        if !is.codes.iter().any(|still| is_same(still, code)) {
            lines.push(format!("code: {} is no longer reported", name(code)));
        }
    }
    let urgent = |report: &Report| report.safety.as_ref().map(|safety| safety.words.clone());
    if urgent(is) != urgent(was)
        && let Some(safety) = &is.safety
    {
        let reason = safety.reasons.first().map_or("", String::as_str);
        lines.push(format!("safety: {} {reason}", safety.words));
    }
    if phrase::none_stands_out(is) {
        return;
    }
    if let Some(first) = is.causes.first() {
        let told = was
            .causes
            .first()
            .filter(|known| known.id == first.id && known.place == first.place)
            .is_some_and(|known| (known.probability - first.probability).abs() < MOVED)
            && !phrase::none_stands_out(was);
        if !told {
            lines.push(format!(
                "most likely: {} ({}): {}",
                phrase::cause(first),
                phrase::percent(first.probability),
                phrase::strongest(first, is)
            ));
            if let Some(check) = is.checks.first() {
                lines.push(format!(
                    "next check: {}",
                    phrase::at(&check.name, check.place)
                ));
            }
        }
    }
}

fn is_same(one: &CodeLine, other: &CodeLine) -> bool {
    (&one.code, &one.failure_type, &one.module, one.list)
        == (&other.code, &other.failure_type, &other.module, other.list)
}

/// `C0031-13`.
pub(super) fn name(code: &CodeLine) -> String {
    match &code.failure_type {
        Some(failure) => format!("{}-{failure}", code.code),
        None => code.code.clone(),
    }
}

/// A code in one line, from a module of this name.
pub(super) fn phrase_code(code: &CodeLine, module: &str) -> String {
    format!(
        "{} from {module}, {}: {}",
        name(code),
        code.state_words,
        code.meaning
    )
}
