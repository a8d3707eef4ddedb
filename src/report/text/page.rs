//! A page of text: headings, paragraphs wrapped by words, bars. The only place that writes to the terminal, so every text
//! passes the escape function here.

use std::borrow::Cow;
use std::io::{self, Write};

use anstyle::{AnsiColor, Style};
use tabled::builder::Builder;
use tabled::settings::style::HorizontalLine;
use tabled::settings::{Padding, Style as TableStyle};
use unicode_width::{UnicodeWidthChar as _, UnicodeWidthStr as _};

use super::Layout;
use crate::report::escape::terminal::terminal;

/// The types that a page uses.
pub(in crate::report) const PLAIN: Style = Style::new();
pub(in crate::report) const BOLD: Style = Style::new().bold();
pub(in crate::report) const DIM: Style = Style::new().dimmed();
pub(in crate::report) const DANGER: Style = AnsiColor::Red.on_default().bold();
pub(in crate::report) const CARE: Style = AnsiColor::Yellow.on_default().bold();
pub(in crate::report) const FOR: Style = AnsiColor::Green.on_default();
pub(in crate::report) const AGAINST: Style = AnsiColor::Magenta.on_default();

/// Columns that a table is set in from the left.
const TABLE_INDENT: usize = 2;

/// Where text goes and how wide it is.
pub(in crate::report) struct Page<'a> {
    out: &'a mut dyn Write,
    layout: Layout,
}

/// A paragraph: where it starts, what stands before its first line, in which type, and how long it may be.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct Form<'a> {
    /// Columns left free.
    pub(in crate::report) indent: usize,
    /// What stands before the first line; the others are indented by its width.
    pub(in crate::report) lead: &'a str,
    /// The type of the lead.
    pub(in crate::report) lead_style: Style,
    /// The type of the text.
    pub(in crate::report) style: Style,
    /// The most lines; what is cut ends in dots.
    pub(in crate::report) lines: usize,
}

impl Form<'_> {
    /// A whole paragraph with this indent.
    pub(in crate::report) const fn indent(indent: usize) -> Self {
        Self {
            indent,
            lead: "",
            lead_style: PLAIN,
            style: PLAIN,
            lines: usize::MAX,
        }
    }
}

impl<'a> Form<'a> {
    /// The same with a lead.
    pub(in crate::report) const fn lead(self, lead: &'a str) -> Self {
        Self { lead, ..self }
    }

    /// The same with a lead in this type.
    pub(in crate::report) const fn styled_lead(self, lead: &'a str, lead_style: Style) -> Self {
        Self {
            lead,
            lead_style,
            ..self
        }
    }

    /// The same in this type.
    pub(in crate::report) const fn style(self, style: Style) -> Self {
        Self { style, ..self }
    }

    /// The same with so many lines at most.
    pub(in crate::report) const fn lines(self, lines: usize) -> Self {
        Self { lines, ..self }
    }
}

impl<'a> Page<'a> {
    /// A page on this output.
    pub(in crate::report) fn new(out: &'a mut dyn Write, layout: Layout) -> Self {
        let width = layout.width.clamp(Layout::MIN_WIDTH, Layout::MAX_WIDTH);
        Self {
            out,
            layout: Layout { width, ..layout },
        }
    }

    /// Its columns.
    pub(in crate::report) const fn width(&self) -> usize {
        self.layout.width
    }

    /// An empty line.
    pub(in crate::report) fn blank(&mut self) -> io::Result<()> {
        writeln!(self.out)
    }

    /// A heading of a part, with an empty line before it.
    pub(in crate::report) fn heading(&mut self, text: &str) -> io::Result<()> {
        self.blank()?;
        self.styled(BOLD, &text.to_uppercase())?;
        self.blank()
    }

