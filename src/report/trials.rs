//! What came of the trials of a rule set, as JSON: one object, filled by whoever ran them.

use std::io::{self, Write};

use serde::Serialize;

/// The version of this shape.
const VERSION: u32 = 1;

/// All trials of a run.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrialsOut {
    /// Version of this shape: 1.
    trials: u32,
    /// Program and version.
    program: String,
    /// How many came out as expected.
    passed: usize,
    /// How many did not.
    failed: usize,
    /// Each trial, by its file.
    tried: Vec<TrialOut>,
}

/// A trial.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrialOut {
    /// Its file.
    pub file: String,
    /// What it is about, as the file says.
    pub name: Option<String>,
    /// Whether all of it came out as expected.
    pub passed: bool,
    /// Each expectation, in the order of docs/rules.md.
    pub expectations: Vec<ExpectationOut>,
}

/// An expectation of a trial, and what came out.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ExpectationOut {
    /// Its key in the trial: `first`, `among_first_three`, `at_least`, `below` or `next_check`.
    pub expectation: &'static str,
    /// The cause or check that it is about, as written: `sensor-circuit@left-front`.
    pub of: String,
    /// The probability that it asks for; null where it asks for none.
    pub limit: Option<f64>,
    /// Whether it came out.
    pub passed: bool,
    /// Of a cause: its number among the causes, from 1; of those with this name the likeliest.
    pub number: Option<usize>,
    /// Of a cause: its probability.
    pub probability: Option<f64>,
    /// What was expected and what came out, in words, with the reasons where it has not.
    pub words: String,
}

impl TrialsOut {
    /// These trials, counted.
    pub fn new(tried: Vec<TrialOut>) -> Self {
        let passed = tried.iter().filter(|trial| trial.passed).count();
        Self {
            trials: VERSION,
            program: concat!("tonering ", env!("CARGO_PKG_VERSION")).to_owned(),
            passed,
            failed: tried.len() - passed,
            tried,
        }
    }

    /// Writes them over several lines.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, self)?;
        writeln!(out)
    }
}
