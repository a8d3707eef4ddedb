//! Wording that several printers share: numbers, weights, times and places as a person reads them.
//!
//! Results of `write!` to a `String` are dropped: that cannot fail.

use std::fmt::Write as _;

use super::{
    CaptureLine, CauseLine, CodeLine, FindingLine, LikelyLine, MeasureLine, ModuleLine, Report,
    Safety, Urgency, VisitLine,
};
use crate::place::{Place, Wheel};

/// Causes below this probability are only counted.
pub(super) const WORTH_A_LINE: f64 = 0.005;
/// Causes from this probability on are shown with their arithmetic, and the first three in any case.
pub(super) const WORTH_DETAIL: f64 = 0.05;
/// How many causes the first screen shows.
pub(super) const FIRST: usize = 3;
/// How many times are printed for a finding or a measure.
const TIMES: usize = 4;

/// What stands first when nothing says that it is unsafe.
pub(super) const NOTHING_UNSAFE: &str = "Nothing read here says that it is unsafe to drive. A recording cannot feel the \
     pedal: if it is soft or sinks, if the red brake lamp is lit or fluid is missing, do not drive.";

/// What the number behind each reason means.
pub(super) const WEIGHTS: &str = "The number after each reason says how many times likelier it is to be seen (or, where \
     something is missing, to be missing) with this cause than without it.";

/// The heading over a safety remark.
pub(super) fn urgency(safety: &Safety) -> &'static str {
    match safety.urgency {
        Urgency::DoNotDrive => "DO NOT DRIVE",
        Urgency::DriveWithCare => "DRIVE WITH CARE, ONLY TO WHERE IT CAN BE CHECKED",
    }
}

/// `81 %`; what rounds to 0 or 100 without being it says so.
pub(super) fn percent(share: f64) -> String {
    let rounded = (share * 100.0).round();
    if share > 0.0 && rounded < 1.0 {
        "under 1 %".to_owned()
    } else if share < 1.0 && rounded > 99.0 {
        "over 99 %".to_owned()
    } else {
        format!("{rounded:.0} %")
    }
}

/// How much a finding moves a cause: `12 times likelier with it`.
pub(super) fn weight(factor: f64) -> String {
    if factor.is_nan() {
        "weight unknown".to_owned()
    } else if factor >= 1000.0 {
        if factor.is_infinite() {
            "only possible with it".to_owned()
        } else {
            "more than 1000 times likelier with it".to_owned()
        }
    } else if factor >= 1.0 {
        format!("{} times likelier with it", times(factor))
    } else if factor > 0.001 {
        format!("{} times less likely with it", times(1.0 / factor))
    } else if factor > 0.0 {
        "more than 1000 times less likely with it".to_owned()
    } else {
        "not possible with it".to_owned()
    }
}

fn times(factor: f64) -> String {
    if factor < 9.95 {
        format!("{factor:.1}")
    } else {
        format!("{factor:.0}")
    }
}

/// `15 minutes`, `1 h 30 min`.
pub(super) fn minutes(minutes: f64) -> String {
    let whole = minutes.round().max(0.0);
    if whole < 90.0 {
        let s = if (whole - 1.0).abs() < 0.5 { "" } else { "s" };
        format!("{whole:.0} minute{s}")
    } else {
        let hours = (whole / 60.0).floor();
        let rest = whole - hours * 60.0;
        if rest < 0.5 {
            format!("{hours:.0} h")
        } else {
            format!("{hours:.0} h {rest:.0} min")
        }
    }
}

/// Who can do it.
pub(super) fn work(work: &str) -> &str {
    match work {
        "home" => "can be done at home with care",
        "workshop" => "workshop job",
        "specialist" => "specialist job",
        other => other,
    }
}

/// A name with its place: `Sensor circuit, left front`.
pub(super) fn at(name: &str, place: Place) -> String {
    match place {
        Place::Vehicle => name.to_owned(),
        Place::Axle(_) | Place::Wheel(_) => format!("{name}, {place}"),
    }
}

/// A name with its place, as a cause is called.
pub(super) fn cause(cause: &CauseLine) -> String {
    at(&cause.name, cause.place)
}

