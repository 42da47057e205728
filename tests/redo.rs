//! What came back from a person: merged again, and nothing else touched.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use std::io::{Cursor, Read, Write};
use std::path::Path;

use derig::photo::{self, Existing, Format, Metadata};
use derig::scene::{ChannelLayout, CodeValues, Samples};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use shoot::{Shoot, read, said};

fn redone(shoot: &Shoot, more: &[&str]) -> String {
    let output = shoot.derig(&[&["redo", "out/report.json"], more].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    said(&output)
}

fn refused(shoot: &Shoot, more: &[&str]) -> String {
    let output = shoot.derig(&[&["redo", "out/report.json"], more].concat());
    let said = said(&output);
    assert_ne!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("hint: "), "{said}");
    said
}

fn bytes(shoot: &Shoot, name: &str) -> Vec<u8> {
    std::fs::read(shoot.path(name)).unwrap()
}

fn store(path: &Path, samples: Samples) {
    let metadata = Metadata::default();
    photo::write(path, samples, &metadata, Format::Png, Existing::Replace).unwrap();
}

fn painted(path: &Path, to: &Path, code: impl Fn(usize, usize, u16) -> u16) -> Samples {
    let mut mask = read(path);
    let before = mask.clone();
    for y in 0..mask.size.rows {
        for x in 0..mask.size.columns {
            let was = mask.code(x, y, 0);
            mask.set_code(x, y, 0, code(x, y, was));
        }
    }
    store(to, mask);
    before
}

/// A place of plain background, far from any mask.
fn empty_place(mask: &Samples, side: usize) -> [usize; 2] {
    let size = mask.size;
    let is_empty = |x: usize, y: usize| {
        (y - side..y + 2 * side).all(|y| (x - side..x + 2 * side).all(|x| mask.code(x, y, 0) == 0))
    };
    let rows = (side..size.rows - 2 * side).step_by(10);
    rows.flat_map(|y| {
        (side..size.columns - 2 * side)
            .step_by(10)
            .map(move |x| [x, y])
    })
    .find(|&[x, y]| is_empty(x, y))
    .unwrap()
}

/// The middle of the mask's longest full run.
fn full_place(mask: &Samples) -> [usize; 2] {
    let mut best = (0, [0, 0]);
    for y in 0..mask.size.rows {
        let mut run = 0;
        for x in 0..mask.size.columns {
            run = if mask.code(x, y, 0) == 255 {
                run + 1
            } else {
                0
            };
            if run > best.0 {
                best = (run, [x + 1 - run / 2, y]);
            }
        }
    }
    assert!(best.0 > 10, "nothing was taken");
    best.1
}

#[test]
fn an_untouched_mask_gives_the_same_bytes() {
    for (format, name) in [
        ("same", "lit-1.jpg"),
        ("png", "lit-1.png"),
        ("tiff", "lit-1.tif"),
    ] {
        for depth in ["8", "16"] {
            let shoot = Shoot::new();
            shoot.cleaned(&["--format", format, "--mask-depth", depth]);
            redone(&shoot, &["--out", "again"]);
            for name in [
                name,
                "lit-1-mask.png",
                "lit-2-mask.png",
                "for-redo/lit-1.zip",
            ] {
                let same = bytes(&shoot, &format!("out/{name}"))
                    == bytes(&shoot, &format!("again/{name}"));
                assert!(same, "{format}, {depth} bits: {name} differs");
            }
            // A report alone is enough: then the frames are cleaned anew first.
            std::fs::remove_dir_all(shoot.path("out/for-redo")).unwrap();
            let words = redone(&shoot, &["--out", "anew"]);
            assert!(words.contains("cleaned anew"), "{words}");
            assert!(
                bytes(&shoot, &format!("out/{name}")) == bytes(&shoot, &format!("anew/{name}"))
            );
        }
    }
}

