//! Cautions, and what to do first when it is or may be unsafe to drive.

use serde::Deserialize;

/// A caution for a check or a repair.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// Its identifier.
    pub id: String,
    /// The text, whole sentences.
    pub words: String,
    /// Whether it stands in every report.
    #[serde(default)]
    pub always: bool,
    /// Where this comes from.
    pub source: String,
}

/// A reason not to drive, or to drive with care. It holds when each condition that is given holds.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SafetyRule {
    /// Its identifier.
    pub id: String,
    /// How urgent.
    pub urgency: UrgencyWord,
    /// A finding that holds, at `places` places or more.
    pub finding: Option<String>,
    /// At how many places the finding must hold.
    #[serde(default = "one")]
    pub places: u32,
    /// A cause that is at least this probable at one of its places.
    pub cause: Option<String>,
    /// How probable the cause must be, 0 to 1.
    #[serde(default)]
    pub probability: f64,
    /// Why, a sentence.
    pub reason: String,
    /// Where this comes from.
    pub source: String,
}

const fn one() -> u32 {
    1
}

/// How urgent a reason is.
#[derive(Clone, Copy, Debug, Deserialize, Eq, Ord, PartialEq, PartialOrd)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum UrgencyWord {
    /// Do not drive.
    DoNotDrive,
    /// Drive with care to a place where it can be checked.
    DriveWithCare,
}
