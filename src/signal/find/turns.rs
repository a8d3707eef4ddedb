//! What one step is in km/h, from the turns of the wheels themselves.
//!
//! No ring and no tyre is perfectly round: a wheel's speed ripples with every turn, by a few tenths of a per cent. Along the way
//! travelled the ripple repeats after one circumference, and the circumference of a car's tyre is known within some
//! ten per cent. Steps in use differ by more, so a ripple that stands out tells which of them is meant. The ripple is looked
//! for in what each wheel does beside the middle of the four, so that bends and the engine count little.

use crate::signal::Trace;

/// Rolling circumferences that are looked at, in metres, the usual one, and how far a tyre may be from it (standard deviation
/// of the logarithm). From 165/70R13 to 265/70R17 of the tyre tables.
const CIRCUMFERENCE_M: (f64, f64) = (1.72, 2.35);
pub(super) const USUAL_M: f64 = 2.0;
const UNUSUAL: f64 = 0.14;
/// Step of the logarithm of the wave number.
const STEP: f64 = 0.003;
/// Longest stretch that is taken as one, and the shortest, in seconds.
const LONGEST_S: f64 = 20.0;
const SHORTEST_S: f64 = 4.0;
/// A longer gap ends a stretch, in seconds.
const GAP_S: f64 = 0.8;
/// Fewest samples of a stretch, and most of all together.
const FEWEST: usize = 100;
const MOST: usize = 4_000;
/// Samples farther apart than this, in seconds, do not belong together.
const TOGETHER_S: f64 = 0.05;
/// Slower than this share of the highest speed is not used.
const SLOW: f64 = 0.3;
/// A turn takes more than this many samples.
const SAMPLES_A_WAVE: f64 = 2.2;
/// Fewest turns in a stretch.
const FEWEST_TURNS: f64 = 6.0;
/// Half width of the moving mean that is taken off, in seconds.
const MEAN_S: f64 = 1.0;
/// How many multiples of the turn count.
const MULTIPLES: u32 = 5;
/// What stands out by less than this is chance.
const CHANCE: f64 = 14.0;
/// The most that turns say, as a logarithm of odds.
const MOST_SAID: f64 = 7.0;

/// What the ripple says of some steps.
#[derive(Clone, Debug)]
pub(super) struct Turns {
    /// For each step the logarithm of the odds that it gains.
    pub(super) says: Vec<f64>,
    /// For each step the circumference that fits it best, in metres.
    pub(super) circumference_m: Vec<f64>,
    /// The step at which the ripple stands out most with the usual circumference.
    pub(super) best_step: f64,
}

/// The four wheels at the times of the first, in steps above rest.
#[derive(Clone, Debug, Default)]
struct Table {
    time_s: Vec<f64>,
    rows: Vec<[f64; 4]>,
    middles: Vec<f64>,
}

