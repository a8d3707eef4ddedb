//! The rule set as a network: one variable for each cause and each finding at each of its places.

use crate::evidence::{self, Evidence, State};
use crate::place::Place;
use crate::ranking::{self, Network, Outcome, Ranking};
use crate::rules::{Cause, FindingRule, Rules, shows_at};

/// The rule set as a network, with what each variable stands for.
#[derive(Clone, Debug)]
pub struct Model<'r> {
    /// What each cause of the network is, and where.
    pub causes: Vec<(&'r Cause, Place)>,
    /// What each finding of the network is, and where: in the order of [`Evidence::findings`].
    pub findings: Vec<(&'r FindingRule, Place)>,
    /// The network.
    pub network: Network,
}

impl<'r> Model<'r> {
    /// The network of a rule set.
    pub fn new(rules: &'r Rules) -> Self {
        let causes: Vec<(&Cause, Place)> = rules
            .causes()
            .iter()
            .flat_map(|cause| {
                cause
                    .place
                    .kind()
                    .places()
                    .iter()
                    .map(move |&place| (cause, place))
            })
            .collect();
        let findings: Vec<(&FindingRule, Place)> = evidence::places(rules).collect();
        let priors: Vec<f64> = causes.iter().map(|(cause, _)| rules.prior(cause)).collect();
        let leaks: Vec<f64> = findings.iter().map(|(finding, _)| finding.leak).collect();
        let mut network = Network::new(&priors, &leaks);
        for (index, (cause, at)) in causes.iter().enumerate() {
            if cause.alone {
                network.stands_alone(index);
            }
            for link in &cause.shows {
                for (finding, (rule, place)) in findings.iter().enumerate() {
                    if rule.id == link.finding && shows_at(*at, *place, link.at) {
                        network.link(index, finding, link.strength);
                    }
                }
            }
        }
        Self {
            causes,
            findings,
            network,
        }
    }

    /// Ranks the causes by the evidence.
    pub fn rank(&self, evidence: &Evidence) -> Ranking {
        let readings: Vec<ranking::Reading> = evidence
            .readings
            .iter()
            .map(|reading| ranking::Reading {
                weight: reading.weight,
                outcomes: reading.states.iter().copied().map(outcome).collect(),
            })
            .collect();
        ranking::rank_readings(&self.network, &readings)
    }
}

/// A finding's state as the network's outcome.
pub(super) const fn outcome(state: State) -> Outcome {
    match state {
        State::True => Outcome::True,
        State::False => Outcome::False,
        State::NotObservable => Outcome::Unobserved,
    }
}
