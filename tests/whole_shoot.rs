//! Whole shoots: mixed and renamed frames sorted into set-ups, plans, runs that were cut short.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "a skipped check must not pass in silence"
)]

mod shoot;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use derig::photo::{self, Existing, Format, Metadata, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use serde_json::Value;
use tempfile::TempDir;

use shoot::said;

const SAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples");
const SAMPLE_SCENES: [&str; 2] = ["boatyard", "greenhouse"];

/// A folder of frames, and which scene and file each name stands for.
struct Card {
    folder: TempDir,
    truth: BTreeMap<String, (String, String)>,
    seed: u64,
}

/// What a frame says of itself.
#[derive(Clone, Copy, PartialEq)]
enum Tags {
    Kept,
    Stripped,
}

impl Card {
    fn new(seed: u64) -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
            truth: BTreeMap::new(),
            seed,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn card(&self) -> PathBuf {
        self.path("card")
    }

    /// A name that says nothing, and comes in no order.
    fn name(&mut self) -> String {
        self.seed = self
            .seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695);
        format!("{:08x}.jpg", self.seed >> 32)
    }

    fn put(&mut self, scene: &str, file: &str, bytes: &[u8]) -> String {
        std::fs::create_dir_all(self.card()).unwrap();
        let name = self.name();
        std::fs::write(self.card().join(&name), bytes).unwrap();
        self.truth
            .insert(name.clone(), (scene.to_owned(), file.to_owned()));
        name
    }

    fn put_samples(&mut self, tags: Tags) {
        for scene in SAMPLE_SCENES {
            for file in ["plate.jpg", "lit-1.jpg", "lit-2.jpg"] {
                self.put_sample(scene, file, tags);
            }
        }
    }

    fn put_sample(&mut self, scene: &str, file: &str, tags: Tags) -> String {
        let bytes = std::fs::read(Path::new(SAMPLES).join(scene).join(file)).unwrap();
        let bytes = match tags {
            Tags::Kept => bytes,
            Tags::Stripped => without_tags(bytes),
        };
        self.put(scene, file, &bytes)
    }

    fn derig(&self, args: &[&str]) -> std::process::Output {
        let derig = assert_cmd::cargo::cargo_bin("derig");
        Command::new(derig)
            .current_dir(self.folder.path())
            .args(args)
            .output()
            .unwrap()
    }

    fn plan(&self) -> (Vec<Value>, String) {
        let output = self.derig(&["clean", "card", "--dry-run=json"]);
        let lines = String::from_utf8(output.stdout.clone()).unwrap();
        let lines = lines.lines().map(|l| serde_json::from_str(l).unwrap());
        (lines.collect(), said(&output))
    }

    fn truth_of(&self, path: &Value) -> (&str, &str) {
        let name = Path::new(path.as_str().unwrap()).file_name().unwrap();
        let (scene, file) = &self.truth[name.to_str().unwrap()];
        (scene, file)
    }

    /// Checks that a plan's set-ups are whole scenes with their own plate; hands back the scenes.
    fn checked(&self, plan: &[Value]) -> BTreeSet<String> {
        let mut scenes = BTreeSet::new();
        for line in plan {
            let of = |key: &str| -> Vec<(&str, &str)> {
                let paths = line[key].as_array().unwrap();
                paths.iter().map(|path| self.truth_of(path)).collect()
            };
            let (plates, lit) = (of("plates"), of("lit"));
            let scene = plates[0].0;
            assert!(plates.iter().all(|p| p.1.starts_with("plate")), "{line}");
            assert!(
                lit.iter().all(|l| l.0 == scene && l.1.starts_with("lit")),
                "{line}"
            );
            let all = self.truth.values().filter(|(s, _)| s == scene).count();
            assert_eq!(plates.len() + lit.len(), all, "{line}");
            assert!(scenes.insert(scene.to_owned()));
            assert!(!line["reason"].as_str().unwrap().is_empty());
        }
        scenes
    }
}

/// Without EXIF: as a program that strips tags leaves it.
fn without_tags(bytes: Vec<u8>) -> Vec<u8> {
    let photo = photo::read_bytes(bytes, &ReadLimits::default()).unwrap();
    let mut out = std::io::Cursor::new(Vec::new());
    let plain = Metadata::default().with_jpeg_quality(95);
    photo::encode(&mut out, photo.samples, &plain, Format::Jpeg).unwrap();
    out.into_inner()
}

