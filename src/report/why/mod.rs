//! Why a cause has its probability: the arithmetic of one cause, in words and numbers, in several forms.
//!
//! The view model is [`Why`]; it stands beside the [`Report`](super::Report) of the same diagnosis, whose title, safety
//! remark and clock it uses. Printers decide no facts.

pub mod json;
pub mod markdown;
pub mod text;

use super::FindingLine;
use super::phrase::{self, number};
use crate::place::Place;

/// The arithmetic of one cause.
#[derive(Clone, Debug)]
pub struct Why {
    /// The cause's identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Its name for a person, without the place.
    pub name: String,
    /// Its place among all causes by falling probability: 1 is the first.
    pub rank: usize,
    /// How many causes there are, those of each place counted apart.
    pub causes: usize,
    /// Its probability, 0 to 1.
    pub probability: f64,
    /// Its probability before any evidence, as the rules have it.
    pub prior: f64,
    /// Where that comes from, a sentence.
    pub prior_words: String,
    /// The same over the sets of causes that the sum is made of: the arithmetic starts here.
    pub start: f64,
    /// What moved it, in the order of the arithmetic. The odds of `start` times all factors are the odds of `probability`.
    pub steps: Vec<Step>,
    /// What bears on it and could not be observed, the weightiest first.
    pub missing: Vec<Missing>,
    /// How many more could not be observed.
    pub more_missing: usize,
    /// The likeliest other causes.
    pub rivals: Vec<Rival>,
    /// Results of open checks after which another cause would be the first, the likeliest result first.
    pub turns: Vec<Turn>,
    /// The open check that tells most about it.
    pub telling: Option<Telling>,
    /// How far the order hangs on the priors.
    pub stability: Option<String>,
}

/// A step of the arithmetic: a finding, or several that move little each.
#[derive(Clone, Debug)]
pub struct Step {
    /// What it says, a sentence.
    pub words: String,
    /// The finding, for a step of one.
    pub finding: Option<FindingLine>,
    /// How many findings.
    pub findings: usize,
    /// Whether the cause itself brings the finding about; else it moves the rivals alone.
    pub direct: bool,
    /// The chance that the finding holds with this cause alone, and with none, 0 to 1.
    pub chances: Option<(f64, f64)>,
    /// The factor if nothing else was known.
    pub alone: Option<f64>,
    /// The factor on the odds, given the steps before.
    pub factor: f64,
    /// The probability after it.
    pub after: f64,
}

/// Something that could not be observed.
#[derive(Clone, Debug)]
pub struct Missing {
    /// The finding's identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// What would be seen.
    pub words: String,
    /// Why it could not be.
    pub reason: String,
    /// The cause's probability if it was seen.
    pub seen: f64,
    /// The cause's probability if it was looked for and not there.
    pub absent: f64,
}

/// Another cause.
#[derive(Clone, Debug)]
pub struct Rival {
    /// Its identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Its name for a person, without the place.
    pub name: String,
    /// Its probability.
    pub probability: f64,
    /// The probability that both are there.
    pub both: f64,
    /// What speaks most for the cause in question against this one, and how many times likelier it is with it.
    pub for_this: Option<(String, f64)>,
    /// What speaks most for this one.
    pub for_rival: Option<(String, f64)>,
}

/// A result that would make another cause the first.
#[derive(Clone, Debug)]
pub struct Turn {
    /// The check's identifier.
    pub check: String,
    /// Where.
    pub place: Place,
    /// The check's name for a person, without the place.
    pub name: String,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// The result, in words.
    pub result: String,
    /// How probable the result is.
    pub probability: f64,
    /// The cause that would be first, with its place.
    pub first: String,
    /// Its probability then.
    pub first_probability: f64,
    /// The probability of the cause in question then.
    pub this: f64,
}

/// A check with what each result would make of the cause.
#[derive(Clone, Debug)]
pub struct Telling {
    /// The check's identifier.
    pub check: String,
    /// Where.
    pub place: Place,
    /// The check's name for a person, without the place.
    pub name: String,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// Each result in words, its probability, and the cause's probability after it.
    pub results: Vec<(String, f64, f64)>,
}

/// What the whole ranking rests on, for programs that want to do the sum again.
#[derive(Clone, Debug, Default)]
pub struct Basis {
    /// Every cause with its probability, the likeliest first.
    pub ranking: Vec<(String, Place, f64)>,
    /// Each way to read the code numbers.
    pub readings: Vec<Observed>,
}

/// What was observed, in one way to read the code numbers.
#[derive(Clone, Debug, Default)]
pub struct Observed {
    /// The weight of this way; all weights sum to 1.
    pub weight: f64,
    /// Each finding that could be observed: its identifier, where, and whether it holds.
    pub findings: Vec<(String, Place, bool)>,
}

/// The odds of a probability: chance for, to chance against.
pub(crate) fn odds(probability: f64) -> f64 {
    probability / (1.0 - probability)
}

/// How the arithmetic is to be read.
const EXPLAINED: &str = "Every line multiplies the odds (the chance for, divided by the chance against) by its factor. A \
     factor is given the lines above it, so the product is exact; in another order single factors would differ, since \
     findings that have a cause in common share what they say.";

/// What a finding does that the cause has no part in.
const INDIRECT: &str = "This cause has no part in the next lines. They move its rivals: what a rival explains needs this \
     cause less, and what it no longer explains needs it more.";

/// Said where no open check could change the first cause.
const NO_TURN: &str =
    "No single result of a check that is still open would make another cause the first.";

/// The cause with its place.
fn phrase_at(why: &Why) -> String {
    phrase::at(&why.name, why.place)
}

