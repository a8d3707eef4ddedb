//! Which of four wheel speeds is which wheel, as far as the numbers tell.
//!
//! In a turn the wheels of one side differ from those of the other on both axles alike, and the front axle runs the longer way: with
//! track *T*, wheelbase *L* and radius *R* the sides differ by *T/R* and the axles by *½ (L/R)²* of the speed, so that the
//! axle contrast is about *½ (L/T)²*, or one and a half times the square of the side contrast. Nothing in the numbers tells left
//! from right; there only the usual order in frames speaks, and it speaks softly.

/// Four speeds of one time in steps of the number, at rest 0.
pub(super) type Row = [f64; 4];

/// What is believed about the four.
#[derive(Clone, Debug)]
pub(super) struct Belief {
    /// For each wheel, in the order of `Wheel::ALL`, the place of its speed among the four.
    pub(super) place_of: [usize; 4],
    /// That the axles and sides are cut right.
    pub(super) pairing: f64,
    /// That front and rear are not exchanged.
    pub(super) front: f64,
    /// That left and right are not exchanged: the usual order only.
    pub(super) left: f64,
    /// Whether the sides of one axle come in the other order than those of the other.
    pub(super) crossed: bool,
    /// Whether turns say something about the pairing.
    pub(super) from_turns: bool,
    /// Whether the longer way of the front axle says something about front and rear.
    pub(super) from_paths: bool,
}

/// How often the usual order holds: axles in turn, left first, front first. Our judgement of published signal tables.
const AXLES_IN_TURN: f64 = 0.90;
const SAME_ORDER_OF_SIDES: f64 = 0.88;
const FRONT_FIRST: f64 = 0.88;
const LEFT_FIRST: f64 = 0.80;
/// Fewest rows that are reckoned with.
const FEWEST_ROWS: usize = 60;
/// Slower than this many steps of the number, rounding says more than turns.
const FEWEST_STEPS: f64 = 40.0;
/// Neighbouring rows say the same; this many count as one.
pub(super) const ROWS_A_WORD: f64 = 12.0;
/// The axle contrast over the square of the side contrast that geometry expects.
const PATHS: f64 = 1.5;

/// The six ways to see the three contrasts as axle, side and diagonal. Contrast 0 sets places 0, 1 against 2, 3; contrast 1 sets 0, 2
/// against 1, 3; contrast 2 sets 0, 3 against 1, 2.
const WAYS: [(usize, usize, usize); 6] = [
    (0, 1, 2),
    (0, 2, 1),
    (1, 0, 2),
    (1, 2, 0),
    (2, 0, 1),
    (2, 1, 0),
];

/// The signs of a contrast at each place.
pub(super) const SIGNS: [[f64; 4]; 3] = [
    [1.0, 1.0, -1.0, -1.0],
    [1.0, -1.0, 1.0, -1.0],
    [1.0, -1.0, -1.0, 1.0],
];

pub(super) fn believe(rows: &[Row]) -> Belief {
    let contrasts = contrasts(rows);
    let enough = contrasts
        .first()
        .is_some_and(|values| values.len() >= FEWEST_ROWS);
    #[expect(clippy::cast_precision_loss, reason = "a few thousand rows")]
    let words = contrasts
        .first()
        .map_or(0.0, |values| values.len() as f64 / ROWS_A_WORD);
    let sizes = contrasts
        .each_ref()
        .map(|values| mean_square(values).sqrt().max(1e-4));
    let size = |index: usize| sizes.get(index).copied().unwrap_or(1e-4);
    // Only a contrast that stands out from the two others is a turn; wheelspin and a slow puncture move two of them.
    let mut sorted = sizes;
    sorted.sort_unstable_by(f64::total_cmp);
    let [least, _, most] = sorted;
    let weight = if enough && most > 3.0 * least {
        words.min(6.0)
    } else {
        0.0
    };
    let mut logs = WAYS.map(|(axle, side, diagonal)| {
        let axles = if axle == 0 {
            AXLES_IN_TURN
        } else {
            (1.0 - AXLES_IN_TURN) / 2.0
        };
        let in_turn = if side < diagonal {
            SAME_ORDER_OF_SIDES
        } else {
            1.0 - SAME_ORDER_OF_SIDES
        };
        // The diagonal contrast is nothing but noise; the side contrast is the larger of the other two, unless wheels spin.
        let quiet = size(axle).min(size(side)).ln() - size(diagonal).ln();
        let wide =
            size(side).ln() - size(diagonal).ln() + 0.5 * (size(side).ln() - size(axle).ln());
        axles.ln() + in_turn.ln() + weight * (wide + 0.3 * quiet)
    });
    let best_log = logs.iter().copied().fold(f64::MIN, f64::max);
    for log in &mut logs {
        *log = (*log - best_log).exp();
    }
    let sum: f64 = logs.iter().sum();
    let best = logs
        .iter()
        .position(|weight| (*weight - 1.0).abs() < 1e-12)
        .unwrap_or(0);
    let (axle, side, _) = WAYS.get(best).copied().unwrap_or((0, 1, 2));
    let from_turns = weight > 0.0;
    let (slope, error) = paths(&contrasts, axle, side, words);
    // A slope much flatter than geometry's comes from something else than paths and says little.
    let steep = slope.abs().min(1.0);
    let says = if from_turns {
        steep * 2.0 * PATHS * slope / (error * error + 0.5)
    } else {
        0.0
    };
    let says = says.clamp(-5.0, 5.0);
    let usual = (FRONT_FIRST / (1.0 - FRONT_FIRST)).ln();
    let front_log = says + usual;
    Belief {
        place_of: places(axle, side, front_log >= 0.0),
        pairing: 1.0 / sum,
        front: 1.0 / (1.0 + (-front_log.abs()).exp()),
        left: LEFT_FIRST,
        crossed: axle == 0 && side == 2,
        from_turns,
        from_paths: says.abs() > 1.0,
    }
}