/// Value, times and origins of a finding, or that it was noted by hand.
pub(super) fn finding_details(finding: &FindingLine, clock: Clock<'_>) -> String {
    let mut parts = Vec::new();
    if let Some(measure) = finding.measure {
        let unit = finding.unit.as_deref().unwrap_or("");
        parts.push(format!("measured {}", value(measure, None, unit)));
    }
    let moments = clock.moments(&finding.times_s);
    if !moments.is_empty() {
        parts.push(moments);
    }
    if finding.source == "notes" {
        parts.push("from the notes of checks by hand".to_owned());
    }
    if !finding.origins.is_empty() {
        let shown: Vec<&str> = finding
            .origins
            .iter()
            .take(TIMES)
            .map(String::as_str)
            .collect();
        parts.push(format!("seen in {}", shown.join(", ")));
    }
    parts.join("; ")
}

/// A capture in one sentence.
pub(super) fn capture(capture: &CaptureLine) -> String {
    let mut words = format!(
        "{}: {}, {}",
        capture.file,
        capture.kind,
        count(capture.frames, "frame")
    );
    if let (Some(first), Some(last)) = (capture.first_s, capture.last_s) {
        let _ = write!(words, ", {}", span(last - first));
    }
    match capture.unreadable {
        0 => words.push_str(", no damage"),
        lost => {
            let _ = write!(words, ", {} unreadable", count(lost, "piece"));
        }
    }
    words
}

/// A row of the table of wheels.
#[derive(Clone, Debug)]
pub(super) struct WheelRow {
    /// What is measured, with its unit.
    pub(super) name: String,
    /// A cell for each wheel in the order of [`Wheel::ALL`].
    pub(super) cells: [String; 4],
}

/// Measures that every report shows; the others when they show something.
const USUAL: [&str; 5] = [
    "dropout_share",
    "dropout_longest",
    "onset",
    "vanish",
    "ratio",
];

/// The table of wheels: samples, interval, top speed, then every measure in the order in which it first appears.
pub(super) fn wheel_rows(report: &Report) -> Vec<WheelRow> {
    let line = |wheel: Wheel| report.wheels.iter().find(|line| line.wheel == wheel);
    let row = |name: &str, cell: &dyn Fn(&super::WheelLine) -> Option<String>| WheelRow {
        name: name.to_owned(),
        cells: Wheel::ALL.map(|wheel| line(wheel).and_then(cell).unwrap_or_else(|| "–".to_owned())),
    };
    let mut rows = vec![
        row("samples", &|line| Some(line.samples.to_string())),
        row("time between samples, s", &|line| {
            line.interval_s.map(number)
        }),
        row("highest speed, km/h", &|line| line.top_kmh.map(number)),
    ];
    let mut seen: Vec<&str> = Vec::new();
    let all = || report.wheels.iter().flat_map(|line| &line.measures);
    for found in all() {
        let shown = all().any(|measure| measure.id == found.id && measure.shown);
        if seen.contains(&found.id) || !(shown || USUAL.contains(&found.id)) {
            continue;
        }
        seen.push(found.id);
        let name = if found.unit.is_empty() {
            found.name.clone()
        } else {
            format!("{}, {}", found.name, found.unit)
        };
        rows.push(row(&name, &|line| {
            line.measures.iter().find(|m| m.id == found.id).map(measure)
        }));
    }
    rows
}

/// `0x740, answers 0x748`.
pub(super) fn addresses(module: &ModuleLine) -> String {
    match (&module.request, &module.response) {
        (Some(request), Some(response)) => format!("{request}, answers {response}"),
        (Some(request), None) => request.clone(),
        (None, Some(response)) => format!("answers {response}"),
        (None, None) => "–".to_owned(),
    }
}

/// `C0031-13`.
pub(super) fn code(code: &CodeLine) -> String {
    match &code.failure_type {
        Some(kind) => format!("{}-{kind}", code.code),
        None => code.code.clone(),
    }
}

/// `present now (status 0x2F)`, `remembered (stored list)`.
pub(super) fn code_state(code: &CodeLine) -> String {
    match (&code.status, code.list) {
        (Some(status), _) => format!("{} (status {status})", code.state_words),
        (None, Some(list)) => format!("{} ({list} list)", code.state_words),
        (None, None) => code.state_words.clone(),
    }
}

/// The meaning, with the failure type's where there is one.
pub(super) fn code_meaning(code: &CodeLine) -> String {
    match &code.failure_words {
        Some(words) => format!(
            "{}; failure type: {words}",
            code.meaning.trim_end_matches('.')
        ),
        None => code.meaning.clone(),
    }
}

