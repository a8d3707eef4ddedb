//! How sure it is that four numbers that stay close are the wheels of one vehicle, weighed against what else stays close.
//!
//! Wheels on a road have in common the vehicle's speed, and beside it each has a noise of its own, as large as the others'.
//! Bends move the sides apart, slip moves the axles apart a little, and at a stop all four rest together. What else moves in
//! fours does not do all of that: copies and means of one speed follow from each other, or lag behind by a tenth of a second and more;
//! temperatures, pressures and heights drift apart slowly; a counter never turns back; torques and pedals follow a foot.
//! Each of these is a term below, and a logistic function of their weighed sum is the sureness.
//!
//! The weights were fitted on generated buses, half of them without wheels (docs/profile.md says how, and how often the stated
//! sureness was right on others). They are numbers of ours, not of a standard.

use super::motion::{Course, Motion};
use super::places::{ROWS_A_WORD, Row, SIGNS, against};

/// The rounding of whole steps, as a standard deviation of a contrast of four.
const ROUNDING: f64 = 0.3;
/// Half the time over which the acceleration is taken, in seconds.
const HALF_S: f64 = 0.25;
/// Below this share of the range above its low end, in spreads, the vehicle counts as slow and is left out.
const SLOW: f64 = 0.1;
/// A wheel that is this many times as far off as usual is not reckoned with.
const FAR: f64 = 5.0;
/// How far one wheel is from the mean of others at least, in distances of those from each other.
const USUAL_DEPENDENCE: f64 = 0.36;

/// What was seen of four numbers beside the rows themselves.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// How many of the four do not end where the flip rate drops.
    pub(super) unclean: u8,
    /// Whether all stand still together somewhere.
    pub(super) stop: bool,
}

/// What another speed on the bus says of the four.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reported {
    /// A speed is reported while the vehicle moves, and it is not theirs.
    pub(super) disagrees: bool,
    /// A reported or broadcast speed follows them.
    pub(super) follows: bool,
}

/// What speaks for and against four numbers being wheels.
#[derive(Clone, Copy, Debug)]
pub(super) struct Evidence {
    /// The quietest contrast between pairs over the loudest, as a logarithm: two move in bends, one does not.
    bend: f64,
    /// How nearly one of the four is a mean of others, as a logarithm: below 0 where it is.
    depends: f64,
    /// The noise of the quietest contrast over that of the loudest, as a logarithm: filtered copies are smoother. Between samples
    /// that are most of a second apart, bends are what differs, and it says nothing.
    uneven: f64,
    /// How slowly the pairs drift apart: 0 for noise to 0.7.
    drifts: f64,
    /// The longest lag of one pair behind another, as a logarithm above 0.04 s.
    lags: f64,
    /// By how much the persistence is above what a speed has at least.
    persists: f64,
    /// 1 where a standstill was seen.
    stop: f64,
    /// How many of the four do not end where the flip rate drops.
    unclean: f64,
    /// 0 to 2: mostly at rest, as a brake's pressure, and never falling, as a counter.
    odd: f64,
    /// The noise of the loudest contrast over the spread of the speed, as a logarithm.
    rough: f64,
    /// How much the rows tell: their count times the bits of the spread.
    detail: f64,
}

/// What the odds begin with, as a logarithm, where half of all captures have wheels.
const BASE: f64 = 1.1;
const BEND: f64 = -2.0;
const DEPENDS: f64 = 3.1;
const UNEVEN: f64 = 6.0;
const DRIFTS: f64 = -8.2;
const LAGS: f64 = -6.3;
const PERSISTS: f64 = 11.0;
const STOP: f64 = 2.7;
const UNCLEAN: f64 = -3.5;
const ODD: f64 = -5.0;
const DISAGREES: f64 = -2.9;
const FOLLOWS: f64 = 2.2;
/// The noise of wheels on a road over the spread of their speed, as a logarithm, and what rougher ones count for themselves.
const USUAL_ROUGH: f64 = -5.0;
const ROUGH: f64 = 1.0;
/// Of two readings of the same bits, the rougher one counts so much against one that ends where no number does.
const STRAIN: f64 = 4.0;
/// What lowers the odds by this logarithm is worth telling.
const DOUBT: f64 = 1.0;
/// No answer is surer, and of one that is so sure no doubt is told: on buses that nothing was fitted on, 4 of 228 whose sum
/// came to 90 % and more were wrong.
const MOST_SURE: f64 = 0.98;