#[test]
fn a_painted_blob_changes_pixels_only_there() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png"]);
    let merged = read(&shoot.path("out/lit-1.png"));
    let other = bytes(&shoot, "out/lit-2.png");
    let mask_path = shoot.path("out/lit-1-mask.png");
    let [left, top] = empty_place(&read(&mask_path), 40);
    let distance = |x: usize, y: usize| {
        let off = |v: usize, from: usize| (v as f64 - from as f64 - 19.5).powi(2);
        (off(x, left) + off(y, top)).sqrt()
    };
    // Painted over in place, with a soft edge of five pixels.
    painted(&mask_path, &mask_path, |x, y, was| {
        let share = ((20.0 - distance(x, y)) / 5.0).clamp(0.0, 1.0);
        was.max((255.0 * share).round() as u16)
    });
    redone(&shoot, &["--overwrite"]);
    let again = read(&shoot.path("out/lit-1.png"));
    let mut changed = 0;
    for y in 0..again.size.rows {
        for x in 0..again.size.columns {
            let differs = (0..3).any(|c| again.code(x, y, c) != merged.code(x, y, c));
            assert!(!differs || distance(x, y) < 20.0, "at {x},{y}");
            changed += usize::from(differs);
        }
    }
    assert!(changed > 600, "{changed}");
    assert!(bytes(&shoot, "out/lit-2.png") == other);
    let entry = shoot.report()["frames"][0].clone();
    assert!(
        entry["taken_back"][0]
            .as_str()
            .unwrap()
            .starts_with("mask ")
    );
    // Once taken back, it is what counts.
    let words = redone(&shoot, &["--out", "again"]);
    assert!(!words.contains("warning"), "{words}");
    assert!(bytes(&shoot, "out/lit-1.png") == bytes(&shoot, "again/lit-1.png"));
}

#[test]
fn a_patch_that_is_painted_in_shows_the_plate_in_the_frame_s_light() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png", "--layers", "relit-plate"]);
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    let [left, top] = empty_place(&mask, 40);
    painted(
        &shoot.path("out/lit-1-mask.png"),
        &shoot.path("painted.png"),
        |x, y, was| {
            let inside = (left..left + 40).contains(&x) && (top..top + 40).contains(&y);
            if inside { 255 } else { was }
        },
    );
    let args = [
        "--frame",
        "lit-1.jpg",
        "--mask",
        "painted.png",
        "--out",
        "again",
    ];
    redone(&shoot, &args);
    let (again, lit) = (
        read(&shoot.path("again/lit-1.png")),
        read(&shoot.path("lit-1.jpg")),
    );
    let mean = |samples: &Samples, c: usize| {
        let codes = (top..top + 40).flat_map(|y| (left..left + 40).map(move |x| (x, y)));
        codes
            .map(|(x, y)| f64::from(samples.code(x, y, c)))
            .sum::<f64>()
            / 1600.0
    };
    for c in 0..3 {
        // Nothing stood there: the relit plate has the lit frame's tone.
        let off = mean(&again, c) - mean(&lit, c);
        assert!(off.abs() < 3.0, "channel {c}: {off}");
    }
    assert!(
        !shoot.path("again/lit-2.png").exists(),
        "only the frame that is named"
    );
}

#[test]
fn an_erased_region_gives_the_lit_frame_s_samples_back() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png"]);
    let merged = read(&shoot.path("out/lit-1.png"));
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    let [x0, y0] = full_place(&mask);
    let erased = |x: usize, y: usize| x.abs_diff(x0) <= 30 && y.abs_diff(y0) <= 30;
    painted(
        &shoot.path("out/lit-1-mask.png"),
        &shoot.path("painted.png"),
        |x, y, was| if erased(x, y) { 0 } else { was },
    );
    let args = [
        "--frame",
        "lit-1.jpg",
        "--mask",
        "painted.png",
        "--out",
        "again",
    ];
    redone(&shoot, &args);
    let (again, lit) = (
        read(&shoot.path("again/lit-1.png")),
        read(&shoot.path("lit-1.jpg")),
    );
    for y in 0..lit.size.rows {
        for x in 0..lit.size.columns {
            let truth = if erased(x, y) { &lit } else { &merged };
            for c in 0..3 {
                assert_eq!(again.code(x, y, c), truth.code(x, y, c), "at {x},{y}");
            }
        }
    }
}

/// The `.ora` with its patch's picture changed, as an editor would save it, and a layer more.
fn edited(path: &Path, change: impl Fn(&mut Samples)) {
    let mut archive = ZipArchive::new(std::fs::File::open(path).unwrap()).unwrap();
    let mut out = ZipWriter::new(Cursor::new(Vec::new()));
    for i in 0..archive.len() {
        let mut entry = archive.by_index(i).unwrap();
        let name = entry.name().unwrap().to_string();
        let mut contents = Vec::new();
        entry.read_to_end(&mut contents).unwrap();
        if name == "data/patch.png" {
            let photo = photo::read_bytes(contents, &photo::ReadLimits::default()).unwrap();
            let mut samples = photo.samples;
            change(&mut samples);
            let mut png = Cursor::new(Vec::new());
            photo::encode(&mut png, samples, &photo.metadata, Format::Png).unwrap();
            contents = png.into_inner();
        }
        let method = if name == "mimetype" {
            CompressionMethod::Stored
        } else {
            CompressionMethod::Deflated
        };
        let options = SimpleFileOptions::default().compression_method(method);
        out.start_file(name, options).unwrap();
        out.write_all(&contents).unwrap();
    }
    std::fs::write(path, out.finish().unwrap().into_inner()).unwrap();
}

