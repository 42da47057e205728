//! Files that are being written: beside their place, under a name that says so, until they are whole.
//!
//! A process that is told to stop calls [`give_up_unfinished`], so that none of them is left behind.

use std::collections::BTreeSet;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tempfile::{NamedTempFile, PersistError};

use super::Existing;

/// Every file that is being written by this process.
static UNFINISHED: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

fn unfinished() -> MutexGuard<'static, BTreeSet<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Takes away every file that is not yet whole, and lets none be begun or put in its place after:
/// whoever tries waits for the end of the process, which must follow.
pub fn give_up_unfinished() {
    let paths = unfinished();
    for path in paths.iter() {
        // What cannot be taken away now is taken away by the next run.
        let _ = std::fs::remove_file(path);
    }
    std::mem::forget(paths);
}

/// A file that is being written; it goes away unless it is put in its place.
#[derive(Debug)]
pub(super) struct Unfinished {
    /// None once it is in its place.
    file: Option<NamedTempFile>,
    path: PathBuf,
}

impl Unfinished {
    /// With the rights that any new file gets, which temporary files do not have by themselves.
    pub(super) fn in_folder(folder: &Path) -> io::Result<Self> {
        let mut builder = tempfile::Builder::new();
        builder.prefix(".derig-").suffix(".part");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let mut known = unfinished();
        let file = builder.tempfile_in(folder)?;
        let path = file.path().to_owned();
        known.insert(path.clone());
        Ok(Self {
            file: Some(file),
            path,
        })
    }

    pub(super) fn as_file(&self) -> &File {
        let file = self.file.as_ref();
        file.expect("only `into_place`, which consumes it, takes the file away")
            .as_file()
    }

    pub(super) fn into_place(mut self, path: &Path, existing: Existing) -> io::Result<()> {
        let file = self.file.take();
        let file = file.expect("only this, which consumes it, takes the file away");
        let mut known = unfinished();
        known.remove(&self.path);
        match existing {
            Existing::Replace => file.persist(path),
            Existing::Keep => file.persist_noclobber(path),
        }
        .map(drop)
        .map_err(|PersistError { error, .. }| error)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some(file) = self.file.take() {
            let mut known = unfinished();
            drop(file);
            known.remove(&self.path);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_known_until_it_is_in_its_place_or_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let is_known = |path: &Path| unfinished().contains(path);
        let file = Unfinished::in_folder(folder.path()).unwrap();
        let part = file.path.clone();
        assert!(is_known(&part) && part.exists());
        file.into_place(&folder.path().join("whole"), Existing::Keep)
            .unwrap();
        assert!(!is_known(&part) && !part.exists());
        let file = Unfinished::in_folder(folder.path()).unwrap();
        let part = file.path.clone();
        let taken = file.into_place(&folder.path().join("whole"), Existing::Keep);
        assert_eq!(taken.unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert!(!is_known(&part) && !part.exists());
        let file = Unfinished::in_folder(folder.path()).unwrap();
        let part = file.path.clone();
        drop(file);
        assert!(!is_known(&part) && !part.exists());
    }
}