/// What is left of one contrast between two pairs once the speed and its change are taken out.
#[derive(Clone, Copy, Debug)]
struct Left {
    /// Its standard deviation, in steps.
    size: f64,
    /// By how much one pair lags behind the other at least, in seconds: what was found less two standard errors.
    lag_s: f64,
    /// The root mean square of its second differences.
    quick: f64,
    /// Correlation of neighbours: 0 for noise, 1 for what drifts.
    drift: f64,
}

impl Evidence {
    /// Weighs what four numbers did.
    pub(super) fn of(course: &Course<'_>, motion: &Motion, seen: Seen) -> Self {
        let Course { rows, middles, .. } = course;
        let (low, spread) = range(middles);
        let drive = Drive::of(course, low + SLOW * spread);
        let mut left = SIGNS.map(|signs| {
            let contrast: Vec<f64> = rows.iter().map(|row| against(row, signs)).collect();
            Left::of(&contrast, &drive)
        });
        left.sort_unstable_by(|a, b| a.size.total_cmp(&b.size));
        let [quiet, _, loud] = left;
        let noises = left.map(|left| left.quick + ROUNDING);
        let most = |values: [f64; 3]| values.into_iter().fold(f64::MIN, f64::max);
        let least = |values: [f64; 3]| values.into_iter().fold(f64::MAX, f64::min);
        let bend = (quiet.size + ROUNDING) / (loud.size + ROUNDING);
        let resting = ((motion.rest - 0.6) / 0.2).clamp(0.0, 1.0);
        let counting = (1.0 - deepest_fall(middles) / (0.1 * spread)).max(0.0);
        Self {
            bend: bend.ln().clamp(-2.5, 0.0),
            depends: (dependence(rows, &drive.moving) / USUAL_DEPENDENCE)
                .clamp(0.2, 1.0)
                .ln(),
            uneven: motion.quick() * (least(noises) / most(noises)).ln().max(-2.0),
            drifts: (quiet.drift - 0.3).max(0.0),
            lags: (most(left.map(|left| left.lag_s)) / 0.04)
                .ln()
                .clamp(0.0, 2.5),
            persists: motion
                .persistent()
                .map_or(-0.05, |above| above.clamp(-0.6, 0.15)),
            stop: f64::from(u8::from(seen.stop)),
            unclean: f64::from(seen.unclean),
            odd: resting + counting,
            rough: (most(noises) / spread).ln(),
            detail: count(rows.len()) * spread.log2().max(0.0),
        }
    }

    /// How sure it is that these are the wheels of one vehicle, 0 to [`MOST_SURE`].
    pub(super) fn sureness(&self, reported: Reported) -> f64 {
        let terms = self
            .terms(reported)
            .iter()
            .map(|(odds, _)| odds)
            .sum::<f64>();
        let odds = BASE + BEND * self.bend + STOP * self.stop + terms;
        (1.0 / (1.0 + (-odds).exp())).min(MOST_SURE)
    }

    /// Of several readings of the same bits the one with the least of this is taken.
    pub(super) const fn strain(&self) -> f64 {
        STRAIN * self.rough + self.unclean
    }

    /// How much it tells; filtered copies of the wheels are sent less often, or in coarser steps.
    pub(super) const fn detail(&self) -> f64 {
        self.detail
    }

