//! Whether the vehicle travels, and how fast: what is remembered from moment to moment.

/// So long it must turn, in s.
const TURNS_S: f64 = 1.0;

/// Remembers that the vehicle travels, so that wheels which fall out are left out of its speed.
#[derive(Debug, Default)]
pub(super) struct Latch {
    travels: bool,
    /// The yaw rate has shown it.
    pub(super) turned: bool,
    /// Since when the yaw rate shows a bend, in s; `None` while it does not.
    turns_since_s: Option<f64>,
    last_s: f64,
}

/// Wheels that agree above this speed, in km/h, say that the vehicle travels.
pub(super) const TRAVEL_KMH: f64 = 5.0;
/// Below this speed, in km/h, nothing is known any more.
const STANDS_KMH: f64 = 3.0;
/// Wheels of a travelling vehicle differ by less than this factor, tightest turn included.
const AGREE_FACTOR: f64 = 1.35;
/// After a gap of this length, in s, nothing is known any more.
const FORGET_S: f64 = 5.0;

impl Latch {
    /// The vehicle's speed and whether it travels for sure.
    pub(super) fn push(&mut self, time_s: f64, speeds: [f64; 4], turns: bool) -> (f64, bool) {
        if time_s - self.last_s > FORGET_S {
            (self.travels, self.turned) = (false, false);
            self.turns_since_s = None;
        }
        self.last_s = time_s;
        let mut sorted = [0.0; 4];
        let mut known = 0;
        for speed in speeds {
            if speed.is_finite()
                && let Some(slot) = sorted.get_mut(known)
            {
                *slot = speed;
                known += 1;
            }
        }
        let Some(valid) = sorted.get_mut(..known) else {
            return (f64::NAN, self.travels);
        };
        valid.sort_unstable_by(f64::total_cmp);
        let Some(&top) = valid.last() else {
            return (f64::NAN, self.travels);
        };
        // The largest group of at least three (all, with fewer wheels) that agrees.
        let needed = known.min(3);
        let agreeing = valid.windows(needed).rev().any(|group| match group {
            [low, .., high] => *low >= TRAVEL_KMH && *high <= low * AGREE_FACTOR,
            [only] => *only >= TRAVEL_KMH,
            [] => false,
        });
        if agreeing {
            self.travels = true;
        }
        // Two dead wheels of one axle look like a lift; but a lift does not turn the vehicle.
        self.turns_since_s = if turns && top >= TRAVEL_KMH {
            self.turns_since_s.or(Some(time_s))
        } else {
            None
        };
        if self
            .turns_since_s
            .is_some_and(|since| time_s - since >= TURNS_S)
        {
            (self.travels, self.turned) = (true, true);
        }
        let turning = valid.iter().filter(|&&speed| speed >= 0.5 * top).count();
        let used = if self.travels && turning >= known.min(2) {
            valid.get(known - turning..).unwrap_or_default()
        } else {
            &*valid
        };
        let reference = match used {
            [only] => *only,
            [low, high] | [_, low, high, _] => f64::midpoint(*low, *high),
            [_, middle, _] => *middle,
            _ => f64::NAN,
        };
        if reference < STANDS_KMH {
            (self.travels, self.turned) = (false, false);
        }
        (reference, self.travels)
    }
}