/// The least of the three contrasts over the largest: near 0 when turns show, near 1 when nothing but noise does.
pub(super) fn crooked(rows: &[Row]) -> f64 {
    let mut sizes = contrasts(rows).map(|values| mean_square(&values).sqrt());
    sizes.sort_unstable_by(f64::total_cmp);
    let [least, _, most] = sizes;
    if most > 0.0 { least / most } else { 1.0 }
}

/// Half the sum of four with their signs.
pub(super) fn against(row: &Row, signs: [f64; 4]) -> f64 {
    let sum: f64 = row
        .iter()
        .zip(signs)
        .map(|(value, sign)| value * sign)
        .sum();
    sum / 2.0
}

/// The three contrasts in shares of the mean speed, each about its median, where the vehicle rolls evenly.
fn contrasts(rows: &[Row]) -> [Vec<f64>; 3] {
    let mean = |row: &Row| row.iter().sum::<f64>() / 4.0;
    let top = rows.iter().map(mean).fold(0.0, f64::max);
    let mut changes: Vec<f64> = rows
        .windows(2)
        .filter_map(|pair| pair_change(pair, mean))
        .collect();
    changes.sort_unstable_by(f64::total_cmp);
    let even = changes
        .get(changes.len() * 7 / 10)
        .copied()
        .unwrap_or(f64::MAX);
    let mut contrasts = [Vec::new(), Vec::new(), Vec::new()];
    for pair in rows.windows(2) {
        let Some(row) = pair.last() else { continue };
        let speed = mean(row);
        if speed < 0.06 * top
            || speed < FEWEST_STEPS
            || pair_change(pair, mean).is_none_or(|change| change > even)
        {
            continue;
        }
        for (values, signs) in contrasts.iter_mut().zip(SIGNS) {
            values.push(against(row, signs) / speed);
        }
    }
    for values in &mut contrasts {
        let mut sorted = values.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        for value in values {
            *value -= middle;
        }
    }
    contrasts
}

fn pair_change(pair: &[Row], mean: impl Fn(&Row) -> f64) -> Option<f64> {
    let [before, after] = pair else { return None };
    Some((mean(after) - mean(before)).abs())
}

fn mean_square(values: &[f64]) -> f64 {
    let sum: f64 = values.iter().map(|value| value * value).sum();
    #[expect(clippy::cast_precision_loss, reason = "a few thousand values")]
    let count = values.len().max(1) as f64;
    sum / count
}

