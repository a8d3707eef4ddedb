//! A file of notes that grows answer by answer: every answer is on the disk before the next question.
//!
//! The file is read anew before each change, so that what somebody adds meanwhile stays, and replaced as a whole. An answer
//! that cannot be saved is kept, counts, and is saved with the next one that can.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tempfile::NamedTempFile;
use tonering::notes::{Note, Notes};
use tonering::rules::Rules;

use super::input;

/// The file, and what it lacks.
#[derive(Debug)]
pub(crate) struct NotesFile<'r> {
    /// As it was named.
    path: PathBuf,
    rules: &'r Rules,
    /// What the file said when it was last read.
    saved: Notes,
    /// Answers that could not be saved yet.
    unsaved: Vec<Note>,
}

/// What taking back has come to.
#[derive(Debug)]
pub(crate) enum TakenBack {
    /// This note is gone.
    Note(Note),
    /// There is none.
    Nothing,
    /// The last note was written by hand.
    ByHand(Note),
}

impl<'r> NotesFile<'r> {
    /// Opens the file, or makes it with no note in it: a wrong path is known at once.
    pub(crate) fn open(path: &Path, rules: &'r Rules) -> anyhow::Result<Self> {
        let cannot = || format!("{}: answers cannot be kept there", path.display());
        let mut file = Self {
            path: path.to_owned(),
            rules,
            saved: Notes::default(),
            unsaved: Vec::new(),
        };
        match path.metadata() {
            Ok(found) if !found.is_file() => {
                anyhow::bail!("{}: is no file that answers can be kept in", path.display());
            }
            Ok(_) => {
                let text = file.read()?;
                // What cannot be replaced must be known before the first answer.
                file.replace(&text).with_context(cannot)?;
            }
            Err(_) => file
                .replace(&Notes::default().write(rules))
                .with_context(cannot)?,
        }
        Ok(file)
    }

    /// Everything noted, what could not be saved included.
    pub(crate) fn notes(&self) -> Notes {
        let mut notes = self.saved.clone();
        notes.entries.extend(self.unsaved.iter().cloned());
        notes
    }

    /// The answers that are not in the file.
    pub(crate) fn unsaved(&self) -> Vec<String> {
        let entries = self.unsaved.iter();
        entries.map(|note| note.entry(self.rules)).collect()
    }

    /// Adds an answer. When it cannot be saved it counts all the same.
    pub(crate) fn add(&mut self, note: Note) -> anyhow::Result<()> {
        self.unsaved.push(note);
        self.save()
    }

    /// Saves what is not saved yet.
    fn save(&mut self) -> anyhow::Result<()> {
        let mut text = self.read()?;
        let mut notes = self.saved.clone();
        for note in &self.unsaved {
            text = notes.with(&text, note, self.rules);
            notes.entries.push(note.clone());
        }
        self.replace(&text)?;
        self.saved = notes;
        self.unsaved.clear();
        Ok(())
    }

    /// Takes the last note back, whoever noted it and when.
    pub(crate) fn undo(&mut self) -> anyhow::Result<TakenBack> {
        if let Some(note) = self.unsaved.pop() {
            return Ok(TakenBack::Note(note));
        }
        let text = self.read()?;
        let Some(note) = self.saved.entries.last().cloned() else {
            return Ok(TakenBack::Nothing);
        };
        let Some(without) = self.saved.without(&text, &note, self.rules) else {
            return Ok(TakenBack::ByHand(note));
        };
        self.replace(&without)?;
        self.saved.entries.pop();
        Ok(TakenBack::Note(note))
    }

    /// The file's text, with its notes brought up to date.
    fn read(&mut self) -> anyhow::Result<String> {
        let name = self.path.display().to_string();
        if self.path.metadata().is_err() {
            // Taken away meanwhile: what it said is made again.
            return Ok(self.saved.write(self.rules));
        }
        let text = input::text(&self.path)?;
        if text.trim().is_empty() {
            self.saved = Notes::default();
            return Ok(self.saved.write(self.rules));
        }
        self.saved = Notes::parse(&text, &name, self.rules)?;
        Ok(text)
    }

    /// Puts a text in the file's place, whole or not at all.
    fn replace(&self, text: &str) -> anyhow::Result<()> {
        // A link stays a link: what it leads to is replaced.
        let path = self
            .path
            .canonicalize()
            .unwrap_or_else(|_| self.path.clone());
        let cannot = || format!("{}: cannot be written", self.path.display());
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        let known = path.metadata().ok();
        if known
            .as_ref()
            .is_some_and(|known| known.permissions().readonly())
        {
            anyhow::bail!("{}: is write-protected", self.path.display());
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".tonering-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            // What an ordinary new file gets: the user's mask takes away from it.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let mut file: NamedTempFile = builder.tempfile_in(folder).with_context(cannot)?;
        file.write_all(text.as_bytes()).with_context(cannot)?;
        if let Some(known) = known {
            fs::set_permissions(file.path(), known.permissions()).with_context(cannot)?;
        }
        file.as_file().sync_all().with_context(cannot)?;
        file.persist(&path).with_context(cannot)?;
        Ok(())
    }
}
