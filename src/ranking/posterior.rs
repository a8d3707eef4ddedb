//! The posterior of each cause, exact over all sets of up to [`MAX_PRESENT`] present causes.
//!
//! Every set is visited once with the running products of its findings; weights are kept as logarithms until the
//! largest is known. What larger sets could add is bounded by [`super::bound`]. The same pass gives, for each finding,
//! the evidence *without* it, from which the factor of each finding for each cause follows exactly.

use super::bound;
use super::network::{MAX_PRESENT, Network, Outcome};

/// Explanations kept in a [`Ranking`]: enough for a plan, bounded for memory.
const MAX_EXPLANATIONS: usize = 2_000;
/// Sets below this share of the heaviest are not kept as explanations.
const LEAST_SHARE: f64 = 1e-9;
/// Factors multiplied before a logarithm is taken: the smallest leak of any rule to this power is far from underflow.
const CHUNK: usize = 12;

/// One way to read the evidence, with its weight among the others: two readings of a code number, say.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Its weight; the weights need not sum to 1.
    pub weight: f64,
    /// One outcome for each finding of the network; missing ones count as unobserved.
    pub outcomes: Vec<Outcome>,
}

/// A set of causes that together explain the evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct Explanation {
    /// The present causes, rising; empty: none of the causes.
    pub causes: Vec<usize>,
    /// Its probability.
    pub probability: f64,
}

/// The result of [`rank`].
#[derive(Clone, Debug)]
pub struct Ranking {
    /// For each cause, the probability that it is present; the prior where the evidence is impossible.
    pub posterior: Vec<f64>,
    /// The natural logarithm of the probability of the evidence, of the sets that were summed.
    pub log_evidence: f64,
    /// Upper bound of the share of the evidence's probability that larger sets could hold. No posterior is off by more.
    pub left_out: f64,
    /// The likeliest sets, heaviest first.
    pub explanations: Vec<Explanation>,
    /// Row per cause, column per finding: how many times more likely the finding's outcome is with the cause than
    /// without it, given all other evidence. 1 for unobserved findings.
    factors: Vec<f64>,
    findings: usize,
}

impl Ranking {
    /// How many times more likely the outcome of `finding` is with `cause` than without it, given all other evidence.
    /// 1 when it says nothing; may be infinite.
    pub fn factor(&self, cause: usize, finding: usize) -> f64 {
        if finding >= self.findings {
            return 1.0;
        }
        self.factors
            .get(cause * self.findings + finding)
            .copied()
            .unwrap_or(1.0)
    }

    /// A ranking of these sets, made from those of `ranking`: without factors, no likelier to lack a set than that.
    pub(super) fn of_sets(
        posterior: Vec<f64>,
        explanations: Vec<Explanation>,
        ranking: &Self,
    ) -> Self {
        Self {
            posterior,
            log_evidence: ranking.log_evidence,
            left_out: ranking.left_out,
            explanations,
            factors: Vec::new(),
            findings: 0,
        }
    }

    /// The probability of the evidence.
    pub fn evidence(&self) -> f64 {
        self.log_evidence.exp()
    }

    /// The causes by falling probability; equal ones in the order of the network.
    pub fn order(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.posterior.len()).collect();
        order.sort_by(|&a, &b| {
            let of = |cause: usize| self.posterior.get(cause).copied().unwrap_or(0.0);
            of(b).total_cmp(&of(a))
        });
        order
    }
}

/// Ranks the causes of `network` by the outcomes of its findings (missing ones count as unobserved).
pub fn rank(network: &Network, outcomes: &[Outcome]) -> Ranking {
    rank_readings(
        network,
        &[Reading {
            weight: 1.0,
            outcomes: outcomes.to_vec(),
        }],
    )
}

