//! What is left after a fault, and small disks to fill.

#![allow(clippy::print_stdout, reason = "a test that cannot run here says so")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use derig::photo::{self, ReadLimits};

use super::{Shoot, files};

pub(crate) fn is_part(path: &Path) -> bool {
    let name = path.file_name().unwrap().to_string_lossy();
    name.starts_with(".derig-") && name.ends_with(".part")
}

/// Every picture under a final name is whole.
#[track_caller]
pub(crate) fn is_sound(out: &Path, what: &str) {
    for path in files(out).keys().filter(|p| !is_part(p)) {
        if path.extension().is_some_and(|e| e == "jpg" || e == "png") {
            let read = photo::read(path, &ReadLimits::default());
            assert!(read.is_ok(), "{what}: `{}` is half-written", path.display());
        }
    }
}

/// Every file below a folder but reports, which tell how long a run took.
pub(crate) fn pictures(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    files(folder)
        .into_iter()
        .filter(|(path, _)| path.extension().is_some_and(|e| e != "json"))
        .map(|(path, bytes)| (path.strip_prefix(folder).unwrap().to_owned(), bytes))
        .collect()
}

pub(crate) fn parts(folder: &Path) -> Vec<PathBuf> {
    files(folder).into_keys().filter(|p| is_part(p)).collect()
}

/// Runs a script in a name space of its own, where a small disk may be mounted; `None` with a word
/// where the system allows none.
pub(crate) fn with_small_disk(shoot: &Shoot, size: &str, script: &str) -> Option<Output> {
    let mount = format!("mkdir -p out && mount -t tmpfs -o size={size} tmpfs out");
    let run = |script: &str| {
        Command::new("unshare")
            .args(["--user", "--map-root-user", "--mount", "sh", "-c", script])
            .current_dir(shoot.folder.path())
            .output()
    };
    let tried = run(&mount);
    if !tried.is_ok_and(|o| o.status.success()) {
        println!("SKIPPED: no disk can be mounted here without rights");
        return None;
    }
    Some(run(&format!("{mount} && {script}")).unwrap())
}
