//! Whether what was seen of a wheel gathers where the vehicle slows: on ice a wheel locks and rolls again and again where the
//! vehicle hardly slows, and without a brake switch in the capture nothing else tells that from a signal that is lost.

/// What comes at any time comes while the vehicle does not slow at least this much as often as over all.
const ELSEWHERE: f64 = 0.5;

/// How often something was seen, and for how long it was looked for: over all, and while the vehicle did not slow.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Slowing {
    seen: f64,
    looked_s: f64,
    seen_elsewhere: f64,
    looked_elsewhere_s: f64,
}

impl Slowing {
    /// It was looked for, for so long in s.
    pub(super) fn look(&mut self, slows: bool, time_s: f64) {
        self.looked_s += time_s;
        if !slows {
            self.looked_elsewhere_s += time_s;
        }
    }

    /// It was seen.
    pub(super) fn saw(&mut self, slows: bool) {
        self.seen += 1.0;
        if !slows {
            self.seen_elsewhere += 1.0;
        }
    }

    /// Whether it was seen mostly while the vehicle slowed.
    pub(super) fn gathers(&self) -> bool {
        self.seen_elsewhere * self.looked_s < ELSEWHERE * self.seen * self.looked_elsewhere_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_at_any_time_does_not_gather() {
        let tally = |slowing: u32, elsewhere: u32| {
            let mut tally = Slowing::default();
            tally.look(true, 40.0);
            tally.look(false, 60.0);
            (0..slowing).for_each(|_| tally.saw(true));
            (0..elsewhere).for_each(|_| tally.saw(false));
            tally.gathers()
        };
        // Of 10, 6 belong elsewhere: half of them are enough.
        assert_eq!(
            [(4, 6), (7, 3), (8, 2), (10, 0)].map(|(slowing, rest)| tally(slowing, rest)),
            [false, false, true, true]
        );
        assert!(!tally(0, 0));
    }
}
