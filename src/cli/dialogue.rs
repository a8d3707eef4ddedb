//! `diagnose --ask`: walks through the plan of checks, takes what came out, and shows what that moves.
//!
//! Reads a line at a time from standard input, from a person or a pipe; its end ends the dialogue as `quit` does. What
//! is not understood is said and asked again. Every answer is in the file of notes before the next question.

use std::io::{self, BufRead as _, IsTerminal as _, StdinLock, Write};
use std::path::{Path, PathBuf};

use tonering::diagnosis::{self, Diagnosis, Means, Model, done_line};
use tonering::evidence::{Grounds, evaluate};
use tonering::notes::{Note, NoteResult, Notes, answer, possible_units};
use tonering::place::Place;
use tonering::report::text::Layout;
use tonering::report::text::dialogue as show;
use tonering::report::{CheckLine, Report, Urgency};
use tonering::rules::CheckRule;

use super::console::printable;
use super::notes_file::{NotesFile, TakenBack};

/// Longest line that is listened to, in bytes.
const LONGEST: usize = 1000;
/// From this probability of the first cause on, enough is known.
const ENOUGH: f64 = 0.95;

const HELP: &[&str] = &[
    "an answer: a result of the check, its number or its beginning; or a reading, with or without its unit",
    "cannot: this check cannot be done; it is noted and not proposed again",
    "skip: another check first; nothing is noted",
    "note CHECK [PLACE] ANSWER: the result of any other check, such as: note air-gap left-front 1.2 mm",
    "why, or why CAUSE: the arithmetic of a cause, by its number or name: why 2, why sensor-circuit left-front",
    "plan: the next checks; causes: where it stands; steps: the check once more; list: what is noted",
    "undo: takes the last note back",
    "quit: ends; everything is saved, and the same command goes on from here",
];

/// What the dialogue is about.
pub(crate) struct Dialogue<'a> {
    /// Everything the findings are judged by; its notes are replaced by those of the file.
    pub(crate) grounds: Grounds<'a>,
    pub(crate) vehicle: &'a str,
    pub(crate) means: Means,
    pub(crate) layout: Layout,
    /// The command that compares with a recording after the repair.
    pub(crate) compare: String,
}

/// What a line asks for.
enum Wish {
    /// The ranking may have changed: ask anew.
    Changed,
    /// Ask anew.
    Next,
    /// The same question again.
    Stay,
    /// The same question again, and what may be answered: much has been shown in between.
    Remind,
    /// The end.
    Quit,
}

/// Runs the dialogue; the notes at its end.
pub(crate) fn run(
    dialogue: &Dialogue<'_>,
    path: &Path,
    out: &mut dyn Write,
) -> anyhow::Result<Notes> {
    let mut sitting = Sitting {
        dialogue,
        file: NotesFile::open(path, dialogue.grounds.rules)?,
        path: path.to_owned(),
        skipped: Vec::new(),
        lines: Lines::new(),
    };
    let ended = sitting.talk(out);
    let unsaved = sitting.file.unsaved();
    if !unsaved.is_empty() {
        let lines: Vec<String> = unsaved.iter().map(|entry| format!("  - {entry}")).collect();
        anyhow::bail!(
            "{}: these answers could not be saved; add them to its list of checks:\n{}",
            path.display(),
            lines.join("\n")
        );
    }
    ended?;
    Ok(sitting.file.notes())
}

struct Sitting<'d, 'a> {
    dialogue: &'d Dialogue<'a>,
    file: NotesFile<'a>,
    path: PathBuf,
    /// Checks that are not wanted now.
    skipped: Vec<(String, Place)>,
    lines: Lines,
}

/// How things stand with the notes so far.
struct Standing<'a> {
    found: Diagnosis<'a>,
    report: Report,
}