    /// What speaks most against it, in words; `None` when nothing does to speak of.
    pub(super) fn doubt(&self, reported: Reported) -> Option<&'static str> {
        let terms = self.terms(reported).into_iter();
        let (odds, words) = terms.min_by(|a, b| a.0.total_cmp(&b.0))?;
        (odds < -DOUBT && self.sureness(reported) < MOST_SURE).then_some(words)
    }

    /// What each term adds to the logarithm of the odds, and what it means where it takes away from it.
    fn terms(&self, reported: Reported) -> [(f64, &'static str); 10] {
        let one = |yes: bool| f64::from(u8::from(yes));
        [
            (
                DEPENDS * self.depends,
                "one of them is nearly a mean of others",
            ),
            (
                UNEVEN * self.uneven,
                "some are smoother than the others, as filtered copies are",
            ),
            (DRIFTS * self.drifts, "they drift apart slowly"),
            (LAGS * self.lags, "some come later than the others"),
            (
                PERSISTS * self.persists,
                "they do not change as steadily as a speed does",
            ),
            (
                UNCLEAN * (self.unclean - 1.0).max(0.0),
                "the fields do not end where the bits say that a number ends",
            ),
            (ODD * self.odd, "they mostly rest, or they only ever rise"),
            (
                DISAGREES * one(reported.disagrees),
                "the vehicle's reported speed is another",
            ),
            (
                ROUGH * (self.rough - USUAL_ROUGH),
                "they are smoother than wheels on a road are",
            ),
            (FOLLOWS * one(reported.follows), ""),
        ]
    }
}

/// The vehicle's speed and its change, and where they tell something.
struct Drive<'a> {
    /// The middle speed, in steps.
    middles: &'a [f64],
    /// Its change, in steps a second.
    changes: Vec<f64>,
    moving: Vec<bool>,
    /// The middle speed where `moving`.
    speeds_moving: Vec<f64>,
    /// Its change there.
    changes_moving: Vec<f64>,
}

impl<'a> Drive<'a> {
    fn of(course: &'a Course<'_>, slow: f64) -> Self {
        let middles = &course.middles;
        let moving = regular(course.rows, middles, slow);
        let changes = changes(&course.times, middles);
        Self {
            speeds_moving: only(middles, &moving),
            changes_moving: only(&changes, &moving),
            middles,
            changes,
            moving,
        }
    }
}

/// The values where `moving`.
fn only(values: &[f64], moving: &[bool]) -> Vec<f64> {
    let pairs = values.iter().zip(moving);
    pairs
        .filter(|(_, moving)| **moving)
        .map(|(value, _)| *value)
        .collect()
}

impl Left {
    fn of(contrast: &[f64], drive: &Drive<'_>) -> Self {
        let Drive {
            middles,
            changes,
            moving,
            ..
        } = drive;
        let ([of_speed, lag_s], own) = fit(
            &only(contrast, moving),
            &drive.speeds_moving,
            &drive.changes_moving,
        );
        let rest: Vec<f64> = contrast
            .iter()
            .zip(middles.iter().zip(changes))
            .map(|(value, (speed, change))| value - of_speed * speed - lag_s * change)
            .collect();
        let mean = mean(only(&rest, moving).into_iter());
        let (mut size, mut steps, mut bends, mut count) = (0.0, 0.0, 0.0, 0.0);
        for ((three, raw), moving) in rest
            .windows(3)
            .zip(contrast.windows(3))
            .zip(moving.windows(3))
        {
            let (&[before, here, _], &[a, b, c]) = (three, raw) else {
                continue;
            };
            if !moving.iter().all(|moving| *moving) {
                continue;
            }
            count += 1.0;
            size += (here - mean).powi(2);
            steps += (here - before).powi(2);
            bends += (a + c - 2.0 * b).powi(2);
        }
        let count = f64::max(count, 1.0);
        let error_s = (ROWS_A_WORD * size / count / own.max(f64::MIN_POSITIVE)).sqrt();
        Self {
            size: (size / count).sqrt(),
            lag_s: (lag_s.abs() - 2.0 * error_s).max(0.0),
            quick: (bends / count).sqrt(),
            drift: 1.0 - 0.5 * steps / size.max(1e-9),
        }
    }
}

/// How fast the middle speed changes at each time, in steps a second.
fn changes(times: &[f64], middles: &[f64]) -> Vec<f64> {
    let (mut from, mut to) = (0, 0);
    let mut changes = Vec::with_capacity(times.len());
    for time in times {
        while times.get(from).is_some_and(|other| *other < time - HALF_S) {
            from += 1;
        }
        while times
            .get(to + 1)
            .is_some_and(|_| times.get(to).is_some_and(|other| *other < time + HALF_S))
        {
            to += 1;
        }
        let of = |values: &[f64]| Some(values.get(to)? - values.get(from)?);
        let change = of(middles).zip(of(times)).filter(|(_, span)| *span > 0.0);
        changes.push(change.map_or(0.0, |(change, span)| change / span));
    }
    changes
}