/// Looks for the ripple. `steps` are km/h a step of the number, `factor` is what the traces were made with.
pub(super) fn find(traces: [&Trace; 4], factor: f64, steps: &[f64]) -> Option<Turns> {
    let table = Table::of(traces, factor);
    let (low, high) = steps.iter().fold((f64::MAX, 0.0_f64), |(low, high), step| {
        (low.min(*step), high.max(*step))
    });
    if steps.is_empty() || low <= 0.0 {
        return None;
    }
    // Waves for each step of the number times a second.
    let first = (low / 3.6 / CIRCUMFERENCE_M.1).ln() - 0.3;
    let last = (f64::from(MULTIPLES) * high / 3.6 / CIRCUMFERENCE_M.0).ln() + 0.3;
    let mut waves = Vec::new();
    let mut log = first;
    while log < last && waves.len() < 4_000 {
        waves.push(log.exp());
        log += STEP;
    }
    let spectrum = spectrum(&table, &waves)?;
    let outstanding = outstanding(&spectrum);
    let at = |wave: f64| -> f64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a negative place becomes 0, where nothing stands out"
        )]
        let place = ((wave.ln() - first) / STEP).round().max(0.0) as usize;
        let around = place.saturating_sub(1)..=place + 1;
        let around = around.filter_map(|place| outstanding.get(place));
        around.copied().fold(0.0, f64::max)
    };
    // All multiples of a turn may show; nothing may show between them, or the turn is a longer one.
    let comb = |wave: f64| -> f64 {
        (1..=MULTIPLES)
            .map(|multiple| {
                let multiple = f64::from(multiple);
                let between = [0.5, 1.0 / 3.0, 2.0 / 3.0].map(|less| at((multiple - less) * wave));
                let between = between.into_iter().fold(0.0, f64::max);
                (at(multiple * wave) - between) / multiple
            })
            .sum()
    };
    let combs: Vec<(f64, f64)> = waves.iter().map(|wave| (*wave, comb(*wave))).collect();
    let (best_wave, most) =
        combs.iter().copied().fold(
            (0.0, 0.0),
            |best, next| if next.1 > best.1 { next } else { best },
        );
    if most < CHANCE {
        return None;
    }
    let strength = ((most - CHANCE) / CHANCE).min(1.0);
    let mut says = Vec::new();
    let mut circumferences = Vec::new();
    for step in steps {
        let mut best = (0.0, USUAL_M);
        for (wave, value) in &combs {
            let circumference = step / 3.6 / wave;
            if (CIRCUMFERENCE_M.0..=CIRCUMFERENCE_M.1).contains(&circumference) {
                let off = (circumference / USUAL_M).ln() / UNUSUAL;
                let value = value * (-0.5 * off * off).exp();
                if value > best.0 {
                    best = (value, circumference);
                }
            }
        }
        says.push(MOST_SAID * strength * best.0 / most);
        circumferences.push(best.1);
    }
    Some(Turns {
        says,
        circumference_m: circumferences,
        best_step: best_wave * 3.6 * USUAL_M,
    })
}

impl Table {
    fn of(traces: [&Trace; 4], factor: f64) -> Self {
        let mut table = Self::default();
        let [first, others @ ..] = traces;
        let mut places = [0_usize; 3];
        for (time, value) in first.time_s.iter().zip(&first.value) {
            let mut row = [f64::from(*value) / factor, f64::NAN, f64::NAN, f64::NAN];
            for ((other, place), cell) in others.iter().zip(&mut places).zip(row.iter_mut().skip(1))
            {
                let off = |place: usize| other.time_s.get(place).map(|at| (at - time).abs());
                while let (Some(here), Some(next)) = (off(*place), off(*place + 1))
                    && next <= here
                {
                    *place += 1;
                }
                if off(*place).is_some_and(|off| off <= TOGETHER_S)
                    && let Some(value) = other.value.get(*place)
                {
                    *cell = f64::from(*value) / factor;
                }
            }
            if row.iter().all(|value| value.is_finite()) {
                table.time_s.push(*time);
                table.middles.push(super::motion::middle(row));
                table.rows.push(row);
            }
        }
        table
    }

    /// Stretches without gaps in which the vehicle rolls, those with the longest way first.
    fn stretches(&self) -> Vec<std::ops::Range<usize>> {
        let mut sorted = self.middles.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let top = sorted.get(sorted.len() * 98 / 100).copied().unwrap_or(0.0);
        let time = |place: usize| self.time_s.get(place).copied().unwrap_or(f64::NAN);
        let mut stretches = Vec::new();
        let mut start = 0;
        for place in 1..=self.time_s.len() {
            let goes_on = place < self.time_s.len() && {
                let step = time(place) - time(place - 1);
                let rolls = self
                    .middles
                    .get(place)
                    .is_some_and(|speed| *speed >= SLOW * top);
                step > 0.0 && step <= GAP_S && time(place) - time(start) <= LONGEST_S && rolls
            };
            if !goes_on {
                if place - start >= FEWEST && time(place - 1) - time(start) >= SHORTEST_S {
                    stretches.push(start..place);
                }
                start = place;
            }
        }
        let way = |stretch: &std::ops::Range<usize>| -> f64 {
            let speeds = self.middles.get(stretch.clone()).unwrap_or_default();
            let span = time(stretch.end - 1) - time(stretch.start);
            #[expect(clippy::cast_precision_loss, reason = "a few thousand samples")]
            let count = speeds.len().max(1) as f64;
            speeds.iter().sum::<f64>() / count * span
        };
        stretches.sort_by(|a, b| way(b).total_cmp(&way(a)));
        let mut used = 0;
        stretches
            .into_iter()
            .take_while(|stretch| {
                let enough = used >= MOST;
                used += stretch.len();
                !enough
            })
            .collect()
    }
}

