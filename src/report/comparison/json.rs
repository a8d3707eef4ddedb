//! The comparison as JSON.

use std::io::{self, Write};

use serde::Serialize;

use super::{CodeChange, Comparison, MeasureChange, Value};
use crate::report::json::shape::{CaptureOut, VisitOut, significant};
use crate::report::json::{Form, write_value};

/// Writes the comparison as one object and a line end.
pub fn write(comparison: &Comparison, out: &mut dyn Write, form: Form) -> io::Result<()> {
    write_value(&ComparisonOut::from(comparison), out, form)
}

/// The whole comparison.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ComparisonOut {
    /// Version of this shape.
    pub comparison: u32,
    /// Program and version.
    pub program: String,
    /// The vehicle's name, from the profile.
    pub vehicle: Option<String>,
    /// The captures before the repair.
    pub before: Vec<CaptureOut>,
    /// The captures after it.
    pub after: Vec<CaptureOut>,
    /// `proven`, `likely`, `not-shown` or `not-mended`.
    pub verdict: &'static str,
    /// Why, the strongest reason first.
    pub reasons: Vec<String>,
    /// What became of each code.
    pub codes: Vec<CodeChangeOut>,
    /// Modules that kept silent before or after.
    pub modules: Vec<ModuleChangeOut>,
    /// The measures before and after.
    pub measures: Vec<MeasureChangeOut>,
    /// What must still be driven or read to be sure.
    pub remaining: Vec<String>,
    /// Earlier visits of the same vehicle, the first one first.
    pub visits: Vec<VisitOut>,
}

/// What became of a code.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CodeChangeOut {
    /// The code: `C0031`.
    pub code: String,
    /// The failure type byte in hexadecimal.
    pub failure_type: Option<String>,
    /// The module that gave it.
    pub module: String,
    /// What it means.
    pub meaning: String,
    /// `still`, `new`, `remembered`, `not-retested`, `not-read`, `passed`, `gone` or `unchanged`.
    pub fate: &'static str,
    /// The status byte before, in hexadecimal.
    pub before: Option<String>,
    /// The status byte after, in hexadecimal.
    pub after: Option<String>,
    /// Why this is said of it.
    pub words: String,
}

/// A module that was silent before or after.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ModuleChangeOut {
    /// Its name.
    pub name: String,
    /// Its state before, as in the report; null when it does not occur.
    pub before: Option<&'static str>,
    /// Its state after, as in the report; null when it does not occur.
    pub after: Option<&'static str>,
    /// The change in words.
    pub words: String,
}

/// A measure before and after.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct MeasureChangeOut {
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// Which measure.
    pub id: &'static str,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// Before; null when it could not be made.
    pub before: Option<ValueOut>,
    /// After; null when it could not be made.
    pub after: Option<ValueOut>,
    /// Whether the difference is larger than its uncertainty; null when one side is missing.
    pub beyond_uncertainty: Option<bool>,
    /// `still`, `new`, `not-retested`, `better`, `mended`, `changed` or `same`.
    pub fate: &'static str,
    /// Why this is said of it.
    pub words: String,
}

/// A measured value.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ValueOut {
    /// The value.
    pub value: Option<f64>,
    /// Half width of its 95 % interval.
    pub uncertainty: Option<f64>,
    /// Whether no sound vehicle gives this.
    pub faulty: bool,
}

/// Version of the shape in this file.
const VERSION: u32 = 1;

impl From<&Comparison> for ComparisonOut {
    fn from(comparison: &Comparison) -> Self {
        Self {
            comparison: VERSION,
            program: comparison.program.clone(),
            vehicle: comparison.vehicle.clone(),
            before: comparison.before.iter().map(CaptureOut::from).collect(),
            after: comparison.after.iter().map(CaptureOut::from).collect(),
            verdict: comparison.outcome.id(),
            reasons: comparison.reasons.clone(),
            codes: comparison.codes.iter().map(CodeChangeOut::from).collect(),
            modules: comparison
                .modules
                .iter()
                .map(|change| ModuleChangeOut {
                    name: change.name.clone(),
                    before: change.before,
                    after: change.after,
                    words: change.words.clone(),
                })
                .collect(),
            measures: comparison
                .measures
                .iter()
                .map(MeasureChangeOut::from)
                .collect(),
            remaining: comparison.remaining.clone(),
            visits: comparison.visits.iter().map(VisitOut::from).collect(),
        }
    }
}

impl From<&CodeChange> for CodeChangeOut {
    fn from(change: &CodeChange) -> Self {
        Self {
            code: change.code.clone(),
            failure_type: change.failure_type.clone(),
            module: change.module.clone(),
            meaning: change.meaning.clone(),
            fate: change.fate.id(),
            before: change.before.clone(),
            after: change.after.clone(),
            words: change.words.clone(),
        }
    }
}

impl From<&MeasureChange> for MeasureChangeOut {
    fn from(change: &MeasureChange) -> Self {
        let value = |value: Value| ValueOut {
            value: significant(value.value),
            uncertainty: significant(value.uncertainty),
            faulty: value.faulty,
        };
        Self {
            wheel: change.place.wheel().map(crate::place::Wheel::id),
            axle: change.place.axle().map(crate::place::Axle::id),
            id: change.id,
            unit: change.unit,
            before: change.before.map(value),
            after: change.after.map(value),
            beyond_uncertainty: change.beyond_uncertainty,
            fate: change.fate.id(),
            words: change.words.clone(),
        }
    }
}
