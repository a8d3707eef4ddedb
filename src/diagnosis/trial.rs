//! Trials of a rule set: what is known of a vehicle, and what the ranking is to make of it (YAML, `trial: 1`).
//!
//! A trial has captures, checks by hand, findings, or several of these, and at least one expectation. What cannot be
//! read, and what the rules do not have, is reported with file, line and column, all at once.

use std::fmt::Write as _;

use serde::Deserialize;

use super::Diagnosis;
use super::why::{place_from, place_id};
use crate::evidence::{Evidence, State};
use crate::notes::{Note, NotedCheck, checked};
use crate::place::{Axle, Place, Wheel};
use crate::report::Report;
use crate::rules::{RuleRemark, RuleText, Rules, RulesError, locate};
use crate::yaml;

/// The version of the format that this program reads.
const VERSION: u32 = 1;

/// A trial as it is written.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TrialFile {
    /// The version of the format: 1.
    pub trial: u32,
    /// What it is about.
    pub name: Option<String>,
    /// Captures of one vehicle; paths count from this file's folder.
    #[serde(default)]
    pub captures: Vec<String>,
    /// The vehicle's profile; the path counts from this file's folder.
    pub profile: Option<String>,
    /// A file of inspection notes; the path counts from this file's folder.
    pub notes: Option<String>,
    /// Checks by hand, as in a file of notes; they come after those of `notes`.
    #[serde(default)]
    pub checks: Vec<NotedCheck>,
    /// Findings that are given instead of seen.
    #[serde(default)]
    pub findings: Vec<TrialFinding>,
    /// What must come out.
    pub expect: Expect,
}

/// A finding that is given.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TrialFinding {
    /// The finding's identifier.
    pub finding: String,
    /// The wheel, for a finding of a wheel.
    pub wheel: Option<String>,
    /// The axle, for a finding of an axle.
    pub axle: Option<String>,
    /// Whether it holds; `false`: it was looked for and is not there.
    #[serde(default = "yes")]
    pub holds: bool,
}

const fn yes() -> bool {
    true
}

/// What must come out. Causes and checks are written as `sensor-circuit@left-front`; without a place, any place will do.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// The cause that must be first.
    pub first: Option<String>,
    /// Causes that must be among the first three.
    #[serde(default)]
    pub among_first_three: Vec<String>,
    /// Causes that must be at least so probable.
    #[serde(default)]
    pub at_least: Vec<Limit>,
    /// Causes that must be less probable than this, at every place they name.
    #[serde(default)]
    pub below: Vec<Limit>,
    /// The check that must be proposed first.
    pub next_check: Option<String>,
}

/// A cause with a probability.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// The cause.
    pub cause: String,
    /// The probability, 0 to 1.
    pub probability: f64,
}

/// A trial that can be run.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// As it is written.
    pub file: TrialFile,
    /// The checks by hand that stand in it.
    pub noted: Vec<Note>,
    given: Vec<(String, Place, bool)>,
}

/// One expectation, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Which, by its key in the trial: `first`.
    pub expectation: &'static str,
    /// The cause or check that it is about, as written: `sensor-circuit@left-front`.
    pub of: String,
    /// The probability it asks for, where it does.
    pub limit: Option<f64>,
    /// Whether it has come out.
    pub passed: bool,
    /// Of a cause: its number among the causes, from 1, and its probability.
    pub found: Option<(usize, f64)>,
    /// What was expected and what came out, with the reason where it has not.
    pub words: String,
}

/// Gathers remarks with their places.
struct Remarks<'a> {
    text: RuleText<'a>,
    list: Vec<RuleRemark>,
}

impl Remarks<'_> {
    fn add(&mut self, path: &str, message: String, possible: Vec<String>) {
        let (line, column) = locate(self.text.text, path).unwrap_or((1, 1));
        self.list.push(RuleRemark {
            file: self.text.name.to_owned(),
            line,
            column,
            path: path.to_owned(),
            message,
            possible,
        });
    }

    /// A cause or check of the rules with its place.
    fn reference(&mut self, path: &str, word: &str, what: &str, known: &[(&str, &[Place])]) {
        let (id, place) = split(word);
        let Some((_, places)) = known.iter().find(|(known, _)| *known == id) else {
            let possible = known.iter().map(|(id, _)| (*id).to_owned()).collect();
            self.add(path, format!("there is no {what} {id:?}"), possible);
            return;
        };
        let fits = |place: &str| {
            let mut places = places.iter();
            places.any(|&at| place_from(place, at.kind()) == Some(at))
        };
        if let Some(place) = place.filter(|place| !fits(place)) {
            let possible = places.iter().map(|&place| place_id(place).to_owned());
            self.add(
                path,
                format!("{id} has no place {place:?}"),
                possible.collect(),
            );
        }
    }
}