#[test]
fn an_edited_openraster_file_is_taken_back() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png", "--layers", "openraster"]);
    let merged = read(&shoot.path("out/lit-1.png"));
    // Saved again without a change: nothing changes.
    edited(&shoot.path("out/lit-1.ora"), |_| {});
    redone(&shoot, &["--overwrite"]);
    assert!(read(&shoot.path("out/lit-1.png")) == merged);

    let [x0, y0] = full_place(&read(&shoot.path("out/lit-1-mask.png")));
    let erased = |x: usize, y: usize| x.abs_diff(x0) <= 12 && y.abs_diff(y0) <= 12;
    let retouched = |x: usize, y: usize| (20..30).contains(&x) && (700..720).contains(&y);
    edited(&shoot.path("out/lit-1.ora"), |patch| {
        assert_eq!(patch.layout, ChannelLayout::Rgba);
        for y in 0..patch.size.rows {
            for x in 0..patch.size.columns {
                if erased(x, y) {
                    patch.set_code(x, y, 3, 0);
                }
                if retouched(x, y) {
                    for (c, code) in [200, 90, 40, 255].into_iter().enumerate() {
                        patch.set_code(x, y, c, code);
                    }
                }
            }
        }
    });
    let ora = bytes(&shoot, "out/lit-1.ora");
    redone(&shoot, &["--overwrite"]);
    assert!(
        bytes(&shoot, "out/lit-1.ora") == ora,
        "what a person made is left alone"
    );
    let (again, lit) = (
        read(&shoot.path("out/lit-1.png")),
        read(&shoot.path("lit-1.jpg")),
    );
    for y in 0..lit.size.rows {
        for x in 0..lit.size.columns {
            let codes = |samples: &Samples| [0, 1, 2].map(|c| samples.code(x, y, c));
            let wanted = if retouched(x, y) {
                [200, 90, 40]
            } else if erased(x, y) {
                codes(&lit)
            } else {
                codes(&merged)
            };
            assert_eq!(codes(&again), wanted, "at {x},{y}");
        }
    }
}

#[test]
fn one_point_releases_what_was_taken_and_one_takes_it_again() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png"]);
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    let [x, y] = full_place(&mask);
    let point = format!("{x},{y}");
    let args = ["--frame", "lit-1.jpg", "--keep", &point, "--out", "kept"];
    redone(&shoot, &args);
    let (kept, lit) = (
        read(&shoot.path("kept/lit-1.png")),
        read(&shoot.path("lit-1.jpg")),
    );
    assert!((0..3).all(|c| kept.code(x, y, c) == lit.code(x, y, c)));
    let output = shoot.derig(&[
        "redo",
        "kept/report.json",
        "--take",
        &point,
        "--out",
        "taken",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let taken = read(&shoot.path("taken/lit-1-mask.png"));
    assert_eq!(taken.code(x, y, 0), 255);
    let report: serde_json::Value =
        serde_json::from_slice(&bytes(&shoot, "taken/report.json")).unwrap();
    assert_eq!(
        report["frames"][0]["taken_back"].as_array().unwrap().len(),
        2
    );
}

#[test]
fn corrections_for_the_set_up_reach_every_frame() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--format", "png"]);
    let masks = ["out/lit-1-mask.png", "out/lit-2-mask.png"].map(|name| read(&shoot.path(name)));
    let [left, top] = empty_place(&masks[0], 30);
    let text = format!(
        "[[correction]]\ndo = \"take\"\nbox = [{left}, {top}, 25, 20]\n\n\
         [[correction]]\ndo = \"keep\"\npainted = \"keep.png\"\nframes = [\"lit-2.jpg\"]\n"
    );
    std::fs::write(shoot.path("corrections.toml"), text).unwrap();
    let mut all = masks[1].clone();
    all.values = CodeValues::Eight(vec![255; all.size.area()]);
    store(&shoot.path("keep.png"), all);
    redone(
        &shoot,
        &["--corrections", "corrections.toml", "--out", "again"],
    );
    let one = read(&shoot.path("again/lit-1-mask.png"));
    assert_ne!(one, masks[0]);
    let two = read(&shoot.path("again/lit-2-mask.png"));
    assert!((0..two.size.rows).all(|y| (0..two.size.columns).all(|x| two.code(x, y, 0) == 0)));
    assert!(read(&shoot.path("again/lit-2.png")) == read(&shoot.path("lit-2.jpg")));
}

