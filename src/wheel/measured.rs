//! A measure: its value with uncertainty and verdict, or why there is none.

/// A measure that was made, or the reason why not. *Not made* is not *nothing found*.
#[derive(Clone, Debug, PartialEq)]
pub enum Measured {
    /// It was made.
    Made(Made),
    /// The capture could not show it.
    NotMade {
        /// Why, as a sentence for a person without its full stop.
        reason: String,
    },
    /// There was nothing for it to measure: where drop-outs gather when there are none. No limit of the capture.
    Moot {
        /// Why, as a sentence for a person without its full stop.
        reason: String,
    },
}

/// A measure that was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Made {
    /// The value.
    pub value: f64,
    /// Half width of its 95 % interval; infinite never, 0 for an exact count.
    pub uncertainty: f64,
    /// Its unit as printed; empty for a plain number.
    pub unit: &'static str,
    /// What it says about the wheel.
    pub verdict: Verdict,
    /// The probability that a sound vehicle gives this much, where the measure has a statistic for it.
    pub false_alarm: Option<f64>,
    /// How often it was seen.
    pub events: u64,
    /// When it was seen, in seconds on the capture's clock; of more than [`Made::MOST_TIMES`] the first, and then every second,
    /// every fourth and so on, so that they reach from the first to the last.
    pub times_s: Vec<f64>,
    /// How long each of [`Made::times_s`] lasted, in s; 0 for a moment, empty if nothing that lasts was measured.
    pub lasted_s: Vec<f64>,
    /// What belongs to the value: with what it was compared, what limits it.
    pub note: Option<String>,
}

impl Made {
    /// Most times that are kept for a measure.
    pub const MOST_TIMES: usize = 32;

    /// A value on which nothing was found.
    pub(super) fn new(value: f64, uncertainty: f64, unit: &'static str) -> Self {
        Self {
            value,
            uncertainty,
            unit,
            verdict: Verdict::NotShown,
            false_alarm: None,
            events: 0,
            times_s: Vec::new(),
            lasted_s: Vec::new(),
            note: None,
        }
    }

    /// Counts an event and keeps its time if it is due.
    pub(super) fn saw(&mut self, time_s: f64) {
        keep(&mut self.times_s, self.events, time_s);
        self.events = self.events.saturating_add(1);
    }

    /// Counts something that lasted.
    pub(super) fn saw_for(&mut self, time_s: f64, lasted_s: f64) {
        keep(&mut self.lasted_s, self.events, lasted_s);
        self.saw(time_s);
    }

    /// When it began and how long it lasted, in s, of what is kept.
    pub fn occasions(&self) -> impl Iterator<Item = (f64, f64)> {
        let lasted = self.lasted_s.iter().copied();
        let lasted = lasted.chain(std::iter::repeat(0.0));
        self.times_s.iter().copied().zip(lasted)
    }
}

/// Keeps what belongs to an event if that is due, `before` being how many came before: all of them until there are
/// [`Made::MOST_TIMES`], then every second, then every fourth.
pub(super) fn keep(kept: &mut Vec<f64>, before: u64, value: f64) {
    let every = (before / Made::MOST_TIMES as u64 + 1).next_power_of_two();
    if !before.is_multiple_of(every) {
        return;
    }
    if kept.len() >= Made::MOST_TIMES {
        let mut index = 0;
        kept.retain(|_| {
            index += 1;
            index % 2 == 1
        });
    }
    kept.push(value);
}

/// What a measure says.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Verdict {
    /// Tested, and nothing beyond what every sound vehicle does.
    NotShown,
    /// Tested, and more than usual, but sound vehicles do that too: counts neither for nor against a fault.
    Unclear,
    /// Tested, and no sound vehicle does this.
    Shown,
}

impl Verdict {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::NotShown => "not-shown",
            Self::Unclear => "unclear",
            Self::Shown => "shown",
        }
    }
}

impl Measured {
    /// There was nothing to measure, for this reason.
    pub(super) fn moot(reason: impl Into<String>) -> Self {
        Self::Moot {
            reason: reason.into(),
        }
    }

    /// Not made, for this reason.
    pub(super) fn not_made(reason: impl Into<String>) -> Self {
        Self::NotMade {
            reason: reason.into(),
        }
    }

    /// The measure, if it was made.
    pub const fn made(&self) -> Option<&Made> {
        match self {
            Self::Made(made) => Some(made),
            Self::NotMade { .. } | Self::Moot { .. } => None,
        }
    }

    /// The value, if it was made.
    pub fn value(&self) -> Option<f64> {
        self.made().map(|made| made.value)
    }

    /// The verdict, if it was made.
    pub fn verdict(&self) -> Option<Verdict> {
        self.made().map(|made| made.verdict)
    }

    /// Whether it shows a fault.
    pub fn is_shown(&self) -> bool {
        self.verdict() == Some(Verdict::Shown)
    }

    /// Why it was not made, if it was not.
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Made(_) => None,
            Self::NotMade { reason } | Self::Moot { reason } => Some(reason),
        }
    }
}

impl From<Made> for Measured {
    fn from(made: Made) -> Self {
        Self::Made(made)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kept_times_reach_from_the_first_to_the_last() {
        let mut made = Made::new(0.0, 0.0, "");
        for index in 0..1000_u32 {
            made.saw(f64::from(index));
            let kept = &made.times_s;
            assert_eq!(made.events, u64::from(index) + 1);
            assert!(kept.len() <= Made::MOST_TIMES);
            // All of the first, then evenly from the first to the last.
            let gap = kept.get(1).map_or(1.0, |second| second - kept[0]);
            assert!(gap < 1.5 || kept.len() >= Made::MOST_TIMES / 2, "{kept:?}");
            let even = (0_u32..).map(|step| f64::from(step) * gap);
            let even = even.take_while(|time| *time <= f64::from(index));
            assert!(kept.iter().copied().eq(even), "{index}");
        }
    }
}
