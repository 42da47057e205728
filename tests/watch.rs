//! `derig watch`: frames that come slowly, in pieces, under other names; stops and starts again.

#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use serde_json::Value;
use tempfile::TempDir;

const SAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/boatyard");
/// Longer than any of this takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(240);

fn sample(name: &str) -> Vec<u8> {
    std::fs::read(Path::new(SAMPLES).join(name)).unwrap()
}

/// A watched folder, and the process that watches it.
struct Watched {
    folder: TempDir,
    process: Option<Child>,
}

impl Watched {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("in")).unwrap();
        Self {
            folder,
            process: None,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn put(&self, name: &str, bytes: &[u8]) {
        std::fs::write(self.path("in").join(name), bytes).unwrap();
    }

    fn start(&mut self, more: &[&str]) {
        let process = Command::new(env!("CARGO_BIN_EXE_derig"))
            .current_dir(self.folder.path())
            .args(["watch", "in", "--out", "out"])
            .args(more)
            .stderr(Stdio::from(
                std::fs::File::create(self.path("said")).unwrap(),
            ))
            .spawn();
        self.process = Some(process.unwrap());
    }

    fn said(&self) -> String {
        std::fs::read_to_string(self.path("said")).unwrap()
    }

    /// Until the process has said a thing.
    fn until_said(&self, what: &str) {
        let since = Instant::now();
        while !self.said().contains(what) {
            assert!(
                since.elapsed() < PATIENCE,
                "never `{what}`:\n{}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn signal(&self, signal: &str) {
        let id = self.process.as_ref().unwrap().id().to_string();
        let sent = Command::new("kill").args([signal, &id]).status().unwrap();
        assert!(sent.success());
    }

    fn ended(&mut self) -> Option<i32> {
        self.process.take().unwrap().wait().unwrap().code()
    }

    /// Lit frames of the report, with their status.
    fn report(&self) -> BTreeMap<String, String> {
        let text = std::fs::read(self.path("out/report.json")).unwrap();
        let report: Value = serde_json::from_slice(&text).unwrap();
        let frames = report["frames"].as_array().unwrap().iter();
        let frames: Vec<_> = frames
            .map(|f| {
                let text = |key: &str| f[key].as_str().unwrap().to_owned();
                (text("lit"), text("status"))
            })
            .collect();
        let named: BTreeMap<_, _> = frames.iter().cloned().collect();
        assert_eq!(
            named.len(),
            frames.len(),
            "a frame is told of twice: {frames:?}"
        );
        named
    }

    /// Outputs and when each was written.
    fn outputs(&self) -> BTreeMap<PathBuf, SystemTime> {
        let entries = std::fs::read_dir(self.path("out")).unwrap();
        let files = entries.map(|e| e.unwrap().path()).filter(|p| p.is_file());
        files
            .map(|p| (p.clone(), p.metadata().unwrap().modified().unwrap()))
            .collect()
    }

    fn parts_left(&self) -> usize {
        let named = |p: &PathBuf| {
            p.file_name()
                .unwrap()
                .to_string_lossy()
                .starts_with(".derig-")
        };
        self.outputs().keys().filter(|p| named(p)).count()
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        if let Some(process) = &mut self.process {
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

fn done(names: &[&str]) -> BTreeMap<String, String> {
    let named = names
        .iter()
        .map(|n| (format!("in/{n}"), "cleaned".to_owned()));
    named.collect()
}

#[test]
fn frames_that_come_in_pieces_are_all_cleaned_once() {
    let mut watched = Watched::new();
    let (lit, second, plate) = (
        sample("lit-1.jpg"),
        sample("lit-2.jpg"),
        sample("plate.jpg"),
    );
    watched.start(&[]);
    watched.until_said("watching");
    // In three pieces, with pauses in which the file seems whole.
    watched.put("a.jpg", &lit[..lit.len() / 3]);
    watched.until_said("a.jpg: not whole yet");
    watched.put("a.jpg", &lit[..lit.len() / 2]);
    std::thread::sleep(Duration::from_millis(2500));
    watched.put("a.jpg", &lit);
    watched.until_said("a.jpg: for its plate");
    // Under another name first; one that goes again; one that is no picture.
    watched.put("b.jpg.part", &second);
    watched.put("gone.jpg", &second[..100]);
    watched.put("notes.txt", b"sandbag on the boom");
    watched.put("plate.jpg", &plate);
    watched.until_said("PLATE        plate.jpg");
    watched.until_said("a.jpg: cleaned");
    std::fs::remove_file(watched.path("in/gone.jpg")).unwrap();
    std::fs::rename(watched.path("in/b.jpg.part"), watched.path("in/b.jpg")).unwrap();
    watched.until_said("b.jpg: cleaned");
    watched.signal("-TERM");
    assert_eq!(watched.ended(), Some(0), "{}", watched.said());
    assert_eq!(watched.report(), done(&["a.jpg", "b.jpg"]));
    assert_eq!(watched.parts_left(), 0);
    assert!(!watched.path("out/report.json.unfinished").exists());

    // Again: nothing is done twice, under an old name or a new one.
    let before = watched.outputs();
    std::fs::rename(watched.path("in/b.jpg"), watched.path("in/renamed.jpg")).unwrap();
    watched.start(&["--idle", "4"]);
    assert_eq!(watched.ended(), Some(0), "{}", watched.said());
    assert!(
        watched.said().contains("renamed.jpg: the same picture"),
        "{}",
        watched.said()
    );
    assert_eq!(watched.outputs(), before);
    for (name, bytes) in [
        ("a.jpg", &lit),
        ("renamed.jpg", &second),
        ("plate.jpg", &plate),
    ] {
        let mut now = Vec::new();
        let path = watched.path("in").join(name);
        std::fs::File::open(path)
            .unwrap()
            .read_to_end(&mut now)
            .unwrap();
        assert_eq!(&now, bytes, "{name} was touched");
    }
}

#[test]
fn a_run_that_was_stopped_or_killed_goes_on() {
    for signal in ["-INT", "-KILL"] {
        let mut watched = Watched::new();
        for name in ["lit-1.jpg", "lit-2.jpg", "plate.jpg"] {
            watched.put(name, &sample(name));
        }
        watched.start(&[]);
        watched.until_said("PLATE");
        std::thread::sleep(Duration::from_millis(700));
        watched.signal(signal);
        let code = watched.ended();
        if signal == "-INT" {
            assert!(matches!(code, Some(0 | 1)), "{}", watched.said());
            assert_eq!(watched.parts_left(), 0);
        }
        watched.start(&["--idle", "3"]);
        assert_eq!(watched.ended(), Some(0), "{}", watched.said());
        assert_eq!(watched.report(), done(&["lit-1.jpg", "lit-2.jpg"]));
        assert_eq!(watched.parts_left(), 0, "after {signal}");
    }
}

#[test]
fn a_named_plate_serves_at_once_and_a_missing_one_is_told() {
    let mut watched = Watched::new();
    std::fs::write(watched.path("plate.jpg"), sample("plate.jpg")).unwrap();
    watched.put("lit-1.jpg", &sample("lit-1.jpg"));
    watched.start(&["--plate", "plate.jpg", "--idle", "3"]);
    assert_eq!(watched.ended(), Some(0), "{}", watched.said());
    assert_eq!(watched.report(), done(&["lit-1.jpg"]));

    let mut watched = Watched::new();
    watched.put("lit-1.jpg", &sample("lit-1.jpg"));
    watched.start(&["--idle", "3"]);
    assert_eq!(watched.ended(), Some(1), "{}", watched.said());
    assert!(
        watched.said().contains("1 without a plate"),
        "{}",
        watched.said()
    );
}

#[test]
fn one_folder_for_both_and_outputs_that_stand_there_are_refused() {
    let mut watched = Watched::new();
    let output = Command::new(env!("CARGO_BIN_EXE_derig"))
        .current_dir(watched.folder.path())
        .args(["watch", "in", "--out", "in"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    std::fs::create_dir(watched.path("out")).unwrap();
    std::fs::write(watched.path("out/lit-1.jpg"), b"somebody's work").unwrap();
    std::fs::write(watched.path("plate.jpg"), sample("plate.jpg")).unwrap();
    watched.put("lit-1.jpg", &sample("lit-1.jpg"));
    watched.start(&["--plate", "plate.jpg", "--idle", "3"]);
    assert_eq!(watched.ended(), Some(1), "{}", watched.said());
    let there = std::fs::read(watched.path("out/lit-1.jpg")).unwrap();
    assert_eq!(there, b"somebody's work");
}
