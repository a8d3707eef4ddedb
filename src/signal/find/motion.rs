//! Whether four numbers change over time as a vehicle's speed does.
//!
//! A speed is what an acceleration adds up to, and a driver keeps one for seconds: over four times the time it changes nearly
//! four times as much. Torques, pressures and pedals follow the driver's foot at once: over four times the time they change
//! little more, as a random walk (twice as much) or less. So the *persistence* is the exponent of growth, summed over two
//! steps of a factor of four: 2 for a ramp, 1 for a random walk, 0 for noise. (The exponent is that of Hurst, 1951, taken from
//! mean squares of increments.)

use super::places::Row;

/// The first time span, in seconds, where samples are near enough.
const FIRST_SPAN_S: f64 = 0.2;
/// The least persistence of a speed over the first span, and what it loses with every factor of four of that span.
const ENOUGH: f64 = 1.64;
const LATER: f64 = 0.27;
/// Fewest pairs of a span.
const FEWEST_PAIRS: usize = 24;
/// What must be left of the changes over the first span without the wheels' own noise.
const LEFT_OF_NOISE: f64 = 0.3;

/// What is known of how changes grow with time.
#[derive(Clone, Copy, Debug)]
enum Persistence {
    /// The sum of two exponents.
    Of(f64),
    /// The wheels' own noise hides it.
    Hidden,
    /// Too few samples lie as far apart as it takes.
    Unknown,
}

/// Four speeds over time.
#[derive(Debug)]
pub(super) struct Course<'a> {
    /// Times of the rows, in seconds.
    pub(super) times: Vec<f64>,
    pub(super) rows: &'a [Row],
    /// The middle speed of each row, in steps.
    pub(super) middles: Vec<f64>,
}

impl<'a> Course<'a> {
    /// Of rows in slots of `slot_s` seconds.
    pub(super) fn of(slots: &[u32], rows: &'a [Row], slot_s: f64) -> Self {
        Self {
            times: slots.iter().map(|slot| f64::from(*slot) * slot_s).collect(),
            rows,
            middles: rows.iter().map(|row| middle(*row)).collect(),
        }
    }
}

/// How the four change together.
#[derive(Clone, Copy, Debug)]
pub(super) struct Motion {
    persistence: Persistence,
    /// The first span that was taken, in seconds.
    span_s: f64,
    /// The 98th percentile of the change of the middle speed, in steps a second.
    pub(super) hardest: f64,
    /// Share of time in which all rest on the lowest number.
    pub(super) rest: f64,
}

impl Motion {
    pub(super) fn of(course: &Course<'_>) -> Self {
        let Course {
            times,
            rows,
            middles,
        } = course;
        let mut intervals: Vec<f64> = times
            .windows(2)
            .filter_map(|pair| Some(pair.last()? - pair.first()?))
            .collect();
        intervals.sort_unstable_by(f64::total_cmp);
        let usual = intervals.get(intervals.len() / 2).copied().unwrap_or(0.0);
        let first_s = first_span(usual);
        let hardest = hardest(times, middles);
        let lowest = rows.iter().flatten().copied().fold(f64::MAX, f64::min);
        let resting = rows
            .iter()
            .filter(|row| row.iter().all(|value| *value <= lowest + 1.0))
            .count();
        #[expect(clippy::cast_precision_loss, reason = "a few thousand rows")]
        let rest = resting as f64 / rows.len().max(1) as f64;
        // Bursts with gaps have nothing at the first span; longer ones may.
        let persistences = [1.0, 2.0, 4.0, 8.0].map(|longer| {
            let span_s = longer * first_s;
            (span_s, persistence(times, rows, span_s))
        });
        let known =
            |(_, persistence): &(f64, Persistence)| !matches!(persistence, Persistence::Unknown);
        let found = persistences.into_iter().find(known);
        let (span_s, persistence) = found.unwrap_or((first_s, Persistence::Unknown));
        Self {
            persistence,
            span_s,
            hardest,
            rest,
        }
    }

