//! What a lesson shows.

use std::io::{self, Write};

use tonering::drill::{Answer, Case, Done, Right};
use tonering::place::Place;
use tonering::report::escape::visible;
use tonering::rig::{CHECKS, Reading};
use tonering::rules::{CheckRule, SensorWord};
use tonering::signal::Trace;
use tonering::vehicle::SensorKind;

use crate::cli::wrap;

pub(super) fn papers(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    let data = &case.record().wheel_data;
    let sensor = match data.sensor {
        Some(SensorKind::Active) => "active (two wires, fed by the module)",
        Some(SensorKind::Passive) => "passive (a coil)",
        None => "not told",
    };
    wrap::item(out, "Wheel-speed sensors: ", sensor, width)?;
    if let Some(teeth) = data.teeth {
        writeln!(out, "Teeth of each tone ring: {teeth}")?;
    }
    if let Some(circumference) = data.circumference_m {
        writeln!(out, "Rolling circumference: {circumference:.3} m")?;
    }
    Ok(())
}

pub(super) fn modules(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    for module in &case.record().modules {
        let name = visible(&module.name);
        let beginning = format!("  {name:20} ");
        wrap::item(
            out,
            &beginning,
            &format!("codes {}", module.role.id()),
            width,
        )?;
    }
    Ok(())
}

pub(super) fn codes(
    case: &Case<'_>,
    index: usize,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    let record = case.record();
    let Some(module) = record.modules.get(index) else {
        return Ok(());
    };
    let name = visible(&module.name);
    if module.positive == 0 {
        return writeln!(out, "{name}: does not answer.");
    }
    // One code stands in several lists; what a module says with a status is told once.
    let mut told = Vec::new();
    for code in record.codes.iter().filter(|code| code.module == index) {
        if !told
            .iter()
            .any(|(number, kind, _)| (*number, *kind) == (code.code, code.failure_type))
            && (code.failure_type.is_some() || code.uds_status().is_some())
        {
            told.push((code.code, code.failure_type, code.status));
        }
    }
    if told.is_empty() {
        return writeln!(out, "{name}: no codes.");
    }
    writeln!(out, "{name}:")?;
    for (code, kind, status) in told {
        let state = match status {
            Some(status) if status & 0x01 != 0 => "present now",
            _ => "remembered",
        };
        let suffix = kind.map_or_else(String::new, |kind| format!("-{kind}"));
        let meaning = case.school().catalogue.meaning(code, kind).to_string();
        let beginning = format!("  {code}{suffix}  {state}: ");
        wrap::item(out, &beginning, &visible(&meaning), width)?;
    }
    Ok(())
}

pub(super) fn voltages(case: &Case<'_>, out: &mut dyn Write) -> io::Result<()> {
    let signals = &case.record().signals;
    for (name, trace) in [
        ("Supply at the brake module", &signals.supply_voltage),
        ("Battery, as others measure it", &signals.battery_voltage),
    ] {
        match trace.as_ref().and_then(range) {
            Some((low, high)) if high - low < 0.05 => writeln!(out, "{name}: {low:.1} V")?,
            Some((low, high)) => writeln!(out, "{name}: {low:.1} to {high:.1} V")?,
            None => writeln!(out, "{name}: not told, nobody answers")?,
        }
    }
    Ok(())
}

/// The lowest and the highest valid value.
fn range(trace: &Trace) -> Option<(f32, f32)> {
    let valid = trace.value.iter().copied().filter(|value| !value.is_nan());
    valid.fold(None, |known, value| match known {
        None => Some((value, value)),
        Some((low, high)) => Some((low.min(value), high.max(value))),
    })
}

pub(super) fn checks(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    for (id, kind) in CHECKS {
        let Some(rule) = case.school().rules.check(id) else {
            continue;
        };
        let at = match kind.places() {
            [_] => "",
            [_, _] => ", at an axle",
            _ => ", at a wheel",
        };
        let money = if rule.money > 0.0 {
            format!(", {:.0} besides", rule.money)
        } else {
            String::new()
        };
        let beginning = format!("  {id:23} ");
        let words = format!("{}{at}: {:.0} min{money}", rule.name, rule.minutes);
        wrap::item(out, &beginning, &words, width)?;
    }
    Ok(())
}

