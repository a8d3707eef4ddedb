//! Rules: the causes, findings, checks and cautions of the trade, as YAML that a workshop can read, extend and correct.
//!
//! [`Rules::built_in`] gives the shipped set; [`Rules::load`] lays files over one another, and reports every fault with
//! file, line, path and what is possible there. `docs/rules.md` describes the format.

mod cause;
mod caution;
mod check;
mod explain;
mod file;
mod finding;
mod fingerprint;
mod load;
mod locate;
mod place;
mod remark;

pub use cause::{At, Cause, ExtraLink, Link, RepairCost, Weight, Work};
pub use caution::{Caution, SafetyRule, UrgencyWord};
pub use check::{Band, CheckRule, CheckValue, CheckWord, Expect, ValueUnit};
pub use explain::Paragraph;
pub use file::RulesFile;
pub use finding::{
    BusCondition, CheckCondition, ClearedCondition, CodeCondition, CodeStateWord, Condition,
    FindingRule, FramesCondition, FramesWord, MeasureCondition, Nature, OtherTypes, SensorWord,
    SignalCondition, SilentCondition, SwitchSignal, VoltageCondition, VoltageOf, Whose,
};
pub use fingerprint::fingerprint;
pub(crate) use locate::locate;
pub use place::{PlaceWord, shows_at};
pub use remark::{RuleRemark, RuleText, RulesError};

/// The files that are built in.
const BUILT_IN: [RuleText<'static>; 6] = [
    RuleText {
        name: "rules/causes.yaml",
        text: include_str!("../../rules/causes.yaml"),
    },
    RuleText {
        name: "rules/findings-codes.yaml",
        text: include_str!("../../rules/findings-codes.yaml"),
    },
    RuleText {
        name: "rules/findings-signals.yaml",
        text: include_str!("../../rules/findings-signals.yaml"),
    },
    RuleText {
        name: "rules/findings-checks.yaml",
        text: include_str!("../../rules/findings-checks.yaml"),
    },
    RuleText {
        name: "rules/checks.yaml",
        text: include_str!("../../rules/checks.yaml"),
    },
    RuleText {
        name: "rules/cautions.yaml",
        text: include_str!("../../rules/cautions.yaml"),
    },
];

/// A rule set, checked: every reference resolves, every identifier is used and there once.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    causes: Vec<Cause>,
    findings: Vec<FindingRule>,
    checks: Vec<CheckRule>,
    cautions: Vec<Caution>,
    safety: Vec<SafetyRule>,
    natures: Vec<Nature>,
    faults_expected: f64,
}

impl Rules {
    /// The shipped rules.
    ///
    /// The error is for builds with faulty files; a test keeps it from happening.
    pub fn built_in() -> Result<Self, RulesError> {
        Self::load(&[])
    }

    /// The shipped rules with `own` files over them: an entry with the identifier of a shipped one replaces it.
    pub fn load(own: &[RuleText<'_>]) -> Result<Self, RulesError> {
        load::load(&[&BUILT_IN, own])
    }

    /// The shipped files.
    pub fn built_in_files() -> impl Iterator<Item = RuleText<'static>> {
        BUILT_IN.into_iter()
    }

    /// Rules made of `files` alone.
    pub fn only(files: &[RuleText<'_>]) -> Result<Self, RulesError> {
        load::load(&[files])
    }

    /// The causes, in file order.
    pub fn causes(&self) -> &[Cause] {
        &self.causes
    }

    /// The findings, in file order.
    pub fn findings(&self) -> &[FindingRule] {
        &self.findings
    }

    /// The checks by hand, in file order.
    pub fn checks(&self) -> &[CheckRule] {
        &self.checks
    }

    /// The cautions, in file order.
    pub fn cautions(&self) -> &[Caution] {
        &self.cautions
    }

    /// The reasons not to drive or to drive with care, in file order.
    pub fn safety(&self) -> &[SafetyRule] {
        &self.safety
    }

    /// The natures of codes, in file order.
    pub fn natures(&self) -> &[Nature] {
        &self.natures
    }

    /// How many causes a vehicle with a lit lamp has on average: the sum of all priors.
    pub fn faults_expected(&self) -> f64 {
        self.faults_expected
    }

    /// The cause with this identifier.
    pub fn cause(&self, id: &str) -> Option<&Cause> {
        self.causes.iter().find(|cause| cause.id == id)
    }

    /// The finding with this identifier.
    pub fn finding(&self, id: &str) -> Option<&FindingRule> {
        self.findings.iter().find(|finding| finding.id == id)
    }

    /// The check with this identifier.
    pub fn check(&self, id: &str) -> Option<&CheckRule> {
        self.checks.iter().find(|check| check.id == id)
    }

    /// The caution with this identifier.
    pub fn caution(&self, id: &str) -> Option<&Caution> {
        self.cautions.iter().find(|caution| caution.id == id)
    }

    /// The texts of cautions, by identifier; unknown ones do not occur in checked rules.
    pub fn caution_words(&self, ids: &[String]) -> Vec<String> {
        ids.iter()
            .filter_map(|id| Some(self.caution(id)?.words.clone()))
            .collect()
    }

    /// The prior of a cause at one of its places.
    pub fn prior(&self, cause: &Cause) -> f64 {
        let total: f64 = self.causes.iter().map(|cause| cause.weight).sum();
        let places = f64::from(u8::try_from(cause.place.kind().places().len()).unwrap_or(1));
        self.faults_expected * cause.weight / total / places
    }
}

#[cfg(test)]
mod tests;