/// Ranks when the evidence can be read in several ways of which exactly one is right: the probability of the evidence
/// is the weighted mean over the readings. Readings without weight are left out; without any, nothing is observed.
pub fn rank_readings(network: &Network, readings: &[Reading]) -> Ranking {
    let total_weight: f64 = readings.iter().map(|reading| reading.weight.max(0.0)).sum();
    let mut passes: Vec<Pass> = readings
        .iter()
        .filter(|reading| reading.weight > 0.0)
        .map(|reading| Pass::new(network, &reading.outcomes, reading.weight / total_weight))
        .collect();
    if passes.is_empty() {
        passes.push(Pass::new(network, &[], 1.0));
    }

    let mut weighed: Vec<Weighed> = Vec::new();
    for pass in &passes {
        pass.walk(network, |index, set, log_prior, factors| {
            let log_weight = log_prior + log_product(factors);
            match weighed.get_mut(index) {
                Some(known) => known.log_weight = log_add(known.log_weight, log_weight),
                None => weighed.push(Weighed { set, log_weight }),
            }
        });
    }
    let heaviest = weighed
        .iter()
        .map(|weighed| weighed.log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let heaviest = if heaviest.is_finite() { heaviest } else { 0.0 };

    let mut sums = Sums::new(network, heaviest);
    for weighed in &weighed {
        sums.add(weighed);
    }
    for pass in &passes {
        pass.walk(network, |_, set, log_prior, factors| {
            sums.add_without(set, log_prior, &pass.observed, factors);
        });
    }
    let log_evidence = heaviest + sums.total.ln();
    Ranking {
        posterior: if sums.total > 0.0 {
            sums.posterior()
        } else {
            // The evidence is impossible: it cannot move anything.
            (0..network.causes())
                .map(|cause| network.prior(cause))
                .collect()
        },
        log_evidence,
        left_out: bound::left_out(&passes, network, log_evidence),
        explanations: explanations(&weighed, log_evidence),
        factors: sums.factors(&passes),
        findings: network.findings(),
    }
}

/// The heaviest sets, as explanations.
fn explanations(weighed: &[Weighed], log_evidence: f64) -> Vec<Explanation> {
    let mut heavy: Vec<&Weighed> = weighed
        .iter()
        .filter(|weighed| weighed.log_weight - log_evidence > LEAST_SHARE.ln())
        .collect();
    heavy.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    heavy
        .into_iter()
        .take(MAX_EXPLANATIONS)
        .map(|weighed| Explanation {
            causes: weighed.set.present().to_vec(),
            probability: (weighed.log_weight - log_evidence).exp(),
        })
        .collect()
}

/// A set of present causes.
#[derive(Clone, Copy, Debug, Default)]
struct Set {
    causes: [usize; MAX_PRESENT],
    length: usize,
}

impl Set {
    fn present(&self) -> &[usize] {
        &self.causes[..self.length]
    }

    fn with(mut self, cause: usize) -> Self {
        self.causes[self.length] = cause;
        self.length += 1;
        self
    }
}

/// A set and the logarithm of its weight: prior times likelihood.
struct Weighed {
    set: Set,
    log_weight: f64,
}

/// An observed finding of one reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Observed {
    pub(super) finding: usize,
    /// Whether it holds.
    pub(super) holds: bool,
}

/// One reading, prepared.
pub(super) struct Pass {
    pub(super) observed: Vec<Observed>,
    /// Row per cause, column per observed finding: 1 − strength.
    spared: Vec<f64>,
    /// 1 − leak of each observed finding.
    unleaked: Vec<f64>,
    /// The reading's share among the readings.
    pub(super) share: f64,
}

impl Pass {
    fn new(network: &Network, outcomes: &[Outcome], share: f64) -> Self {
        let observed: Vec<Observed> = (0..network.findings())
            .zip(outcomes)
            .filter(|&(_, &outcome)| outcome != Outcome::Unobserved)
            .map(|(finding, &outcome)| Observed {
                finding,
                holds: outcome == Outcome::True,
            })
            .collect();
        let spared = (0..network.causes())
            .flat_map(|cause| {
                observed
                    .iter()
                    .map(move |seen| 1.0 - network.strength(cause, seen.finding))
            })
            .collect();
        Self {
            unleaked: observed
                .iter()
                .map(|seen| 1.0 - network.leak(seen.finding))
                .collect(),
            observed,
            spared,
            share,
        }
    }

    /// Calls `emit` for each set of up to [`MAX_PRESENT`] causes with its running number, the logarithm of share times
    /// prior, and the probability of each observed outcome. The order depends on the network alone.
    fn walk(&self, network: &Network, emit: impl FnMut(usize, Set, f64, &[f64])) {
        let none: f64 = (0..network.causes())
            .map(|cause| (-network.prior(cause)).ln_1p())
            .sum();
        Walker {
            pass: self,
            network,
            index: 0,
            products: vec![self.unleaked.clone(); MAX_PRESENT + 1],
            factors: vec![0.0; self.observed.len()],
            emit,
        }
        .visit(Set::default(), 0, self.share.ln() + none);
    }
}

