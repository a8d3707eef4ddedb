//! The Lomb-Scargle periodogram of unevenly spaced samples, and how likely chance makes a peak of it.
//!
//! Power is the share of the (weighted) square sum that a sine of one frequency explains: 0 to 1, "standard"
//! normalisation. A constant is fitted beside the sine where the caller asks for it.
//!
//! Sources: N. R. Lomb, Astrophys. Space Sci. 39 (1976) 447; J. D. Scargle, Astrophys. J. 263 (1982) 835;
//! M. Zechmeister and M. Kürster, Astron. Astrophys. 496 (2009) 577 (constant fitted);
//! R. V. Baluev, Mon. Not. R. Astron. Soc. 385 (2008) 1279 (false alarm).

use std::f64::consts::TAU;

use super::statistics::ln_gamma;

/// What a sine at one frequency explains.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Line {
    /// Share of the square sum, 0 to 1.
    pub(super) power: f64,
    /// Amplitude of the sine, in the unit of the values.
    pub(super) amplitude: f64,
}

/// Sums over the samples from which a line is made; all weighted.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    /// Σ w y².
    pub(super) square: f64,
    /// Σ w y cos and Σ w y sin.
    pub(super) value: (f64, f64),
    /// Σ w cos 2x and Σ w sin 2x.
    pub(super) double: (f64, f64),
    /// Σ w.
    pub(super) weight: f64,
}

impl Sums {
    /// The best sine of this frequency.
    pub(super) fn line(&self) -> Line {
        // Σ w cos², Σ w sin², Σ w cos sin.
        let cc = f64::midpoint(self.weight, self.double.0);
        let ss = f64::midpoint(self.weight, -self.double.0);
        let cs = self.double.1 / 2.0;
        let determinant = cc * ss - cs * cs;
        if determinant <= 1e-9 * self.weight * self.weight || self.square <= 0.0 {
            return Line::default();
        }
        let (yc, ys) = self.value;
        let a = (yc * ss - ys * cs) / determinant;
        let b = (ys * cc - yc * cs) / determinant;
        Line {
            power: ((a * yc + b * ys) / self.square).clamp(0.0, 1.0),
            amplitude: a.hypot(b),
        }
    }
}

/// The line at `frequency` of values whose mean is taken off first.
#[cfg(test)]
pub(super) fn line(at: &[f64], values: &[f64], frequency: f64) -> Line {
    let count = super::statistics::count(values.len());
    let mean = values.iter().sum::<f64>() / count;
    let mut sums = Sums {
        weight: count,
        ..Sums::default()
    };
    for (&at, &value) in at.iter().zip(values) {
        let (sin, cos) = (TAU * frequency * at).sin_cos();
        let value = value - mean;
        sums.square += value * value;
        sums.value.0 += value * cos;
        sums.value.1 += value * sin;
        sums.double.0 += cos * cos - sin * sin;
        sums.double.1 += 2.0 * sin * cos;
    }
    sums.line()
}

/// The probability that noise alone reaches this power at one given frequency, for `count` samples.
pub(super) fn false_alarm_at_one(power: f64, count: f64) -> f64 {
    (1.0 - power.clamp(0.0, 1.0)).powf(0.5 * (count - 3.0).max(0.0))
}

