//! How well a set of causes explains the evidence.
//!
//! Given a set of causes the findings are independent, so the logarithm of the likelihood of *typical* evidence has a
//! known mean and variance. Evidence far below that mean fits the set badly, whatever the other sets do.

use super::network::{Network, Outcome};

/// A true finding is unexplained when the causes make it less likely than this.
const UNEXPLAINED: f64 = 0.1;
/// A false finding is missed when the causes make it likelier than this.
const MISSED: f64 = 0.8;

/// How well a set of causes explains the evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Standard deviations by which the evidence is likelier (positive) or less likely (negative) than what these
    /// causes typically bring about. Below about −3 the evidence fits badly. 0 when nothing was observed.
    pub deviation: f64,
    /// True findings that these causes hardly explain.
    pub unexplained: Vec<usize>,
    /// False findings that these causes would nearly always bring about.
    pub missed: Vec<usize>,
}

/// How well the causes `present` explain `outcomes`.
pub fn fit(network: &Network, present: &[usize], outcomes: &[Outcome]) -> Fit {
    let (mut log_likelihood, mut mean, mut variance) = (0.0, 0.0, 0.0);
    let mut fit = Fit {
        deviation: 0.0,
        unexplained: Vec::new(),
        missed: Vec::new(),
    };
    for (finding, &outcome) in outcomes.iter().enumerate() {
        if outcome == Outcome::Unobserved || finding >= network.findings() {
            continue;
        }
        let absent = network.false_given(present, finding);
        let holds = 1.0 - absent;
        log_likelihood += network.outcome_given(present, finding, outcome).ln();
        if holds > 0.0 && absent > 0.0 {
            let (log_holds, log_absent) = (holds.ln(), absent.ln());
            mean += holds * log_holds + absent * log_absent;
            variance += holds * absent * (log_holds - log_absent).powi(2);
        }
        match outcome {
            Outcome::True if holds < UNEXPLAINED => fit.unexplained.push(finding),
            Outcome::False if holds > MISSED => fit.missed.push(finding),
            _ => {}
        }
    }
    if variance > 0.0 {
        fit.deviation = (log_likelihood - mean) / f64::sqrt(variance);
    }
    fit
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typical_evidence_fits_and_odd_evidence_does_not() {
        let mut network = Network::new(&[0.1], &[0.01; 6]);
        for finding in 0..3 {
            network.link(0, finding, 0.9);
        }
        let typical = [
            Outcome::True,
            Outcome::True,
            Outcome::True,
            Outcome::False,
            Outcome::False,
            Outcome::Unobserved,
        ];
        let good = fit(&network, &[0], &typical);
        assert!(good.deviation > 0.0, "{good:?}");
        assert!(good.unexplained.is_empty() && good.missed.is_empty());
        let odd = [
            Outcome::False,
            Outcome::True,
            Outcome::False,
            Outcome::True,
            Outcome::True,
            Outcome::True,
        ];
        let bad = fit(&network, &[0], &odd);
        assert!(bad.deviation < -3.0, "{bad:?}");
        assert_eq!(bad.unexplained, [3, 4, 5]);
        assert_eq!(bad.missed, [0, 2]);
    }

    #[test]
    fn nothing_observed_says_nothing() {
        let network = Network::new(&[0.1], &[0.01]);
        let fit = fit(&network, &[], &[Outcome::Unobserved]);
        assert!(fit.deviation.abs() < f64::EPSILON);
    }
}