/// The recursion over sets, with its running products.
struct Walker<'a, E> {
    pass: &'a Pass,
    network: &'a Network,
    index: usize,
    /// For each number of present causes, the probability that each observed finding is false.
    products: Vec<Vec<f64>>,
    factors: Vec<f64>,
    emit: E,
}

impl<E: FnMut(usize, Set, f64, &[f64])> Walker<'_, E> {
    fn visit(&mut self, set: Set, from: usize, log_prior: f64) {
        let products = &self.products[set.length];
        for ((factor, seen), &product) in self
            .factors
            .iter_mut()
            .zip(&self.pass.observed)
            .zip(products)
        {
            *factor = if seen.holds { 1.0 - product } else { product };
        }
        (self.emit)(self.index, set, log_prior, &self.factors);
        self.index += 1;
        let closed = set
            .present()
            .iter()
            .any(|&cause| self.network.is_alone(cause));
        if set.length == MAX_PRESENT || closed {
            return;
        }
        let width = self.pass.observed.len();
        for cause in from..self.network.causes() {
            let prior = self.network.prior(cause);
            if prior <= 0.0 || (set.length > 0 && self.network.is_alone(cause)) {
                continue;
            }
            let (head, tail) = self.products.split_at_mut(set.length + 1);
            let spared = &self.pass.spared[cause * width..(cause + 1) * width];
            for ((next, &current), &spared) in tail[0].iter_mut().zip(&head[set.length]).zip(spared)
            {
                *next = current * spared;
            }
            let log_odds = prior.ln() - (-prior).ln_1p();
            self.visit(set.with(cause), cause + 1, log_prior + log_odds);
        }
    }
}

/// The logarithm of a product of probabilities, without underflow.
fn log_product(factors: &[f64]) -> f64 {
    factors
        .chunks(CHUNK)
        .map(|chunk| {
            let product: f64 = chunk.iter().product();
            if product > f64::MIN_POSITIVE {
                product.ln()
            } else {
                chunk.iter().map(|factor| factor.ln()).sum()
            }
        })
        .sum()
}

/// `ln(exp(a) + exp(b))`.
fn log_add(a: f64, b: f64) -> f64 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low == f64::NEG_INFINITY {
        high
    } else {
        high + (low - high).exp().ln_1p()
    }
}

/// Sums of weights, relative to the heaviest set.
struct Sums {
    heaviest: f64,
    findings: usize,
    total: f64,
    /// For each cause, the weight of the sets that hold it.
    with: Vec<f64>,
    /// For each finding, the total when that finding is left out of the evidence.
    total_without: Vec<f64>,
    /// Row per cause, column per finding: the weight of the sets that hold the cause, without the finding.
    with_without: Vec<f64>,
}

impl Sums {
    fn new(network: &Network, heaviest: f64) -> Self {
        let (causes, findings) = (network.causes(), network.findings());
        Self {
            heaviest,
            findings,
            total: 0.0,
            with: vec![0.0; causes],
            total_without: vec![0.0; findings],
            with_without: vec![0.0; causes * findings],
        }
    }

    fn add(&mut self, weighed: &Weighed) {
        let weight = (weighed.log_weight - self.heaviest).exp();
        self.total += weight;
        for &cause in weighed.set.present() {
            self.with[cause] += weight;
        }
    }

    /// Adds what a set weighs without each finding in turn.
    fn add_without(&mut self, set: Set, log_prior: f64, observed: &[Observed], factors: &[f64]) {
        let impossible = factors.iter().filter(|&&factor| factor <= 0.0).count();
        if impossible > 1 {
            return;
        }
        let weight = (log_prior + log_product(factors) - self.heaviest).exp();
        let mut seen = observed.iter().zip(factors).enumerate().peekable();
        for finding in 0..self.findings {
            let without = match seen.next_if(|(_, (seen, _))| seen.finding == finding) {
                None => weight,
                Some((_, (_, &factor))) if factor > 0.0 => weight / factor,
                Some((at, _)) => {
                    let rest = log_product(&factors[..at]) + log_product(&factors[at + 1..]);
                    (log_prior + rest - self.heaviest).exp()
                }
            };
            if without > 0.0 {
                self.total_without[finding] += without;
                for &cause in set.present() {
                    self.with_without[cause * self.findings + finding] += without;
                }
            }
        }
    }

