//! Calibration: random vehicles through the real path, and how often the ranking is right.
//!
//! `cargo bench --bench calibration -- --vehicles 300 --seed 1`; `docs/calibration.md` explains the tables.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    clippy::exit,
    reason = "a program for the terminal that reads rule files"
)]

mod cases;
mod rates;
mod scores;

use std::fmt::Write as _;

use tonering::notes::Notes;
use tonering::rig::{Random, Settings, Truth, random_case};
use tonering::rules::{RuleText, Rules};
use tonering::trouble::Catalogue;

use self::cases::Case;
use self::rates::Rates;
use self::scores::{Scores, Share};

/// Checks by hand that are answered in turn, at most.
const CHECKS: usize = 6;
/// Sets of wrong priors.
const WRONG_PRIORS: u64 = 5;
/// Vehicles whose causes go by the weights of the rules have seeds from here on.
const BY_WEIGHT: u64 = 1 << 32;

#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the command line"
)]
struct Wanted {
    vehicles: u64,
    seed: u64,
    checks: usize,
    by_weight: bool,
    sound: bool,
    misses: bool,
    rates: bool,
    rules: Option<String>,
}

fn wanted() -> Result<Wanted, String> {
    let mut wanted = Wanted {
        vehicles: 300,
        seed: 1,
        checks: CHECKS,
        by_weight: false,
        sound: false,
        misses: false,
        rates: false,
        rules: None,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || {
            let text = words.next().unwrap_or_default();
            text.parse::<u64>()
                .map_err(|error| format!("{word} {text}: {error}"))
        };
        match word.as_str() {
            "--vehicles" => wanted.vehicles = number()?,
            "--seed" => wanted.seed = number()?,
            "--checks" => wanted.checks = usize::try_from(number()?).unwrap_or(CHECKS),
            "--by-weight" => wanted.by_weight = true,
            "--sound" => wanted.sound = true,
            "--misses" => wanted.misses = true,
            "--rates" => wanted.rates = true,
            "--rules" => wanted.rules = words.next(),
            "--bench" => {}
            _ => {
                return Err(format!(
                    "{word}: possible are --vehicles N, --seed N, --checks N, --by-weight, --sound, --misses, --rates, --rules FOLDER"
                ));
            }
        }
    }
    Ok(wanted)
}

fn main() {
    let wanted = wanted().unwrap_or_else(|error| {
        eprintln!("{error}");
        std::process::exit(2)
    });
    let folder = wanted.rules.as_deref();
    let rules = rules(folder, None);
    let catalogue = Catalogue::embedded().expect("the built-in lists are sound");
    let wrong: Vec<Rules> = (0..WRONG_PRIORS)
        .map(|seed| wrong_priors(folder, &rules, seed))
        .collect();
    let mut scores = vec![Scores::default(); wanted.checks + 1];
    let mut rates = Rates::default();
    let mut stable = (Share::default(), Share::default());
    let mut seed = wanted.seed.wrapping_mul(1_000_003);
    for _ in 0..wanted.vehicles {
        let (mut settings, mut truth) = next(&mut seed, wanted.by_weight, &rules);
        if wanted.sound {
            settings.faults.clear();
            settings.past_faults.clear();
            truth.causes.clear();
        }
        let case = Case::new(&settings);
        let shown = shows(&case, &settings, &rules, &catalogue);
        let alone = truth.causes.len() < 2;
        let shown_both = !alone && shown && each_shows(&case, &settings, &rules, &catalogue);
        let mut notes = Notes::default();
        for (done, scores) in scores.iter_mut().enumerate() {
            let judged = case.judge(&rules, &catalogue, &notes, done < wanted.checks);
            scores.add(&truth, &judged, shown);
            if shown_both {
                scores.add_both_shown(&truth, &judged);
            }
            if wanted.rates && done == 0 && alone {
                rates.add(&truth, &judged);
            }
            if wanted.misses {
                miss(settings.seed, done, &truth, &judged, &notes, shown);
            }
            if done == 0 && shown && !truth.causes.is_empty() {
                for rules in &wrong {
                    let other = case.judge(rules, &catalogue, &notes, false);
                    let (id, place, _) = &judged.causes[0];
                    let rank = other.rank(id, *place);
                    stable.0.add(rank == Some(0));
                    stable.1.add(rank.is_some_and(|rank| rank < 3));
                }
            }
            if let Some((check, place)) = &judged.next {
                notes.entries.push(case.answer(check, *place));
            }
        }
    }
    print(&wanted, &scores, stable);
    if wanted.rates {
        rates.print(&rules);
    }
}