/// `sensor-circuit@left-front` in its parts.
fn split(word: &str) -> (&str, Option<&str>) {
    match word.split_once('@') {
        Some((id, place)) => (id.trim(), Some(place.trim())),
        None => (word.trim(), None),
    }
}

impl Trial {
    /// Reads a trial; `text.name` is the file's name for messages.
    pub fn parse(text: RuleText<'_>, rules: &Rules) -> Result<Self, RulesError> {
        let one = |line, column, path: &str, message: String| RulesError {
            remarks: vec![RuleRemark {
                file: text.name.to_owned(),
                line,
                column,
                path: path.to_owned(),
                message,
                possible: Vec::new(),
            }],
        };
        yaml::check_depth(text.text)
            .map_err(|deep| one(deep.line, deep.column, "", deep.to_string()))?;
        let file: TrialFile = serde_yaml::from_str(text.text).map_err(|error| {
            let place = error.location();
            let (line, column) = place.map_or((1, 1), |place| (place.line(), place.column()));
            one(line, column, "", error.to_string())
        })?;
        if file.trial != VERSION {
            let words = format!(
                "version {} of the format is not known; possible: 1",
                file.trial
            );
            return Err(one(1, 1, "trial", words));
        }
        let mut remarks = Remarks {
            text,
            list: Vec::new(),
        };
        let noted = noted(&file, rules, &mut remarks);
        let given = given(&file, rules, &mut remarks);
        check_expectations(&file.expect, rules, &mut remarks);
        if file.captures.is_empty()
            && file.notes.is_none()
            && file.checks.is_empty()
            && file.findings.is_empty()
        {
            let words = "has no captures, no notes, no checks and no findings: nothing to go by";
            remarks.add("", words.to_owned(), Vec::new());
        }
        if remarks.list.is_empty() {
            Ok(Self { file, noted, given })
        } else {
            remarks.list.sort();
            Err(RulesError {
                remarks: remarks.list,
            })
        }
    }

    /// Puts the findings that are given in the place of what was seen.
    pub fn give(&self, evidence: &mut Evidence) {
        for (id, place, holds) in &self.given {
            let state = if *holds { State::True } else { State::False };
            let at = evidence
                .findings
                .iter()
                .position(|finding| finding.id == *id && finding.place == *place);
            let Some(at) = at else { continue };
            if let Some(finding) = evidence.findings.get_mut(at) {
                finding.state = state;
                finding.summary = if *holds {
                    format!("given in the trial: {id}, {place}")
                } else {
                    format!("given in the trial as not there: {id}, {place}")
                };
            }
            for reading in &mut evidence.readings {
                if let Some(known) = reading.states.get_mut(at) {
                    *known = state;
                }
            }
        }
    }

    /// What has come out of each expectation.
    pub fn judge(&self, diagnosis: &Diagnosis<'_>, report: &Report) -> Vec<Judged> {
        let ranked = Ranked {
            diagnosis,
            order: diagnosis.ranking.order(),
        };
        let expect = &self.file.expect;
        let mut judged = Vec::new();
        if let Some(first) = &expect.first {
            judged.push(ranked.at_most("first", first, 1, "first"));
        }
        for cause in &expect.among_first_three {
            judged.push(ranked.at_most("among_first_three", cause, 3, "among the first three"));
        }
        for Limit { cause, probability } in &expect.at_least {
            let found = ranked.best(cause).map_or(0.0, |(_, found)| found);
            let words = format!("{cause} at least {}", percent(*probability));
            judged.push(Judged {
                limit: Some(*probability),
                ..ranked.judged("at_least", cause, found >= *probability, words)
            });
        }
        for Limit { cause, probability } in &expect.below {
            let found = ranked.best(cause).map_or(0.0, |(_, found)| found);
            let words = format!("{cause} below {}", percent(*probability));
            judged.push(Judged {
                limit: Some(*probability),
                ..ranked.judged("below", cause, found < *probability, words)
            });
        }
        if let Some(check) = &expect.next_check {
            let (id, place) = split(check);
            let next = report.checks.first();
            let passed = next.is_some_and(|next| {
                next.id == id
                    && place.is_none_or(|place| {
                        place_from(place, next.place.kind()) == Some(next.place)
                    })
            });
            let shown = next.map_or("none".to_owned(), |next| named(&next.id, next.place));
            judged.push(Judged {
                expectation: "next_check",
                of: check.clone(),
                limit: None,
                passed,
                found: None,
                words: format!("next check {check}: it is {shown}"),
            });
        }
        judged
    }
}

