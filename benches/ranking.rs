//! Speed of the ranking: random networks with as many causes and findings as a large rule set has, and the shipped rules.
//!
//! `cargo bench --bench ranking`

use divan::Bencher;
use tonering::diagnosis::Model;
use tonering::ranking::{Check, CheckResult, Network, Outcome, Repair, plan, rank};
use tonering::rules::Rules;

fn main() {
    divan::main();
}

/// Numbers from 0 to 1, the same in every run.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        f64::from(u32::try_from(self.0 >> 32).unwrap_or(0)) / f64::from(u32::MAX)
    }
}

/// Every cause brings about one finding in four; every finding was looked for, one in three holds.
fn network(causes: usize, findings: usize) -> (Network, Vec<Outcome>) {
    let mut numbers = Numbers(0x2545_F491_4F6C_DD1D);
    let priors: Vec<f64> = (0..causes).map(|_| 0.002 + 0.04 * numbers.next()).collect();
    let leaks: Vec<f64> = (0..findings)
        .map(|_| 0.001 + 0.05 * numbers.next())
        .collect();
    let mut network = Network::new(&priors, &leaks);
    for cause in 0..causes {
        for finding in 0..findings {
            if numbers.next() < 0.25 {
                network.link(cause, finding, numbers.next());
            }
        }
    }
    let outcomes = (0..findings)
        .map(|_| {
            if numbers.next() < 0.33 {
                Outcome::True
            } else {
                Outcome::False
            }
        })
        .collect();
    (network, outcomes)
}

#[divan::bench(args = [20, 40, 60])]
fn rank_causes_by_as_many_findings(bencher: Bencher<'_, '_>, size: usize) {
    let (network, outcomes) = network(size, size);
    bencher.bench(|| rank(&network, &outcomes));
}

/// The shipped rules when every finding could be observed and none holds: the most that one ranking can take.
#[divan::bench]
fn rank_the_shipped_rules(bencher: Bencher<'_, '_>) {
    let rules = Rules::built_in().expect("a test keeps them sound");
    let model = Model::new(&rules);
    let outcomes = vec![Outcome::False; model.network.findings()];
    bencher.bench(|| rank(&model.network, &outcomes));
}

/// Five checks out of sixty, each with two results that settle one finding.
#[divan::bench]
fn plan_five_of_sixty_checks(bencher: Bencher<'_, '_>) {
    let (network, mut outcomes) = network(60, 60);
    for outcome in outcomes.iter_mut().step_by(2) {
        *outcome = Outcome::Unobserved;
    }
    let ranking = rank(&network, &outcomes);
    let checks: Vec<Check> = (0..60)
        .map(|finding| Check {
            cost: 5.0,
            urgent: false,
            results: [true, false]
                .map(|holds| CheckResult {
                    settles: vec![(finding, holds)],
                })
                .to_vec(),
        })
        .collect();
    let repairs = vec![
        Repair {
            cost: 50.0,
            last: false,
        };
        60
    ];
    bencher.bench(|| plan(&network, &ranking, &checks, &repairs, 300.0, 5));
}
