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
    /// When it was seen, in seconds on the capture's clock; the first [`Made::MOST_TIMES`] only.
    pub times_s: Vec<f64>,
    /// What belongs to the value: with what it was compared, what limits it.
    pub note: Option<String>,
}

impl Made {
    /// Most times that are kept for a measure.
    pub const MOST_TIMES: usize = 16;

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
            note: None,
        }
    }

    /// Counts an event and keeps its time if it is among the first.
    pub(super) fn saw(&mut self, time_s: f64) {
        self.events = self.events.saturating_add(1);
        if self.times_s.len() < Self::MOST_TIMES {
            self.times_s.push(time_s);
        }
    }
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