pub(super) fn causes(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    for id in tonering::rig::causes() {
        let Some(cause) = case.school().rules.cause(id) else {
            continue;
        };
        let at = match cause.place.kind().places() {
            [_] => "",
            [_, _] => " (say which axle)",
            _ => " (say which wheel)",
        };
        let beginning = format!("  {id:19} ");
        wrap::item(out, &beginning, &format!("{}{at}", cause.name), width)?;
    }
    Ok(())
}

/// What to expect with this vehicle's sensors.
fn expected(case: &Case<'_>, rule: &CheckRule) -> String {
    let sensor = case.sensor().map(SensorWord::from);
    let fits = |word: Option<SensorWord>| word.is_none() || sensor.is_none() || word == sensor;
    let words: Vec<&str> = rule
        .expect
        .iter()
        .filter(|expect| fits(expect.sensor))
        .map(|expect| expect.words.as_str())
        .collect();
    words.join("; ")
}

pub(super) fn how(
    case: &Case<'_>,
    rule: &CheckRule,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out, "{} ({:.0} minutes)", rule.name, rule.minutes)?;
    if !rule.tools.is_empty() {
        wrap::item(out, "  Tools: ", &rule.tools.join(", "), width)?;
    }
    for (number, step) in (1..).zip(&rule.steps) {
        wrap::item(out, &format!("  {number}. "), step, width)?;
    }
    wrap::item(out, "  Expect: ", &expected(case, rule), width)?;
    for caution in case.school().rules.caution_words(&rule.cautions) {
        wrap::item(out, "  CAUTION: ", &caution, width)?;
    }
    Ok(())
}

/// A reading in words: `loose`, `1.2 mm`.
fn reading(reading: Reading) -> String {
    match reading {
        Reading::Result(word) => word.replace('-', " "),
        Reading::Value(key, value) => {
            let unit = match key {
                "value_mm" => "mm",
                "value_v" => "V",
                "value_ohm" => "ohm",
                "value_bar" => "bar",
                _ => "",
            };
            if value.is_infinite() {
                "open circuit".to_owned()
            } else {
                format!("{value} {unit}")
            }
        }
        Reading::NotPossible => "cannot be done on this vehicle".to_owned(),
    }
}

/// What a reading means, as the rules say.
fn meaning(rule: &CheckRule, found: Reading) -> Option<&str> {
    match found {
        Reading::Result(word) => {
            let known = rule.results.iter().find(|result| result.id == word)?;
            Some(&known.means)
        }
        Reading::Value(_, value) => {
            let bands = &rule.value.as_ref()?.bands;
            let band = bands
                .iter()
                .find(|band| band.up_to.is_none_or(|high| value <= high))?;
            Some(&band.means)
        }
        Reading::NotPossible => None,
    }
}

pub(super) fn done(
    case: &Case<'_>,
    done: &Done,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    let Some(rule) = case.school().rules.check(done.check) else {
        return Ok(());
    };
    let found = reading(done.reading);
    let beginning = format!("{}{}: ", rule.name, at(done.place));
    wrap::item(out, &beginning, &found, width)?;
    wrap::item(out, "  Expected: ", &expected(case, rule), width)?;
    if let Some(means) = meaning(rule, done.reading) {
        wrap::item(out, "  This means: ", means, width)?;
    }
    Ok(())
}

/// `, left front wheel`; nothing for the vehicle.
fn at(place: Place) -> String {
    match place {
        Place::Vehicle => String::new(),
        Place::Axle(_) => format!(", {place}"),
        Place::Wheel(wheel) => format!(", {} wheel", wheel.words()),
    }
}

pub(super) fn notes(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    if case.done().is_empty() {
        return writeln!(out, "Nothing checked by hand yet.");
    }
    for done in case.done() {
        let beginning = format!("  {}{}: ", done.check, at(done.place));
        wrap::item(out, &beginning, &reading(done.reading), width)?;
    }
    Ok(())
}