/// Where the cause stands, a sentence.
fn verdict(why: &Why) -> String {
    format!(
        "{} now, number {} of {} causes; {} before any evidence.",
        fine_percent(why.probability),
        why.rank,
        why.causes,
        fine_percent(why.prior)
    )
}

/// The factor between the rules' prior and the start of the sum, and why it is there; `None` where they are the same.
fn start(why: &Why) -> Option<(String, &'static str)> {
    let times = odds(why.start) / odds(why.prior);
    let words = "The sum leaves out more than three causes at once, and any cause beside one that stands alone.";
    ((times - 1.0).abs() >= 0.005).then(|| (format!("× {}", factor(times)), words))
}

/// Which lines of the table the cause has no part in.
fn indirect_lines(why: &Why) -> String {
    let lines = why.steps.iter().filter(|step| !step.direct).count();
    format!("The last {lines} of these lines: {INDIRECT}").replace("the next lines", "them")
}

fn missing_words(missing: &Missing) -> String {
    format!("{}: {}.", phrase::capital(&missing.words), missing.reason)
}

fn missing_effect(missing: &Missing) -> String {
    format!(
        "Seen, it would make {} of it; looked for and not there, {}.",
        fine_percent(missing.seen),
        fine_percent(missing.absent)
    )
}

fn more_missing(count: usize) -> String {
    format!("And {count} more that would move it less.")
}

fn check_words(name: &str, place: Place, minutes: f64) -> String {
    format!("{} ({})", phrase::at(name, place), phrase::minutes(minutes))
}

fn result_words((words, probability, after): &(String, f64, f64)) -> String {
    format!(
        "{words} ({}): then {}",
        fine_percent(*probability),
        fine_percent(*after)
    )
}

/// How exact the sum is.
fn exactness(left_out: f64) -> String {
    format!(
        "The sum goes over all sets of up to three causes; what larger sets could add moves no probability by more than {}.",
        fine_percent(left_out)
    )
}

/// `3 %`, `0.13 %`, `99.96 %`: finer towards both ends.
pub(crate) fn fine_percent(probability: f64) -> String {
    let percent = probability * 100.0;
    let from_end = percent.min(100.0 - percent);
    let places = if from_end >= 9.95 || percent <= 0.0 || percent >= 100.0 {
        0
    } else if from_end >= 0.995 {
        1
    } else if from_end >= 0.0995 {
        2
    } else if from_end >= 0.000_95 {
        3
    } else if percent < 50.0 {
        return "under 0.001 %".to_owned();
    } else {
        return "over 99.999 %".to_owned();
    };
    let digits = format!("{percent:.places$}");
    let digits = match places {
        3 => digits.trim_end_matches('0'),
        _ => &digits,
    };
    format!("{digits} %")
}

/// A factor as it stands in a product: `310`, `1.2`, `0.031`.
fn factor(factor: f64) -> String {
    if factor >= 1e6 || factor < 1e-4 && factor > 0.0 {
        format!("{factor:.1e}")
    } else {
        number(factor)
    }
}

/// The product in one line: `0.0142 × 310 × 0.8 = 3.52, that is 77.9 %`.
fn product(why: &Why) -> String {
    let mut words = factor(odds(why.start));
    for step in &why.steps {
        words.push_str(" × ");
        words.push_str(&factor(step.factor));
    }
    format!(
        "{words} = {} to 1, that is {}.",
        factor(odds(why.probability)),
        fine_percent(why.probability)
    )
}

/// What stands under a step: how it is linked, and what it would do alone.
fn step_details(step: &Step) -> Option<String> {
    let mut parts = Vec::new();
    if let Some((with, without)) = step.chances {
        parts.push(format!(
            "seen in {} of the cases with this cause alone, in {} with none",
            fine_percent(with),
            fine_percent(without)
        ));
    }
    let differs = |alone: f64| (alone / step.factor).ln().abs() > 0.1;
    if let Some(alone) = step.alone.filter(|&alone| differs(alone)) {
        parts.push(format!("if nothing else was known, × {}", factor(alone)));
    }
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// What tells a rival from the cause, sentences.
fn rival_details(rival: &Rival) -> Vec<String> {
    let mut lines = Vec::new();
    if rival.both >= 0.001 {
        lines.push(format!("Both together: {}.", fine_percent(rival.both)));
    }
    if let Some((words, times)) = &rival.for_this {
        lines.push(format!(
            "Against it and for this one: {words} ({} times likelier here).",
            factor(*times)
        ));
    }
    if let Some((words, times)) = &rival.for_rival {
        lines.push(format!(
            "For it and against this one: {words} ({} times likelier there).",
            factor(*times)
        ));
    }
    if rival.for_this.is_none() && rival.for_rival.is_none() {
        lines.push("Nothing that was seen tells the two apart.".to_owned());
    }
    lines
}

/// What a turn would bring, a sentence.
fn turn_words(turn: &Turn, name: &str) -> String {
    format!(
        "{} ({}): {} would be first with {}; {name} at {}",
        turn.result,
        fine_percent(turn.probability),
        turn.first,
        fine_percent(turn.first_probability),
        fine_percent(turn.this)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentages_are_finer_towards_both_ends() {
        for (probability, shown) in [
            (0.0, "0 %"),
            (1e-9, "under 0.001 %"),
            (0.000_02, "0.002 %"),
            (0.001_34, "0.13 %"),
            (0.014, "1.4 %"),
            (0.5, "50 %"),
            (0.973, "97.3 %"),
            (0.999_6, "99.96 %"),
            (1.0 - 1e-9, "over 99.999 %"),
            (1.0, "100 %"),
        ] {
            assert_eq!(fine_percent(probability), shown);
        }
    }
}