/// Where the vehicle moves faster than `slow` and no wheel is far off the others: a weak sensor, a dropped signal, a wheel that
/// spins or locks says nothing of what the four are.
fn regular(rows: &[Row], middles: &[f64], slow: f64) -> Vec<bool> {
    let off = |row: &Row, middle: f64| {
        row.iter()
            .map(|value| (value - middle).abs())
            .fold(0.0, f64::max)
    };
    let offs: Vec<f64> = rows
        .iter()
        .zip(middles)
        .map(|(row, middle)| off(row, *middle))
        .collect();
    let fast: Vec<bool> = middles.iter().map(|middle| *middle > slow).collect();
    let mut sorted = only(&offs, &fast);
    sorted.sort_unstable_by(f64::total_cmp);
    let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let far = FAR * (usual + 1.0);
    let pairs = offs.iter().zip(fast);
    pairs.map(|(off, fast)| fast && *off < far).collect()
}

/// The 3rd percentile, and how far the 97th is above it.
fn range(middles: &[f64]) -> (f64, f64) {
    let mut sorted = middles.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| {
        sorted
            .get(sorted.len() * share / 100)
            .copied()
            .unwrap_or(0.0)
    };
    (at(3), (at(97) - at(3)).max(1.0))
}

/// What a contrast has of the speed and of its change, by least squares about the means, and the sum of squares of what the
/// change has for itself.
fn fit(contrast: &[f64], middles: &[f64], changes: &[f64]) -> ([f64; 2], f64) {
    let together = super::places::together;
    let (vv, aa, va) = (
        together(middles, middles),
        together(changes, changes),
        together(middles, changes),
    );
    let (vc, ac) = (together(middles, contrast), together(changes, contrast));
    let determinant = vv * aa - va * va;
    if determinant <= 0.0 {
        return ([0.0, 0.0], 0.0);
    }
    let of_speed = (vc * aa - ac * va) / determinant;
    let of_change = (ac * vv - vc * va) / determinant;
    ([of_speed, of_change], determinant / vv)
}

/// How nearly one of the four is a mean of others: the least distance of one to a mean, in distances of those others from
/// each other. Near one half for wheels, near nothing for a mean.
fn dependence(rows: &[Row], moving: &[bool]) -> f64 {
    let mut least = f64::MAX;
    for one in 0..4_usize {
        for others in [&[1, 2][..], &[1, 3], &[2, 3], &[1, 2, 3]] {
            least = least.min(distance(rows, moving, one, others));
        }
    }
    least
}

/// The distance of one of the four to the mean of others (given as places behind it), in distances of the first two of these.
fn distance(rows: &[Row], moving: &[bool], one: usize, others: &[usize]) -> f64 {
    let at = |row: &Row, place: usize| row.get((one + place) % 4).copied().unwrap_or(0.0);
    let rolling = || rows.iter().zip(moving).filter(|(_, moving)| **moving);
    let to_mean = spread(rolling().map(|(row, _)| {
        let sum: f64 = others.iter().map(|place| at(row, *place)).sum();
        at(row, 0) - sum / count(others.len())
    }));
    let &[first, second, ..] = others else {
        return f64::MAX;
    };
    let beside = spread(rolling().map(|(row, _)| at(row, first) - at(row, second)));
    to_mean / (beside + ROUNDING)
}

/// How far the middle speed ever falls behind a height that it had; a counter never does.
fn deepest_fall(middles: &[f64]) -> f64 {
    let (mut height, mut deepest) = (f64::MIN, 0.0_f64);
    for speed in middles {
        height = height.max(*speed);
        deepest = deepest.max(height - speed);
    }
    deepest
}

#[expect(clippy::cast_precision_loss, reason = "a few thousand rows")]
const fn count(count: usize) -> f64 {
    count as f64
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / f64::max(count, 1.0)
}

