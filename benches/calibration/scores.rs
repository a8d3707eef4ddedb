//! Sums over many vehicles: how often right, and whether the percentages deserve belief.

use std::collections::BTreeMap;
use std::fmt;

use tonering::rig::{TrueCause, Truth};

use crate::cases::Judged;

/// Bins of the reliability table.
const BINS: usize = 10;

/// So many of so many.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Share {
    pub(crate) of: u32,
    pub(crate) hits: u32,
}

impl Share {
    pub(crate) fn add(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u32::from(hit);
    }

    pub(crate) fn value(self) -> f64 {
        f64::from(self.hits) / f64::from(self.of.max(1))
    }
}

/// `91 % (182 of 200)`.
impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = 100.0 * self.value();
        write!(f, "{percent:.1} % ({} of {})", self.hits, self.of)
    }
}

/// Probabilities against what was so.
#[derive(Clone, Debug, Default)]
pub(crate) struct Reliability {
    bins: [(u32, f64, u32); BINS],
}

impl Reliability {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a probability times ten is 0 to 10"
    )]
    pub(crate) fn add(&mut self, probability: f64, so: bool) {
        let bin = ((probability * 10.0) as usize).min(BINS - 1);
        let (count, sum, hits) = &mut self.bins[bin];
        *count += 1;
        *sum += probability;
        *hits += u32::from(so);
    }

    /// Expected calibration error: the mean distance between probability and share, weighted by count.
    pub(crate) fn error(&self) -> f64 {
        let total: u32 = self.bins.iter().map(|bin| bin.0).sum();
        let distance = |(_, sum, hits): &(u32, f64, u32)| (sum - f64::from(*hits)).abs();
        self.bins.iter().map(distance).sum::<f64>() / f64::from(total.max(1))
    }

    pub(crate) fn print(&self) {
        println!("| given | vehicles | mean given | really so |\n| --- | --- | --- | --- |");
        for (bin, (count, sum, hits)) in self.bins.iter().enumerate() {
            let of = f64::from((*count).max(1));
            let (given, so) = (100.0 * sum / of, 100.0 * f64::from(*hits) / of);
            let low = bin * 10;
            if *count > 0 {
                println!(
                    "| {low} to {} % | {count} | {given:.0} % | {so:.0} % |",
                    low + 10
                );
            }
        }
    }
}

/// The sums after so many checks by hand.
#[derive(Clone, Debug, Default)]
pub(crate) struct Scores {
    pub(crate) first: Share,
    pub(crate) three: Share,
    pub(crate) first_shown: Share,
    pub(crate) three_shown: Share,
    pub(crate) both: Share,
    pub(crate) both_shown: Share,
    pub(crate) accused: Share,
    pub(crate) remembered_accused: Share,
    pub(crate) by_cause: BTreeMap<String, (Share, Share)>,
    pub(crate) confusion: BTreeMap<(String, String), u32>,
    pub(crate) of_first: Reliability,
    pub(crate) of_all: Reliability,
    brier: f64,
    vehicles: u32,
}

impl Scores {
    /// Adds a vehicle; `shown` says whether its capture differs from that of the same vehicle without the fault.
    pub(crate) fn add(&mut self, truth: &Truth, judged: &Judged, shown: bool) {
        let is_true = |id: &str, place| {
            let mut causes = truth.causes.iter();
            causes.any(|cause| cause.cause == id && cause.place == place)
        };
        if truth.causes.is_empty() {
            let accused = judged.accused().is_some_and(|(_, _, p)| *p >= 0.5);
            self.accused.add(accused);
            return;
        }
        self.vehicles += 1;
        for (index, (id, place, probability)) in judged.causes.iter().enumerate() {
            let so = is_true(id, *place);
            self.brier += (probability - f64::from(u8::from(so))).powi(2);
            self.of_all.add(*probability, so);
            if index == 0 {
                self.of_first.add(*probability, so);
            }
        }
        let ranks: Vec<usize> = truth
            .causes
            .iter()
            .map(|cause| judged.rank(cause.cause, cause.place).unwrap_or(usize::MAX))
            .collect();
        let Some(&best) = ranks.iter().min() else {
            return;
        };
        if let [only] = truth.causes.as_slice() {
            let (first, three) = self.by_cause.entry(only.cause.to_owned()).or_default();
            first.add(best == 0);
            three.add(best < 3);
            self.first.add(best == 0);
            self.three.add(best < 3);
            if shown {
                self.first_shown.add(best == 0);
                self.three_shown.add(best < 3);
            }
            if only.cause == "no-present-fault" {
                let accused = judged.accused().is_some_and(|(_, _, p)| *p >= 0.5);
                self.remembered_accused.add(accused);
            }
            if let Some((id, place, _)) = judged.causes.first() {
                let elsewhere = *id == only.cause && *place != only.place;
                let said = format!("{id}{}", if elsewhere { " elsewhere" } else { "" });
                let key = (only.cause.to_owned(), said);
                *self.confusion.entry(key).or_default() += 1;
            }
        } else {
            self.both.add(ranks.iter().all(|&rank| rank < 3));
        }
    }

    /// Adds a vehicle with two faults of which each shows.
    pub(crate) fn add_both_shown(&mut self, truth: &Truth, judged: &Judged) {
        let among = |cause: &TrueCause| {
            let rank = judged.rank(cause.cause, cause.place);
            rank.is_some_and(|rank| rank < 3)
        };
        self.both_shown.add(truth.causes.iter().all(among));
    }

    /// Brier score: squared errors summed over the causes, mean over the vehicles.
    pub(crate) fn brier(&self) -> f64 {
        self.brier / f64::from(self.vehicles.max(1))
    }
}
