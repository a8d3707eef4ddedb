//! The report as one page of HTML: it needs no network, no other file and no script, and prints on A4 and Letter.
//!
//! The templates beside this file hold the structure; what they show is prepared here. The page's own script (zoom and
//! read-out of the plots) and style are allowed by their hashes and nothing else is, see `policy`.

pub(super) mod drawing;
pub(super) mod policy;

use std::io::{self, Write};

use askama::Template;

use super::phrase::{self, Clock, WheelRow};
use super::{
    ByteLine, CauseLine, CheckLine, CodeLine, FindingLine, ModuleLine, Report, Urgency, VisitLine,
    Weighed,
};
use crate::place::Wheel;
use drawing::Drawings;

/// Writes the page.
pub fn write(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    let page = Page::new(report);
    let html = page.render().map_err(io::Error::other)?;
    out.write_all(html.as_bytes())
}

pub(super) const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("plot.js");

/// Everything that the templates show, in words.
#[derive(Template)]
#[template(path = "page.html")]
struct Page<'a> {
    report: &'a Report,
    policy: String,
    style: &'static str,
    script: &'static str,
    title: String,
    urgency: &'static str,
    urgency_class: &'static str,
    nothing_unsafe: &'static str,
    weights: &'static str,
    causes: Vec<Cause<'a>>,
    brief: Vec<Cause<'a>>,
    uncounted: usize,
    findings: Vec<Finding<'a>>,
    absent: Vec<&'a FindingLine>,
    codes: Vec<Code<'a>>,
    modules: Vec<Module<'a>>,
    wheel_names: [String; 4],
    wheel_rows: Vec<WheelRow>,
    wheel_notes: Vec<String>,
    drawings: Option<Drawings>,
    /// What to repair, a sentence each.
    repair: Vec<String>,
    checks: Vec<Check<'a>>,
    visits: Vec<Visit<'a>>,
    captures: Vec<Capture<'a>>,
    left_out: Option<String>,
}

/// A cause in words.
struct Cause<'a> {
    number: usize,
    line: &'a CauseLine,
    name: String,
    percent: String,
    prior: String,
    /// Length of the bar, 0 to 100.
    bar: String,
    /// Length of the bar before any evidence, 0 to 100.
    prior_bar: String,
    work: String,
    reasons: Vec<Reason<'a>>,
    strongest: &'a str,
}

/// A reason for or against a cause.
struct Reason<'a> {
    direction: &'static str,
    summary: &'a str,
    weight: String,
}

/// A finding in words.
struct Finding<'a> {
    summary: &'a str,
    details: String,
}

/// A code in words.
struct Code<'a> {
    line: &'a CodeLine,
    name: String,
    state: String,
    meaning: String,
    moment: Option<String>,
    bytes: &'a [ByteLine],
}

/// A module in words.
struct Module<'a> {
    line: &'a ModuleLine,
    addresses: String,
}

/// A check in words.
struct Check<'a> {
    number: usize,
    line: &'a CheckLine,
    name: String,
    minutes: String,
    tools: String,
}

/// An earlier visit in words.
pub(super) struct Visit<'a> {
    pub(super) line: &'a VisitLine,
    pub(super) title: String,
}

impl<'a> Visit<'a> {
    pub(super) fn new(line: &'a VisitLine) -> Self {
        let title = phrase::visit(line);
        Self { line, title }
    }
}

/// A capture in words.
struct Capture<'a> {
    words: String,
    remarks: &'a [String],
    sha256: Option<&'a str>,
}