/// The standard deviation.
fn spread(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let middle = mean(values.clone());
    mean(values.map(|value| (value - middle).powi(2))).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::test_numbers::chance;
    use super::*;

    const SLOT_S: f64 = 0.05;
    const SILENT: Reported = Reported {
        disagrees: false,
        follows: false,
    };

    /// Steps of 0.01 km/h at `second`: ramps of 15 s up and down with a bend every 20 s, and the noise of each wheel.
    fn wheel(wheel: u32, slot: u32, second: f64) -> f64 {
        let speed = 4_000.0 - (second.rem_euclid(30.0) - 15.0).abs() * 260.0;
        let bend = (0.02 * (second / 20.0 * std::f64::consts::TAU).sin()).max(0.0);
        let side = if wheel.is_multiple_of(2) { 1.0 } else { -1.0 };
        let axle = if wheel < 2 { bend * bend } else { 0.0 };
        let own = 1.0 + 0.003 * f64::from(wheel);
        speed * own * (1.0 + side * bend + axle) + 6.0 * chance(slot * 4 + wheel)
    }

    fn evidence(row: impl Fn(u32, f64) -> Row) -> Evidence {
        let slots: Vec<u32> = (0..2_000).collect();
        let rows: Vec<Row> = slots
            .iter()
            .map(|slot| row(*slot, f64::from(*slot) * SLOT_S).map(f64::round))
            .collect();
        let course = Course::of(&slots, &rows, SLOT_S);
        let motion = Motion::of(&course);
        let seen = Seen {
            unclean: 0,
            stop: true,
        };
        Evidence::of(&course, &motion, seen)
    }

    fn wheels(slot: u32, second: f64) -> Row {
        [0, 1, 2, 3].map(|place| wheel(place, slot, second))
    }

    #[test]
    fn wheels_are_wheels() {
        let found = evidence(wheels);
        assert!(found.sureness(SILENT) > 0.95, "{found:?}");
        assert_eq!(found.doubt(SILENT), None, "{found:?}");
        let disagrees = Reported {
            disagrees: true,
            follows: false,
        };
        let follows = Reported {
            disagrees: false,
            follows: true,
        };
        // A drive that says less: no stop, and hardly a bend.
        let found = Evidence {
            stop: 0.0,
            bend: -0.3,
            persists: -0.1,
            ..found
        };
        assert!(found.sureness(disagrees) < found.sureness(SILENT));
        assert!(found.sureness(follows) > found.sureness(SILENT));
        assert!(found.doubt(disagrees).unwrap().contains("reported"));
    }

    #[test]
    fn what_moves_as_one_is_told_apart() {
        let mean = |slot, second| {
            let [a, b, c, _] = wheels(slot, second);
            [a, b, c, f64::midpoint(a, b)]
        };
        let late = |slot, second: f64| {
            let [a, b, ..] = wheels(slot, second);
            let [.., c, d] = wheels(slot, second - 0.25);
            [a, b, c, d]
        };
        // Temperatures of four cells: they follow a load, and each wanders slowly.
        let slow = |_, second: f64| {
            let load = 2_000.0 + 900.0 * (second / 9.0).sin();
            [0.53, 0.71, 0.37, 0.94].map(|every: f64| load + 60.0 * (second / every).cos())
        };
        let counters = |slot: u32, second: f64| {
            [0, 1, 2, 3].map(|place| second * 40.0 + 2.0 * chance(slot * 4 + place))
        };
        let torques = |slot: u32, _| {
            let foot = 2_000.0 + 1_500.0 * chance(slot / 20);
            [0, 1, 2, 3].map(|place| foot + 8.0 * chance(slot * 4 + place))
        };
        for (words, found) in [
            ("mean", evidence(mean)),
            ("later", evidence(late)),
            ("drift", evidence(slow)),
            ("rise", evidence(counters)),
            ("steadily", evidence(torques)),
        ] {
            let sure = found.sureness(SILENT);
            assert!(sure < 0.5, "{words}: {sure} {found:?}");
            let doubt = found.doubt(SILENT).unwrap_or_default();
            assert!(doubt.contains(words), "{words}: {doubt} {found:?}");
        }
    }
}