/// The next vehicle. By weight: one is taken as often as the rules say that its cause is behind a lit lamp.
fn next(seed: &mut u64, by_weight: bool, rules: &Rules) -> (Settings, Truth) {
    let heaviest = rules.causes().iter().map(|cause| cause.weight);
    let heaviest = heaviest.fold(0.0, f64::max);
    loop {
        *seed += 1;
        let drawn = if by_weight { *seed + BY_WEIGHT } else { *seed };
        let (settings, truth) = random_case(drawn);
        let cause = truth.causes.first().map(|cause| cause.cause);
        let weight = cause.and_then(|id| Some(rules.cause(id)?.weight));
        let share = weight.map_or(0.3, |weight| weight / heaviest);
        if !by_weight || Random::new(drawn, "by weight").chance(share) {
            return (settings, truth);
        }
    }
}

/// Whether the capture shows anything that the same vehicle without its faults does not show.
fn shows(case: &Case, settings: &Settings, rules: &Rules, catalogue: &Catalogue) -> bool {
    let mut sound = settings.clone();
    sound.faults.clear();
    sound.past_faults.clear();
    shows_beyond(case, &sound, rules, catalogue)
}

/// Whether each of two faults shows something that the other one alone does not.
fn each_shows(case: &Case, settings: &Settings, rules: &Rules, catalogue: &Catalogue) -> bool {
    (0..settings.faults.len()).all(|taken| {
        let mut other = settings.clone();
        other.faults.remove(taken);
        shows_beyond(case, &other, rules, catalogue)
    })
}

/// Whether a capture shows anything that the capture of another vehicle does not.
fn shows_beyond(case: &Case, other: &Settings, rules: &Rules, catalogue: &Catalogue) -> bool {
    let none = Notes::default();
    let other = Case::new(other).judge(rules, catalogue, &none, false);
    let here = case.judge(rules, catalogue, &none, false);
    let mut holding = here.holding.iter();
    holding.any(|finding| !other.holding.contains(finding))
}

/// The rules of a folder, or the built-in ones, with `weights` over them.
fn rules(folder: Option<&str>, weights: Option<&str>) -> Rules {
    let mut texts = folder.map(files).unwrap_or_default();
    if let Some(weights) = weights {
        texts.push(("weights".to_owned(), weights.to_owned()));
    }
    let texts: Vec<RuleText<'_>> = texts
        .iter()
        .map(|(name, text)| RuleText { name, text })
        .collect();
    let rules = match folder {
        Some(_) => Rules::only(&texts),
        None => Rules::load(&texts),
    };
    rules.unwrap_or_else(|error| {
        eprintln!("{error}");
        std::process::exit(1)
    })
}

/// The rule files of a folder.
fn files(folder: &str) -> Vec<(String, String)> {
    let files = std::fs::read_dir(folder).expect("the folder of rules opens");
    let mut texts: Vec<(String, String)> = files
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "yaml"))
        .filter_map(|path| {
            let text = std::fs::read_to_string(&path).ok()?;
            Some((path.display().to_string(), text))
        })
        .filter(|(_, text)| text.lines().any(|line| line.starts_with("rules:")))
        .collect();
    texts.sort();
    texts
}