/// A picture of no place: soft blobs of many sizes, a field of its own a seed.
fn made_up_view(seed: u32) -> Samples {
    let size = Size {
        columns: 900,
        rows: 600,
    };
    let mut state = seed.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
    let mut random = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1 << 24)
    };
    let blobs: Vec<[f64; 6]> = (0..260)
        .map(|i| {
            let radius = 6.0 + 90.0 * random() * f64::from(260 - i) / 260.0;
            [
                900.0 * random(),
                600.0 * random(),
                radius,
                random(),
                random(),
                random(),
            ]
        })
        .collect();
    let mut light = vec![[0.25f64, 0.28, 0.30]; size.area()];
    for [x0, y0, radius, r, g, b] in blobs {
        let span = |centre: f64, limit: usize| {
            let from = (centre - radius).max(0.0) as usize;
            from..((centre + radius) as usize + 1).min(limit)
        };
        for y in span(y0, size.rows) {
            for x in span(x0, size.columns) {
                let distance = (x as f64 - x0).hypot(y as f64 - y0);
                let edge = ((radius - distance) / 2.0).clamp(0.0, 1.0);
                let pixel = &mut light[y * size.columns + x];
                for (value, blob) in pixel.iter_mut().zip([r, g, b]) {
                    *value += edge * (0.1 + 0.6 * blob - *value);
                }
            }
        }
    }
    let codes = light
        .iter()
        .flatten()
        .map(|v| (v.powf(1.0 / 2.2) * 255.0).round() as u8);
    Samples {
        size,
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight(codes.collect()),
    }
}

#[test]
fn a_mixed_card_is_sorted_and_every_plate_found() {
    for tags in [Tags::Kept, Tags::Stripped] {
        let mut card = Card::new(7);
        card.put_samples(tags);
        let (plan, said) = card.plan();
        assert_eq!(card.checked(&plan).len(), SAMPLE_SCENES.len(), "{said}");
    }
}

#[test]
fn a_view_without_a_plate_is_asked_about_and_the_rest_is_done() {
    let mut card = Card::new(11);
    for file in ["plate.jpg", "lit-1.jpg"] {
        card.put_sample("greenhouse", file, Tags::Stripped);
    }
    // Two poses, and nobody shot the plate; a view of which there is one frame only.
    let poses = ["lit-1.jpg", "lit-2.jpg"].map(|f| card.put_sample("boatyard", f, Tags::Kept));
    let path = card.path("alone.jpg");
    let plain = Metadata::default().with_jpeg_quality(95);
    photo::write(&path, made_up_view(3), &plain, Format::Jpeg, Existing::Keep).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let alone = card.put("alone", "lit-1.jpg", &bytes);

    let output = card.derig(&["clean", "card", "--out", "out"]);
    let said = said(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("error: which is the plate of "), "{said}");
    let line = said
        .lines()
        .find(|l| l.contains("which is the plate"))
        .unwrap();
    assert!(
        poses.iter().all(|name| line.contains(name.as_str())),
        "{said}"
    );
    assert!(
        said.contains(&format!("there is no plate for `card/{alone}`")),
        "{said}"
    );
    let report: Value =
        serde_json::from_slice(&std::fs::read(card.path("out/report.json")).unwrap()).unwrap();
    assert_eq!(report["frames"].as_array().unwrap().len(), 1);
    assert_eq!(card.truth_of(&report["frames"][0]["lit"]).0, "greenhouse");
}

#[test]
fn two_poses_alone_are_no_frame_and_plate() {
    for scene in SAMPLE_SCENES {
        let mut card = Card::new(13);
        for file in ["lit-1.jpg", "lit-2.jpg"] {
            card.put_sample(scene, file, Tags::Stripped);
        }
        let (plan, said) = card.plan();
        assert!(plan.is_empty(), "{scene}: {plan:?}");
        assert!(said.contains("which is the plate"), "{said}");
    }
}

#[test]
fn frames_of_one_view_under_other_light_are_not_taken_for_plate_and_lit() {
    // The same empty view twice: nothing stands in one that does not in the other.
    let mut card = Card::new(5);
    let view = made_up_view(9);
    let mut darker = view.clone();
    let CodeValues::Eight(codes) = &mut darker.values else {
        panic!("8 bits are made");
    };
    for v in codes {
        *v = (f32::from(*v) * 0.9) as u8;
    }
    for (i, samples) in [view, darker].into_iter().enumerate() {
        let path = card.path(&format!("{i}.jpg"));
        let plain = Metadata::default().with_jpeg_quality(95);
        photo::write(&path, samples, &plain, Format::Jpeg, Existing::Keep).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        card.put("view", &format!("{i}.jpg"), &bytes);
    }
    let (plan, said) = card.plan();
    assert!(plan.is_empty(), "{plan:?}");
    assert!(said.contains("which is the plate"), "{said}");
}

