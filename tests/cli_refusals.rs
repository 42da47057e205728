//! What the command refuses before any work starts, and how it says so.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use std::path::Path;
use std::process::Output;

use derig::photo::{self, Existing, Format, Metadata};
use derig::scene::CodeValues;

use shoot::{Shoot, read, said};

#[track_caller]
fn refused(output: &Output, error: &str, hint: &str) {
    let said = said(output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.starts_with(&format!("error: {error}")), "{said}");
    assert!(said.contains(&format!("\n\nhint: {hint}")), "{said}");
    assert!(output.stdout.is_empty());
}

#[test]
fn wrong_usage_is_exit_code_2() {
    let shoot = Shoot::new();
    assert_eq!(shoot.derig(&["clean"]).status.code(), Some(2));
    assert_eq!(shoot.derig(&["polish"]).status.code(), Some(2));
    assert_eq!(shoot.derig(&[]).status.code(), Some(2));
}

#[test]
fn a_missing_file_is_refused() {
    let shoot = Shoot::new();
    let output = shoot.derig(&["clean", "lit-9.jpg", "--plate", "plate.jpg", "--out", "out"]);
    refused(&output, "there is no file `lit-9.jpg`", "check the path");
    assert!(
        !shoot.path("out").exists(),
        "nothing is made before work can start"
    );
}

#[test]
fn one_file_in_two_roles_is_refused() {
    let shoot = Shoot::new();
    let run = |args: &[&str]| shoot.derig(&[&["clean", "--out", "out"], args].concat());
    refused(
        &run(&[
            "lit-1.jpg",
            "--plate",
            "plate.jpg",
            "--plate",
            "./plate.jpg",
        ]),
        "`plate.jpg` and `./plate.jpg` are one and the same plate",
        "name each file once",
    );
    refused(
        &run(&["lit-1.jpg", "./lit-1.jpg", "--plate", "plate.jpg"]),
        "`lit-1.jpg` and `./lit-1.jpg` are one and the same lit frame",
        "name each file once",
    );
    refused(
        &run(&["lit-1.jpg", "plate.jpg", "--plate", "plate.jpg"]),
        "`plate.jpg` is given as a lit frame and as the plate",
        "the plate is the frame without gear",
    );
}

#[test]
fn an_input_is_never_replaced() {
    let shoot = Shoot::new();
    let before = std::fs::read(shoot.path("lit-1.jpg")).unwrap();
    let run = |out: &str| {
        shoot.derig(&[
            "clean",
            "lit-1.jpg",
            "--plate",
            "plate.jpg",
            "--overwrite",
            "--out",
            out,
        ])
    };
    refused(
        &run("."),
        "`lit-1.jpg` would be replaced by an output",
        "name another folder",
    );
    std::fs::create_dir(shoot.path("hard")).unwrap();
    std::fs::hard_link(shoot.path("lit-1.jpg"), shoot.path("hard/lit-1.jpg")).unwrap();
    refused(
        &run("hard"),
        "`lit-1.jpg` would be replaced by an output",
        "name another folder",
    );
    #[cfg(unix)]
    {
        std::fs::create_dir(shoot.path("soft")).unwrap();
        let link = shoot.path("soft/lit-1-mask.png");
        std::os::unix::fs::symlink(shoot.path("plate.jpg"), link).unwrap();
        refused(
            &run("soft"),
            "`plate.jpg` would be replaced by an output",
            "name another folder",
        );
    }
    assert!(before == std::fs::read(shoot.path("lit-1.jpg")).unwrap());
}

