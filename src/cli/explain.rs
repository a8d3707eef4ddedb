//! `explain WHAT`: teaches what a code, a byte, an identifier, a message or a frame is.

use std::io::Write as _;
use std::path::PathBuf;

use clap::ValueEnum;
use tonering::service::{Context, Explanation, Subject, explain, fields};
use tonering::trouble::Catalogue;

use super::console::Console;
use super::decode::{Lines, json, text};
use super::output::Output;

/// Explain a code, a byte, an identifier, a message or a frame
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// What to explain
    #[arg(required = true, value_name = "WHAT")]
    what: Vec<String>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  tonering explain C0034-13
  tonering explain failure-type 13
  tonering explain status 2F
  tonering explain service 19
  tonering explain 0x7E8
  tonering explain '59 02 FF 40 31 13 2F'
  tonering explain 7E8#037F2278

Other words: 'refusal 31', 'parameter 0C', 'identifier F190', or a line of a candump capture.";

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// For a person
    Text,
    /// One JSON object
    Json,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let what = args.what.join(" ");
    let subject = Subject::parse(&what)?;
    let catalogue = Catalogue::embedded()?;
    let explanation = explain(&subject, &catalogue);
    let mut output = Output::open(args.output.as_deref())?;
    let mut out = Lines::new();
    match args.format {
        Format::Text => in_text(&mut out, &explanation, &catalogue, console),
        Format::Json => in_json(&mut out, &explanation, &catalogue),
    }
    output.write_all(out.bytes())?;
    output.finish()
}

/// Column at which the words of a fact start.
const WORDS_AT: usize = 22;

/// Column at which the words of a field start.
const FIELD_AT: usize = 27;

fn in_text(out: &mut Lines, told: &Explanation, catalogue: &Catalogue, console: Console) {
    let ascii = !console.unicode;
    let width = console.width;
    wrapped(out, 0, 0, &told.title, width, ascii);
    for fact in &told.facts {
        let start = out.len();
        out.text("  ");
        out.text(&fact.name);
        let length = out.len() - start;
        for _ in length..WORDS_AT.max(length + 1) {
            out.byte(b' ');
        }
        let words = match fact.source.as_str() {
            "" => fact.words.clone(),
            source => format!("{} [{source}]", fact.words),
        };
        wrapped(
            out,
            WORDS_AT.max(length + 1),
            WORDS_AT,
            &words,
            width,
            ascii,
        );
    }
    if let Some((message, family)) = &told.message {
        out.text("byte by byte\n");
        let context = Context {
            catalogue,
            family: *family,
            length_of: &|_| None,
        };
        fields(message, None, &context, &mut |field| {
            let start = out.len();
            text::taken_apart(out, &field, &message.payload, ascii);
            let line = String::from_utf8_lossy(out.since(start)).into_owned();
            out.truncate(start);
            wrapped(out, 0, FIELD_AT, line.trim_end(), width, ascii);
        });
    }
    for (heading, list) in [
        ("what follows", &told.follows),
        ("what does not follow", &told.does_not_follow),
    ] {
        if !list.is_empty() {
            out.text(heading);
            out.byte(b'\n');
        }
        for words in list {
            out.text("  - ");
            wrapped(out, 4, 4, words, width, ascii);
        }
    }
}

/// Words from column `at` on, further lines from column `indent` on, no wider than the console.
fn wrapped(out: &mut Lines, at: usize, indent: usize, words: &str, width: usize, ascii: bool) {
    let mut column = at;
    let mut first = true;
    for word in words.split(' ') {
        let length = word.chars().count();
        if !first && column + 1 + length > width {
            out.byte(b'\n');
            for _ in 0..indent {
                out.byte(b' ');
            }
            column = indent;
        } else if !first {
            out.byte(b' ');
            column += 1;
        }
        first = false;
        if ascii {
            out.text(&text::in_ascii(word));
        } else {
            out.text(word);
        }
        column += length;
    }
    out.byte(b'\n');
}

fn in_json(out: &mut Lines, told: &Explanation, catalogue: &Catalogue) {
    out.text("{\"kind\": ");
    json::string(out, told.kind);
    out.text(", \"title\": ");
    json::string(out, &told.title);
    out.text(", \"facts\": [");
    for (index, fact) in told.facts.iter().enumerate() {
        out.text(if index > 0 {
            ", {\"name\": "
        } else {
            "{\"name\": "
        });
        json::string(out, &fact.name);
        out.text(", \"words\": ");
        json::string(out, &fact.words);
        out.text(", \"source\": ");
        json::string(out, &fact.source);
        out.byte(b'}');
    }
    out.text("], \"fields\": [");
    if let Some((message, family)) = &told.message {
        let context = Context {
            catalogue,
            family: *family,
            length_of: &|_| None,
        };
        let mut first = true;
        fields(message, None, &context, &mut |field| {
            if !first {
                out.text(", ");
            }
            first = false;
            json::field(out, &field, &message.payload, true);
        });
    }
    out.byte(b']');
    for (name, list) in [
        (", \"follows\": [", &told.follows),
        (", \"does_not_follow\": [", &told.does_not_follow),
    ] {
        out.text(name);
        for (index, words) in list.iter().enumerate() {
            if index > 0 {
                out.text(", ");
            }
            json::string(out, words);
        }
        out.byte(b']');
    }
    out.text("}\n");
}