fn noted(file: &TrialFile, rules: &Rules, remarks: &mut Remarks<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    for (index, written) in file.checks.iter().enumerate() {
        match checked(written, rules) {
            Ok(note) => notes.push(note),
            Err(fault) => remarks.add(&format!("checks[{index}]"), fault.words, fault.possible),
        }
    }
    notes
}

fn given(file: &TrialFile, rules: &Rules, remarks: &mut Remarks<'_>) -> Vec<(String, Place, bool)> {
    let mut given = Vec::new();
    for (index, written) in file.findings.iter().enumerate() {
        let path = format!("findings[{index}]");
        let Some(rule) = rules.finding(&written.finding) else {
            let possible = rules.findings().iter().map(|rule| rule.id.clone());
            let words = format!("there is no finding {:?}", written.finding);
            remarks.add(&format!("{path}.finding"), words, possible.collect());
            continue;
        };
        let kind = rule.place.kind();
        let place = match (&written.wheel, &written.axle) {
            (Some(wheel), None) => Wheel::from_id(wheel).map(Place::Wheel),
            (None, Some(axle)) => Axle::from_id(axle).map(Place::Axle),
            (None, None) => Some(Place::Vehicle),
            _ => None,
        };
        if let Some(place) = place.filter(|place| place.kind() == kind) {
            given.push((rule.id.clone(), place, written.holds));
        } else {
            let places = kind.places().iter();
            let possible = places.map(|&place| place_id(place).to_owned());
            let words = format!("{} is of the {}", rule.id, rule.place.id());
            remarks.add(&path, words, possible.collect());
        }
    }
    given
}

fn check_expectations(expect: &Expect, rules: &Rules, remarks: &mut Remarks<'_>) {
    let causes = rules.causes().iter();
    let causes: Vec<(&str, &[Place])> = causes
        .map(|cause| (cause.id.as_str(), cause.place.kind().places()))
        .collect();
    let checks = rules.checks().iter();
    let checks: Vec<(&str, &[Place])> = checks
        .map(|check| (check.id.as_str(), check.place.kind().places()))
        .collect();
    if *expect == Expect::default() {
        let words = "expects nothing".to_owned();
        let possible = [
            "first",
            "among_first_three",
            "at_least",
            "below",
            "next_check",
        ];
        remarks.add("expect", words, possible.map(str::to_owned).to_vec());
    }
    if let Some(first) = &expect.first {
        remarks.reference("expect.first", first, "cause", &causes);
    }
    for (index, cause) in expect.among_first_three.iter().enumerate() {
        let path = format!("expect.among_first_three[{index}]");
        remarks.reference(&path, cause, "cause", &causes);
    }
    for (name, limits) in [("at_least", &expect.at_least), ("below", &expect.below)] {
        for (index, limit) in limits.iter().enumerate() {
            let path = format!("expect.{name}[{index}]");
            remarks.reference(&format!("{path}.cause"), &limit.cause, "cause", &causes);
            if !(0.0..=1.0).contains(&limit.probability) {
                let words = "must be from 0 to 1".to_owned();
                remarks.add(&format!("{path}.probability"), words, Vec::new());
            }
        }
    }
    if let Some(check) = &expect.next_check {
        remarks.reference("expect.next_check", check, "check", &checks);
    }
}

/// The ranking, asked for causes by their names.
struct Ranked<'a, 'r> {
    diagnosis: &'a Diagnosis<'r>,
    order: Vec<usize>,
}

impl Ranked<'_, '_> {
    /// The number that the likeliest cause of this name has, from 1, and its probability.
    fn best(&self, wanted: &str) -> Option<(usize, f64)> {
        let (id, place) = split(wanted);
        let fits = |&cause: &usize| {
            let known = self.diagnosis.model.causes.get(cause);
            known.is_some_and(|(rule, at)| {
                rule.id == id && place.is_none_or(|place| place_from(place, at.kind()) == Some(*at))
            })
        };
        let at = self.order.iter().position(fits)?;
        let cause = self.order.get(at)?;
        Some((at + 1, *self.diagnosis.ranking.posterior.get(*cause)?))
    }

