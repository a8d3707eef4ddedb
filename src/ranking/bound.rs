//! A bound on what the sets with more than [`MAX_PRESENT`] causes could add.
//!
//! For every set, each true finding is at most as likely as with *all* causes present, and each false finding's
//! probability is a product over the causes, which merges with the prior. So the weight of the larger sets is at most
//! `∏ true (1 − (1 − leak) ∏ all (1 − q)) · ∏ false (1 − leak) · Σ over larger sets ∏ in p′ ∏ out (1 − p)` with
//! `p′ = p ∏ false (1 − q)`; the sum is the whole product less its elementary symmetric part up to [`MAX_PRESENT`].

use super::network::{MAX_PRESENT, Network};
use super::posterior::Pass;

/// Upper bound of the share that larger sets hold of the whole probability of the evidence.
pub(super) fn left_out(passes: &[Pass], network: &Network, log_evidence: f64) -> f64 {
    let larger: f64 = passes
        .iter()
        .map(|pass| weight_of_larger(pass, network))
        .sum();
    if larger <= 0.0 {
        return 0.0;
    }
    let summed = log_evidence.exp();
    larger / (larger + summed)
}

/// Upper bound of the weight of the larger sets in one reading.
fn weight_of_larger(pass: &Pass, network: &Network) -> f64 {
    let together: Vec<usize> = (0..network.causes())
        .filter(|&cause| !network.is_alone(cause))
        .collect();
    // A cause that stands alone is absent from every larger set.
    let mut ceiling: f64 = pass.share
        * (0..network.causes())
            .filter(|&cause| network.is_alone(cause))
            .map(|cause| 1.0 - network.prior(cause))
            .product::<f64>();
    for seen in &pass.observed {
        ceiling *= if seen.holds {
            1.0 - network.false_given(&together, seen.finding)
        } else {
            1.0 - network.leak(seen.finding)
        };
    }
    // sizes[k]: weight of the sets of exactly k causes; the last place gathers all larger ones.
    let mut sizes = [0.0; MAX_PRESENT + 2];
    sizes[0] = 1.0;
    for &cause in &together {
        let prior = network.prior(cause);
        let spared: f64 = pass
            .observed
            .iter()
            .filter(|seen| !seen.holds)
            .map(|seen| 1.0 - network.strength(cause, seen.finding))
            .product();
        let (present, absent) = (prior * spared, 1.0 - prior);
        for size in (0..sizes.len()).rev() {
            let stays = if size == MAX_PRESENT + 1 {
                absent + present
            } else {
                absent
            };
            let grows = if size == 0 {
                0.0
            } else {
                sizes[size - 1] * present
            };
            sizes[size] = sizes[size] * stays + grows;
        }
    }
    ceiling * sizes[MAX_PRESENT + 1]
}