/// When measures were seen and what could not be tested, a line each, wheel by wheel.
pub(super) fn wheel_notes(report: &Report) -> Vec<String> {
    let clock = Clock::new(report);
    let mut notes = Vec::new();
    for wheel in &report.wheels {
        let name = capital(wheel.wheel.words());
        for measure in wheel
            .measures
            .iter()
            .filter(|m| m.shown && !m.times_s.is_empty())
        {
            notes.push(format!(
                "{name}, {}: {}",
                measure.name,
                clock.moments(&measure.times_s)
            ));
        }
    }
    // What could not be tested, once for each reason: measures and wheels together.
    let mut reasons: Vec<(&str, Vec<&str>, Vec<Wheel>)> = Vec::new();
    for wheel in &report.wheels {
        for limit in &wheel.limits {
            let limit = limit.trim_end_matches('.');
            let (measure, reason) = limit.split_once(": ").unwrap_or((limit, ""));
            let at = reasons.iter().position(|(known, ..)| *known == reason);
            let at = at.unwrap_or_else(|| {
                reasons.push((reason, Vec::new(), Vec::new()));
                reasons.len() - 1
            });
            if let Some((_, measures, wheels)) = reasons.get_mut(at) {
                if !measures.contains(&measure) {
                    measures.push(measure);
                }
                if !wheels.contains(&wheel.wheel) {
                    wheels.push(wheel.wheel);
                }
            }
        }
    }
    for (reason, measures, wheels) in reasons {
        let whose = if wheels.len() == report.wheels.len() {
            "every wheel".to_owned()
        } else {
            wheels
                .iter()
                .map(|wheel| wheel.words())
                .collect::<Vec<_>>()
                .join(", ")
        };
        let measures = measures.join("; ");
        notes.push(if reason.is_empty() {
            format!("Not tested ({whose}): {measures}")
        } else {
            format!("Not tested ({whose}), since {reason}: {measures}")
        });
    }
    notes
}

/// The causes to show with their arithmetic, and the others.
pub(super) fn split(causes: &[CauseLine]) -> (&[CauseLine], &[CauseLine]) {
    let likely = causes
        .iter()
        .take_while(|cause| cause.probability >= WORTH_DETAIL)
        .count();
    causes.split_at(likely.max(FIRST).min(causes.len()))
}

/// Whether even the likeliest cause is improbable: then the remark on the fit says more than a list.
pub(super) fn none_stands_out(report: &Report) -> bool {
    let first = report.causes.first();
    first.is_some_and(|cause| cause.probability < 0.1)
}

/// The strongest reason for a cause.
pub(super) fn strongest<'a>(cause: &CauseLine, report: &'a Report) -> &'a str {
    let first = cause.speaks_for.first();
    match first.and_then(|reason| report.findings.get(reason.finding)) {
        Some(finding) => &finding.summary,
        None => "Nothing that was read speaks for it.",
    }
}

/// The title of the report.
pub(super) fn title(report: &Report) -> String {
    match &report.vehicle {
        Some(vehicle) => format!("ABS report: {vehicle}"),
        None => "ABS report".to_owned(),
    }
}

/// The title of an earlier visit.
pub(super) fn visit(visit: &VisitLine) -> String {
    format!("Visit {}, {} ({})", visit.number, visit.date, visit.kind)
}

/// What to repair, and what it may leave, a sentence each.
pub(super) fn repair(report: &Report) -> Vec<String> {
    let Some(repair) = &report.repair else {
        return Vec::new();
    };
    let names = |lines: &[LikelyLine]| -> Vec<String> {
        lines
            .iter()
            .map(|line| at(&line.name, line.place))
            .collect()
    };
    let before = match (repair.first, report.checks.first()) {
        (true, Some(_)) => " Do that before any further check.",
        (_, None) => "",
        (false, Some(check)) if check.urgent => {
            " The next check comes first all the same, for safety."
        }
        (false, Some(_)) => {
            " The next check comes first all the same: by what it shows, the whole may be a job for others."
        }
    };
    let mut words = vec![format!(
        "Certain enough to be repaired: {}.{before}",
        names(&repair.causes).join("; ")
    )];
    let ends = percent(repair.ends);
    if repair.ends >= ENDS {
        words.push(format!(
            "That ends the trouble as far as can be told ({ends}). Prove it: clear the codes, drive, read again and compare."
        ));
        return words;
    }
    let chance = if repair.ends < 0.5 {
        format!("That alone will hardly end the trouble ({ends}).")
    } else {
        format!("That alone ends the trouble with a chance of {ends}.")
    };
    words.push(format!(
        "{chance} Then clear the codes, drive, read again and compare: what has gone is mended."
    ));
    let left: Vec<String> = names(&repair.left)
        .into_iter()
        .zip(&repair.left)
        .map(|(name, line)| format!("{name} ({})", percent(line.probability)))
        .collect();
    if !left.is_empty() {
        words.push(format!(
            "If a fault is still there, most likely: {}.",
            left.join("; ")
        ));
    }
    if let Some(check) = repair.checks.first() {
        words.push(format!(
            "The next check is then: {}.",
            at(&check.name, check.place)
        ));
    }
    words
}