    /// 1 where samples follow each other within 0.2 s, 0 where most of a second passes.
    pub(super) fn quick(&self) -> f64 {
        ((4.0 * FIRST_SPAN_S / self.span_s).ln() / 4.0_f64.ln()).clamp(0.0, 1.0)
    }

    /// By how much the persistence is above what a speed has at least; `None` when it is not known.
    pub(super) fn persistent(&self) -> Option<f64> {
        let Persistence::Of(sum) = self.persistence else {
            return None;
        };
        // Samples that are seconds apart see less of it: a drive has stops and starts.
        let later = (self.span_s / FIRST_SPAN_S).ln() / 4.0_f64.ln();
        Some(sum - (ENOUGH - LATER * later))
    }
}

/// The first time span for samples that are usually so far apart: the least multiple of that which is long enough.
fn first_span(usual: f64) -> f64 {
    if usual > 0.0 {
        usual * (FIRST_SPAN_S / usual - 1e-6).ceil().max(1.0)
    } else {
        FIRST_SPAN_S
    }
}

/// The middle of four speeds: the mean of the middle two, which one faulty or spinning wheel does not drag along.
pub(super) fn middle(mut row: Row) -> f64 {
    row.sort_unstable_by(f64::total_cmp);
    let [_, low, high, _] = row;
    f64::midpoint(low, high)
}

/// The 98th percentile of the change, in steps a second, over at least a quarter of a second each.
fn hardest(times: &[f64], middles: &[f64]) -> f64 {
    let mut changes = Vec::new();
    changes_over(times, 0.25, f64::INFINITY, |from, to, span| {
        if let (Some(a), Some(b)) = (middles.get(from), middles.get(to)) {
            changes.push((b - a).abs() / span);
        }
    });
    changes.sort_unstable_by(f64::total_cmp);
    let share = changes.get(changes.len() * 98 / 100);
    share.copied().unwrap_or(0.0)
}

/// Calls `each` with two places and the time between them, which is at least `span` and at most `most`.
fn changes_over(times: &[f64], span: f64, most: f64, mut each: impl FnMut(usize, usize, f64)) {
    let mut to = 0;
    for (from, time) in times.iter().enumerate() {
        // A hair less, so that rounding does not skip the sample that is meant.
        while times
            .get(to)
            .is_some_and(|other| *other < time + span - 1e-6)
        {
            to += 1;
        }
        let Some(other) = times.get(to) else { break };
        if other - time <= most {
            each(from, to, other - time);
        }
    }
}

/// The sum of the exponents from the first span to four times and to sixteen times as much.
fn persistence(times: &[f64], rows: &[Row], first_s: f64) -> Persistence {
    let over = |times_s: f64| squares(times, rows, first_s * times_s);
    let (Some(a), Some(b), Some(c)) = (over(1.0), over(4.0), over(16.0)) else {
        return Persistence::Unknown;
    };
    if a.1 <= LEFT_OF_NOISE * a.0 || b.1 <= LEFT_OF_NOISE * b.0 || c.1 <= 0.0 {
        return Persistence::Hidden;
    }
    // Both are rates: over the same slope they stay alike.
    let exponent = |slow: f64, fast: f64| 0.5 * (slow / fast).ln() / 4.0_f64.ln() + 1.0;
    Persistence::Of(exponent(b.1, a.1) + exponent(c.1, b.1))
}

