//! Checks by hand: what to do, what reading to expect, what each result means.

use serde::Deserialize;

use super::cause::Work;
use super::finding::SensorWord;
use super::place::PlaceWord;

/// A check by hand.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CheckRule {
    /// Its identifier: `sensor-resistance`.
    pub id: String,
    /// The kind of place it has.
    pub place: PlaceWord,
    /// Its name for a person.
    pub name: String,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// What it costs besides time, in the currency of the hourly rate.
    #[serde(default)]
    pub money: f64,
    /// Who can do it.
    pub work: Work,
    /// Whether it can show a possible loss of braking: then it comes first when that is plausible.
    #[serde(default)]
    pub urgent: bool,
    /// The kind of wheel-speed sensor that it is for; any when absent. It is not proposed for another kind.
    pub sensor: Option<SensorWord>,
    /// Tools.
    #[serde(default)]
    pub tools: Vec<String>,
    /// How to do it, a sentence each.
    pub steps: Vec<String>,
    /// What reading to expect on a sound vehicle.
    pub expect: Vec<Expect>,
    /// Its results in words.
    #[serde(default)]
    pub results: Vec<CheckWord>,
    /// Its value, for a check that is measured.
    pub value: Option<CheckValue>,
    /// Cautions, by identifier.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Where this comes from.
    pub source: String,
}

/// What to expect, for every sensor or for one kind.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// The kind of wheel-speed sensor it holds for; every kind when absent.
    pub sensor: Option<SensorWord>,
    /// The reading.
    pub words: String,
}

/// A result in words.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CheckWord {
    /// The word in notes: `corroded`.
    pub id: String,
    /// What it means.
    pub means: String,
}

/// A measured value.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CheckValue {
    /// Its unit, which is also its key in notes: `mm` is `value_mm`.
    pub unit: ValueUnit,
    /// The bands of values that mean something different, rising.
    pub bands: Vec<Band>,
}

/// A band of values: above the one before it.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Up to this value; without it, everything above the band before.
    pub up_to: Option<f64>,
    /// What a value in it means.
    pub means: String,
}

/// The unit of a measured value.
#[derive(Clone, Copy, Debug, Deserialize, Eq, Hash, Ord, PartialEq, PartialOrd)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ValueUnit {
    /// Millimetres: `value_mm`.
    Mm,
    /// Volts: `value_v`.
    V,
    /// Ohms: `value_ohm`.
    Ohm,
    /// Bar: `value_bar`.
    Bar,
    /// Amperes: `value_a`.
    A,
}

impl ValueUnit {
    /// The key in notes.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Mm => "value_mm",
            Self::V => "value_v",
            Self::Ohm => "value_ohm",
            Self::Bar => "value_bar",
            Self::A => "value_a",
        }
    }

    /// The unit as printed.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Mm => "mm",
            Self::V => "V",
            Self::Ohm => "Ω",
            Self::Bar => "bar",
            Self::A => "A",
        }
    }
}

impl CheckValue {
    /// A value in each band, for what its results would lead to.
    pub fn typical(&self) -> Vec<f64> {
        let mut low = 0.0;
        self.bands
            .iter()
            .map(|band| match band.up_to {
                Some(high) => {
                    let middle = low + (high - low) / 2.0;
                    low = high;
                    middle
                }
                None => low * 2.0 + 1.0,
            })
            .collect()
    }

    /// The band that a value lies in.
    pub fn band(&self, value: f64) -> Option<&Band> {
        self.bands
            .iter()
            .find(|band| band.up_to.is_none_or(|high| value <= high))
    }
}
