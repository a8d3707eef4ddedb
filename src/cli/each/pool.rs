//! Work on all cores, results in the order of the inputs.
//!
//! A worker takes the next input when it is free, but never one that is more than a few ahead of the result that is
//! due: one slow input holds a bounded number of finished results back. A worker that panics spoils its own input only.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// Finished results that may wait for a slow one, for each worker.
const AHEAD: usize = 4;

/// Tells the workers that nobody wants their results any more.
#[derive(Debug, Default)]
pub(super) struct Stop(AtomicBool);

impl Stop {
    /// Whether to give up.
    pub(super) fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// The panic of a worker.
#[derive(Debug, Eq, PartialEq)]
pub(super) struct Panicked;

/// Does `work` on each input with so many workers and hands the results to `take` in the order of the inputs.
///
/// An error of `take` ends everything: the workers are told through [`Stop`], and what they still give is dropped.
pub(super) fn in_order<I: Sync, R: Send>(
    inputs: &[I],
    workers: usize,
    work: impl Fn(&I, &Stop) -> R + Sync,
    mut take: impl FnMut(&I, Result<R, Panicked>) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let workers = workers.clamp(1, inputs.len().max(1));
    let line = Line::new(inputs.len(), workers * AHEAD);
    let stop = Stop::default();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(index) = line.next_input() {
                    let Some(input) = inputs.get(index) else {
                        return;
                    };
                    let result = catch_unwind(AssertUnwindSafe(|| work(input, &stop)));
                    line.put(index, result.map_err(|_| Panicked));
                }
            });
        }
        // However this ends, nobody waits for a turn that does not come.
        let _closing = Closing(&line, &stop);
        let mut due = inputs.iter().enumerate();
        due.try_for_each(|(index, input)| take(input, line.take_result(index)))
    })
}

/// Closes the line when the taker is done with it, or gives up.
struct Closing<'a, R>(&'a Line<R>, &'a Stop);

impl<R> Drop for Closing<'_, R> {
    fn drop(&mut self) {
        self.1.set();
        self.0.close();
    }
}

/// Which input is next, and the results that wait for their turn.
struct Line<R> {
    state: Mutex<State<R>>,
    changed: Condvar,
    inputs: usize,
}

struct State<R> {
    /// The first input that no worker has taken.
    next: usize,
    /// The result that is due.
    due: usize,
    /// A ring: the result of input `i` waits in place `i % waiting.len()`, and `due <= i < due + waiting.len()`.
    waiting: Vec<Option<R>>,
    closed: bool,
}

impl<R> Line<R> {
    fn new(inputs: usize, ahead: usize) -> Self {
        let waiting = (0..ahead.max(1)).map(|_| None).collect();
        let state = State {
            next: 0,
            due: 0,
            waiting,
            closed: false,
        };
        Self {
            state: Mutex::new(state),
            changed: Condvar::new(),
            inputs,
        }
    }

    fn lock(&self) -> MutexGuard<'_, State<R>> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The next input to work on, once it is not too far ahead; `None` when there is none left.
    fn next_input(&self) -> Option<usize> {
        let mut state = self.lock();
        loop {
            if state.closed || state.next >= self.inputs {
                return None;
            }
            if state.next < state.due + state.waiting.len() {
                state.next += 1;
                return Some(state.next - 1);
            }
            state = self
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn put(&self, index: usize, result: R) {
        let mut state = self.lock();
        let places = state.waiting.len();
        if let Some(place) = state.waiting.get_mut(index % places) {
            *place = Some(result);
        }
        self.changed.notify_all();
    }

    /// Waits for the result of this input, which must be the one that is due.
    fn take_result(&self, index: usize) -> R {
        let mut state = self.lock();
        loop {
            let places = state.waiting.len();
            if let Some(result) = state.waiting.get_mut(index % places).and_then(Option::take) {
                state.due = index + 1;
                self.changed.notify_all();
                return result;
            }
            state = self
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn close(&self) {
        self.lock().closed = true;
        self.changed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicUsize;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever takes how long: every result once, in order, and the same as without threads.
        #[test]
        fn as_without_threads(
            inputs in prop::collection::vec(0_u64..200, 0..60),
            workers in 1_usize..9,
        ) {
            let work = |input: &u64| {
                // Longer for some than for others; no clock is asked.
                (0..input * 50).fold(*input, |sum, step| sum.wrapping_mul(31).wrapping_add(step))
            };
            let one_by_one: Vec<u64> = inputs.iter().map(work).collect();
            let mut taken = Vec::new();
            in_order(&inputs, workers, |input, _| work(input), |input, result| {
                assert_eq!(*input, inputs[taken.len()]);
                taken.push(result.expect("it does not panic"));
                Ok(())
            })
            .unwrap();
            prop_assert_eq!(taken, one_by_one);
        }
    }

    #[test]
    fn results_that_wait_are_few() {
        let inputs: Vec<usize> = (0..200).collect();
        let started = AtomicUsize::new(0);
        let workers = 3;
        in_order(
            &inputs,
            workers,
            |_, _| started.fetch_add(1, Ordering::SeqCst),
            |&index, _| {
                // Nobody can be further than the ring allows beyond what was taken.
                assert!(started.load(Ordering::SeqCst) <= index + 1 + workers * AHEAD);
                Ok(())
            },
        )
        .unwrap();
        assert_eq!(started.load(Ordering::SeqCst), 200);
    }

    #[test]
    fn a_panic_spoils_one_result() {
        let results = std::cell::RefCell::new(Vec::new());
        in_order(
            &[1, 0, 2],
            2,
            |&input, _| 10_u32.checked_div(input).expect("not by nothing"),
            |_, result| {
                results.borrow_mut().push(result);
                Ok(())
            },
        )
        .unwrap();
        assert_eq!(results.into_inner(), [Ok(10), Err(Panicked), Ok(5)]);
    }

    #[test]
    fn an_error_of_the_taker_ends_it_and_the_workers_are_told() {
        let inputs: Vec<u32> = (0..1_000).collect();
        let done = AtomicUsize::new(0);
        let failed = in_order(
            &inputs,
            2,
            |&input, stop| {
                done.fetch_add(1, Ordering::SeqCst);
                // One far behind the error works until it is told to stop.
                while input == 11 && !stop.is_set() {
                    std::thread::yield_now();
                }
            },
            |&index, _| {
                anyhow::ensure!(index < 10, "enough");
                Ok(())
            },
        );
        assert_eq!(failed.unwrap_err().to_string(), "enough");
        assert!(done.load(Ordering::SeqCst) <= 10 + 1 + 2 * AHEAD);
    }
}