/// The mean squared rate of change of the mean over a span, as it is and without what the wheels' own noise makes of it.
fn squares(times: &[f64], rows: &[Row], span: f64) -> Option<(f64, f64)> {
    let mut all = 0.0;
    let mut contrasts = [0.0; 3];
    let mut count = 0_u32;
    changes_over(times, span, 1.5 * span, |from, to, time| {
        let (Some(before), Some(after)) = (rows.get(from), rows.get(to)) else {
            return;
        };
        let mut changes = *after;
        for (change, before) in changes.iter_mut().zip(before) {
            *change -= before;
        }
        let [a, b, c, d] = changes;
        all += ((a + b + c + d) / 4.0 / time).powi(2);
        // Each has the noise of one wheel, the mean half of it.
        let three = [a + b - c - d, a - b + c - d, a - b - c + d];
        for (sum, contrast) in contrasts.iter_mut().zip(three) {
            *sum += (contrast / 2.0 / time).powi(2);
        }
        count += 1;
    });
    let least = contrasts.iter().copied().fold(f64::MAX, f64::min);
    let enough = usize::try_from(count).is_ok_and(|count| count >= FEWEST_PAIRS);
    let of = f64::from(count.max(1));
    enough.then_some((all / of, (all - least / 4.0).max(0.0) / of))
}

#[cfg(test)]
mod tests {
    use super::super::test_numbers::chance;
    use super::*;

    fn motion(value: impl Fn(u32) -> f64) -> Motion {
        let slots: Vec<u32> = (0..3_000).collect();
        let rows: Vec<Row> = slots.iter().map(|slot| [value(*slot); 4]).collect();
        Motion::of(&Course::of(&slots, &rows, 0.05))
    }

    #[test]
    fn ramps_persist_and_a_foot_does_not() {
        // A speed: ramps of ten seconds up and down. A pedal: another place every second.
        let ramps = motion(|slot| 2_000.0 - (f64::from(slot % 400) - 200.0).abs() * 10.0);
        assert!(ramps.persistent().unwrap() > 0.1, "{ramps:?}");
        let foot = motion(|slot| 500.0 * (1.0 + chance(slot / 20)));
        assert!(foot.persistent().unwrap() < -0.3, "{foot:?}");
        let mut sum = 0.0;
        let walk: Vec<f64> = (0..3_000)
            .map(|slot| {
                sum += 0.5 * chance(slot);
                500.0 + 10.0 * sum
            })
            .collect();
        let walk = motion(|slot| walk[usize::try_from(slot).unwrap()]);
        // Theory: a random walk grows with the square root of time, so the two exponents are a half each.
        let Persistence::Of(persistence) = walk.persistence else {
            panic!("{walk:?}");
        };
        assert!((persistence - 1.0).abs() < 0.25, "{persistence}");
        assert!(walk.persistent().unwrap() < -0.3, "{walk:?}");
    }

    #[test]
    fn persistence_is_known_at_any_distance_of_samples() {
        // Samples every 0.16 s as they are left of an hour, and bursts of four every second.
        let speed = |slot: u32, slot_s: f64| {
            2_000.0 - ((f64::from(slot) * slot_s).rem_euclid(60.0) - 30.0).abs() * 60.0
        };
        let of = |slots: &[u32], slot_s: f64| {
            let rows: Vec<Row> = slots.iter().map(|slot| [speed(*slot, slot_s); 4]).collect();
            Motion::of(&Course::of(slots, &rows, slot_s)).persistent()
        };
        let thinned: Vec<u32> = (0..2_000).collect();
        assert!(of(&thinned, 0.16).is_some_and(|above| above > 0.0));
        let bursts: Vec<u32> = (0..400).map(|n| n / 4 * 50 + n % 4).collect();
        let above = of(&bursts, 0.02);
        assert!(above.is_some_and(|above| above > 0.0), "{above:?}");
    }

    #[test]
    fn the_hardest_change_is_that_of_the_middle() {
        // 2 steps a slot of 0.05 s, one wheel spinning.
        let slots: Vec<u32> = (0..1_000).collect();
        let rows: Vec<Row> = slots
            .iter()
            .map(|slot| {
                let speed = 2.0 * f64::from(*slot);
                [speed, speed, speed, speed + 450.0 * (1.0 + chance(*slot))]
            })
            .collect();
        let motion = Motion::of(&Course::of(&slots, &rows, 0.05));
        assert!((motion.hardest - 40.0).abs() < 1e-6, "{motion:?}");
    }
}
