//! The command as its users meet it: outputs, messages, exit codes.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use assert_cmd::Command;
use derig::handover::{self, LayerKind, Limits};
use derig::photo::{self, Existing, Format, Metadata, ReadLimits};

use shoot::{Shoot, read, said};

#[test]
fn help_names_commands_and_exit_codes() {
    let shoot = Shoot::new();
    let output = shoot.derig(&["--help"]);
    let help = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0));
    for word in ["clean", "demo", "Exit codes", "nothing to remove"] {
        assert!(help.contains(word), "{word} is missing in\n{help}");
    }
    let help = shoot.derig(&["clean", "--help"]).stdout;
    let help = String::from_utf8(help).unwrap();
    for word in [
        "--plate",
        "--out",
        "--overwrite",
        "--mask-depth",
        "--format",
        "--timings",
    ] {
        assert!(help.contains(word), "{word} is missing in\n{help}");
    }
}

/// Lines of a terminal that fills the screen of a laptop (1080 px at 20 px a line).
const SCREEN: usize = 54;

#[test]
fn every_help_fits_a_screen_and_begins_with_examples() {
    let shoot = Shoot::new();
    let commands = derig::cli::definition();
    let names = commands
        .get_subcommands()
        .map(|command| vec![command.get_name()]);
    for name in names.chain([vec![]]) {
        let output = shoot.derig(&[&name[..], &["--help"]].concat());
        let help = String::from_utf8(output.stdout).unwrap();
        assert!(help.starts_with("Examples:\n  derig "), "{name:?}: {help}");
        let lines = help.lines().count();
        assert!(lines <= SCREEN, "{name:?} takes {lines} lines:\n{help}");
    }
}