#[test]
fn what_cannot_be_taken_back_is_refused_in_words() {
    let shoot = Shoot::new();
    shoot.cleaned(&[]);
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    let of = |columns: usize, rows: usize| Samples {
        size: derig::scene::Size { columns, rows },
        layout: ChannelLayout::Grey,
        values: CodeValues::Eight(vec![0; columns * rows]),
    };
    let size = mask.size;
    store(&shoot.path("half.png"), of(size.columns / 2, size.rows / 2));
    store(&shoot.path("cut.png"), of(size.columns - 1, size.rows));
    let lossy = Metadata::default();
    let path = shoot.path("mask.jpg");
    photo::write(&path, mask, &lossy, Format::Jpeg, Existing::Keep).unwrap();
    std::fs::copy(shoot.path("lit-1.jpg"), shoot.path("notes.txt")).unwrap();
    let one = |file: &'static str| ["--frame", "lit-1.jpg", "--mask", file, "--out", "again"];
    for (args, words) in [
        (&one("half.png")[..], "1/2 of the frame's"),
        (&one("cut.png"), "cannot use the painted picture"),
        (&one("mask.jpg"), "it is a JPEG"),
        (
            &["--mask", "half.png", "--out", "again"],
            "belongs to one frame",
        ),
        (
            &["--frame", "lit-9.jpg", "--out", "again"],
            "no frame `lit-9.jpg`",
        ),
        (
            &[
                "--take",
                "90000,3",
                "--frame",
                "lit-1.jpg",
                "--out",
                "again",
            ],
            "outside the frame",
        ),
        (&["--take", "3;4", "--out", "again"], "is no place"),
        (&[], "exists already"),
    ] {
        let said = refused(&shoot, args);
        assert!(said.contains(words), "{args:?}: {said}");
    }
    std::fs::copy(shoot.path("lit-2.jpg"), shoot.path("lit-1.jpg")).unwrap();
    let said = refused(&shoot, &["--frame", "lit-1.jpg", "--out", "again"]);
    assert!(said.contains("is not what it was"), "{said}");
    assert!(!shoot.path("again/lit-1.jpg").exists());
}

/// Piece numbers and labels that were kept of a frame.
fn decided(path: &Path) -> (Samples, Vec<String>) {
    let mut archive = ZipArchive::new(std::fs::File::open(path).unwrap()).unwrap();
    let mut entry = |name: &str| {
        let mut bytes = Vec::new();
        archive
            .by_name(name)
            .unwrap()
            .read_to_end(&mut bytes)
            .unwrap();
        bytes
    };
    let text: serde_json::Value = serde_json::from_slice(&entry("decision.json")).unwrap();
    let pieces = photo::read_bytes(entry("pieces.png"), &photo::ReadLimits::default()).unwrap();
    let labels = serde_json::from_value(text["labels"].clone()).unwrap();
    (pieces.samples, labels)
}

/// Two corrections of one call must not hang together because the first made both alike.
#[test]
fn a_point_means_what_stood_there_before_the_call() {
    let shoot = Shoot::new();
    shoot.cleaned(&[]);
    let (pieces, labels) = decided(&shoot.path("out/for-redo/lit-2.zip"));
    let number =
        |x: usize, y: usize| (0..3).fold(0, |n, c| (n << 8) | usize::from(pieces.code(x, y, c)));
    let label = |n: usize| n.checked_sub(1).map(|i| labels[i].as_str());
    let size = pieces.size;
    // Gear beside something that stays.
    let (x, y) = (1..size.rows)
        .flat_map(|y| (0..size.columns - 1).map(move |x| (x, y)))
        .find(|&(x, y)| {
            let beside = label(number(x + 1, y));
            let stays = matches!(beside, Some("other" | "person" | "person-shadow"));
            label(number(x, y)) == Some("gear") && stays
        })
        .expect("a stand has neighbours");
    let (gear, beside) = (number(x, y), number(x + 1, y));
    let text = format!(
        "[[correction]]\ndo = \"take\"\npoint = [{}, {y}]\nframes = [\"lit-2.jpg\"]\n\
         [[correction]]\ndo = \"keep\"\npoint = [{x}, {y}]\nframes = [\"lit-2.jpg\"]\n",
        x + 1
    );
    std::fs::write(shoot.path("said.toml"), text).unwrap();
    let one = [
        "--corrections",
        "said.toml",
        "--frame",
        "lit-2.jpg",
        "-o",
        "again",
    ];
    redone(&shoot, &one);
    let (_, after) = decided(&shoot.path("again/for-redo/lit-2.zip"));
    assert_eq!(after[gear - 1], "person", "kept");
    let taken = &after[beside - 1];
    assert!(taken.starts_with("gear"), "taken: {taken}");
}
