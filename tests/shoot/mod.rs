//! A shoot in a folder of its own, and the command run in it.

#![allow(dead_code, reason = "each test binary uses a part of it")]

pub(crate) mod left;
pub(crate) mod stopped;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use derig::photo::{self, Existing, Format, Metadata, ReadLimits};
use derig::scene::{CodeValues, Samples};
use tempfile::TempDir;

const SAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/boatyard");

pub(crate) fn sample(name: &str) -> PathBuf {
    Path::new(SAMPLES).join(name)
}

/// The pictures of a fresh [`Shoot`].
pub(crate) const INPUTS: [&str; 3] = ["lit-1.jpg", "lit-2.jpg", "plate.jpg"];

/// The command that cleans both lit frames into `out`.
pub(crate) const CLEAN: [&str; 8] = [
    "clean",
    "lit-1.jpg",
    "lit-2.jpg",
    "--plate",
    "plate.jpg",
    "--out",
    "out",
    "--quiet",
];

/// The bytes of the inputs, which no run may change.
pub(crate) fn inputs(shoot: &Shoot) -> Vec<Vec<u8>> {
    INPUTS
        .iter()
        .map(|name| std::fs::read(shoot.path(name)).unwrap())
        .collect()
}

/// Every file below a folder, by path; none where there is no such folder.
pub(crate) fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.append(&mut files(&path));
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}

/// A fresh folder with the sample plate and lit frames in it.
pub(crate) struct Shoot {
    pub(crate) folder: TempDir,
}

impl Shoot {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        for name in INPUTS {
            std::fs::copy(sample(name), folder.path().join(name)).unwrap();
        }
        Self { folder }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn derig(&self, args: &[&str]) -> Output {
        Command::cargo_bin("derig")
            .unwrap()
            .current_dir(self.folder.path())
            .args(args)
            .output()
            .unwrap()
    }

    /// Cleans both lit frames into `out`, with more on the command line.
    pub(crate) fn clean(&self, more: &[&str]) -> Output {
        let lit = ["clean", "lit-1.jpg", "lit-2.jpg"];
        let rest = ["--plate", "plate.jpg", "--out", "out"];
        self.derig(&[&lit[..], &rest, more].concat())
    }

    /// The same, which must come out well.
    pub(crate) fn cleaned(&self, more: &[&str]) {
        let output = self.clean(more);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    }

    /// A lossless picture of the plate with every code value moved a little: nothing to remove.
    pub(crate) fn plate_again(&self, name: &str) {
        let mut samples = read(&sample("plate.jpg"));
        let CodeValues::Eight(values) = &mut samples.values else {
            panic!("JPEG is 8 bits");
        };
        for (i, value) in values.iter_mut().enumerate() {
            let step = i.wrapping_mul(2_654_435_761) >> 13 & 1;
            *value = value.saturating_add(step as u8);
        }
        let metadata = Metadata::default();
        photo::write(
            &self.path(name),
            samples,
            &metadata,
            Format::Png,
            Existing::Keep,
        )
        .unwrap();
    }

    pub(crate) fn report(&self) -> serde_json::Value {
        serde_json::from_slice(&std::fs::read(self.path("out/report.json")).unwrap()).unwrap()
    }
}

pub(crate) fn read(path: &Path) -> Samples {
    photo::read(path, &ReadLimits::default()).unwrap().samples
}

pub(crate) fn said(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}
