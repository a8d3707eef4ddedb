//! `drill`: a lesson in the terminal. An unseen fault; the learner asks, checks, decides, and gets marks.

mod show;
mod words;

use std::io::{self, BufRead, IsTerminal as _, Write};
use std::sync::mpsc::{Sender, channel};
use std::thread;

use tonering::drill::{Answer, Case, School, places};
use tonering::place::Place;
use tonering::rules::Rules;
use tonering::trouble::Catalogue;

use self::words::{Line, parse};
use super::basis::{Can, means};
use super::console::Console;
use super::rig::{Commands, serve};
use super::{link, wheels, wrap};

/// A lesson: find an unseen fault, and get marks
///
/// A simulated vehicle stands there with its ABS lamp lit. Ask its modules for codes, drive it, look at the wheels, check
/// by hand what seems worth it, and say what it is. Time and money run along. At the end the lesson explains what it
/// was, and compares your way with the program's own.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// Which lesson: the same number is the same vehicle with the same fault
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Who works: a careful person at home, or a workshop
    #[arg(long, value_enum, default_value_t = Can::Workshop)]
    can: Can,
    /// What an hour of work costs, in the currency of the rules
    #[arg(long, value_name = "MONEY", default_value_t = 30.0)]
    hourly_rate: f64,
    /// Also let the vehicle live on this CAN interface, for your own tools; a bench, never the bus of a real vehicle
    #[arg(long, value_name = "LINK")]
    on: Option<String>,
}

const EXAMPLES: &str = "\
Examples:
  tonering drill
  tonering drill --seed 7
  tonering drill --seed 7 --can home --hourly-rate 45
  cat answers.txt | tonering drill --seed 7

In the lesson: help lists what can be asked; quit leaves it.";

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let rules = Rules::built_in()?;
    let catalogue = Catalogue::load(&[])?;
    let school = School {
        rules: &rules,
        catalogue: &catalogue,
        means: means(args.can, args.hourly_rate)?,
    };
    let case = Case::new(args.seed, school);
    let live = args
        .on
        .as_deref()
        .map(|name| on_link(&case, name))
        .transpose()?;
    let mut lesson = Lesson {
        case,
        console,
        seed: args.seed,
        prompt: io::stdin().is_terminal(),
    };
    let done = lesson.hold(&mut io::stdin().lock(), &mut io::stdout());
    if let Some(live) = live {
        // The vehicle leaves the bus with the lesson; it may have left before.
        let _ = live.send("quit".to_owned());
    }
    done
}

/// Lets the vehicle live on a link while the lesson goes on.
fn on_link(case: &Case<'_>, name: &str) -> anyhow::Result<Sender<String>> {
    let mut bus = link::open(name)?;
    super::rig::refuse_among_others(&mut *bus, name).map_err(link::helped)?;
    let vehicle = case.vehicle();
    let (sender, lines) = channel();
    thread::spawn(move || {
        let commands = Commands::from_channel(lines);
        let ended = serve(vehicle, &mut *bus, &commands, &mut io::sink(), None);
        if let Err(error) = ended {
            super::console::remark(&format!("{error:#}; the lesson goes on without the link"));
        }
    });
    Ok(sender)
}

/// A lesson under way.
struct Lesson<'r> {
    case: Case<'r>,
    console: Console,
    seed: u64,
    prompt: bool,
}

/// Whether the lesson goes on.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Next {
    GoOn,
    Over,
}

/// Longest line that is read.
const MAX_LINE: u64 = 4_000;