/// From this probability on a repair is said to end the trouble.
const ENDS: f64 = 0.9;

/// How exact the probabilities are, where that is known.
pub(super) fn left_out(report: &Report) -> Option<String> {
    report.left_out.map(|share| {
        let share = if share < 0.01 {
            "less than 1 %".to_owned()
        } else {
            format!("up to {}", percent(share))
        };
        format!(
            "The probabilities are sums over all sets of up to three causes; larger sets together have {share}."
        )
    })
}

/// A number with three significant digits and no more zeros than needed.
pub(super) fn number(value: f64) -> String {
    if value.is_nan() {
        "unknown".to_owned()
    } else if value.is_infinite() {
        "infinite".to_owned()
    } else {
        with_decimals(value, decimals(value, 3))
    }
}

/// A value with its unit, and with its uncertainty where that is known: `0.41 ± 0.02 V`.
pub(super) fn value(value: f64, uncertainty: Option<f64>, unit: &str) -> String {
    let figures = match uncertainty {
        Some(half) if half.is_finite() && half > 0.0 && value.is_finite() => {
            let places = decimals(half, 1).min(decimals(value, 4).max(decimals(value, 3)));
            format!("{value:.places$} ± {half:.places$}")
        }
        _ => number(value),
    };
    if unit.is_empty() {
        figures
    } else {
        format!("{figures} {unit}")
    }
}

/// A measure's value without its unit, which stands in the table's first column.
pub(super) fn measure(measure: &MeasureLine) -> String {
    value(measure.value, measure.uncertainty, "")
}

/// How many decimals show `digits` significant digits of the value.
fn decimals(value: f64, digits: i32) -> usize {
    if value == 0.0 || !value.is_finite() {
        return 0;
    }
    let places = f64::from(digits) - 1.0 - value.abs().log10().floor();
    let enough = (0_u8..9).find(|&count| f64::from(count) >= places);
    usize::from(enough.unwrap_or(9))
}

fn with_decimals(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    if text == "-0" { "0" } else { text }.to_owned()
}

/// Times of captures as a person counts them: from the start of the capture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock<'a> {
    captures: &'a [CaptureLine],
}

impl<'a> Clock<'a> {
    /// The clock of a report.
    pub(super) const fn new(report: &'a Report) -> Self {
        Self {
            captures: report.captures.as_slice(),
        }
    }

    /// The start that times of this kind are counted from, where exactly one capture covers the time.
    fn start(&self, time_s: f64) -> Option<(f64, &'a CaptureLine)> {
        let mut covering = self.captures.iter().filter_map(|capture| {
            let first = capture.first_s?;
            let last = capture.last_s?;
            (first..=last).contains(&time_s).then_some((first, capture))
        });
        let found = covering.next()?;
        covering.next().is_none().then_some(found)
    }

    /// `3.2 s`, `4 min 12.5 s`, with the capture's name where there are several.
    pub(super) fn moment(&self, time_s: f64) -> String {
        match self.start(time_s) {
            Some((start, capture)) if self.captures.len() > 1 => {
                format!("{} of {}", span(time_s - start), capture.file)
            }
            Some((start, _)) => span(time_s - start),
            None => format!("{time_s:.3} s on the capture's own clock"),
        }
    }

    /// `at 3.2 s, 9.9 s and 11 more times`; empty for no times.
    pub(super) fn moments(&self, times_s: &[f64]) -> String {
        let shown: Vec<String> = times_s
            .iter()
            .take(TIMES)
            .map(|&time| self.moment(time))
            .collect();
        if shown.is_empty() {
            return String::new();
        }
        let mut words = format!("at {}", shown.join(", "));
        match times_s.len() - shown.len() {
            0 => {}
            1 => words.push_str(" and once more"),
            more => {
                let _ = write!(words, " and {more} more times");
            }
        }
        words
    }
}