/// The rules with every weight halved, kept or doubled at random.
fn wrong_priors(folder: Option<&str>, rules: &Rules, seed: u64) -> Rules {
    let mut random = Random::new(seed, "wrong priors");
    let mut weights = "rules: 1\nweights:\n".to_owned();
    for cause in rules.causes() {
        let weight = cause.weight * random.pick(&[0.5, 1.0, 2.0]);
        let _ = writeln!(
            weights,
            "  - {{ cause: {}, weight: {weight}, source: drawn }}",
            cause.id
        );
    }
    self::rules(folder, Some(&weights))
}

fn miss(seed: u64, done: usize, truth: &Truth, judged: &cases::Judged, notes: &Notes, shown: bool) {
    let right = match truth.causes.as_slice() {
        [] => judged.accused().is_none_or(|(_, _, p)| *p < 0.5),
        [only] => judged.rank(only.cause, only.place) == Some(0),
        both => both
            .iter()
            .all(|one| judged.rank(one.cause, one.place).is_some_and(|r| r < 3)),
    };
    if right {
        return;
    }
    let causes: Vec<String> = truth
        .causes
        .iter()
        .map(|one| format!("{}/{}@{}", one.cause, one.form, one.place))
        .collect();
    let said: Vec<String> = judged.causes[..4]
        .iter()
        .map(|(id, place, p)| format!("{id}@{place} {p:.2}"))
        .collect();
    let holding: Vec<String> = judged
        .holding
        .iter()
        .map(|(id, place)| format!("{id}@{place}"))
        .collect();
    let asked: Vec<String> = notes
        .entries
        .iter()
        .map(|note| format!("{}@{}={:?}", note.check, note.place, note.result))
        .collect();
    eprintln!(
        "seed {seed} k {done} shown {shown}: {}\n  said {}\n  from {}\n  asked {}\n  next {:?}",
        causes.join(" + "),
        said.join(", "),
        holding.join(", "),
        asked.join(", "),
        judged.next,
    );
}

fn print(wanted: &Wanted, scores: &[Scores], stable: (Share, Share)) {
    println!(
        "{} vehicles from seed {}, causes drawn {}\n",
        wanted.vehicles,
        wanted.seed,
        if wanted.by_weight {
            "by the weights of the rules"
        } else {
            "uniformly"
        }
    );
    println!(
        "| checks answered | first | in first three | first, shown | in first three, shown | both of two | both, each shown | sound accused | remembered accused | Brier | error, first | error, all |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for (done, scores) in scores.iter().enumerate() {
        println!(
            "| {done} | {} | {} | {} | {} | {} | {} | {} | {} | {:.3} | {:.3} | {:.4} |",
            scores.first,
            scores.three,
            scores.first_shown,
            scores.three_shown,
            scores.both,
            scores.both_shown,
            scores.accused,
            scores.remembered_accused,
            scores.brier(),
            scores.of_first.error(),
            scores.of_all.error(),
        );
    }
    println!(
        "\nWith wrong priors the first cause stays first: {}; among the first three: {}",
        stable.0, stable.1
    );
    let (Some(bare), Some(checked)) = (scores.first(), scores.last()) else {
        return;
    };
    println!(
        "\n| cause | first, capture alone | in first three | first, all checks | in first three |\n| --- | --- | --- | --- | --- |"
    );
    for (cause, (first, three)) in &bare.by_cause {
        let (later, later_three) = checked.by_cause.get(cause).copied().unwrap_or_default();
        println!("| {cause} | {first} | {three} | {later} | {later_three} |");
    }
    for (scores, words) in [(bare, "capture alone"), (checked, "all checks")] {
        println!("\nReliability of the first cause, {words}\n");
        scores.of_first.print();
        println!("\nReliability of all causes, {words}\n");
        scores.of_all.print();
        println!(
            "\nConfusion, {words}\n\n| true cause | said first | vehicles |\n| --- | --- | --- |"
        );
        for ((cause, said), count) in &scores.confusion {
            if cause != said {
                println!("| {cause} | {said} | {count} |");
            }
        }
    }
}
