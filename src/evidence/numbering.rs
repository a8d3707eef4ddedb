//! Ways to read the code numbers: a maker uses one numbering for all codes, so the codes that have two meanings are read
//! together, once for each numbering.

use std::collections::{BTreeMap, BTreeSet};

use super::Grounds;

/// The shared lists of SAE J2012 count as one numbering.
const SHARED: &str = "shared";
/// The chance that a numbering stands although it has no meaning for a code that another one knows.
const FOREIGN: f64 = 0.05;

/// One way to read the codes.
#[derive(Clone, Debug)]
pub(super) struct Way {
    /// Its weight; the weights sum to 1.
    pub(super) weight: f64,
    /// The family of numberings that codes with several meanings are read by.
    pub(super) family: String,
}

impl Default for Way {
    fn default() -> Self {
        Self {
            weight: 1.0,
            family: SHARED.to_owned(),
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

/// Every way to read the codes of the record, the weightiest first.
pub(super) fn ways(grounds: &Grounds<'_>) -> Vec<Way> {
    let mut codes: Vec<_> = grounds
        .record
        .codes
        .iter()
        .map(|code| (code.code, code.failure_type))
        .collect();
    codes.sort_unstable();
    codes.dedup();
    let mut unclear: Vec<BTreeMap<&str, f64>> = Vec::new();
    let mut settled: BTreeMap<&str, u32> = BTreeMap::new();
    for (code, failure) in codes {
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
            }
        })
        .collect();
    if ways.is_empty() {
        return vec![Way::default()];
    }
    let total: f64 = ways.iter().map(|way| way.weight).sum();
    for way in &mut ways {
        way.weight /= total;
    }
    ways.sort_by(|one, other| other.weight.total_cmp(&one.weight));
    ways
}
