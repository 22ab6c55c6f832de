//! One daemon on one state directory.

use std::fs::{File, TryLockError};
use std::path::Path;

use tracing::warn;

const NAME: &str = "lock";

/// Held until it is dropped or the process ends, however it does.
#[derive(Debug)]
pub(super) struct Lock {
    _held: Option<File>,
}

impl Lock {
    /// Errors, as a sentence: another daemon holds it. On a disk that cannot be written and has no lock file, nobody can
    /// hold it, and nobody can do harm there either.
    pub(super) fn take(directory: &Path) -> Result<Lock, String> {
        let path = directory.join(NAME);
        let file = match File::create(&path).or_else(|_| File::open(&path)) {
            Ok(file) => file,
            Err(error) => {
                warn!("{}: the lock file cannot be made: {error}", path.display());
                return Ok(Lock { _held: None });
            }
        };
        match file.try_lock() {
            Ok(()) => Ok(Lock { _held: Some(file) }),
            Err(TryLockError::WouldBlock) => {
                Err(format!("{}: another lampwarden is running on this state directory", directory.display()))
            }
            Err(TryLockError::Error(error)) => {
                warn!("{}: the lock file cannot be locked: {error}", path.display());
                Ok(Lock { _held: None })
            }
        }
    }
}