    fn at_most(&self, expectation: &'static str, cause: &str, most: usize, words: &str) -> Judged {
        let number = self.best(cause).map_or(usize::MAX, |(number, _)| number);
        self.judged(
            expectation,
            cause,
            number <= most,
            format!("{cause} {words}"),
        )
    }

    fn judged(
        &self,
        expectation: &'static str,
        cause: &str,
        passed: bool,
        expected: String,
    ) -> Judged {
        let mut words = expected;
        let best = self.best(cause);
        if let Some((number, found)) = best {
            let _ = write!(words, ": it has {} and is number {number}", percent(found));
            let first = self.order.first();
            let first = first.and_then(|&first| {
                let (rule, place) = self.diagnosis.model.causes.get(first)?;
                let probability = *self.diagnosis.ranking.posterior.get(first)?;
                Some((named(&rule.id, *place), probability))
            });
            if let Some((name, probability)) = first.filter(|_| number > 1) {
                let _ = write!(words, "; first is {name} with {}", percent(probability));
            }
            if !passed {
                for reason in self.reasons(number) {
                    words.push_str("; ");
                    words.push_str(&reason);
                }
            }
        }
        Judged {
            expectation,
            of: cause.to_owned(),
            limit: None,
            passed,
            found: best,
            words,
        }
    }

    /// What speaks most for and most against the cause with this number.
    fn reasons(&self, number: usize) -> Vec<String> {
        let ranking = &self.diagnosis.ranking;
        let cause = number.checked_sub(1).and_then(|at| self.order.get(at));
        let Some(&cause) = cause else {
            return Vec::new();
        };
        let factor = |finding: usize| ranking.factor(cause, finding);
        let findings = &self.diagnosis.evidence.findings;
        let all = 0..findings.len();
        let by_factor = |one: &usize, other: &usize| factor(*one).total_cmp(&factor(*other));
        let told = |word: &str, finding: Option<usize>| {
            let finding = finding?;
            let summary = &findings.get(finding)?.summary;
            let times = factor(finding);
            let big = times.ln().abs() > 0.1;
            big.then(|| format!("most {word} it: {summary} (× {times:.2})"))
        };
        let most = all.clone().max_by(by_factor).filter(|&f| factor(f) > 1.0);
        let least = all.min_by(by_factor).filter(|&f| factor(f) < 1.0);
        told("for", most)
            .into_iter()
            .chain(told("against", least))
            .collect()
    }
}

/// `sensor-circuit@left-front`.
fn named(id: &str, place: Place) -> String {
    match place {
        Place::Vehicle => id.to_owned(),
        place => format!("{id}@{}", place_id(place)),
    }
}

fn percent(probability: f64) -> String {
    format!("{:.1} %", probability * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(text: &str) -> String {
        let rules = Rules::built_in().unwrap();
        let text = RuleText {
            name: "t.yaml",
            text,
        };
        match Trial::parse(text, &rules) {
            Ok(_) => String::new(),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn every_fault_has_its_place() {
        let found = faults(
            "\
trial: 1
checks:
  - { check: fluid-level, result: half }
findings:
  - { finding: fluid-low }
  - { finding: wiring-bad, axle: front }
expect:
  first: sensor-circiut@left-front
  among_first_three: [supply-lost, tone-ring@front]
  below: [{ cause: network, probability: 5 }]
  next_check: look
",
        );
        for part in [
            "t.yaml:3:5: checks[0]: fluid-level has no result \"half\"; possible: ok, below-minimum",
            "t.yaml:5:16: findings[0].finding: there is no finding \"fluid-low\"; possible: ",
            "t.yaml:6:5: findings[1]: wiring-bad is of the wheel; possible: left-front, ",
            "t.yaml:8:10: expect.first: there is no cause \"sensor-circiut\"; possible: ",
            "t.yaml:9:36: expect.among_first_three[1]: tone-ring has no place \"front\"; possible: left-front, ",
            "t.yaml:10:42: expect.below[0].probability: must be from 0 to 1",
            "t.yaml:11:15: expect.next_check: there is no check \"look\"; possible: ",
        ] {
            assert!(found.contains(part), "{part} is not in\n{found}");
        }
        for (text, part) in [
            ("trial: 2\nexpect: {}", "version 2"),
            ("trial: 1\nexpect: {}", "expects nothing"),
            ("trial: 1\nexpect: { first: network }", "nothing to go by"),
            ("trial: 1\nexpect: { fist: network }", "t.yaml:2:11: "),
        ] {
            assert!(faults(text).contains(part), "{}", faults(text));
        }
    }
}