/// How steeply the axle contrast grows with the square of the side contrast, and the standard error. The side contrast stands in
/// the fit as well, because its own zero (tyres of unlike size) is not known.
fn paths(contrasts: &[Vec<f64>; 3], axle: usize, side: usize, words: f64) -> (f64, f64) {
    let (Some(axle), Some(side)) = (contrasts.get(axle), contrasts.get(side)) else {
        return (0.0, f64::INFINITY);
    };
    let squares: Vec<f64> = side.iter().map(|value| value * value).collect();
    let (xx, xw, xy) = (
        together(side, side),
        together(side, &squares),
        together(side, axle),
    );
    let (ww, wy, yy) = (
        together(&squares, &squares),
        together(&squares, axle),
        together(axle, axle),
    );
    let own = ww - xw * xw / xx.max(f64::MIN_POSITIVE);
    if own <= 1e-12 || words < 4.0 {
        return (0.0, f64::INFINITY);
    }
    let slope = (wy - xw * xy / xx.max(f64::MIN_POSITIVE)) / own;
    let linear = (xy - slope * xw) / xx.max(f64::MIN_POSITIVE);
    let rest = (yy - slope * wy - linear * xy).max(0.0);
    (slope, (rest / own / (words - 3.0)).sqrt())
}

/// The sum of products about the means.
pub(super) fn together(a: &[f64], b: &[f64]) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few thousand values")]
    let count = a.len().max(1) as f64;
    let (a0, b0) = (a.iter().sum::<f64>() / count, b.iter().sum::<f64>() / count);
    a.iter().zip(b).map(|(a, b)| (a - a0) * (b - b0)).sum()
}

/// The place of each wheel: left front, right front, left rear, right rear. The first place on the front axle is taken as left.
fn places(axle: usize, side: usize, first_is_front: bool) -> [usize; 4] {
    let sign = |contrast: usize, place: usize| {
        let signs = SIGNS.get(contrast).and_then(|signs| signs.get(place));
        signs.copied().unwrap_or(0.0) > 0.0
    };
    let find = |front: bool, left: bool| {
        let mut all = 0..4;
        let is = |place: &usize| {
            (sign(axle, *place) == first_is_front) == front && sign(side, *place) == left
        };
        all.find(is).unwrap_or(0)
    };
    let found = [
        find(true, true),
        find(true, false),
        find(false, true),
        find(false, false),
    ];
    let [a, b, c, d] = found;
    // The usual order: of the front pair, the one that comes first is the left one.
    if b < a { [b, a, d, c] } else { found }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Speeds of a drive with turns both ways, from the geometry of a turn (track 1.55 m, wheelbase 2.70 m).
    fn drive(order: [usize; 4]) -> Vec<Row> {
        let (track, wheelbase) = (1.55, 2.70);
        let mut rows = Vec::new();
        for step in 0..2_000 {
            let t = f64::from(step) * 0.1;
            let speed = 8.0 + 3.0 * (t / 9.0).sin();
            let bend = 0.06 * (t / 5.0).sin();
            let yaw = speed * bend;
            let rear = |half: f64| speed + yaw * half;
            let front = |half: f64| rear(half).hypot(yaw * wheelbase);
            let wheels = [
                front(-track / 2.0),
                front(track / 2.0),
                rear(-track / 2.0),
                rear(track / 2.0),
            ];
            let noise = 0.004 * f64::from(step * 7919 % 13 - 6) / 6.0;
            rows.push(order.map(|wheel| 100.0 * (wheels[wheel] + noise)));
        }
        rows
    }

    #[test]
    fn turns_tell_axles_and_sides() {
        // Each row: the wheel at each place; then the place of each wheel as far as it can be told.
        for (order, expected) in [
            ([0, 1, 2, 3], [0, 1, 2, 3]),
            ([2, 3, 0, 1], [2, 3, 0, 1]),
            ([0, 1, 3, 2], [0, 1, 3, 2]),
            ([0, 2, 1, 3], [0, 2, 1, 3]),
            ([1, 0, 3, 2], [0, 1, 2, 3]),
        ] {
            let belief = believe(&drive(order));
            assert_eq!(belief.place_of, expected, "{order:?}: {belief:?}");
            assert!(
                belief.pairing > 0.95 && belief.front > 0.85,
                "{order:?}: {belief:?}"
            );
            assert!(
                belief.from_turns && belief.from_paths,
                "{order:?}: {belief:?}"
            );
        }
    }

    #[test]
    fn without_turns_only_the_usual_order_speaks() {
        let rows: Vec<Row> = (0..500)
            .map(|step| [1_000.0 + f64::from(step % 50) * 10.0; 4])
            .collect();
        let belief = believe(&rows);
        assert_eq!(belief.place_of, [0, 1, 2, 3]);
        assert!(
            belief.pairing < 0.9 && !belief.from_turns && !belief.from_paths,
            "{belief:?}"
        );
    }
}