impl Lesson<'_> {
    fn hold(&mut self, typed: &mut dyn BufRead, out: &mut dyn Write) -> anyhow::Result<()> {
        self.open(out)?;
        loop {
            if self.prompt {
                write!(out, "\n> ")?;
            }
            out.flush()?;
            let mut bytes = Vec::new();
            let mut bounded = io::Read::take(&mut *typed, MAX_LINE);
            if bounded.read_until(b'\n', &mut bytes)? == 0 {
                self.leave(out)?;
                return Ok(());
            }
            let line = String::from_utf8_lossy(&bytes);
            if !self.prompt {
                // In a pipe the answers would stand there without their questions.
                writeln!(out, "\n> {}", super::console::printable(line.trim()))?;
            }
            if self.obey(&parse(&line, self.case.school().rules), out)? == Next::Over {
                return Ok(());
            }
        }
    }

    fn width(&self) -> usize {
        self.console.width.min(100)
    }

    fn say(&self, out: &mut dyn Write, words: &str) -> io::Result<()> {
        wrap::put(out, words, self.width(), 0)
    }

    fn open(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "LESSON {}", self.seed)?;
        self.say(
            out,
            "A training vehicle stands in front of you with its ABS lamp lit. Find out why, with as little time and money \
             as you need. Its wheel-speed sensors are of the kind that you will find in its papers (papers).",
        )?;
        self.say(
            out,
            "help lists what you can do. When you know it, say: it is CAUSE PLACE.",
        )
    }

    fn leave(&self, out: &mut dyn Write) -> io::Result<()> {
        self.say(
            out,
            &format!(
                "You leave the lesson without an answer. The same vehicle waits for you with --seed {}.",
                self.seed
            ),
        )
    }

    fn obey(&mut self, line: &Line, out: &mut dyn Write) -> anyhow::Result<Next> {
        match line {
            Line::Empty => {}
            Line::Quit => {
                self.leave(out)?;
                return Ok(Next::Over);
            }
            Line::Help => write!(out, "{}", words::HELP)?,
            Line::Papers => show::papers(&self.case, self.width(), out)?,
            Line::Modules => show::modules(&self.case, self.width(), out)?,
            Line::Codes(None) => {
                for module in 0..self.case.record().modules.len() {
                    self.case.read_codes(module);
                    show::codes(&self.case, module, self.width(), out)?;
                }
                self.price(out)?;
            }
            Line::Codes(Some(name)) => self.codes_of(name, out)?,
            Line::Wheels => {
                self.case.drive();
                let signals = &self.case.record().signals;
                wheels::page(
                    "The test drive",
                    signals,
                    self.case.measures(),
                    self.console,
                    out,
                )?;
                self.price(out)?;
            }
            Line::Voltages => {
                self.case.read_voltages();
                show::voltages(&self.case, out)?;
                self.price(out)?;
            }
            Line::Checks => show::checks(&self.case, self.width(), out)?,
            Line::Causes => show::causes(&self.case, self.width(), out)?,
            Line::How(check) => {
                if let Some(rule) = self.case.prepare(check) {
                    show::how(&self.case, rule, self.width(), out)?;
                }
            }
            Line::Check { check, place } => self.check(check, *place, out)?,
            Line::Notes => show::notes(&self.case, self.width(), out)?,
            Line::Answer { cause, place } => {
                let answer = Answer::Cause {
                    cause: cause.clone(),
                    place: *place,
                };
                show::end(&self.case, &answer, self.width(), out)?;
                return Ok(Next::Over);
            }
            Line::GiveUp => {
                show::end(&self.case, &Answer::None, self.width(), out)?;
                return Ok(Next::Over);
            }
            Line::Wrong(words) => self.say(out, words)?,
        }
        Ok(Next::GoOn)
    }

    /// What was spent so far.
    fn price(&self, out: &mut dyn Write) -> io::Result<()> {
        let spent = self.case.spent();
        let rate = self.case.school().means.hourly_rate;
        writeln!(
            out,
            "So far: {:.0} minutes, {:.2} in all.",
            spent.minutes,
            spent.at(rate)
        )
    }

    fn codes_of(&mut self, name: &str, out: &mut dyn Write) -> anyhow::Result<()> {
        let wanted = name.to_lowercase();
        let modules = &self.case.record().modules;
        let found = modules.iter().position(|module| {
            module.name.to_lowercase().contains(&wanted) || module.role.id().contains(&wanted)
        });
        let Some(module) = found else {
            let names: Vec<&str> = modules.iter().map(|module| module.name.as_str()).collect();
            let words = format!(
                "There is no module {name:?} here. There are: {}.",
                names.join(", ")
            );
            self.say(out, &super::console::printable(&words))?;
            return Ok(());
        };
        self.case.read_codes(module);
        show::codes(&self.case, module, self.width(), out)?;
        self.price(out)?;
        Ok(())
    }

    fn check(
        &mut self,
        check: &str,
        place: Option<Place>,
        out: &mut dyn Write,
    ) -> anyhow::Result<()> {
        let places = places(check).map_or(&[][..], tonering::place::PlaceKind::places);
        // What concerns the whole vehicle needs no place.
        let place = place.or(match places {
            [only] => Some(*only),
            _ => None,
        });
        let Some(place) = place else {
            let names: Vec<String> = places.iter().map(|place| words::place_id(*place)).collect();
            self.say(
                out,
                &format!("Where? check {check} wants one of: {}.", names.join(", ")),
            )?;
            return Ok(());
        };
        let width = self.width();
        match self.case.check(check, place) {
            Ok(done) => {
                let done = done.clone();
                show::done(&self.case, &done, width, out)?;
                self.price(out)?;
            }
            Err(error) => self.say(out, &format!("{error}."))?,
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lesson(seed: u64, typed: &str) -> String {
        let rules = Rules::built_in().unwrap();
        let catalogue = Catalogue::load(&[]).unwrap();
        let school = School {
            rules: &rules,
            catalogue: &catalogue,
            means: means(Can::Workshop, 30.0).unwrap(),
        };
        let mut lesson = Lesson {
            case: Case::new(seed, school),
            console: Console {
                width: 80,
                colour: false,
                unicode: true,
                progress: false,
                screen: false,
            },
            seed,
            prompt: false,
        };
        let mut out = Vec::new();
        lesson.hold(&mut typed.as_bytes(), &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    /// Everything that can be asked, in one lesson; the same lines give the same words.
    #[test]
    fn a_lesson_over_a_pipe() {
        let typed = "help\npapers\nmodules\ncodes brakes\ncodes\nwheels\nvoltages\nchecks\ncauses\nhow air-gap\n\
                     air-gap left front\ncheck fluid-level\nnotes\nit is no-present-fault\n";
        let said = lesson(2, typed);
        for wanted in [
            "LESSON 2",
            "> help",
            "Brake control",
            "So far: 3 minutes, 1.50 in all.",
            "Air gap",
            "left front wheel: 0.",
            "Brake fluid level: ",
            "What it is:",
            "MARKS",
            "of 100",
        ] {
            assert!(said.contains(wanted), "{wanted:?} is missing in\n{said}");
        }
        assert!(
            said.lines().all(|line| line.chars().count() <= 80),
            "{said}"
        );
        assert_eq!(lesson(2, typed), said);
    }

    #[test]
    fn the_right_answer_is_praised_and_a_lesson_can_be_left() {
        let rules = Rules::built_in().unwrap();
        let catalogue = Catalogue::load(&[]).unwrap();
        let school = School {
            rules: &rules,
            catalogue: &catalogue,
            means: means(Can::Home, 30.0).unwrap(),
        };
        let truth = Case::new(3, school).truth();
        let place = words::place_id(truth.place);
        let place = if truth.place == Place::Vehicle {
            ""
        } else {
            &place
        };
        let said = lesson(
            3,
            &format!("codes\nit is {} {place}\nchecks\n", truth.cause),
        );
        assert!(said.contains("Right."), "{said}");
        assert!(said.contains("answer           50 of 50"), "{said}");
        assert!(!said.contains("> checks"), "the lesson is over");
        for typed in ["quit\n", ""] {
            let left = lesson(3, typed);
            let words: Vec<&str> = left.split_whitespace().collect();
            assert!(
                words.join(" ").contains("waits for you with --seed 3"),
                "{left}"
            );
            assert!(!left.contains("What it is:"));
        }
        let given_up = lesson(3, "give up\n");
        assert!(
            given_up.contains("What it is:") && given_up.contains("0 of 100"),
            "{given_up}"
        );
    }

    #[test]
    fn what_is_not_understood_gets_helpful_words() {
        let said = lesson(
            3,
            "dance\ncheck air-gap\ncheck air-gpa left-front\ncheck air-gap roof\nit is tone-rng left-front\nit is tone-ring\n\
             codes toaster\nhow tea\n\u{1b}[2J\nit is\nit is supply-lost left-front\nquit\n",
        );
        for wanted in [
            "help lists",
            "Where? check air-gap wants one of: left-front, right-front",
            "Perhaps air-gap?",
            "Perhaps tone-ring?",
            "There is no module \"toaster\" here.",
            "\\u{1b}[2J",
        ] {
            assert!(said.contains(wanted), "{wanted:?} is missing in\n{said}");
        }
        assert!(!said.contains('\u{1b}'));
        assert!(!said.contains("What it is:"), "no answer was complete");
    }
}