/// A word that was completed wrongly on the command line costs nobody a picture, even with `--overwrite`.
#[test]
fn no_report_page_or_drawing_takes_a_picture_s_place() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--layers", "openraster"]);
    std::fs::write(shoot.path("raw.cr3"), b"\0\0\0\x18ftypcrx ").unwrap();
    let victims = [
        "plate.jpg",
        "lit-2.jpg",
        "out/lit-1-mask.png",
        "out/lit-1.ora",
        "raw.cr3",
    ];
    let plan = "plan --focal 24 --subject-distance 3 --modifier 0.9x1.2 --light-distance 1.5";
    let plan: Vec<&str> = plan.split(' ').collect();
    let before = victims.map(|name| std::fs::read(shoot.path(name)).unwrap());
    for victim in victims {
        for args in [
            &["join", "out/report.json", "--out", victim][..],
            &[
                "check",
                "lit-1.jpg",
                "--plate",
                "plate.jpg",
                "--page",
                victim,
            ],
            &[&plan[..], &["--drawing", victim]].concat(),
        ] {
            let output = shoot.derig(&[args, &["--overwrite"]].concat());
            let told = said(&output);
            assert_eq!(output.status.code(), Some(2), "{args:?}: {told}");
            assert!(told.contains(victim) && told.contains("hint: "), "{told}");
        }
    }
    assert!(before == victims.map(|name| std::fs::read(shoot.path(name)).unwrap()));
    // Over older ones of their kind they go.
    for args in [
        &[&plan[..], &["--drawing", "plan.svg"]].concat()[..],
        &["join", "out/report.json", "--out", "joined.json"],
        &[
            "check",
            "lit-1.jpg",
            "--plate",
            "plate.jpg",
            "--page",
            "page.html",
        ],
    ] {
        for _ in 0..2 {
            let output = shoot.derig(&[args, &["--overwrite"]].concat());
            let done = !matches!(output.status.code(), Some(1..=3) | None);
            assert!(done, "{args:?}: {}", said(&output));
        }
    }
}

#[test]
fn outputs_are_replaced_only_when_allowed() {
    let shoot = Shoot::new();
    std::fs::create_dir(shoot.path("out")).unwrap();
    std::fs::write(shoot.path("out/lit-1.jpg"), "somebody's work").unwrap();
    let args = ["clean", "lit-1.jpg", "--plate", "plate.jpg", "--out", "out"];
    let output = shoot.derig(&args);
    refused(
        &output,
        &format!(
            "`{}` exists already",
            Path::new("out").join("lit-1.jpg").display()
        ),
        "name another folder with `--out`, or allow it with `--overwrite`",
    );
    assert_eq!(
        std::fs::read(shoot.path("out/lit-1.jpg")).unwrap(),
        b"somebody's work"
    );
    let output = shoot.derig(&[&args[..], &["--overwrite"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(read(&shoot.path("out/lit-1.jpg")).size.area() > 0);
}

#[test]
fn two_inputs_with_one_output_are_refused() {
    let shoot = Shoot::new();
    std::fs::create_dir(shoot.path("b")).unwrap();
    std::fs::copy(shoot.path("lit-2.jpg"), shoot.path("b/lit-1.jpg")).unwrap();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "b/lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
    ]);
    refused(
        &output,
        "`lit-1.jpg` and `b/lit-1.jpg` would both be written to",
        "clean them in two",
    );
}

#[test]
fn another_size_or_camera_is_refused() {
    let shoot = Shoot::new();
    let other = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/greenhouse/lit-1.jpg");
    let output = shoot.derig(&["clean", other, "--plate", "plate.jpg", "--out", "out"]);
    refused(
        &output,
        &format!(
            "`{other}` was shot with a Halden HX-7, the plate `plate.jpg` with a Lumora Prime 5"
        ),
        "use the plate of the same set-up and camera",
    );
    let mut small = read(&shoot.path("lit-1.jpg"));
    small.size.rows -= 100;
    let CodeValues::Eight(values) = &mut small.values else {
        panic!("JPEG is 8 bits");
    };
    values.truncate(small.size.area() * 3);
    let metadata = Metadata::default();
    photo::write(
        &shoot.path("crop.png"),
        small,
        &metadata,
        Format::Png,
        Existing::Keep,
    )
    .unwrap();
    let output = shoot.derig(&["clean", "crop.png", "--plate", "plate.jpg", "--out", "out"]);
    refused(
        &output,
        "`crop.png` is 900x500, the plate `plate.jpg` is 900x600",
        "use the plate",
    );
}

#[test]
fn a_folder_that_cannot_be_made_is_refused() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "plate.jpg/out",
    ]);
    let said = said(&output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.starts_with("error: cannot write into the folder"),
        "{said}"
    );
    assert!(said.contains("caused by: "), "{said}");
}