impl<'a> Sitting<'_, 'a> {
    fn standing(&self, notes: &Notes) -> Standing<'a> {
        let Dialogue {
            grounds,
            vehicle,
            means,
            ..
        } = self.dialogue;
        // What was skipped is planned for no more, as if it could not be done; that moves no cause.
        let mut planned = notes.clone();
        let skipped = self.skipped.iter().map(|(check, place)| Note {
            check: check.clone(),
            place: *place,
            result: NoteResult::CannotDo,
        });
        let open = |note: &Note| notes.last(&note.check, note.place).is_none();
        planned.entries.extend(skipped.filter(open));
        let grounds = Grounds {
            notes: &planned,
            ..*grounds
        };
        // The rules outlive the notes, and the network is made of them alone.
        let model = Model::new(self.dialogue.grounds.rules);
        let evidence = evaluate(&grounds);
        let found = Diagnosis {
            ranking: model.rank(&evidence),
            evidence,
            model,
        };
        let report = diagnosis::report(&grounds, &found, vehicle, means);
        Standing { found, report }
    }

    fn talk(&mut self, out: &mut dyn Write) -> anyhow::Result<()> {
        let layout = self.dialogue.layout;
        let mut notes = self.file.notes();
        let mut now = self.standing(&notes);
        show::opening(&now.report, out, layout)?;
        writeln!(out)?;
        if notes.entries.is_empty() {
            show::say(
                &format!("Answers are kept in {}.", self.path.display()),
                out,
                layout,
            )?;
        } else {
            let heading = format!("Noted so far in {}", self.path.display());
            let done = diagnosis::done(&notes, self.dialogue.grounds.rules);
            show::list(&heading, &done, out, layout)?;
        }
        let mut told_enough = false;
        let mut told_repair = Vec::new();
        let mut moves = Vec::new();
        loop {
            let next = now.report.checks.first().cloned();
            let Some(next) = next else {
                let words = if self.skipped.is_empty() {
                    "No further check by hand would tell more."
                } else {
                    "No other check would tell more than those that were skipped."
                };
                writeln!(out)?;
                show::say(words, out, layout)?;
                break;
            };
            if let Some(repair) = &now.report.repair {
                let causes: Vec<(String, Place)> = repair
                    .causes
                    .iter()
                    .map(|cause| (cause.id.clone(), cause.place))
                    .collect();
                if told_repair != causes {
                    told_repair = causes;
                    writeln!(out)?;
                    show::repair(&now.report, out, layout)?;
                    let words = "Quit to do that now, or go on with the next check.";
                    show::say(words, out, layout)?;
                }
            } else if is_enough(&now.report) && !next.urgent && !told_enough {
                told_enough = true;
                writeln!(out)?;
                let words =
                    "Enough is known. Quit, or go on with the next check to be surer still.";
                show::say(words, out, layout)?;
            }
            let possible = self.possible(&next);
            show::check(&next, &now.report, &moves, &possible, out, layout)?;
            let wish = loop {
                match self.hear(&next, &now, &notes, out)? {
                    Wish::Stay => {}
                    Wish::Remind => show::answers(&possible, out, layout)?,
                    wish => break wish,
                }
            };
            match wish {
                Wish::Quit => break,
                Wish::Next | Wish::Stay | Wish::Remind => now = self.standing(&notes),
                Wish::Changed => {
                    notes = self.file.notes();
                    let after = self.standing(&notes);
                    moves = diagnosis::moved(&now.found, &after.found);
                    let unsafe_now = newly_unsafe(&now.report, &after.report);
                    show::moved(&moves, &after.report, unsafe_now, out, layout)?;
                    now = after;
                }
            }
        }
        show::closing(&now.report, &self.dialogue.compare, out, layout)?;
        writeln!(out)?;
        let words = format!(
            "{} noted in {}; the same command goes on from here.",
            match self.file.notes().entries.len() {
                1 => "1 check is".to_owned(),
                count => format!("{count} checks are"),
            },
            self.path.display()
        );
        show::say(&words, out, layout)?;
        Ok(())
    }

    fn rule(&self, id: &str) -> Option<&'a CheckRule> {
        self.dialogue.grounds.rules.check(id)
    }

    /// What may be answered to a check.
    fn possible(&self, check: &CheckLine) -> String {
        let words = match self.rule(&check.id) {
            Some(CheckRule {
                value: Some(value), ..
            }) => format!("the reading ({})", possible_units(value.unit)),
            Some(rule) => {
                let results = rule.results.iter().enumerate();
                let results: Vec<String> = results
                    .map(|(at, result)| format!("{} {}", at + 1, result.id.replace('-', " ")))
                    .collect();
                results.join(", ")
            }
            None => String::new(),
        };
        format!("{words}; or cannot, skip, why, undo, help, quit")
    }

    /// Asks, listens, and does what is wished.
    fn hear(
        &mut self,
        check: &CheckLine,
        now: &Standing<'_>,
        notes: &Notes,
        out: &mut dyn Write,
    ) -> anyhow::Result<Wish> {
        let layout = self.dialogue.layout;
        write!(out, "> ")?;
        out.flush()?;
        let line = match self.lines.next()? {
            Heard::Line(line) => line,
            Heard::TooLong => {
                writeln!(out)?;
                show::say("That line is too long; nothing was noted.", out, layout)?;
                return Ok(Wish::Stay);
            }
            Heard::End => {
                writeln!(out)?;
                return Ok(Wish::Quit);
            }
        };
        if !self.lines.terminal {
            writeln!(out, "{}", printable(&line))?;
        }
        let line = line.trim();
        let Some(rule) = self.rule(&check.id) else {
            return Ok(Wish::Next);
        };
        let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let rest = rest.trim();
        // A result of the check that is called like a command is the result.
        let is_result = rule.results.iter().any(|result| result.id == line);
        match word.to_ascii_lowercase().as_str() {
            "" => Ok(Wish::Stay),
            _ if is_result => self.note(rule, check.place, line, out),
            "quit" | "exit" | "q" => Ok(Wish::Quit),
            "help" | "?" => {
                let lines: Vec<String> = HELP.iter().map(|&line| line.to_owned()).collect();
                show::list("What can be said", &lines, out, layout)?;
                Ok(Wish::Remind)
            }
            "skip" => {
                self.skipped.push((check.id.clone(), check.place));
                Ok(Wish::Next)
            }
            "steps" => Ok(Wish::Next),
            "causes" => {
                show::standing(&now.report, out, layout)?;
                Ok(Wish::Remind)
            }
            "plan" => {
                let checks = now.report.checks.iter();
                let lines: Vec<String> = checks
                    .map(|check| match check.place {
                        Place::Vehicle => format!("{}: {}", check.name, check.why),
                        place => format!("{}, {place}: {}", check.name, check.why),
                    })
                    .collect();
                show::list(
                    "The next checks, each after the likeliest result of those before",
                    &lines,
                    out,
                    layout,
                )?;
                Ok(Wish::Remind)
            }
            "list" => {
                let mut done = diagnosis::done(notes, self.dialogue.grounds.rules);
                if done.is_empty() {
                    done.push("nothing yet".to_owned());
                }
                show::list(
                    &format!("Noted in {}", self.path.display()),
                    &done,
                    out,
                    layout,
                )?;
                Ok(Wish::Remind)
            }
            "undo" => self.undo(out),
            "why" => {
                let wanted = if rest.is_empty() { "1" } else { rest };
                self.why(wanted, now, notes, out)?;
                Ok(Wish::Remind)
            }
            "note" => self.note_other(rest, out),
            _ => self.note(rule, check.place, line, out),
        }
    }

    /// Notes what came out of a check.
    fn note(
        &mut self,
        rule: &CheckRule,
        place: Place,
        said: &str,
        out: &mut dyn Write,
    ) -> anyhow::Result<Wish> {
        let layout = self.dialogue.layout;
        let result = match answer(said, rule) {
            Ok(result) => result,
            Err(error) => {
                show::say(
                    &format!("{error}. Nothing was noted; help tells more."),
                    out,
                    layout,
                )?;
                return Ok(Wish::Stay);
            }
        };
        let note = Note {
            check: rule.id.clone(),
            place,
            result,
        };
        let mut words = done_line(&note, self.dialogue.grounds.rules);
        if let NoteResult::Value(value) = note.result
            && let Some(band) = rule.value.as_ref().and_then(|known| known.band(value))
        {
            words.push_str(" (");
            words.push_str(&band.means);
            words.push(')');
        }
        match self.file.add(note) {
            Ok(()) => show::say(&format!("Noted: {words}"), out, layout)?,
            Err(error) => {
                let text = format!(
                    "NOT SAVED: {error:#}. The answer counts and is kept in memory: {words}. It is saved with the next answer that can be."
                );
                show::say(&text, out, layout)?;
            }
        }
        Ok(Wish::Changed)
    }

    /// `note CHECK [PLACE] ANSWER`.
    fn note_other(&mut self, text: &str, out: &mut dyn Write) -> anyhow::Result<Wish> {
        let layout = self.dialogue.layout;
        let (id, rest) = text.split_once([' ', '@']).unwrap_or((text, ""));
        let Some(rule) = self.rule(id) else {
            let checks = self.dialogue.grounds.rules.checks().iter();
            let ids: Vec<&str> = checks.map(|check| check.id.as_str()).collect();
            let words = format!("there is no check {id:?}; possible: {}", ids.join(", "));
            show::say(&words, out, layout)?;
            return Ok(Wish::Stay);
        };
        let kind = rule.place.kind();
        let places = kind.places();
        if let [place] = places {
            return self.note(rule, *place, rest, out);
        }
        // `left-front 1.2 mm`, `left front 1.2 mm`.
        let words: Vec<&str> = rest.split_whitespace().collect();
        for taken in 1..=words.len().min(2) {
            let (place, said) = words.split_at(taken);
            if let Some(place) = diagnosis::place_from(&place.join(" "), kind) {
                return self.note(rule, place, &said.join(" "), out);
            }
        }
        let ids: Vec<&str> = places
            .iter()
            .map(|&place| diagnosis::place_id(place))
            .collect();
        let words = format!("{id} needs a place before its answer: {}", ids.join(", "));
        show::say(&words, out, layout)?;
        Ok(Wish::Stay)
    }

    fn undo(&mut self, out: &mut dyn Write) -> anyhow::Result<Wish> {
        let layout = self.dialogue.layout;
        let rules = self.dialogue.grounds.rules;
        let (words, wish) = match self.file.undo() {
            Ok(TakenBack::Note(note)) => (
                format!("Taken back: {}", done_line(&note, rules)),
                Wish::Changed,
            ),
            Ok(TakenBack::Nothing) => ("Nothing is noted.".to_owned(), Wish::Stay),
            Ok(TakenBack::ByHand(note)) => {
                let words = format!(
                    "The last note was written by hand ({}); take it out of {} yourself.",
                    done_line(&note, rules),
                    self.path.display()
                );
                (words, Wish::Stay)
            }
            Err(error) => (format!("Not taken back: {error:#}"), Wish::Stay),
        };
        show::say(&words, out, layout)?;
        Ok(wish)
    }

    fn why(
        &self,
        wanted: &str,
        now: &Standing<'_>,
        notes: &Notes,
        out: &mut dyn Write,
    ) -> anyhow::Result<()> {
        let layout = self.dialogue.layout;
        let grounds = Grounds {
            notes,
            ..self.dialogue.grounds
        };
        match now.found.find(wanted) {
            Ok(cause) => {
                let why = diagnosis::why(&grounds, &now.found, &self.dialogue.means, cause);
                let whys: Vec<_> = why.into_iter().collect();
                tonering::report::why::text::write(&now.report, &whys, out, layout)?;
            }
            Err(error) => show::say(&error.to_string(), out, layout)?,
        }
        Ok(())
    }
}

