//! A copy of the journal, taken while the daemon writes.

use std::fs::{self, File, OpenOptions};
use std::io::ErrorKind;
use std::path::Path;

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use super::Reader;

/// Copies the journal behind `reader` to `out`, whole as it stood at one moment, and looks whether the copy is sound.
/// Tells its size in bytes; errors are sentences. `out` must not exist, and only comes to be once all is well.
pub fn backup(reader: &Reader, out: &Path) -> Result<u64, String> {
    let named = |path: &Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    // Held from here on, so that two backups at once cannot both think the place free.
    match OpenOptions::new().write(true).create_new(true).open(out) {
        Ok(_) => {}
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            return Err(format!(
                "{}: this exists already; a backup overwrites nothing: give another name",
                out.display()
            ));
        }
        Err(error) => return Err(named(out, &error)),
    }
    let mut draft = out.as_os_str().to_owned();
    draft.push(".part");
    let draft = Path::new(&draft);
    let copied = copy(reader, draft).and_then(|()| {
        let size = fs::metadata(draft).map_err(|error| named(draft, &error))?.len();
        fs::rename(draft, out).map_err(|error| named(out, &error))?;
        // The new name is durable once the directory is.
        let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(|error| named(folder, &error))?;
        Ok(size)
    });
    if copied.is_err() {
        let _ = fs::remove_file(draft);
        let _ = fs::remove_file(out);
    }
    copied
}

fn copy(reader: &Reader, draft: &Path) -> Result<(), String> {
    let named = |error: &dyn std::fmt::Display| format!("{}: {error}", draft.display());
    match fs::remove_file(draft) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(named(&error)),
        _ => {}
    }
    let mut to = Connection::open(draft).map_err(|error| named(&error))?;
    let step = {
        let backup = Backup::new(&reader.connection, &mut to).map_err(|error| named(&error))?;
        // All at once: whoever writes is not kept from it, and would else have it begin anew with every commit.
        backup.step(-1).map_err(|error| named(&error))?
    };
    if step != StepResult::Done {
        return Err(format!("{}: the journal was busy for too long; try again", reader.path.display()));
    }
    // One file without a log beside it, which can be copied about and read from anywhere.
    let mode: String =
        to.query_row("PRAGMA journal_mode = DELETE", [], |row| row.get(0)).map_err(|error| named(&error))?;
    let verdict: String =
        to.query_row("PRAGMA integrity_check", [], |row| row.get(0)).map_err(|error| named(&error))?;
    if mode != "delete" || verdict != "ok" {
        return Err(format!("{}: the copy is not sound ({verdict})", draft.display()));
    }
    drop(to);
    File::open(draft).and_then(|file| file.sync_all()).map_err(|error| named(&error))
}
