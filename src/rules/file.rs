//! A rule file as it is written. Every section may be absent.

use serde::Deserialize;

use crate::yaml;

use super::cause::{Cause, ExtraLink, Weight};
use super::caution::{Caution, SafetyRule};
use super::check::CheckRule;
use super::finding::{FindingRule, Nature};
use super::remark::{RuleRemark, RuleText};

/// The version of the format that this program reads.
pub(super) const VERSION: u32 = 1;

/// A rule file.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RulesFile {
    /// The version of the format: 1.
    pub rules: u32,
    /// How many causes a vehicle with a lit lamp has on average; the last file that says so counts.
    pub faults_expected: Option<f64>,
    /// Causes.
    #[serde(default)]
    pub causes: Vec<Cause>,
    /// Findings.
    #[serde(default)]
    pub findings: Vec<FindingRule>,
    /// Checks by hand.
    #[serde(default)]
    pub checks: Vec<CheckRule>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Vec<Caution>,
    /// Reasons not to drive, or to drive with care.
    #[serde(default)]
    pub safety: Vec<SafetyRule>,
    /// Natures of codes.
    #[serde(default)]
    pub natures: Vec<Nature>,
    /// Links apart from their causes.
    #[serde(default)]
    pub links: Vec<ExtraLink>,
    /// Other weights for causes.
    #[serde(default)]
    pub weights: Vec<Weight>,
}

/// Reads one file; a fault of its form is a remark with the parser's own place.
pub(super) fn parse(text: RuleText<'_>) -> Result<RulesFile, RuleRemark> {
    let remark = |line, column, message| RuleRemark {
        file: text.name.to_owned(),
        line,
        column,
        path: String::new(),
        message,
        possible: Vec::new(),
    };
    yaml::check_depth(text.text)
        .map_err(|deep| remark(deep.line, deep.column, deep.to_string()))?;
    let file: RulesFile = serde_yaml::from_str(text.text).map_err(|error| {
        let (line, column) = error
            .location()
            .map_or((0, 0), |place| (place.line(), place.column()));
        remark(line, column, without_place(&error))
    })?;
    if file.rules == VERSION {
        Ok(file)
    } else {
        Err(RuleRemark {
            file: text.name.to_owned(),
            line: 1,
            column: 1,
            path: "rules".to_owned(),
            message: format!("version {} of the format is not known", file.rules),
            possible: vec![VERSION.to_string()],
        })
    }
}

/// The parser's words without the place, which stands before them.
fn without_place(error: &serde_yaml::Error) -> String {
    let words = error.to_string();
    let place = error
        .location()
        .map(|place| format!(" at line {} column {}", place.line(), place.column()));
    match place.and_then(|place| words.strip_suffix(&place)) {
        Some(words) => words.to_owned(),
        None => words,
    }
}