    /// A paragraph.
    pub(in crate::report) fn text(&mut self, form: Form<'_>, text: &str) -> io::Result<()> {
        let lead = terminal(form.lead, self.layout.unicode).into_owned();
        let hang = form.indent + lead.width();
        let text = terminal(text, self.layout.unicode);
        let mut lines = wrap(&text, self.layout.width.saturating_sub(hang).max(20));
        if lines.len() > form.lines {
            lines.truncate(form.lines);
            let dots = if self.layout.unicode { " …" } else { " ..." };
            if let Some(last) = lines.last_mut() {
                while last.width() + hang + dots.width() > self.layout.width {
                    match last.rfind(' ') {
                        Some(at) => last.truncate(at),
                        None if last.pop().is_some() => {}
                        None => break,
                    }
                }
                last.push_str(dots);
            }
        }
        for (at, line) in lines.iter().enumerate() {
            write!(self.out, "{:1$}", "", form.indent)?;
            if at == 0 {
                self.styled(form.lead_style, &lead)?;
            } else {
                write!(self.out, "{:1$}", "", lead.width())?;
            }
            self.styled(form.style, line)?;
            self.blank()?;
        }
        Ok(())
    }

    /// One line, its spaces kept: a lead in this type and what is laid out in columns already. Cut at the page's width.
    pub(in crate::report) fn columns(
        &mut self,
        lead: &str,
        text: &str,
        style: Style,
    ) -> io::Result<()> {
        let lead = terminal(lead, self.layout.unicode).into_owned();
        let text = terminal(text, self.layout.unicode);
        let mut room = self.layout.width.saturating_sub(lead.width());
        let fitting = text.char_indices().find(|(_, c)| {
            let width = c.width().unwrap_or(0);
            let fits = width <= room;
            room = room.saturating_sub(width);
            !fits
        });
        let end = fitting.map_or(text.len(), |(at, _)| at);
        self.styled(style, &lead)?;
        write!(self.out, "{}", text.get(..end).unwrap_or_default())?;
        self.blank()
    }

    /// A table; the first row is its head. Cells are escaped here, and wrapped where the page is too narrow.
    pub(in crate::report) fn rows(&mut self, rows: &[Vec<String>]) -> io::Result<()> {
        let rows: Vec<Vec<String>> = rows
            .iter()
            .map(|row| {
                let cells = row.iter().map(|text| terminal(text, self.layout.unicode));
                cells.map(Cow::into_owned).collect()
            })
            .collect();
        let widths = column_widths(&rows, self.layout.width - TABLE_INDENT);
        let mut builder = Builder::default();
        for row in &rows {
            let cells = row.iter().zip(&widths);
            builder.push_record(cells.map(|(text, width)| wrap(text, *width).join("\n")));
        }
        let rule = if self.layout.unicode { '─' } else { '-' };
        let rule = HorizontalLine::new(rule).intersection(' ');
        let mut table = builder.build();
        table
            .with(TableStyle::blank().horizontals([(1, rule)]))
            .with(Padding::zero());
        self.table(&table.to_string(), BOLD)
    }

    /// A table that is laid out already, indented; the lines above its first rule are set in this type.
    fn table(&mut self, table: &str, head: Style) -> io::Result<()> {
        let mut in_head = true;
        for line in table.lines() {
            in_head = in_head && !line.starts_with(['-', '─']);
            write!(self.out, "{:1$}", "", TABLE_INDENT)?;
            self.styled(if in_head { head } else { PLAIN }, line.trim_end())?;
            self.blank()?;
        }
        Ok(())
    }

    /// A bar of this width for a share from 0 to 1.
    pub(in crate::report) fn bar(&self, share: f64, width: u8) -> String {
        let (full, empty) = if self.layout.unicode {
            ('█', '░')
        } else {
            ('#', '.')
        };
        let filled = (0..width)
            .take_while(|&at| (f64::from(at) + 0.5) / f64::from(width) <= share)
            .count();
        (0..usize::from(width))
            .map(|at| if at < filled { full } else { empty })
            .collect()
    }