/// For each wave number the power of the ripple over all wheels and stretches, and in how many it could be looked for.
fn spectrum(table: &Table, waves: &[f64]) -> Option<Vec<(f64, f64)>> {
    let mut sums = vec![(0.0, 0.0); waves.len()];
    let stretches = table.stretches();
    for stretch in &stretches {
        let times = table.time_s.get(stretch.clone())?;
        let rows = table.rows.get(stretch.clone())?;
        let middles = table.middles.get(stretch.clone())?;
        let mut steps: Vec<f64> = times
            .windows(2)
            .filter_map(|pair| Some(pair.last()? - pair.first()?))
            .collect();
        steps.sort_unstable_by(f64::total_cmp);
        let usual = steps.get(steps.len() / 2).copied()?;
        for wheel in 0..4 {
            let speeds: Vec<f64> = rows
                .iter()
                .filter_map(|row| row.get(wheel).copied())
                .collect();
            let mut way = vec![0.0];
            for (speed, time) in speeds.windows(2).zip(times.windows(2)) {
                let (&[a, b], &[from, to]) = (speed, time) else {
                    continue;
                };
                let before = way.last().copied().unwrap_or(0.0);
                way.push(before + f64::midpoint(a, b) * (to - from));
            }
            let ripple = ripple(times, &speeds, middles);
            let square: f64 = ripple.iter().map(|value| value * value).sum();
            let mut sorted = speeds.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            let speed = sorted.get(sorted.len() / 2).copied()?;
            let whole = way.last().copied()?;
            if square <= 0.0 {
                continue;
            }
            for (wave, sum) in waves.iter().zip(&mut sums) {
                if wave * whole < FEWEST_TURNS || wave * speed * usual * SAMPLES_A_WAVE > 1.0 {
                    continue;
                }
                let (mut sine, mut cosine) = (0.0, 0.0);
                for (at, value) in way.iter().zip(&ripple) {
                    let (s, c) = (std::f64::consts::TAU * wave * at).sin_cos();
                    sine += value * s;
                    cosine += value * c;
                }
                sum.0 += (sine * sine + cosine * cosine) / square;
                sum.1 += 1.0;
            }
        }
    }
    (!stretches.is_empty()).then_some(sums)
}

/// What a wheel does beside the middle of the four, as a share of it, without slow changes and with outliers cut.
fn ripple(times: &[f64], speeds: &[f64], middles: &[f64]) -> Vec<f64> {
    let beside: Vec<f64> = speeds
        .iter()
        .zip(middles)
        .map(|(speed, middle)| (speed - middle) / middle.max(1e-9))
        .collect();
    let mut sums = vec![0.0];
    for value in &beside {
        sums.push(sums.last().copied().unwrap_or(0.0) + value);
    }
    let (mut from, mut to) = (0, 0);
    let mut ripple = Vec::with_capacity(beside.len());
    for (value, time) in beside.iter().zip(times) {
        while times.get(from).is_some_and(|other| *other < time - MEAN_S) {
            from += 1;
        }
        while times.get(to).is_some_and(|other| *other <= time + MEAN_S) {
            to += 1;
        }
        let (low, high) = (sums.get(from), sums.get(to));
        #[expect(clippy::cast_precision_loss, reason = "a few thousand samples")]
        let count = (to - from).max(1) as f64;
        let mean = (high.copied().unwrap_or(0.0) - low.copied().unwrap_or(0.0)) / count;
        ripple.push(value - mean);
    }
    #[expect(clippy::cast_precision_loss, reason = "a few thousand samples")]
    let count = ripple.len().max(1) as f64;
    let spread = (ripple.iter().map(|value| value * value).sum::<f64>() / count).sqrt();
    for value in &mut ripple {
        *value = value.clamp(-3.0 * spread, 3.0 * spread);
    }
    ripple
}