/// A span of time: `3.2 s`, `4 min 12.5 s`, `10 h 0 min 3 s`.
pub(super) fn span(seconds: f64) -> String {
    if seconds.abs() < 60.0 {
        return format!("{} s", with_decimals(seconds, 2));
    }
    let tenths = (seconds * 10.0).round() / 10.0;
    let minutes = (tenths / 60.0).trunc();
    let rest = with_decimals((tenths - minutes * 60.0).abs(), 1);
    let hours = (minutes / 60.0).trunc();
    if hours == 0.0 {
        format!("{minutes:.0} min {rest} s")
    } else {
        format!(
            "{hours:.0} h {:.0} min {rest} s",
            (minutes - hours * 60.0).abs()
        )
    }
}

/// `1 frame`, `120 034 frames`.
pub(super) fn count(number: u64, noun: &str) -> String {
    let digits = number.to_string();
    let mut grouped = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) && digits.len() > 4 {
            grouped.push(' ');
        }
        grouped.push(digit);
    }
    let s = if number == 1 { "" } else { "s" };
    format!("{grouped} {noun}{s}")
}

/// The first letter as a capital.
pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentages() {
        let shown: Vec<String> = [0.0, 0.000_1, 0.008, 0.814, 0.996, 1.0]
            .into_iter()
            .map(percent)
            .collect();
        assert_eq!(
            shown,
            ["0 %", "under 1 %", "1 %", "81 %", "over 99 %", "100 %"]
        );
    }

    #[test]
    fn weights() {
        let shown: Vec<String> = [f64::INFINITY, 2e4, 12.3, 1.25, 0.2, 1e-9, 0.0]
            .into_iter()
            .map(weight)
            .collect();
        assert_eq!(
            shown,
            [
                "only possible with it",
                "more than 1000 times likelier with it",
                "12 times likelier with it",
                "1.2 times likelier with it",
                "5.0 times less likely with it",
                "more than 1000 times less likely with it",
                "not possible with it"
            ]
        );
    }

    #[test]
    fn numbers_and_spans() {
        for (number_, shown) in [
            (0.0, "0"),
            (0.414_2, "0.414"),
            (63.1, "63.1"),
            (120_034.0, "120034"),
            (-0.000_01, "-0.00001"),
            (f64::INFINITY, "infinite"),
        ] {
            assert_eq!(number(number_), shown);
        }
        assert_eq!(value(0.412_3, Some(0.021), "V"), "0.41 ± 0.02 V");
        assert_eq!(value(12.0, None, ""), "12");
        assert_eq!(span(3.2), "3.2 s");
        assert_eq!(span(612.44), "10 min 12.4 s");
        assert_eq!(span(119.97), "2 min 0 s");
        assert_eq!(span(36_003.0), "10 h 0 min 3 s");
        assert_eq!(span(3_599.97), "1 h 0 min 0 s");
        assert_eq!(minutes(15.0), "15 minutes");
        assert_eq!(minutes(90.0), "1 h 30 min");
        assert_eq!(count(120_034, "frame"), "120 034 frames");
        assert_eq!(count(1, "frame"), "1 frame");
    }

    #[test]
    fn times_are_told_from_the_only_capture_that_covers_them() {
        let capture = |file: &str, first: f64, last: f64| CaptureLine {
            file: file.to_owned(),
            kind: "candump".to_owned(),
            frames: 1,
            unreadable: 0,
            remarks: Vec::new(),
            first_s: Some(first),
            last_s: Some(last),
            sha256: None,
        };
        let one = Report {
            captures: vec![capture("a.log", 1_700_000_000.0, 1_700_000_100.0)],
            ..Report::default()
        };
        let clock = Clock::new(&one);
        assert_eq!(clock.moment(1_700_000_003.2), "3.2 s");
        assert_eq!(clock.moment(5.0), "5.000 s on the capture's own clock");
        assert_eq!(clock.moments(&[]), "");
        assert_eq!(
            clock.moments(&[1_700_000_000.5; 6]),
            "at 0.5 s, 0.5 s, 0.5 s, 0.5 s and 2 more times"
        );
        let two = Report {
            captures: vec![capture("a.log", 0.0, 10.0), capture("b.log", 5.0, 20.0)],
            ..Report::default()
        };
        let clock = Clock::new(&two);
        assert_eq!(clock.moment(15.0), "10 s of b.log");
        assert_eq!(clock.moment(7.0), "7.000 s on the capture's own clock");
    }
}
