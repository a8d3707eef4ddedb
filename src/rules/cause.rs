//! Causes: what can be behind a lit lamp, and which findings each brings about.

use serde::Deserialize;

use super::place::PlaceWord;

/// A cause. One with a place of kind wheel or axle stands for one cause at each.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Cause {
    /// Its identifier: `sensor-circuit`.
    pub id: String,
    /// The kind of place it has.
    pub place: PlaceWord,
    /// Its name for a person.
    pub name: String,
    /// How often it is behind a lit lamp, relative to the other causes; for all its places together.
    pub weight: f64,
    /// Who can do the repair.
    pub work: Work,
    /// What it is and what its repair takes, a sentence or two.
    pub summary: String,
    /// What the repair costs.
    pub repair: RepairCost,
    /// Whether it is only to be believed when nothing else is left.
    #[serde(default)]
    pub last_resort: bool,
    /// Whether it never stands beside another cause: a hypothesis about the whole.
    #[serde(default)]
    pub alone: bool,
    /// Cautions for the repair, by identifier.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// The findings that it brings about.
    #[serde(default)]
    pub shows: Vec<Link>,
    /// Where this comes from.
    pub source: String,
}

/// Who can do a repair or a check.
#[derive(Clone, Copy, Debug, Deserialize, Eq, Hash, Ord, PartialEq, PartialOrd)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Work {
    /// A careful person at home.
    Home,
    /// A workshop.
    Workshop,
    /// A specialist: special tools, licensed work, or a rebuilt part.
    Specialist,
}

impl Work {
    /// The word for it in files and JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Home => "home",
            Self::Workshop => "workshop",
            Self::Specialist => "specialist",
        }
    }
}

/// What a repair costs.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RepairCost {
    /// Working time in minutes, with the trial that it has worked.
    pub minutes: f64,
    /// Parts and material, in the currency of the hourly rate.
    pub parts: f64,
}

/// A link from a cause to a finding.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Link {
    /// The finding's identifier.
    pub finding: String,
    /// The chance that this cause alone, without the leak, brings the finding about: above 0, at most 1.
    pub strength: f64,
    /// At which places of the finding.
    #[serde(default)]
    pub at: At,
}

/// At which places of a finding a cause shows.
#[derive(Clone, Copy, Debug, Default, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// At the cause's own place: the same wheel, the axle of the wheel, both wheels of the axle; everywhere where the
    /// cause or the finding is the vehicle's.
    #[default]
    Here,
    /// At the other wheel of the axle.
    Opposite,
    /// At every wheel but the cause's own.
    Others,
    /// Everywhere.
    All,
}

/// A link declared apart from its cause: adds one, or replaces the one with the same finding and places.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ExtraLink {
    /// The cause's identifier.
    pub cause: String,
    /// The finding's identifier.
    pub finding: String,
    /// The chance that this cause alone brings the finding about; 0 takes the link away.
    pub strength: f64,
    /// At which places of the finding.
    #[serde(default)]
    pub at: At,
    /// Where this comes from.
    pub source: String,
}

/// Another weight for a cause, such as a workshop's own count.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Weight {
    /// The cause's identifier.
    pub cause: String,
    /// How often it is behind a lit lamp, relative to the others.
    pub weight: f64,
    /// Where this comes from.
    pub source: String,
}
