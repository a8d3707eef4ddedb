//! What became of each measure of wheels, axles and vehicle.

use crate::place::{Axle, Place, Wheel};
use crate::report::comparison::{MeasureChange, MeasureFate, Value};
use crate::wheel::{Made, Measured, Measures, Named, Travel, Verdict};

/// The largest chance that a fault which comes and goes stayed away by luck.
const LUCK: f64 = 0.05;

/// Every measure that could be made on one of the sides.
pub(super) fn changes(
    before: &Measures,
    after: &Measures,
    remaining: &mut Vec<String>,
) -> Vec<MeasureChange> {
    let missing = Measured::NotMade {
        reason: "no speed of this wheel in the recording".to_owned(),
    };
    let exposure = Exposure {
        before_s: before.drive.moving_s,
        after_s: after.drive.moving_s,
        drove: after.drive.travel == Travel::Drove,
    };
    let mut changes = Vec::new();
    let mut more_minutes: f64 = 0.0;
    let mut add = |place: Place, was: Named<'_>, is: &Measured| {
        if was.measured.made().is_none() && is.made().is_none() {
            return;
        }
        let change = change(place, was, is, exposure);
        if change.fate == MeasureFate::Better {
            let events = was.measured.made().map_or(0, |made| made.events);
            more_minutes = more_minutes.max(exposure.lacking_s(events) / 60.0);
        }
        changes.push(change);
    };
    for wheel in Wheel::ALL {
        let sides =
            [before, after].map(|side| side.wheels.get(wheel.index()).and_then(Option::as_ref));
        let Some(either) = sides[0].or(sides[1]) else {
            continue;
        };
        for (at, named) in either.all().into_iter().enumerate() {
            let side = |measures: Option<&_>| -> Measured {
                let measures: Option<&crate::wheel::WheelMeasures> = measures;
                let all = measures
                    .map(crate::wheel::WheelMeasures::all)
                    .unwrap_or_default();
                all.get(at)
                    .map_or_else(|| missing.clone(), |named| named.measured.clone())
            };
            let (was, is) = (side(sides[0]), side(sides[1]));
            let named = Named {
                measured: &was,
                ..named
            };
            add(Place::Wheel(wheel), named, &is);
        }
    }
    // The rear axle's ratio is the front axle's turned round.
    let ([was, ..], [is, ..]) = (&before.axles, &after.axles);
    for (named, is) in was.all().into_iter().zip(is.all()) {
        add(Place::Axle(Axle::Front), named, is.measured);
    }
    for (named, is) in before.vehicle.all().into_iter().zip(after.vehicle.all()) {
        add(Place::Vehicle, named, is.measured);
    }
    if more_minutes > 0.0 {
        remaining.push(format!(
            "Drive at least {:.0} more minutes in the same way: the fault came and went, and the second drive was too short \
             to be sure that it stays away.",
            more_minutes.ceil().max(1.0)
        ));
    }
    changes
}

/// How long a fault had the chance to show, on each side.
#[derive(Clone, Copy, Debug)]
struct Exposure {
    before_s: f64,
    after_s: f64,
    drove: bool,
}

impl Exposure {
    /// The chance that a fault which came so often before stays away for as long as the second drive lasted, if nothing
    /// has changed: events at random times, Poisson.
    fn luck(self, events: u64) -> f64 {
        if events == 0 || self.before_s <= 0.0 {
            return 0.0;
        }
        (-number(events) * self.after_s / self.before_s).exp()
    }

    /// How much longer the second drive would have to be, in seconds.
    fn lacking_s(self, events: u64) -> f64 {
        if events == 0 {
            return 0.0;
        }
        let needed = -LUCK.ln() * self.before_s / number(events);
        (needed - self.after_s).max(0.0)
    }
}

/// A count as a number; more than four thousand million events are that many.
fn number(events: u64) -> f64 {
    f64::from(u32::try_from(events).unwrap_or(u32::MAX))
}

fn change(place: Place, was: Named<'_>, is: &Measured, exposure: Exposure) -> MeasureChange {
    let (before, after) = (was.measured.made(), is.made());
    let beyond = before
        .zip(after)
        .map(|(was, is)| beyond_uncertainty(was, is));
    let shown = |made: Option<&Made>| made.is_some_and(|made| made.verdict == Verdict::Shown);
    let (fate, words) = match (shown(before), shown(after)) {
        (true, true) => (MeasureFate::Still, still(beyond)),
        (false, true) if before.is_some() => (
            MeasureFate::New,
            "No sound vehicle does this, and it was not so before.".to_owned(),
        ),
        (false, true) => (
            MeasureFate::New,
            format!(
                "No sound vehicle does this; before, it could not be measured: {}.",
                was.measured.reason().unwrap_or("unknown")
            ),
        ),
        (true, false) => better(before, is, exposure),
        (false, false) => match beyond {
            Some(true) => (
                MeasureFate::Changed,
                "Differs by more than its uncertainty; neither value is that of a fault."
                    .to_owned(),
            ),
            Some(false) => (
                MeasureFate::Same,
                "The same within its uncertainty.".to_owned(),
            ),
            None => (MeasureFate::Same, "Made on one side only.".to_owned()),
        },
    };
    MeasureChange {
        place,
        id: was.id,
        name: was.name,
        unit: before.or(after).map_or("", |made| made.unit),
        before: before.map(value),
        after: after.map(value),
        beyond_uncertainty: beyond,
        fate,
        words,
    }
}

fn value(made: &Made) -> Value {
    Value {
        value: made.value,
        uncertainty: made.uncertainty,
        faulty: made.verdict == Verdict::Shown,
    }
}

/// Whether two values differ by more than the half width of the 95 % interval of their difference.
fn beyond_uncertainty(was: &Made, is: &Made) -> bool {
    (was.value - is.value).abs() > was.uncertainty.hypot(is.uncertainty)
}

fn still(beyond: Option<bool>) -> String {
    match beyond {
        Some(true) => {
            "Still what no sound vehicle does, though it differs by more than its uncertainty."
        }
        _ => "Still what no sound vehicle does.",
    }
    .to_owned()
}

/// A measure that showed a fault before and does not after.
fn better(was: Option<&Made>, is: &Measured, exposure: Exposure) -> (MeasureFate, String) {
    let Some(made) = is.made() else {
        return (
            MeasureFate::NotRetested,
            format!(
                "Could not be measured again: {}.",
                is.reason().unwrap_or("unknown")
            ),
        );
    };
    if made.verdict == Verdict::Unclear {
        return (
            MeasureFate::Better,
            "Better, but still more than usual; a sound vehicle may do this.".to_owned(),
        );
    }
    let events = was.map_or(0, |made| made.events);
    let luck = exposure.luck(events);
    if exposure.drove && luck <= LUCK {
        return (
            MeasureFate::Mended,
            "Tested again, and within what sound vehicles do.".to_owned(),
        );
    }
    let words = if exposure.drove {
        format!(
            "It came {events} times in {} of driving before. In {} it would have stayed away by luck with a chance of {:.0} %.",
            minutes(exposure.before_s),
            minutes(exposure.after_s),
            luck * 100.0
        )
    } else {
        "The second recording holds no drive that could show it.".to_owned()
    };
    (MeasureFate::Better, words)
}

fn minutes(seconds: f64) -> String {
    if seconds < 90.0 {
        format!("{seconds:.0} s")
    } else {
        format!("{:.0} minutes", seconds / 60.0)
    }
}
