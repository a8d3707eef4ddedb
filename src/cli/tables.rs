//! A folder of Parquet tables, which appears under its name when all of them are whole.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tempfile::TempDir;
use tonering::report::parquet::{Tables, names};

use super::ending::{Watch, undisturbed};
use super::output::folder_of;

/// The folder that is being written.
#[derive(Debug)]
pub(super) struct TableFolder {
    made: TempDir,
    tables: Tables<BufWriter<File>>,
    path: PathBuf,
}

impl TableFolder {
    /// Begins the tables beside the folder that they will replace. Done before the work, so that a wrong path is known at once.
    pub(super) fn open(path: Option<&Path>) -> anyhow::Result<Self> {
        let Some(path) = path else {
            anyhow::bail!(
                "--format parquet makes a folder of tables: name it with --output FOLDER"
            );
        };
        let cannot = || format!("{}: cannot be written", path.display());
        // A last slash is not part of the name.
        let path: PathBuf = path.components().collect();
        replaceable(&path)?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(".tonering-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            // What an ordinary new folder gets: the user's mask takes away from it.
            builder.permissions(fs::Permissions::from_mode(0o777));
        }
        let watch = Watch::begin();
        let made = builder.tempdir_in(folder_of(&path)).with_context(cannot)?;
        watch.over(made.path());
        let tables =
            Tables::new(|name| File::create_new(file(made.path(), name)).map(BufWriter::new));
        Ok(Self {
            tables: tables.with_context(cannot)?,
            made,
            path,
        })
    }

    /// Adds a report: its JSON, one object.
    pub(super) fn push(&mut self, json: &[u8]) -> anyhow::Result<()> {
        self.tables
            .push(json)
            .with_context(|| format!("{}: cannot be written", self.path.display()))
    }

    /// Gives the folder its name; one of an earlier run goes.
    pub(super) fn finish(self) -> anyhow::Result<()> {
        let Self { made, tables, path } = self;
        let cannot = || format!("{}: cannot be written", path.display());
        for mut table in tables.finish().with_context(cannot)? {
            table.flush().with_context(cannot)?;
            table.get_ref().sync_all().with_context(cannot)?;
        }
        replaceable(&path)?;
        let mut builder = tempfile::Builder::new();
        let old = builder
            .prefix(".tonering-")
            .tempdir_in(folder_of(&path))
            .with_context(cannot)?;
        let aside = old.path().join("old");
        undisturbed(|| swap(made.path(), &path, &aside)).with_context(cannot)?;
        // Its old name is gone: nothing is left to be removed.
        let _ = made.keep();
        Ok(())
    }
}

/// Puts the new folder in the place of the old one, which goes aside where there is one.
fn swap(new: &Path, path: &Path, aside: &Path) -> io::Result<()> {
    let had_one = match fs::rename(path, aside) {
        Ok(()) => true,
        Err(error) if error.kind() == io::ErrorKind::NotFound => false,
        Err(error) => return Err(error),
    };
    let named = fs::rename(new, path);
    if named.is_err() && had_one {
        fs::rename(aside, path)?;
    }
    named
}

fn file(folder: &Path, table: &str) -> PathBuf {
    folder.join(format!("{table}.parquet"))
}

/// An error unless there is nothing, or a folder with nothing but tables of ours in it.
fn replaceable(path: &Path) -> anyhow::Result<()> {
    let Ok(found) = fs::symlink_metadata(path) else {
        return Ok(());
    };
    let shown = path.display();
    anyhow::ensure!(
        found.is_dir(),
        "{shown}: is no folder; --format parquet makes a folder of tables"
    );
    let ours: Vec<PathBuf> = names().map(|name| file(path, name)).collect();
    let entries = fs::read_dir(path).with_context(|| format!("{shown}: cannot be read"))?;
    for entry in entries {
        let entry = entry.with_context(|| format!("{shown}: cannot be read"))?;
        anyhow::ensure!(
            ours.contains(&entry.path()),
            "{shown}: holds {}, and is not replaced; name another folder",
            entry.file_name().display()
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: &[u8] = b"{\"captures\": [{\"file\": \"a\"}]}";

    fn entries(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn tables_appear_when_they_are_whole_and_replace_their_like() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fleet");
        for _ in 0..2 {
            let mut tables = TableFolder::open(Some(&path)).unwrap();
            tables.push(LINE).unwrap();
            tables.finish().unwrap();
            assert_eq!(entries(folder.path()), ["fleet"]);
            let mut wanted: Vec<String> = names().map(|name| format!("{name}.parquet")).collect();
            wanted.sort();
            assert_eq!(entries(&path), wanted);
        }
        // Dropped half-way, as after an error: the old tables are still there, and nothing else.
        let old = fs::read(file(&path, "captures")).unwrap();
        let mut tables = TableFolder::open(Some(&path)).unwrap();
        tables.push(LINE).unwrap();
        drop(tables);
        assert_eq!(entries(folder.path()), ["fleet"]);
        assert_eq!(fs::read(file(&path, "captures")).unwrap(), old);
    }

    #[test]
    fn what_is_not_ours_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("holiday.jpg"), "x").unwrap();
        let error = TableFolder::open(Some(folder.path()))
            .unwrap_err()
            .to_string();
        assert!(error.contains("holds holiday.jpg"), "{error}");
        let one = folder.path().join("holiday.jpg");
        let error = TableFolder::open(Some(&one)).unwrap_err().to_string();
        assert!(error.contains("is no folder"), "{error}");
        assert!(TableFolder::open(None).is_err());
        assert_eq!(entries(folder.path()), ["holiday.jpg"]);
    }
}
