//! The two-layer network: causes with priors, findings with leaks, links with strengths.
//!
//! `P(finding is false | causes) = (1 − leak) · ∏ over present causes (1 − strength)`. The leak is the chance that the
//! finding holds although none of the causes is there; a strength is the chance that a cause *alone, without the
//! leak*, brings the finding about (Pearl 1988; not the compound reading of Henrion 1989, whose strengths already
//! contain the leak).

/// Most causes that are present together in the sets that [`super::rank`] sums over.
pub const MAX_PRESENT: usize = 3;

/// The largest prior. A cause that is there for certain needs no ranking.
const MOST_PRIOR: f64 = 1.0 - 1e-9;

/// What was seen of one finding.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Outcome {
    /// It holds.
    True,
    /// It was looked for and does not hold.
    False,
    /// Nothing could have shown it. Says nothing about any cause.
    Unobserved,
}

/// Causes, findings and the links between them, by index.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    priors: Vec<f64>,
    alone: Vec<bool>,
    leaks: Vec<f64>,
    /// One row per cause, one column per finding; 0 where there is no link.
    strengths: Vec<f64>,
}

impl Network {
    /// A network without links.
    ///
    /// Probabilities outside 0..=1 are brought to the nearer end; not-a-number counts as 0. No prior is certain: the
    /// largest is a billionth below 1.
    pub fn new(priors: &[f64], leaks: &[f64]) -> Self {
        Self {
            priors: priors
                .iter()
                .map(|&prior| probability(prior).min(MOST_PRIOR))
                .collect(),
            alone: vec![false; priors.len()],
            leaks: leaks.iter().copied().map(probability).collect(),
            strengths: vec![0.0; priors.len() * leaks.len()],
        }
    }

    /// Sets the strength of a link; an earlier one between the two is replaced. Unknown indices are ignored.
    pub fn link(&mut self, cause: usize, finding: usize, strength: f64) {
        let width = self.leaks.len();
        if finding < width
            && let Some(cell) = self.strengths.get_mut(cause * width + finding)
        {
            *cell = probability(strength);
        }
    }

    /// Declares that this cause never stands beside another: a hypothesis about the whole, such as
    /// "nothing is wrong now".
    pub fn stands_alone(&mut self, cause: usize) {
        if let Some(flag) = self.alone.get_mut(cause) {
            *flag = true;
        }
    }

    /// How many causes there are.
    pub fn causes(&self) -> usize {
        self.priors.len()
    }

    /// How many findings there are.
    pub fn findings(&self) -> usize {
        self.leaks.len()
    }

    /// The prior of a cause; 0 for an unknown index.
    pub fn prior(&self, cause: usize) -> f64 {
        self.priors.get(cause).copied().unwrap_or(0.0)
    }

    /// Whether a cause never stands beside another.
    pub fn is_alone(&self, cause: usize) -> bool {
        self.alone.get(cause).copied().unwrap_or(false)
    }

    /// The leak of a finding; 0 for an unknown index.
    pub fn leak(&self, finding: usize) -> f64 {
        self.leaks.get(finding).copied().unwrap_or(0.0)
    }

    /// The strength of a link; 0 where there is none.
    pub fn strength(&self, cause: usize, finding: usize) -> f64 {
        if finding >= self.leaks.len() {
            return 0.0;
        }
        self.strengths
            .get(cause * self.leaks.len() + finding)
            .copied()
            .unwrap_or(0.0)
    }

    /// `P(finding is false | exactly these causes)`.
    pub fn false_given(&self, present: &[usize], finding: usize) -> f64 {
        present
            .iter()
            .fold(1.0 - self.leak(finding), |product, &cause| {
                product * (1.0 - self.strength(cause, finding))
            })
    }

    /// `P(outcome | exactly these causes)`; 1 for an unobserved finding.
    pub fn outcome_given(&self, present: &[usize], finding: usize, outcome: Outcome) -> f64 {
        match outcome {
            Outcome::True => 1.0 - self.false_given(present, finding),
            Outcome::False => self.false_given(present, finding),
            Outcome::Unobserved => 1.0,
        }
    }
}

/// The nearest probability.
fn probability(value: f64) -> f64 {
    if value.is_nan() {
        0.0
    } else {
        value.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Table {
        source: &'static str,
        leak: f64,
        strengths: &'static [f64],
        /// Which causes are present, and the probability that the finding is true.
        rows: &'static [(&'static [usize], f64)],
    }

    const TABLES: &[Table] = &[
        Table {
            source: "Russell & Norvig, fever example (published as inhibitions: cold 0.6, flu 0.2, malaria 0.1)",
            leak: 0.0,
            strengths: &[0.4, 0.8, 0.9],
            rows: &[
                (&[], 0.0),
                (&[2], 0.9),
                (&[1], 0.8),
                (&[1, 2], 0.98),
                (&[0], 0.4),
                (&[0, 2], 0.94),
                (&[0, 1], 0.88),
                (&[0, 1, 2], 0.988),
            ],
        },
        Table {
            source: "bayesia.com, documentation of NoisyOr",
            leak: 0.1,
            strengths: &[0.8, 0.6],
            rows: &[(&[], 0.1), (&[1], 0.64), (&[0], 0.82), (&[0, 1], 0.928)],
        },
        Table {
            source: "norsys.com NoisyOrDist; pyAgrum 3.3.1 addNoisyORNet",
            leak: 0.1,
            strengths: &[0.2, 0.4],
            rows: &[(&[], 0.1), (&[0], 0.28), (&[1], 0.46), (&[0, 1], 0.568)],
        },
    ];

    #[test]
    fn published_noisy_or_tables() {
        for table in TABLES {
            let mut network = Network::new(&vec![0.5; table.strengths.len()], &[table.leak]);
            for (cause, &strength) in table.strengths.iter().enumerate() {
                network.link(cause, 0, strength);
            }
            for &(present, expected) in table.rows {
                let got = network.outcome_given(present, 0, Outcome::True);
                assert!(
                    (got - expected).abs() < 1e-12,
                    "{}: {present:?} gives {got}, not {expected}",
                    table.source
                );
            }
        }
    }

    #[test]
    fn impossible_numbers_are_tamed() {
        let mut network = Network::new(&[f64::NAN, 2.0], &[-1.0]);
        network.link(1, 0, f64::INFINITY);
        network.link(1, 7, 0.5);
        network.link(7, 0, 0.5);
        assert!((network.prior(0)).abs() < f64::EPSILON);
        assert!((network.prior(1) - MOST_PRIOR).abs() < f64::EPSILON);
        assert!((network.strength(1, 0) - 1.0).abs() < f64::EPSILON);
        assert!(network.strength(1, 7).abs() < f64::EPSILON);
        assert!(network.leak(0).abs() < f64::EPSILON);
    }
}
