//! The few statistics that the measures share. All ignore values that are not finite.

/// Half width of a 95 % interval, in standard deviations of a normal distribution.
pub(super) const Z_95: f64 = 1.959_963_984_540_054;

/// A standard deviation in median absolute deviations of a normal distribution.
const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// How much wider the interval of a median is than that of a mean, for a normal distribution: √(π/2).
const MEDIAN_WIDENS: f64 = 1.253_314_137_315_500_3;

/// The median; the mean of the middle two for an even count. `None` without a finite value. Reorders `values`.
pub(super) fn median(values: &mut Vec<f64>) -> Option<f64> {
    values.retain(|value| value.is_finite());
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let even = values.len().is_multiple_of(2);
    let (below, &mut upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    if !even {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// The median of the first `count` of three values; `None` for none of them.
#[inline]
pub(super) fn median_of_few(values: &[f64; 3], count: usize) -> Option<f64> {
    let ordered = |a: f64, b: f64| {
        if b.total_cmp(&a).is_lt() {
            (b, a)
        } else {
            (a, b)
        }
    };
    let [first, second, third] = *values;
    match count {
        0 => None,
        1 => Some(first),
        2 => {
            let (low, high) = ordered(first, second);
            Some(f64::midpoint(low, high))
        }
        _ => {
            let (low, high) = ordered(first, second);
            let (middle, _) = ordered(high, third);
            Some(ordered(low, middle).1)
        }
    }
}

/// The value below which `share` of the values lie (nearest rank). `None` without a finite value. Reorders `values`.
pub(super) fn quantile(values: &mut Vec<f64>, share: f64) -> Option<f64> {
    values.retain(|value| value.is_finite());
    let last = values.len().checked_sub(1)?;
    let rank = index(share * count(last)).min(last);
    let (_, &mut value, _) = values.select_nth_unstable_by(rank, f64::total_cmp);
    Some(value)
}

/// A location with its spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Centre {
    /// The median.
    pub(super) value: f64,
    /// Half width of its 95 % interval.
    pub(super) half_width: f64,
    /// Spread of a single value, as a standard deviation.
    pub(super) sigma: f64,
    /// From how many values.
    pub(super) count: usize,
}

/// Median, spread by the median absolute deviation, and the 95 % interval of the median. Reorders `values`.
pub(super) fn centre(values: &mut Vec<f64>) -> Option<Centre> {
    let value = median(values)?;
    let count_of = values.len();
    for entry in values.iter_mut() {
        *entry = (*entry - value).abs();
    }
    let sigma = median(values)? * SIGMA_PER_MAD;
    Some(Centre {
        value,
        half_width: Z_95 * MEDIAN_WIDENS * sigma / count(count_of).sqrt(),
        sigma,
        count: count_of,
    })
}

/// A count as a number.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of samples are far below 2^53"
)]
pub(super) const fn count(count: usize) -> f64 {
    count as f64
}

/// A number rounded to an index; 0 for what is negative or no number.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float to integer casts saturate, which is what is wanted"
)]
pub(super) fn index(number: f64) -> usize {
    number.round() as usize
}

/// A speed narrowed for storage.
#[expect(
    clippy::cast_possible_truncation,
    reason = "speeds need seven digits at most"
)]
pub(super) const fn narrow(value: f64) -> f32 {
    value as f32
}

/// P(X ≥ `seen`) for a Poisson distribution with this mean: 1 for `seen` 0.
pub(super) fn poisson_tail(seen: u64, mean: f64) -> f64 {
    if seen == 0 {
        return 1.0;
    }
    if mean <= 0.0 {
        return 0.0;
    }
    let seen = count(usize::try_from(seen).unwrap_or(usize::MAX));
    if seen <= mean {
        // Only small probabilities matter here; summing from below is exact enough on this side.
        let mut term = (-mean).exp();
        let mut below = 0.0;
        let mut k = 0.0;
        while k < seen && k < 10_000.0 {
            below += term;
            k += 1.0;
            term *= mean / k;
        }
        return (1.0 - below).clamp(0.0, 1.0);
    }
    // The upper tail term by term: it falls at least as fast as a geometric series.
    let mut term = (seen * mean.ln() - mean - ln_factorial(seen)).exp();
    let mut sum = 0.0;
    let mut k = seen;
    for _ in 0..10_000 {
        sum += term;
        k += 1.0;
        term *= mean / k;
        if term < sum * 1e-12 {
            break;
        }
    }
    sum.clamp(0.0, 1.0)
}