    fn posterior(&self) -> Vec<f64> {
        self.with
            .iter()
            .map(|with| (with / self.total).clamp(0.0, 1.0))
            .collect()
    }

    /// `P(outcome | cause, rest) / P(outcome | no cause, rest)` for each cause and finding.
    fn factors(&self, passes: &[Pass]) -> Vec<f64> {
        let mut factors = vec![1.0; self.with_without.len()];
        for seen in passes.iter().flat_map(|pass| &pass.observed) {
            let finding = seen.finding;
            for (cause, &with) in self.with.iter().enumerate() {
                let index = cause * self.findings + finding;
                let with_without = self.with_without[index];
                let given = with / with_without;
                let otherwise = (self.total - with) / (self.total_without[finding] - with_without);
                let factor = given / otherwise;
                factors[index] = if factor.is_nan() { 1.0 } else { factor };
            }
        }
        factors
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::network::Outcome::{False, True, Unobserved};
    use super::*;

    /// The ABS network of the worked examples: sensor, ring, module; code, lamp, drop-out. Numbers invented.
    fn abs_network() -> Network {
        let mut network = Network::new(&[0.03, 0.01, 0.005], &[0.001, 0.005, 0.02]);
        for (finding, strengths) in [[0.8, 0.2, 0.6], [0.95, 0.90, 0.99], [0.3, 0.85, 0.0]]
            .into_iter()
            .enumerate()
        {
            for (cause, strength) in strengths.into_iter().enumerate() {
                network.link(cause, finding, strength);
            }
        }
        network
    }

    #[test]
    fn exact_posteriors_of_the_abs_network() {
        let source = "pyAgrum 3.3.1 LazyPropagation; enumeration with fractions; Quickscore";
        let network = abs_network();
        for (outcomes, evidence, posterior) in [
            (
                [True, Unobserved, Unobserved],
                0.029_845_269_856,
                [0.805_351_539_858, 0.074_491_153_430, 0.102_322_817_342],
            ),
            (
                [Unobserved, True, Unobserved],
                0.046_799_098_951_6,
                [0.609_589_810_984, 0.193_126_418_731, 0.105_816_201_061],
            ),
            (
                [True, True, Unobserved],
                0.027_495_239_392_8,
                [0.831_350_266_083, 0.073_798_044_385, 0.110_021_488_195],
            ),
            (
                [True, True, True],
                0.008_897_733_230_36,
                [0.823_107_655_041, 0.195_767_229_438, 0.014_536_345_346],
            ),
            (
                [True, True, False],
                0.018_597_506_162_5,
                [0.835_293_835_373, 0.015_443_485_369, 0.155_705_104_111],
            ),
            (
                [False, True, True],
                0.007_879_729_122_98,
                [0.229_467_712_417, 0.759_012_813_878, 0.006_981_800_908],
            ),
            (
                [False, True, False],
                0.011_424_130_435_8,
                [0.338_050_751_806, 0.090_005_284_413, 0.163_865_514_179],
            ),
            (
                [False, False, False],
                0.931_107_949_711,
                [0.000_216_447_985, 0.000_121_197_431, 0.000_020_100_098],
            ),
        ] {
            let ranking = rank(&network, &outcomes);
            assert!(
                (ranking.evidence() - evidence).abs() < 1e-12,
                "{source}: {outcomes:?}"
            );
            for (got, expected) in ranking.posterior.iter().zip(posterior) {
                assert!((got - expected).abs() < 1e-12, "{source}: {outcomes:?}");
            }
            assert!(
                ranking.left_out.abs() < f64::EPSILON,
                "three causes, three at once"
            );
        }
    }

    #[test]
    fn exact_fractions_of_all_three_findings() {
        let source = "enumeration with fractions";
        let ranking = rank(&abs_network(), &[True, True, True]);
        let whole = 5_561_083_268_972_458_469.0_f64;
        for (got, expected) in [
            (ranking.evidence(), whole / 625e18),
            (ranking.posterior[0], 4_577_370_209_010_125_469.0 / whole),
            (
                ranking.posterior[1],
                98_970_714_931_018_054.0 / 505_553_024_452_041_679.0,
            ),
            (ranking.posterior[2], 80_837_826_896_610_094.0 / whole),
        ] {
            assert!((got - expected).abs() < 1e-15, "{source}: {got}");
        }
    }

    #[test]
    fn exact_posteriors_of_the_fever_network() {
        let source = "pgmpy 1.1.2 NoisyORCPD with VariableElimination; exact fractions";
        let mut network = Network::new(&[0.1, 0.05, 0.001], &[0.0]);
        for (cause, strength) in [0.4, 0.8, 0.9].into_iter().enumerate() {
            network.link(cause, 0, strength);
        }
        let ranking = rank(&network, &[True]);
        assert!(
            (ranking.evidence() - 30_949.0 / 390_625.0).abs() < 1e-15,
            "{source}"
        );
        for (got, expected) in ranking.posterior.iter().zip([
            66_331.0 / 123_796.0,
            126_277.0 / 247_592.0,
            2_837.0 / 247_592.0,
        ]) {
            assert!((got - expected).abs() < 1e-14, "{source}: {got}");
        }
    }

    /// Weight of every set of causes, of whatever size, by the formula.
    fn enumerate(network: &Network, outcomes: &[Outcome]) -> Vec<(Vec<usize>, f64)> {
        (0..1_u32 << network.causes())
            .filter_map(|mask| {
                let present: Vec<usize> = (0..network.causes())
                    .filter(|cause| mask >> cause & 1 == 1)
                    .collect();
                if present.len() > 1 && present.iter().any(|&cause| network.is_alone(cause)) {
                    return None;
                }
                let prior: f64 = (0..network.causes())
                    .map(|cause| {
                        if present.contains(&cause) {
                            network.prior(cause)
                        } else {
                            1.0 - network.prior(cause)
                        }
                    })
                    .product();
                let likelihood: f64 = outcomes
                    .iter()
                    .enumerate()
                    .map(|(finding, &outcome)| network.outcome_given(&present, finding, outcome))
                    .product();
                Some((present, prior * likelihood))
            })
            .collect()
    }

    fn outcome() -> impl Strategy<Value = Outcome> {
        prop_oneof![Just(True), Just(False), Just(Unobserved)]
    }

    prop_compose! {
        /// A network of up to 8 causes and 6 findings, one cause perhaps standing alone, and outcomes for it.
        fn network_and_outcomes()(causes in 1..=8_usize, findings in 1..=6_usize)(
            priors in prop::collection::vec(0.001..0.5_f64, causes),
            leaks in prop::collection::vec(0.0..0.3_f64, findings),
            strengths in prop::collection::vec(prop_oneof![Just(0.0), 0.0..0.99_f64], causes * findings),
            outcomes in prop::collection::vec(outcome(), findings),
            alone in prop::option::of(0..causes),
        ) -> (Network, Vec<Outcome>) {
            let mut network = Network::new(&priors, &leaks);
            for (index, strength) in strengths.into_iter().enumerate() {
                network.link(index / leaks.len(), index % leaks.len(), strength);
            }
            if let Some(alone) = alone {
                network.stands_alone(alone);
            }
            (network, outcomes)
        }
    }

    proptest! {
        #[test]
        fn what_is_left_out_is_bounded((network, outcomes) in network_and_outcomes()) {
            let all = enumerate(&network, &outcomes);
            let whole: f64 = all.iter().map(|(_, weight)| weight).sum();
            prop_assume!(whole > 1e-12);
            let summed: f64 = all
                .iter()
                .filter(|(present, _)| present.len() <= MAX_PRESENT)
                .map(|(_, weight)| weight)
                .sum();
            prop_assume!(summed > 0.0);
            let ranking = rank(&network, &outcomes);
            prop_assert!((ranking.evidence() / summed - 1.0).abs() < 1e-9);
            let share = (whole - summed) / whole;
            prop_assert!(share <= ranking.left_out + 1e-12, "{share} above {}", ranking.left_out);
            for cause in 0..network.causes() {
                let with: f64 = all
                    .iter()
                    .filter(|(present, _)| present.contains(&cause))
                    .map(|(_, weight)| weight)
                    .sum();
                let off = (with / whole - ranking.posterior[cause]).abs();
                prop_assert!(off <= ranking.left_out + 1e-9, "cause {cause} off by {off}");
            }
            let kept: f64 = ranking.explanations.iter().map(|set| set.probability).sum();
            prop_assert!((kept - 1.0).abs() < 1e-5);
        }

        #[test]
        fn factors_are_bayes_factors((network, outcomes) in network_and_outcomes()) {
            let ranking = rank(&network, &outcomes);
            prop_assume!(ranking.log_evidence.is_finite());
            for (finding, &outcome) in outcomes.iter().enumerate() {
                let mut rest = outcomes.clone();
                rest[finding] = Unobserved;
                let without = rank(&network, &rest);
                for cause in 0..network.causes() {
                    let factor = ranking.factor(cause, finding);
                    if outcome == Unobserved {
                        prop_assert!((factor - 1.0).abs() < f64::EPSILON);
                        continue;
                    }
                    let odds = |p: f64| p / (1.0 - p);
                    let (after, before) = (ranking.posterior[cause], without.posterior[cause]);
                    if before > 1e-9 && before < 1.0 - 1e-9 && after > 1e-9 && after < 1.0 - 1e-9 {
                        let expected = odds(after) / odds(before);
                        prop_assert!((factor / expected - 1.0).abs() < 1e-5, "{factor} not {expected}");
                    }
                }
            }
        }

        #[test]
        fn a_finding_of_one_cause_never_lowers_it((network, outcomes) in network_and_outcomes(), strength in 0.01..1.0_f64) {
            let cause = 0;
            prop_assume!(outcomes[0] == Unobserved);
            let mut network = network;
            for other in 0..network.causes() {
                network.link(other, 0, if other == cause { strength } else { 0.0 });
            }
            let before = rank(&network, &outcomes);
            prop_assume!(before.log_evidence.is_finite());
            let mut outcomes = outcomes;
            outcomes[0] = True;
            let after = rank(&network, &outcomes);
            prop_assume!(after.log_evidence.is_finite());
            prop_assert!(after.posterior[cause] >= before.posterior[cause] - 1e-12);
        }

        #[test]
        fn a_leak_of_one_says_nothing((network, outcomes) in network_and_outcomes()) {
            let leaks: Vec<f64> = (0..network.findings())
                .map(|finding| if finding == 0 { 1.0 } else { network.leak(finding) })
                .collect();
            let priors: Vec<f64> = (0..network.causes()).map(|cause| network.prior(cause)).collect();
            let mut certain = Network::new(&priors, &leaks);
            for cause in 0..network.causes() {
                for finding in 0..network.findings() {
                    certain.link(cause, finding, network.strength(cause, finding));
                }
            }
            let mut outcomes = outcomes;
            outcomes[0] = Unobserved;
            let before = rank(&certain, &outcomes);
            prop_assume!(before.log_evidence.is_finite());
            outcomes[0] = True;
            let after = rank(&certain, &outcomes);
            for (a, b) in before.posterior.iter().zip(&after.posterior) {
                prop_assert!((a - b).abs() < 1e-9);
            }
        }

        #[test]
        fn readings_are_mixed_by_weight((network, outcomes) in network_and_outcomes(), weight in 0.1..0.9_f64) {
            let mut other = outcomes.clone();
            other.reverse();
            let first = rank(&network, &outcomes);
            let second = rank(&network, &other);
            prop_assume!(first.log_evidence.is_finite() && second.log_evidence.is_finite());
            let mixed = rank_readings(&network, &[
                Reading { weight, outcomes },
                Reading { weight: 1.0 - weight, outcomes: other },
            ]);
            let shares = [weight * first.evidence(), (1.0 - weight) * second.evidence()];
            let whole: f64 = shares.iter().sum();
            prop_assert!((mixed.evidence() / whole - 1.0).abs() < 1e-9);
            for cause in 0..network.causes() {
                let expected = (shares[0] * first.posterior[cause] + shares[1] * second.posterior[cause]) / whole;
                prop_assert!((mixed.posterior[cause] - expected).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn many_findings_do_not_underflow() {
        let mut network = Network::new(&[0.1; 5], &[1e-6; 400]);
        for finding in 0..400 {
            network.link(finding % 5, finding, 1e-5);
        }
        let ranking = rank(&network, &[True; 400]);
        assert!(ranking.log_evidence.is_finite());
        assert!(ranking.posterior.iter().all(|p| p.is_finite()));
    }

    #[test]
    fn impossible_evidence_gives_no_panic() {
        let network = Network::new(&[0.1], &[0.0]);
        let ranking = rank(&network, &[True]);
        assert!(ranking.log_evidence == f64::NEG_INFINITY);
        assert!((ranking.posterior[0] - 0.1).abs() < 1e-12);
        let empty = rank(&Network::new(&[], &[]), &[]);
        assert!((empty.evidence() - 1.0).abs() < 1e-12);
    }
}