/// Whether one cause is so likely that more checks are not needed.
fn is_enough(report: &Report) -> bool {
    let first = report.causes.first();
    first.is_some_and(|cause| cause.probability >= ENOUGH)
}

/// Whether it must not be driven now, and was not said to be so before.
fn newly_unsafe(before: &Report, after: &Report) -> bool {
    let forbidden = |report: &Report| {
        let safety = report.safety.as_ref();
        safety.is_some_and(|safety| safety.urgency == Urgency::DoNotDrive)
    };
    forbidden(after) && !forbidden(before)
}

/// What was heard.
enum Heard {
    Line(String),
    TooLong,
    End,
}

/// Lines of standard input.
struct Lines {
    terminal: bool,
    input: StdinLock<'static>,
}

impl Lines {
    fn new() -> Self {
        Self {
            terminal: io::stdin().is_terminal(),
            input: io::stdin().lock(),
        }
    }

    /// The next line without its end; one that is too long is passed over.
    fn next(&mut self) -> io::Result<Heard> {
        let mut line = Vec::new();
        let mut long = false;
        loop {
            let piece = self.input.fill_buf()?;
            if piece.is_empty() {
                return Ok(if line.is_empty() && !long {
                    Heard::End
                } else {
                    heard(&line, long)
                });
            }
            let end = piece.iter().position(|&byte| byte == b'\n');
            let part = piece.get(..end.unwrap_or(piece.len())).unwrap_or(piece);
            if line.len() + part.len() > LONGEST {
                long = true;
            } else {
                line.extend_from_slice(part);
            }
            let used = part.len() + usize::from(end.is_some());
            self.input.consume(used);
            if end.is_some() {
                return Ok(heard(&line, long));
            }
        }
    }
}

fn heard(line: &[u8], long: bool) -> Heard {
    if long {
        Heard::TooLong
    } else {
        Heard::Line(
            String::from_utf8_lossy(line)
                .trim_end_matches('\r')
                .to_owned(),
        )
    }
}