/// P(X ≥ `seen`) of a binomial distribution: `seen` of `trials` where each hits with probability `share`.
pub(super) fn binomial_tail(seen: u64, trials: u64, share: f64) -> f64 {
    if seen == 0 {
        return 1.0;
    }
    if seen > trials || share <= 0.0 {
        return 0.0;
    }
    if share >= 1.0 {
        return 1.0;
    }
    let number = |value: u64| count(usize::try_from(value).unwrap_or(usize::MAX));
    let trials_n = number(trials);
    let mut sum = 0.0;
    for hits in seen..=trials.min(seen.saturating_add(10_000)) {
        let k = number(hits);
        sum += (ln_factorial(trials_n) - ln_factorial(k) - ln_factorial(trials_n - k)
            + k * share.ln()
            + (trials_n - k) * (1.0 - share).ln())
        .exp();
    }
    sum.clamp(0.0, 1.0)
}

/// P(X ≥ `x`) of a gamma distribution with this whole-numbered shape and scale 1.
pub(super) fn gamma_tail(shape: u32, x: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    let mut sum = 0.0;
    for j in 0..shape {
        let j = f64::from(j);
        sum += (j * x.ln() - x - ln_factorial(j)).exp();
    }
    sum.clamp(0.0, 1.0)
}

/// ln Γ(x) for x > 0: Stirling's series above 8, and the recurrence down to it.
pub(super) fn ln_gamma(x: f64) -> f64 {
    let mut shift = 0.0;
    let mut x = x;
    while x < 8.0 {
        shift += x.ln();
        x += 1.0;
    }
    let square = x * x;
    let series = 1.0 / (12.0 * x) - 1.0 / (360.0 * x * square)
        + 1.0 / (1260.0 * x * square * square)
        - 1.0 / (1680.0 * x * square.powi(3));
    (x - 0.5) * x.ln() - x + 0.5 * std::f64::consts::TAU.ln() + series - shift
}

/// ln(n!), by Stirling's series above 20.
fn ln_factorial(n: f64) -> f64 {
    if n < 20.5 {
        let mut sum = 0.0;
        let mut k = 2.0;
        while k <= n + 0.5 {
            sum += f64::ln(k);
            k += 1.0;
        }
        return sum;
    }
    n * n.ln() - n + 0.5 * (std::f64::consts::TAU * n).ln() + 1.0 / (12.0 * n)
        - 1.0 / (360.0 * n.powi(3))
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn a_median_of_few_is_that_of_many(values: [f64; 3], count in 0_usize..=3) {
            let few = median_of_few(&values, count).map(f64::to_bits);
            let mut sorted = values[..count].to_vec();
            sorted.sort_by(f64::total_cmp);
            let expected = match sorted[..] {
                [] => None,
                [only] => Some(only),
                [low, high] => Some(f64::midpoint(low, high)),
                [_, middle, ..] => Some(middle),
            };
            proptest::prop_assert_eq!(few, expected.map(f64::to_bits));
        }
    }

    #[test]
    fn medians_and_quantiles() {
        assert_eq!(median(&mut vec![3.0, f64::NAN, 1.0]), Some(2.0));
        assert_eq!(median(&mut vec![3.0, 9.0, 1.0]), Some(3.0));
        assert_eq!(median(&mut vec![f64::NAN]), None);
        assert_eq!(
            quantile(&mut vec![5.0, 1.0, 2.0, 3.0, 4.0], 0.25),
            Some(2.0)
        );
        let centre = centre(&mut vec![1.0, 2.0, 3.0, 4.0, 5.0]).unwrap();
        assert!((centre.sigma - 1.482_602_2).abs() < 1e-6);
    }

    /// Source: the definition, summed by hand with exact fractions: P(X ≥ 3 | mean 1) = 1 − 2.5/e;
    /// binomial 8 of 10 at one half: 56/1024.
    #[test]
    fn tails_follow_their_definition() {
        let expected = 1.0 - 2.5 / std::f64::consts::E;
        assert!((poisson_tail(3, 1.0) - expected).abs() < 1e-12);
        assert!((poisson_tail(1, 2.0) - (1.0 - (-2.0_f64).exp())).abs() < 1e-12);
        assert!((binomial_tail(8, 10, 0.5) - 56.0 / 1024.0).abs() < 1e-12);
        assert!((binomial_tail(1, 40, 0.1) - (1.0 - 0.9_f64.powi(40))).abs() < 1e-6);
        assert!((gamma_tail(3, 2.0) - 5.0 * (-2.0_f64).exp()).abs() < 1e-12);
        assert!((ln_gamma(0.5) - std::f64::consts::PI.sqrt().ln()).abs() < 1e-10);
        assert!((ln_gamma(10.0) - 362_880.0_f64.ln()).abs() < 1e-10);
        assert!((ln_factorial(25.0) - 58.003_605_222_980_52).abs() < 1e-9);
    }
}