    fn styled(&mut self, style: Style, text: &str) -> io::Result<()> {
        if self.layout.colour && style != PLAIN && !text.is_empty() {
            write!(self.out, "{}{text}{}", style.render(), style.render_reset())
        } else {
            write!(self.out, "{text}")
        }
    }
}

/// The width of each column so that all fit into `width` with a space between them: the widest gives way first.
fn column_widths(rows: &[Vec<String>], width: usize) -> Vec<usize> {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let mut widths: Vec<usize> = (0..columns)
        .map(|at| {
            let cells = rows.iter().filter_map(|row| row.get(at));
            cells.map(|cell| cell.width()).max().unwrap_or(0)
        })
        .collect();
    let room = width.saturating_sub(columns.saturating_sub(1));
    while widths.iter().sum::<usize>() > room {
        match widths.iter_mut().max() {
            Some(widest) if *widest > 1 => *widest -= 1,
            _ => break,
        }
    }
    widths
}

/// The text in lines of at most this width, broken between words, and within a word only where it is too long. A number
/// stays with its unit.
pub(in crate::report) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut used = 0;
    for word in words(text) {
        let mut word = word;
        if used > 0 && used + 1 + word.width() > width {
            lines.push(std::mem::take(&mut line));
            used = 0;
        }
        while word.width() > width {
            let mut taken = 0;
            let at = word
                .char_indices()
                .find(|(_, c)| {
                    taken += c.width().unwrap_or(0);
                    taken > width
                })
                .map_or(word.len(), |(at, _)| at);
            let (head, tail) = word.split_at(at);
            lines.push(head.to_owned());
            word = tail;
        }
        if used > 0 {
            line.push(' ');
            used += 1;
        }
        line.push_str(word);
        used += word.width();
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

/// The words between which a line may break.
fn words(text: &str) -> impl Iterator<Item = &str> {
    let mut rest = text.trim_start_matches(' ');
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let mut end = rest.find(' ').unwrap_or(rest.len());
        let (word, after) = rest.split_at(end);
        let next = after
            .trim_start_matches(' ')
            .split(' ')
            .next()
            .unwrap_or("");
        let unit = next.trim_end_matches(|c: char| c.is_ascii_punctuation() && c != '%');
        if word.ends_with(|c: char| c.is_ascii_digit())
            && after.starts_with(' ')
            && UNITS.contains(&unit)
        {
            end += after.len() - after.trim_start_matches(' ').len() + next.len();
        }
        let (word, after) = rest.split_at(end);
        rest = after.trim_start_matches(' ');
        Some(word)
    })
}

/// What stays with the number before it.
const UNITS: &[&str] = &[
    "%", "A", "Hz", "MΩ", "Mohm", "V", "bar", "h", "kHz", "km/h", "kΩ", "kohm", "m", "mm", "min",
    "ms", "mV", "s", "Ω", "ohm",
];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn words_are_kept_whole_where_they_fit() {
        assert_eq!(wrap("one two three", 20), ["one two three"]);
        assert_eq!(
            wrap("one two  three four five", 8),
            ["one two", "three", "four", "five"]
        );
        assert_eq!(wrap("abcdefghij k", 4), ["abcd", "efgh", "ij k"]);
        assert_eq!(wrap("", 10), [""]);
        assert_eq!(wrap("it is (over 99 %).", 11), ["it is (over", "99 %)."]);
        assert_eq!(wrap("it is 40  km/h, no", 11), ["it is", "40  km/h,", "no"]);
    }

    proptest! {
        #[test]
        fn no_line_is_too_wide_and_no_word_is_lost(text in "[ a-zé漢–]{0,300}", width in 20_usize..60) {
            let lines = wrap(&text, width);
            prop_assert!(lines.iter().all(|line| line.width() <= width));
            let kept: String = lines.concat().split(' ').collect();
            let given: String = text.split(' ').collect();
            prop_assert_eq!(kept, given);
        }
    }
}