#[test]
fn cleaned_frames_masks_and_report_are_handed_over() {
    let shoot = Shoot::new();
    let output = shoot.clean(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(output.stdout.is_empty());
    let mut names: Vec<_> = std::fs::read_dir(shoot.path("out"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let expected = [
        "for-redo",
        "lit-1-mask.png",
        "lit-1.jpg",
        "lit-2-mask.png",
        "lit-2.jpg",
        "report.json",
    ];
    assert_eq!(names, expected);

    let report = shoot.report();
    assert_eq!(report["report_version"], derig::report::REPORT_VERSION);
    assert_eq!(report["derig_version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(report["plates"][0], "plate.jpg");
    let frame = &report["frames"][0];
    assert_eq!(frame["lit"], "lit-1.jpg");
    assert_eq!(frame["merged"], "lit-1.jpg");
    assert_eq!(frame["mask"], "lit-1-mask.png");
    assert_eq!(frame["status"], "cleaned");
    assert_eq!(frame["exposure"]["model"], "Prime 5");
    assert!(frame["report"]["replaced_share"].as_f64().unwrap() > 0.0);
}

#[test]
fn what_the_mask_leaves_black_is_bit_identical() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
        "--format",
        "png",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let (lit, merged) = (
        read(&shoot.path("lit-1.jpg")),
        read(&shoot.path("out/lit-1.png")),
    );
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    assert_eq!((mask.bits(), mask.size), (8, lit.size));
    let mut black = 0;
    for y in 0..lit.size.rows {
        for x in 0..lit.size.columns {
            if mask.code(x, y, 0) == 0 {
                black += 1;
                for c in 0..3 {
                    assert_eq!(merged.code(x, y, c), lit.code(x, y, c), "at {x},{y}");
                }
            }
        }
    }
    assert!(black > lit.size.area() / 2, "{black}");
}

#[test]
fn format_and_mask_depth_are_as_asked() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "-p",
        "plate.jpg",
        "-o",
        "out",
        "--format",
        "tiff",
        "--mask-depth",
        "16",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let merged = photo::read(&shoot.path("out/lit-1.tif"), &ReadLimits::default()).unwrap();
    assert_eq!(merged.format, Format::Tiff);
    assert_eq!(merged.camera.model.as_deref(), Some("Prime 5"));
    assert_eq!(read(&shoot.path("out/lit-1-mask.png")).bits(), 16);
    assert_eq!(shoot.report()["settings"]["mask_bits"], 16);
}

#[test]
fn layers_are_handed_over_beside_the_frame() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "-p",
        "plate.jpg",
        "-o",
        "out",
        "--layers",
        "patch,openraster",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let layers = &shoot.report()["frames"][0]["layers"];
    assert_eq!(layers["patch"], "lit-1-patch.png");
    assert_eq!(layers["openraster"], "lit-1.ora");
    let file = std::fs::File::open(shoot.path("out/lit-1.ora")).unwrap();
    let back = handover::read(file, &Limits::default()).unwrap();
    let layer = |kind| &back.layer(kind).unwrap().photo.samples;
    assert!(*layer(LayerKind::Lit) == read(&shoot.path("lit-1.jpg")));
    assert!(*layer(LayerKind::Patch) == read(&shoot.path("out/lit-1-patch.png")));
    let mask = read(&shoot.path("out/lit-1-mask.png"));
    assert!(handover::mask_picture(back.mask().unwrap(), 8) == mask);
}

#[test]
fn jpeg_quality_is_as_asked() {
    let shoot = Shoot::new();
    let size = |out: &str, more: &[&str]| {
        let args = ["clean", "lit-1.jpg", "-p", "plate.jpg", "-o", out];
        let output = shoot.derig(&[&args[..], more].concat());
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        std::fs::metadata(shoot.path(out).join("lit-1.jpg"))
            .unwrap()
            .len()
    };
    let (own, low) = (size("own", &[]), size("low", &["--quality", "30"]));
    assert!(low < own / 2, "{low} {own}");
}

#[test]
fn outputs_do_not_depend_on_the_number_of_threads() {
    let shoot = Shoot::new();
    for (threads, out) in [("1", "one"), ("4", "four")] {
        let status = Command::cargo_bin("derig")
            .unwrap()
            .current_dir(shoot.folder.path())
            .env("RAYON_NUM_THREADS", threads)
            .args([
                "clean",
                "lit-1.jpg",
                "lit-2.jpg",
                "-p",
                "plate.jpg",
                "-o",
                out,
                "-q",
            ])
            .output()
            .unwrap();
        assert_eq!(status.status.code(), Some(0));
        assert!(status.stderr.is_empty(), "quiet says nothing of success");
    }
    for name in ["lit-1.jpg", "lit-1-mask.png", "lit-2.jpg", "lit-2-mask.png"] {
        let bytes = |out: &str| std::fs::read(shoot.path(out).join(name)).unwrap();
        assert!(bytes("one") == bytes("four"), "{name} differs");
    }
}

#[test]
fn nothing_to_remove_gives_the_frame_back_and_exit_code_3_on_request() {
    let shoot = Shoot::new();
    shoot.plate_again("again.png");
    let clean = ["clean", "again.png", "--plate", "plate.jpg", "--out"];
    let asked = shoot.derig(&[&clean[..], &["asked", "--must-find"]].concat());
    assert_eq!(asked.status.code(), Some(3), "{}", said(&asked));
    let output = shoot.derig(&[&clean[..], &["out"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let bytes = |name: &str| std::fs::read(shoot.path(name)).unwrap();
    assert!(bytes("again.png") == bytes("out/again.png"));
    assert_eq!(shoot.report()["frames"][0]["status"], "nothing-to-remove");
}

#[test]
fn one_bad_frame_is_exit_code_1_and_does_not_stop_the_others() {
    let shoot = Shoot::new();
    let whole = std::fs::read(shoot.path("lit-1.jpg")).unwrap();
    std::fs::write(shoot.path("cut.jpg"), &whole[..whole.len() / 2]).unwrap();
    std::fs::write(shoot.path("notes.jpg"), "not a picture").unwrap();
    std::fs::copy(shoot.path("plate.jpg"), shoot.path("copy.jpg")).unwrap();
    let output = shoot.derig(&[
        "clean",
        "cut.jpg",
        "notes.jpg",
        "copy.jpg",
        "lit-2.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
    ]);
    let said = said(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains(
        "error: cannot read `cut.jpg`\ncaused by: the file ends before the picture does\n\nhint: "
    ));
    assert!(said.contains("error: cannot read `notes.jpg`\ncaused by: it is not a JPEG"));
    assert!(said.contains("error: cannot clean `copy.jpg`\ncaused by: is the same picture"));
    // Whether the cleaned one is also to be looked at is the verdict's to say.
    let closing = said.lines().last().unwrap_or_default();
    assert!(closing.starts_with("1 cleaned"), "{said}");
    assert!(closing.contains("3 left as it was (see above)"), "{said}");
    let report = shoot.report();
    let statuses: Vec<_> = (0..4)
        .map(|i| report["frames"][i]["status"].clone())
        .collect();
    assert_eq!(statuses, ["failed", "failed", "failed", "cleaned"]);
    assert_eq!(
        report["frames"][0]["error"]["what"],
        "cannot read `cut.jpg`"
    );
    assert!(shoot.path("out/lit-2.jpg").exists());
    assert!(!shoot.path("out/cut.jpg").exists());
}

#[test]
fn a_damaged_plate_stops_the_run_with_exit_code_1() {
    let shoot = Shoot::new();
    let whole = std::fs::read(shoot.path("plate.jpg")).unwrap();
    std::fs::write(shoot.path("plate.jpg"), &whole[..whole.len() / 2]).unwrap();
    let output = shoot.derig(&["clean", "lit-1.jpg", "--plate", "plate.jpg", "--out", "out"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).starts_with("error: cannot read `plate.jpg`\ncaused by: the file ends"));
}

#[cfg(unix)]
#[test]
fn names_that_are_no_unicode_work() {
    use std::os::unix::ffi::OsStringExt;
    let shoot = Shoot::new();
    let name = std::ffi::OsString::from_vec(b"lit-\xff.jpg".to_vec());
    std::fs::copy(shoot.path("lit-1.jpg"), shoot.folder.path().join(&name)).unwrap();
    let output = Command::cargo_bin("derig")
        .unwrap()
        .current_dir(shoot.folder.path())
        .arg("clean")
        .arg(&name)
        .args(["--plate", "plate.jpg", "--out", "out"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(shoot.path("out").join(&name).exists());
    let mask = std::ffi::OsString::from_vec(b"lit-\xff-mask.png".to_vec());
    assert!(shoot.path("out").join(mask).exists());
}

#[test]
fn a_frame_named_wrongly_gets_the_name_of_its_content() {
    let shoot = Shoot::new();
    let samples = read(&shoot.path("lit-1.jpg"));
    let metadata = Metadata::default();
    photo::write(
        &shoot.path("odd.jpg"),
        samples,
        &metadata,
        Format::Png,
        Existing::Keep,
    )
    .unwrap();
    let output = shoot.derig(&["clean", "odd.jpg", "--plate", "plate.jpg", "--out", "out"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(said(&output).contains("warning: `odd.jpg`: it is a PNG file by content"));
    assert!(shoot.path("out/odd.png").exists());
}

#[test]
fn timings_are_told_when_asked() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
        "--timings",
    ]);
    let said = said(&output);
    assert!(
        said.contains(" s  read\n") && said.contains(" s  write\n"),
        "{said}"
    );
}

#[test]
fn the_demo_writes_its_samples_and_cleans_them() {
    let shoot = Shoot::new();
    let output = shoot.derig(&["demo", "demo"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    for scene in ["boatyard", "greenhouse"] {
        for name in [
            "plate.jpg",
            "lit-1.jpg",
            "cleaned/lit-2.jpg",
            "cleaned/report.json",
        ] {
            assert!(
                shoot.path("demo").join(scene).join(name).exists(),
                "{scene}/{name}"
            );
        }
    }
    let again = shoot.derig(&["demo", "demo"]);
    assert_eq!(again.status.code(), Some(2), "what is there is kept");
}