/// The answer, what it was and why, and the marks.
pub(super) fn end(
    case: &Case<'_>,
    answer: &Answer,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    let marks = case.marks(answer);
    let truth = case.truth();
    let rules = case.school().rules;
    let verdict = match marks.right {
        Right::Whole => "Right.",
        Right::WrongPlace => "The right cause at the wrong place.",
        Right::Wrong => "That is not it.",
        Right::GaveUp => "You have given up.",
    };
    writeln!(out, "{verdict}\n")?;
    let name = rules
        .cause(truth.cause)
        .map_or(truth.cause, |cause| &cause.name);
    let form = if truth.form.is_empty() {
        String::new()
    } else {
        format!(" ({})", truth.form.replace('-', " "))
    };
    wrap::item(
        out,
        "What it is: ",
        &format!("{name}{}{form}", at(truth.place)),
        width,
    )?;
    if let Some(cause) = rules.cause(truth.cause) {
        wrap::item(out, "  ", &cause.summary, width)?;
        for caution in rules.caution_words(&cause.cautions) {
            wrap::item(out, "  CAUTION for the repair: ", &caution, width)?;
        }
    }
    evidence(case, width, out)?;
    own_way(case, &marks, width, out)?;
    table(&marks, width, out)?;
    wrap::put(
        out,
        "A simulated vehicle cannot hurt anyone; a real one can. The maker's instructions, local rules and licensed \
         practice come first.",
        width,
        0,
    )
}

/// What spoke for the true cause, with everything that the recording and the learner's checks say.
fn evidence(case: &Case<'_>, width: usize, out: &mut dyn Write) -> io::Result<()> {
    let report = case.report(&case.notes(), 0);
    let truth = case.truth();
    let line = report
        .causes
        .iter()
        .find(|cause| cause.id == truth.cause && cause.place == truth.place);
    let Some(line) = line else {
        return Ok(());
    };
    let percent = (line.probability * 100.0).round();
    writeln!(
        out,
        "\nWith codes, drive and your checks the program gives it {percent:.0} %."
    )?;
    for weighed in line.speaks_for.iter().take(MOST_REASONS) {
        if let Some(finding) = report.findings.get(weighed.finding) {
            wrap::item(out, "  for it: ", &visible(&finding.summary), width)?;
        }
    }
    for weighed in line.speaks_against.iter().take(MOST_REASONS) {
        if let Some(finding) = report.findings.get(weighed.finding) {
            wrap::item(out, "  against it: ", &visible(&finding.summary), width)?;
        }
    }
    Ok(())
}

/// Most reasons that are named for and against.
const MOST_REASONS: usize = 4;

fn own_way(
    case: &Case<'_>,
    marks: &tonering::drill::Marks,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(
        out,
        "\nThe program's own way: read all codes, drive, read the voltages, then"
    )?;
    if marks.way.steps.is_empty() {
        writeln!(out, "  nothing more by hand")?;
    }
    for step in &marks.way.steps {
        let beginning = format!("  {}{}: ", step.name, at(step.place));
        wrap::item(out, &beginning, &reading(step.reading), width)?;
    }
    if let Some((cause, place, probability)) = &marks.way.verdict {
        let percent = (probability * 100.0).round();
        let name = case.school().rules.cause(cause);
        let name = name.map_or(cause.as_str(), |cause| &cause.name);
        let right = *cause == case.truth().cause && *place == case.truth().place;
        let words = format!(
            "{name}{} at {percent:.0} %{}",
            at(*place),
            if right { "" } else { ", which is wrong here" }
        );
        wrap::item(out, "  It would have said: ", &words, width)?;
    }
    let rate = case.school().means.hourly_rate;
    writeln!(
        out,
        "  It would have spent {:.2}, you spent {:.2}.",
        marks.way.spent.at(rate),
        case.spent().at(rate)
    )
}

fn table(marks: &tonering::drill::Marks, width: usize, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\nMARKS")?;
    for (name, got, most) in [
        ("answer", marks.for_answer, 50),
        ("cost", marks.for_cost, 25),
        ("checks", marks.for_checks, 15),
        ("cautions", marks.for_cautions, 10),
    ] {
        writeln!(out, "  {name:16} {got:2} of {most}")?;
    }
    writeln!(out, "  {:16} {:2} of 100", "all", marks.sum())?;
    for done in &marks.idle {
        let words = format!("{}{}", done.check, at(done.place));
        wrap::item(out, "  Told nothing: ", &words, width)?;
    }
    for (done, cautions) in &marks.unread {
        let words = format!(
            "{}{}, without having read how: {}",
            done.check,
            at(done.place),
            cautions.join(" ")
        );
        wrap::item(out, "  Caution missed: ", &words, width)?;
    }
    if marks.drove_in_danger {
        wrap::item(
            out,
            "  Caution missed: ",
            "you drove before you had looked at the fluid, although the vehicle was not to be driven.",
            width,
        )?;
    }
    writeln!(out)
}
