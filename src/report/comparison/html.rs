//! The comparison as one page of HTML, in the design of the report: no network, no other file, no script.

use std::io::{self, Write};

use askama::Template;

use super::{CodeChange, CodeFate, Comparison, MeasureChange, MeasureFate, Outcome, wording};
use crate::report::html::drawing::{Drawings, highest};
use crate::report::html::{STYLE, Visit, policy};
use crate::report::{CaptureLine, phrase};

/// Writes the page.
pub fn write(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    let html = Page::new(comparison).render().map_err(io::Error::other)?;
    out.write_all(html.as_bytes())
}

/// Everything that the template shows, in words.
#[derive(Template)]
#[template(path = "comparison.html")]
struct Page<'a> {
    comparison: &'a Comparison,
    policy: String,
    style: &'static str,
    title: String,
    outcome: &'static str,
    outcome_words: &'static str,
    outcome_class: &'static str,
    codes: Vec<Code<'a>>,
    worth: Vec<Row<'a>>,
    others: Vec<Row<'a>>,
    drawings: Vec<Side>,
    visits: Vec<Visit<'a>>,
    captures: Vec<Capture<'a>>,
}

/// The wheels of one side as drawn.
struct Side {
    title: &'static str,
    drawn: Drawings,
}

/// A code in words.
struct Code<'a> {
    line: &'a CodeChange,
    name: String,
    fate: &'static str,
    wrong: bool,
    status: Option<String>,
}

/// A measure in words.
struct Row<'a> {
    name: String,
    words: &'a str,
    before: String,
    after: String,
    difference: &'static str,
    fate: &'static str,
    wrong: bool,
}

/// A capture in words.
struct Capture<'a> {
    side: &'static str,
    words: String,
    remarks: &'a [String],
    sha256: Option<&'a str>,
}

impl<'a> Page<'a> {
    fn new(comparison: &'a Comparison) -> Self {
        let (outcome, outcome_words) = wording::outcome(comparison.outcome);
        let others = comparison
            .measures
            .iter()
            .filter(|change| change.fate >= MeasureFate::Changed);
        let side = |side, captures: &'a [CaptureLine]| {
            captures.iter().map(move |line| Capture {
                side,
                words: phrase::capture(line),
                remarks: &line.remarks,
                sha256: line.sha256.as_deref(),
            })
        };
        Self {
            comparison,
            policy: policy::policy(STYLE, None),
            style: STYLE,
            title: wording::title(comparison),
            outcome,
            outcome_words,
            outcome_class: match comparison.outcome {
                Outcome::Proven => "sound",
                Outcome::Likely | Outcome::NotShown => "care",
                Outcome::NotMended => "danger",
            },
            codes: comparison.codes.iter().map(Code::new).collect(),
            worth: wording::worth_a_line(comparison)
                .into_iter()
                .map(Row::new)
                .collect(),
            others: others.map(Row::new).collect(),
            drawings: drawings(comparison),
            visits: comparison.visits.iter().map(Visit::new).collect(),
            captures: side("Before", &comparison.before)
                .chain(side("After", &comparison.after))
                .collect(),
        }
    }
}

/// Both sides drawn to one scale of speed.
fn drawings(comparison: &Comparison) -> Vec<Side> {
    let [before, after] = &comparison.plots;
    let top = highest(before).max(highest(after));
    let sides = [
        ("Before the repair", before, &comparison.before),
        ("After the repair", after, &comparison.after),
    ];
    sides
        .into_iter()
        .filter_map(|(title, plots, captures)| {
            let drawn = Drawings::new(plots, captures, top)?;
            Some(Side { title, drawn })
        })
        .collect()
}

impl<'a> Code<'a> {
    fn new(line: &'a CodeChange) -> Self {
        let status = match (&line.before, &line.after) {
            (None, None) => None,
            (Some(before), None) => Some(format!("Status before: {before}.")),
            (None, Some(after)) => Some(format!("Status after: {after}.")),
            (Some(before), Some(after)) => Some(format!("Status: {before}, then {after}.")),
        };
        Self {
            line,
            name: wording::code(line),
            fate: wording::code_fate(line.fate),
            wrong: matches!(line.fate, CodeFate::Still | CodeFate::New),
            status,
        }
    }
}

impl<'a> Row<'a> {
    fn new(change: &'a MeasureChange) -> Self {
        Self {
            name: phrase::capital(&wording::measure_name(change)),
            words: &change.words,
            before: wording::value(change.before),
            after: wording::value(change.after),
            difference: wording::difference(change.beyond_uncertainty),
            fate: wording::measure_fate(change.fate),
            wrong: matches!(change.fate, MeasureFate::Still | MeasureFate::New),
        }
    }
}