/// How much each power stands out of those around it, as the logarithm of the likelihood against chance: the power of noise is
/// spread exponentially, its mean over *n* like the mean of *n* such.
fn outstanding(spectrum: &[(f64, f64)]) -> Vec<f64> {
    const AROUND: usize = 66;
    const NEAR: usize = 6;
    let means: Vec<Option<f64>> = spectrum
        .iter()
        .map(|(sum, count)| (*count > 0.0).then(|| sum / count))
        .collect();
    let mut result = Vec::with_capacity(means.len());
    for (place, (mean, (_, count))) in means.iter().zip(spectrum).enumerate() {
        let below = place.saturating_sub(AROUND)..place.saturating_sub(NEAR);
        let above = (place + NEAR).min(means.len())..(place + AROUND).min(means.len());
        let mut around: Vec<f64> = below
            .chain(above)
            .filter_map(|other| means.get(other).copied().flatten())
            .collect();
        around.sort_unstable_by(f64::total_cmp);
        let usual = around.get(around.len() / 2).copied();
        let value = match (mean, usual) {
            (Some(mean), Some(usual)) if around.len() > 20 && usual > 0.0 => {
                let times = (mean / usual).max(1.0);
                count * (times - 1.0 - times.ln())
            }
            _ => 0.0,
        };
        result.push(value);
    }
    result
}

#[cfg(test)]
mod tests {
    use super::super::test_numbers::chance;
    use super::*;

    /// Two minutes at about 60 km/h, 50 samples a second, in steps of 1/32 km/h, with a ripple of the size given once a
    /// turn of 1.98 m and noise of one step.
    fn drive(ripple: f64) -> [Trace; 4] {
        let mut traces = [(); 4].map(|()| Trace::new(1.0));
        let mut way = 0.0;
        for sample in 0..6_000_u32 {
            let time = f64::from(sample) * 0.02;
            let kmh = 60.0 + 12.0 * (time / 11.0).sin();
            way += kmh / 3.6 * 0.02;
            for (wheel, trace) in (0_u32..).zip(&mut traces) {
                let turn = way / 1.98 * (1.0 + 0.002 * f64::from(wheel)) + f64::from(wheel);
                let own = 1.0 + ripple * (std::f64::consts::TAU * turn).sin();
                let raw = kmh * own * 32.0 + chance(sample * 4 + wheel);
                #[expect(clippy::cast_possible_truncation, reason = "a speed in steps")]
                trace.push(time, raw.round() as f32);
            }
        }
        traces
    }

    const STEPS: [f64; 5] = [1.0 / 64.0, 0.0225, 1.0 / 32.0, 0.05, 1.0 / 16.0];

    #[test]
    fn a_ripple_once_a_turn_tells_the_step() {
        let traces = drive(0.001);
        let turns = find(traces.each_ref(), 1.0, &STEPS).unwrap();
        let best = turns.says.iter().copied().fold(0.0, f64::max);
        assert!(turns.says[2] > 5.0 && turns.says[2] >= best, "{turns:?}");
        assert!(
            turns.says[0] < best - 2.0 && turns.says[4] < best - 2.0,
            "{turns:?}"
        );
        assert!(
            (turns.circumference_m[2] / 1.98 - 1.0).abs() < 0.01,
            "{turns:?}"
        );
        assert!(
            (turns.best_step * 32.0 / 2.0 * 1.98 - 1.0).abs() < 0.02,
            "{turns:?}"
        );
    }

    #[test]
    fn noise_tells_nothing() {
        let turns = find(drive(0.0).each_ref(), 1.0, &STEPS);
        assert!(turns.is_none(), "{turns:?}");
    }
}
