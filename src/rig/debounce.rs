//! How a module makes up its mind: a condition has to hold for a while before a test has failed, or passed.

/// The end of a test.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Outcome {
    /// The condition held long enough.
    Failed,
    /// It was away long enough.
    Passed,
}

/// A test that runs while its conditions are met. All times in seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Debounce {
    fail_after: f64,
    pass_after: f64,
    bad_for: f64,
    good_for: f64,
}

impl Debounce {
    pub(super) const fn new(fail_after: f64, pass_after: f64) -> Self {
        Self {
            fail_after,
            pass_after,
            bad_for: 0.0,
            good_for: 0.0,
        }
    }

    /// `dt` seconds with the condition bad or good.
    pub(super) fn step(&mut self, bad: bool, dt: f64) -> Option<Outcome> {
        if bad {
            self.good_for = 0.0;
            self.bad_for += dt;
            (self.bad_for >= self.fail_after).then_some(Outcome::Failed)
        } else {
            self.bad_for = 0.0;
            self.good_for += dt;
            (self.good_for >= self.pass_after).then_some(Outcome::Passed)
        }
    }

    /// The same, but time with the condition bad is summed up over interruptions; it takes `pass_after` on end
    /// without it to forget.
    pub(super) fn gather(&mut self, bad: bool, dt: f64) -> Option<Outcome> {
        if bad {
            self.good_for = 0.0;
            self.bad_for += dt;
            (self.bad_for >= self.fail_after).then_some(Outcome::Failed)
        } else {
            self.good_for += dt;
            if self.good_for < self.pass_after {
                return None;
            }
            self.bad_for = 0.0;
            Some(Outcome::Passed)
        }
    }

    /// Starts from nothing.
    pub(super) fn restart(&mut self) {
        self.bad_for = 0.0;
        self.good_for = 0.0;
    }
}
