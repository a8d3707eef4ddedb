//! Ways to read the code numbers: a maker uses one numbering for all codes, so the codes that have two meanings are read
//! together, once for each numbering. A list that does not tell whether its faults are there is read both ways, too.

use std::collections::{BTreeMap, BTreeSet};

use super::{Grounds, codes};

/// The shared lists of SAE J2012 count as one numbering.
const SHARED: &str = "shared";
/// The chance that a numbering stands although it has no meaning for a code that another one knows.
const FOREIGN: f64 = 0.05;
/// The chance that the codes of a list without a status are past, of a vehicle whose lamp brought it in. Common practice,
/// no source.
const LISTED_PAST: f64 = 0.15;

/// One way to read the codes.
#[derive(Clone, Debug)]
pub(super) struct Way {
    /// Its weight; the weights sum to 1.
    pub(super) weight: f64,
    /// The family of numberings that codes with several meanings are read by.
    pub(super) family: String,
    /// Whether codes of a list that does not tell are read as past.
    pub(super) listed_past: bool,
}

impl Default for Way {
    fn default() -> Self {
        Self {
            weight: 1.0,
            family: SHARED.to_owned(),
            listed_past: false,
        }
    }
}

/// The family that a numbering belongs to.
pub(super) fn family(numbering: &str) -> &str {
    if numbering.starts_with(SHARED) {
        SHARED
    } else {
        numbering
    }
}

/// The two ways to read codes of a list that does not tell whether their faults are there.
fn there_or_past(way: Way) -> [Way; 2] {
    let there = Way {
        weight: way.weight * (1.0 - LISTED_PAST),
        ..way.clone()
    };
    let past = Way {
        weight: way.weight * LISTED_PAST,
        listed_past: true,
        ..way
    };
    [there, past]
}

/// Every way to read the codes of the record, the weightiest first.
pub(super) fn ways(grounds: &Grounds<'_>) -> Vec<Way> {
    let given = grounds.record.codes.iter();
    let numbers: BTreeSet<_> = given.map(|code| (code.code, code.failure_type)).collect();
    let mut unclear: Vec<BTreeMap<&str, f64>> = Vec::new();
    let mut settled: BTreeMap<&str, u32> = BTreeMap::new();
    for (code, failure) in numbers {
        let mut weights: BTreeMap<&str, f64> = BTreeMap::new();
        for reading in grounds.catalogue.readings(code, failure) {
            *weights.entry(family(reading.numbering)).or_default() += reading.weight;
        }
        match weights.len() {
            0 => {}
            1 => {
                for known in weights.keys() {
                    *settled.entry(known).or_default() += 1;
                }
            }
            _ => unclear.push(weights),
        }
    }
    let families: BTreeSet<&str> = unclear.iter().flat_map(BTreeMap::keys).copied().collect();
    let mut ways: Vec<Way> = families
        .iter()
        .map(|&family| {
            let of = |weights: &BTreeMap<&str, f64>| {
                weights.get(family).copied().unwrap_or(FOREIGN).max(FOREIGN)
            };
            let mut weight: f64 = unclear.iter().map(of).product();
            // A code that only one numbering knows speaks for that numbering, unless it is the shared one, which all use.
            if family != SHARED && settled.contains_key(family) {
                weight /= FOREIGN;
            }
            Way {
                weight,
                family: family.to_owned(),
                listed_past: false,
            }
        })
        .collect();
    if ways.is_empty() {
        ways.push(Way::default());
    }
    let leaves_open = |way: &Way| codes::Coded::new(grounds, way).leaves_open();
    if ways.iter().any(leaves_open) {
        ways = ways.into_iter().flat_map(there_or_past).collect();
    }
    let total: f64 = ways.iter().map(|way| way.weight).sum();
    for way in &mut ways {
        way.weight /= total;
    }
    ways.sort_by(|one, other| other.weight.total_cmp(&one.weight));
    ways
}