#[test]
fn a_plan_s_lines_run_one_by_one_and_their_reports_join() {
    let mut card = Card::new(21);
    card.put_samples(Tags::Kept);
    let output = card.derig(&["clean", "card", "--out", "whole"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let output = card.derig(&["clean", "card", "--dry-run=json", "-q"]);
    std::fs::write(card.path("plan.jsonl"), &output.stdout).unwrap();
    for number in ["1", "2"] {
        let args = [
            "clean",
            "--plan",
            "plan.jsonl",
            "--set-up",
            number,
            "-o",
            "out",
        ];
        let output = card.derig(&args);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    }
    let mut join = vec!["join".to_owned()];
    for entry in std::fs::read_dir(card.path("out")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.starts_with("report-") {
            join.push(format!("out/{name}"));
        }
    }
    assert_eq!(join.len(), 3);
    join[1..].sort();
    let join: Vec<&str> = join.iter().map(String::as_str).collect();
    let output = card.derig(&[&join[..], &["--out", "out/report.json"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    for name in card
        .truth
        .keys()
        .filter(|n| !card.truth[*n].1.starts_with("plate"))
    {
        let bytes = |out: &str| std::fs::read(card.path(out).join(name)).unwrap();
        assert!(bytes("whole") == bytes("out"), "{name}");
    }
    // What is joined can be redone.
    let output = card.derig(&["redo", "out/report.json", "-o", "again"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let frames = std::fs::read_dir(card.path("again")).unwrap().count();
    assert_eq!(
        frames,
        2 * 4 + 2,
        "frames and masks, for-redo and the report"
    );
    let output = card.derig(&["clean", "--plan", "plan.jsonl", "--set-up", "9", "-o", "x"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("has no set-up 9"));
}

/// The README's example for many machines, with GNU parallel where it is installed.
#[test]
fn gnu_parallel_runs_a_plan() {
    let is_there = Command::new("parallel").arg("--version").output();
    if !is_there.is_ok_and(|o| String::from_utf8_lossy(&o.stdout).contains("GNU parallel")) {
        println!("skipped: GNU parallel is not installed");
        return;
    }
    let mut card = Card::new(4);
    card.put_samples(Tags::Kept);
    let script = "derig clean card --dry-run=json > plan.jsonl &&
        seq $(wc -l < plan.jsonl) |
        parallel -j2 derig clean --plan plan.jsonl --set-up {} --out cleaned &&
        derig join cleaned/report-*.json --out cleaned/report.json";
    let derig = assert_cmd::cargo::cargo_bin("derig");
    let path = std::env::var("PATH").unwrap();
    let output = Command::new("sh")
        .args(["-c", script])
        .current_dir(card.folder.path())
        .env(
            "PATH",
            format!("{}:{path}", derig.parent().unwrap().display()),
        )
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let report = std::fs::read(card.path("cleaned/report.json")).unwrap();
    let report: Value = serde_json::from_slice(&report).unwrap();
    assert_eq!(report["frames"].as_array().unwrap().len(), 4);
    assert_eq!(report["plates"].as_array().unwrap().len(), 2);
}

fn names(folder: &Path) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[cfg(unix)]
#[test]
fn a_killed_run_goes_on_where_it_stopped() {
    let mut card = Card::new(2);
    card.put_samples(Tags::Kept);
    let whole = card.derig(&["clean", "card", "--out", "whole"]);
    assert_eq!(whole.status.code(), Some(0), "{}", said(&whole));
    let args = ["clean", "card", "--out", "out"];
    let mut child = Command::new(assert_cmd::cargo::cargo_bin("derig"))
        .current_dir(card.folder.path())
        .args(args)
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // As soon as the first frame is finished.
    let journal = card.path("out/report.json.unfinished");
    let start = Instant::now();
    let is_finished = |text: String| text.contains("\"finished\":");
    while !std::fs::read_to_string(&journal).is_ok_and(is_finished) {
        assert!(
            start.elapsed() < Duration::from_secs(120),
            "no frame was ever finished"
        );
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before it could be killed"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
    // SIGKILL: nothing can be tidied up.
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!card.path("out/report.json").exists());
    let done: Vec<_> = names(&card.path("out"))
        .into_iter()
        .filter(|name| card.truth.contains_key(name))
        .collect();
    assert!(!done.is_empty() && done.len() < 4, "{done:?}");
    for name in &done {
        photo::read(&card.path("out").join(name), &ReadLimits::default()).unwrap();
    }

    let output = card.derig(&args);
    let words = said(&output);
    assert_eq!(output.status.code(), Some(0), "{words}");
    assert!(words.contains("finished before"), "{words}");
    assert_eq!(names(&card.path("out")), names(&card.path("whole")));
    for name in names(&card.path("out"))
        .iter()
        .filter(|n| !n.starts_with("report"))
    {
        let path = |out: &str| card.path(out).join(name);
        if path("out").is_file() {
            let same = std::fs::read(path("out")).unwrap() == std::fs::read(path("whole")).unwrap();
            assert!(same, "{name} differs");
        }
    }
    // A third run has nothing to do; one with other settings does everything again.
    let output = card.derig(&args);
    assert!(
        said(&output).contains("(4 finished before)"),
        "{}",
        said(&output)
    );
    let other = card.derig(&[&args[..], &["--mask-depth", "16"]].concat());
    assert_eq!(other.status.code(), Some(2), "{}", said(&other));
    assert!(said(&other).contains("exists already"));
}
