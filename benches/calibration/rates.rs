//! How often each finding holds, for each cause, beside what the rules say.

use std::collections::BTreeMap;

use tonering::place::Place;
use tonering::rig::Truth;
use tonering::rules::{Rules, shows_at};

use crate::cases::Judged;
use crate::scores::Share;

/// Counts over vehicles with one fault or none.
#[derive(Debug, Default)]
pub(crate) struct Rates {
    /// By cause and finding, at the places where the cause shows.
    shown: BTreeMap<(String, String), Share>,
    /// By finding, where nothing brings it about.
    leaks: BTreeMap<String, Share>,
}

impl Rates {
    /// Adds what was observed before any check by hand.
    pub(crate) fn add(&mut self, truth: &Truth, judged: &Judged) {
        let cause = truth.causes.first();
        for (finding, place, holds) in &judged.observed {
            let here = cause.is_some_and(|cause| touches(cause.place, *place));
            match cause {
                Some(cause) if here => {
                    let key = (cause.cause.to_owned(), finding.clone());
                    self.shown.entry(key).or_default().add(*holds);
                }
                _ => self.leaks.entry(finding.clone()).or_default().add(*holds),
            }
        }
    }

    /// Prints the counts beside the strengths and leaks.
    pub(crate) fn print(&self, rules: &Rules) {
        println!("\n| cause | finding | held | strength |\n| --- | --- | --- | --- |");
        for ((cause, finding), share) in &self.shown {
            let strength = rules.cause(cause).and_then(|cause| {
                let link = cause.shows.iter().find(|link| link.finding == *finding)?;
                Some(link.strength)
            });
            if share.hits > 0 || strength.is_some_and(|strength| strength >= 0.1) {
                let strength = strength.unwrap_or(0.0);
                println!("| {cause} | {finding} | {share} | {strength} |");
            }
        }
        println!("\n| finding | held where nothing shows in it | leak |\n| --- | --- | --- |");
        for (finding, share) in &self.leaks {
            let leak = rules.finding(finding).map_or(0.0, |finding| finding.leak);
            if share.hits > 0 {
                println!("| {finding} | {share} | {leak} |");
            }
        }
    }
}

/// Whether something at one place can show at another.
fn touches(cause: Place, finding: Place) -> bool {
    shows_at(cause, finding, tonering::rules::At::Here)
}