impl<'a> Page<'a> {
    fn new(report: &'a Report) -> Self {
        let clock = Clock::new(report);
        let (detailed, brief) = phrase::split(&report.causes);
        let listed = brief
            .iter()
            .take_while(|cause| cause.probability >= phrase::WORTH_A_LINE)
            .count();
        let cause = |(at, line)| Cause::new(at + 1, line, report);
        Self {
            report,
            policy: policy::policy(STYLE, Some(SCRIPT)),
            style: STYLE,
            script: SCRIPT,
            title: phrase::title(report),
            urgency: report.safety.as_ref().map_or("", phrase::urgency),
            urgency_class: match report.safety.as_ref().map(|safety| safety.urgency) {
                Some(Urgency::DoNotDrive) => "danger",
                Some(Urgency::DriveWithCare) => "care",
                None => "unknown",
            },
            nothing_unsafe: phrase::NOTHING_UNSAFE,
            weights: phrase::WEIGHTS,
            causes: detailed.iter().enumerate().map(cause).collect(),
            brief: brief.iter().take(listed).enumerate().map(cause).collect(),
            uncounted: brief.len() - listed,
            findings: report
                .findings
                .iter()
                .filter(|finding| finding.holds)
                .map(|finding| Finding {
                    summary: &finding.summary,
                    details: phrase::finding_details(finding, clock),
                })
                .collect(),
            absent: report
                .findings
                .iter()
                .filter(|finding| !finding.holds)
                .collect(),
            codes: report
                .codes
                .iter()
                .map(|line| Code::new(line, clock))
                .collect(),
            modules: report
                .modules
                .iter()
                .map(|line| Module {
                    line,
                    addresses: phrase::addresses(line),
                })
                .collect(),
            wheel_names: Wheel::ALL.map(|wheel| phrase::capital(wheel.words())),
            wheel_rows: phrase::wheel_rows(report),
            wheel_notes: phrase::wheel_notes(report),
            drawings: Drawings::new(&report.plots, &report.captures, 0.0),
            repair: phrase::repair(report),
            checks: report
                .checks
                .iter()
                .enumerate()
                .map(|(at, line)| Check {
                    number: at + 1,
                    line,
                    name: phrase::at(&line.name, line.place),
                    minutes: phrase::minutes(line.minutes),
                    tools: line.tools.join(", "),
                })
                .collect(),
            visits: report.visits.iter().map(Visit::new).collect(),
            captures: report
                .captures
                .iter()
                .map(|line| Capture {
                    words: phrase::capture(line),
                    remarks: &line.remarks,
                    sha256: line.sha256.as_deref(),
                })
                .collect(),
            // A number and its sign stay on one line.
            left_out: phrase::left_out(report).map(|words| words.replace(" %", "\u{a0}%")),
        }
    }

    /// The causes of the first screen.
    fn first(&self) -> impl Iterator<Item = &Cause<'a>> {
        self.causes.iter().take(phrase::FIRST)
    }
}

impl<'a> Cause<'a> {
    fn new(number: usize, line: &'a CauseLine, report: &'a Report) -> Self {
        let reasons = |weighed: &'a [Weighed], direction| {
            weighed.iter().filter_map(move |reason| {
                let finding = report.findings.get(reason.finding)?;
                Some(Reason {
                    direction,
                    summary: &finding.summary,
                    weight: phrase::weight(reason.factor),
                })
            })
        };
        Self {
            number,
            line,
            name: phrase::cause(line),
            percent: phrase::percent(line.probability),
            prior: phrase::percent(line.prior),
            bar: drawing::bar(line.probability),
            prior_bar: drawing::bar(line.prior),
            work: phrase::capital(phrase::work(line.work)),
            reasons: reasons(&line.speaks_for, "for")
                .chain(reasons(&line.speaks_against, "against"))
                .collect(),
            strongest: phrase::strongest(line, report),
        }
    }
}

impl<'a> Code<'a> {
    fn new(line: &'a CodeLine, clock: Clock<'_>) -> Self {
        Self {
            line,
            name: phrase::code(line),
            state: phrase::code_state(line),
            meaning: phrase::code_meaning(line),
            moment: line.time_s.map(|time| clock.moment(time)),
            bytes: &line.bytes,
        }
    }
}