/// The probability that noise alone reaches this power anywhere in a band of this `width`, for `count` samples with
/// this variance of their positions (Baluev's bound for standard normalisation).
pub(super) fn false_alarm(power: f64, count: f64, width: f64, variance: f64) -> f64 {
    let power = power.clamp(0.0, 1.0);
    if count <= 4.0 {
        return 1.0;
    }
    let single = false_alarm_at_one(power, count);
    let independent = width * (2.0 * TAU * variance).sqrt();
    let degrees = count - 1.0;
    let gamma =
        (2.0 / degrees).sqrt() * (ln_gamma(degrees / 2.0) - ln_gamma((degrees - 1.0) / 2.0)).exp();
    let crossings = gamma
        * independent
        * (1.0 - power).powf(0.5 * (count - 4.0))
        * (0.5 * degrees * power).sqrt();
    // 1 − (1 − single)·exp(−crossings), without losing small numbers.
    (single - (1.0 - single) * (-crossings).exp_m1()).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the libraries give. `tests/cross/wheels.py` computes it anew with the installed ones and compares.
    #[derive(serde::Deserialize)]
    struct Libraries {
        frequencies: Vec<f64>,
        power: Vec<f64>,
        /// Power, probability at one frequency, and Baluev's bound.
        false_alarm: Vec<[f64; 3]>,
        comb_orders: Vec<f64>,
        comb_power: Vec<f64>,
        off_centre: [f64; 2],
    }

    fn libraries() -> Libraries {
        serde_json::from_str(include_str!("../../tests/data/periodogram.json")).unwrap()
    }

    fn published() -> (Vec<f64>, Vec<f64>) {
        let at: Vec<f64> = (0..20).map(f64::from).map(|k| k + 0.3 * k.sin()).collect();
        let values = at
            .iter()
            .map(|t| (TAU * 0.17 * t).sin() + 0.5 * (TAU * 0.31 * t).cos())
            .collect();
        (at, values)
    }

    /// Source: scipy 1.17.1 `signal.lombscargle(t, y − mean, 2πf, normalize=True)`, which is astropy 8.0.2
    /// `LombScargle(…, fit_mean=False)` with standard normalisation.
    #[test]
    fn power_is_that_of_two_libraries() {
        let (at, values) = published();
        assert!((values.iter().sum::<f64>() - 0.359_994_991_291).abs() < 1e-11);
        let Libraries {
            frequencies, power, ..
        } = libraries();
        for (frequency, expected) in frequencies.into_iter().zip(power) {
            let power = line(&at, &values, frequency).power;
            assert!((power - expected).abs() < 1e-10, "{frequency}: {power}");
        }
    }

    /// Source: astropy 8.0.2 `false_alarm_probability`, methods `single` and `baluev`, N 20, up to frequency 0.5. The
    /// library takes the last point of its own grid as the highest frequency: 47.5 steps of 1 / (5 · time base).
    #[test]
    fn false_alarm_is_that_of_a_library() {
        let (at, _) = published();
        let width = 47.5 / (5.0 * 19.044_963_162_898_885);
        let mean = at.iter().sum::<f64>() / 20.0;
        let variance = at.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / 20.0;
        for [power, single, baluev] in libraries().false_alarm {
            let close = |value: f64, expected: f64| (value / expected - 1.0).abs() < 1e-8;
            let got = false_alarm_at_one(power, 20.0);
            assert!(close(got, single), "single {power}: {got}");
            let got = false_alarm(power, 20.0, width, variance);
            assert!(close(got, baluev), "baluev {power}: {got}");
        }
    }

    /// Source: |FFT|²/n of 16 points of cos 2πt + ¼ sin πt every 0.25 (scipy 1.17.1): 0, 0.25, 0, 4, 0.
    #[test]
    fn even_sampling_gives_the_fourier_transform() {
        let at: Vec<f64> = (0..16).map(|k| 0.25 * f64::from(k)).collect();
        let values: Vec<f64> = at
            .iter()
            .map(|t| (TAU * t).cos() + 0.25 * (TAU * t / 2.0).sin())
            .collect();
        let square: f64 = values.iter().map(|value| value * value).sum();
        for (frequency, expected) in [
            (0.25, 0.0),
            (0.5, 0.25),
            (0.75, 0.0),
            (1.0, 4.0),
            (1.25, 0.0),
        ] {
            let raw = line(&at, &values, frequency).power * square / 2.0;
            assert!((raw - expected).abs() < 1e-12, "{frequency}: {raw}");
        }
    }

    /// Source: numpy 2.4.6 rfft and scipy quad on ω = ω₀ (1 + 0.01 sin θ), 48 readings a turn, ten turns.
    #[test]
    fn a_ring_off_centre_is_one_line_at_order_one() {
        // dθ/dt = ω₀ (1 + e sin θ): readings evenly spaced in angle, each the mean over one tooth.
        let eccentricity = 0.01;
        let teeth = 48;
        let turn = |angle: f64| 1.0 / (1.0 + eccentricity * angle.sin());
        let mut at = Vec::new();
        let mut values = Vec::new();
        for reading in 0..teeth * 10 {
            let start = TAU * f64::from(reading) / f64::from(teeth);
            let step = TAU / f64::from(teeth);
            // Time over one tooth by Simpson's rule with ten pieces.
            let pieces = 10;
            let h = step / f64::from(pieces);
            let time: f64 = (0..pieces)
                .map(|piece| {
                    let a = start + h * f64::from(piece);
                    h / 6.0 * (turn(a) + 4.0 * turn(a + h / 2.0) + turn(a + h))
                })
                .sum();
            at.push((start + step / 2.0) / TAU);
            values.push(step / time);
        }
        let amplitude = |order| line(&at, &values, order).amplitude;
        assert!(
            (amplitude(1.0) - libraries().off_centre[0]).abs() < 1e-8,
            "{}",
            amplitude(1.0)
        );
        assert!(
            (amplitude(2.0) - libraries().off_centre[1]).abs() < 1e-10,
            "{}",
            amplitude(2.0)
        );
    }

    /// Source: astropy 8.0.2, one of 48 teeth missing, readings in angle: power at orders 1 to 5 and 0.5.
    #[test]
    fn a_missing_tooth_is_a_comb() {
        let mut at = Vec::new();
        let mut values = Vec::new();
        for turn in 0..10 {
            for tooth in 0..47 {
                at.push(f64::from(turn) + f64::from(tooth) / 48.0);
                values.push(if tooth == 0 { 0.5 } else { 1.0 });
            }
        }
        let Libraries {
            comb_orders,
            comb_power,
            ..
        } = libraries();
        assert_eq!(comb_orders.len(), 6);
        for (order, expected) in comb_orders.into_iter().zip(comb_power) {
            let power = line(&at, &values, order).power;
            assert!((power - expected).abs() < 1e-10, "{order}: {power}");
        }
    }
}
