//! Links, odd names, names that differ in case only, and paths in files from strangers: nothing is
//! written where an input is, and nothing outside the output folder.

#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "a skipped check must not pass in silence"
)]

mod shoot;

use std::ffi::OsStr;
use std::io::Write as _;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use shoot::left::pictures;
use shoot::{CLEAN, Shoot, files, inputs, said};

fn run(shoot: &Shoot, args: &[&OsStr]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_derig"))
        .current_dir(shoot.folder.path())
        .args(args)
        .output()
        .unwrap()
}

#[test]
fn links_from_outputs_to_inputs_are_refused() {
    for link in ["symbolic", "hard"] {
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        std::fs::create_dir(shoot.path("out")).unwrap();
        let (input, output) = (shoot.path("lit-1.jpg"), shoot.path("out/lit-1.jpg"));
        if link == "hard" {
            std::fs::hard_link(&input, &output).unwrap();
        } else {
            std::os::unix::fs::symlink(&input, &output).unwrap();
        }
        let run = shoot.derig(&[&CLEAN[..], &["--overwrite"]].concat());
        assert_eq!(run.status.code(), Some(2), "{link}: {}", said(&run));
        assert!(
            said(&run).contains("`lit-1.jpg` would be replaced"),
            "{}",
            said(&run)
        );
        assert_eq!(inputs(&shoot), before, "{link}");
    }
    // The output folder itself is a link to the folder of the inputs.
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    std::os::unix::fs::symlink(".", shoot.path("out")).unwrap();
    let run = shoot.derig(&[&CLEAN[..], &["--overwrite"]].concat());
    assert_eq!(run.status.code(), Some(2), "{}", said(&run));
    assert_eq!(inputs(&shoot), before);
}

#[test]
fn a_name_that_is_no_unicode_is_kept() {
    let shoot = Shoot::new();
    let name = OsStr::from_bytes(b"lit-\xff\xfe.jpg");
    if std::fs::rename(shoot.path("lit-1.jpg"), shoot.folder.path().join(name)).is_err() {
        println!("SKIPPED: this disk holds Unicode names only");
        return;
    }
    let run = |args: &[&OsStr]| run(&shoot, args);
    let args = ["clean", "--plate", "plate.jpg", "--out", "out"].map(OsStr::new);
    let output = run(&[&args[..], &[name]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(shoot.path("out").join(name).exists());
    // Again: known as done.
    let output = run(&[&args[..], &[name]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(
        said(&output).contains("1 finished before"),
        "{}",
        said(&output)
    );
    let check = run(&[
        OsStr::new("check"),
        name,
        OsStr::new("--plate"),
        OsStr::new("plate.jpg"),
    ]);
    assert!(
        check.status.code().is_some_and(|c| c == 0 || c > 3),
        "{}",
        said(&check)
    );
    // A plan is JSON, and JSON is Unicode: the name goes through it as a `file` URI.
    let plan = run(&[&args[..3], &[name, OsStr::new("--dry-run=json")]].concat());
    assert_eq!(plan.status.code(), Some(0), "{}", said(&plan));
    let text = String::from_utf8(plan.stdout).unwrap();
    assert!(text.contains("lit-%FF%FE.jpg"), "{text}");
    std::fs::write(shoot.path("plan.jsonl"), text).unwrap();
    let planned = ["clean", "--plan", "plan.jsonl", "--out", "planned"].map(OsStr::new);
    let output = run(&planned);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let same = |folder: &str| std::fs::read(shoot.path(folder).join(name)).unwrap();
    assert!(same("out") == same("planned"));
}

fn of<'a>(words: &[&'a str]) -> Vec<&'a OsStr> {
    words.iter().map(|word| OsStr::new(*word)).collect()
}

/// Two names that look the same once they are shown, through every way back.
#[test]
fn names_that_are_no_unicode_come_back_through_redo() {
    let shoot = Shoot::new();
    let names = [&b"lit-\xff.jpg"[..], b"lit-\xfe.jpg"].map(OsStr::from_bytes);
    for (from, to) in ["lit-1.jpg", "lit-2.jpg"].into_iter().zip(names) {
        if std::fs::rename(shoot.path(from), shoot.folder.path().join(to)).is_err() {
            println!("SKIPPED: this disk holds Unicode names only");
            return;
        }
    }
    let run = |args: &[&[&OsStr]]| {
        let output = run(&shoot, &args.concat());
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", said(&output));
        said(&output)
    };
    let clean = of(&[
        "clean",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
        "--format",
        "png",
    ]);
    run(&[&clean, &names]);
    assert!(run(&[&clean, &names]).contains("2 finished before"));
    let pictures = |folder: &str| pictures(&shoot.path(folder));
    assert_eq!(pictures("out").len(), 6);
    // From where it is, and from where the folder was moved to: the same bytes.
    run(&[&of(&["redo", "out/report.json", "--out", "again"])]);
    assert!(pictures("out") == pictures("again"));
    std::fs::rename(shoot.path("out"), shoot.path("moved")).unwrap();
    run(&[&of(&["redo", "moved/report.json", "--out", "third"])]);
    assert!(pictures("moved") == pictures("third"));
    // One frame by its name as the report spells it; its painted mask, found where it lies.
    let report = std::fs::read_to_string(shoot.path("moved/report.json")).unwrap();
    assert!(
        report.contains("lit-%FF.jpg") && report.contains("lit-%FE.jpg"),
        "{report}"
    );
    let one = [
        "redo",
        "moved/report.json",
        "--frame",
        "lit-%FE.jpg",
        "--out",
        "fourth",
    ];
    run(&[&of(&one)]);
    let made: Vec<PathBuf> = files(&shoot.path("fourth")).into_keys().collect();
    assert!(
        made.contains(
            &shoot
                .path("fourth")
                .join(OsStr::from_bytes(b"lit-\xfe.png"))
        )
    );
    assert_eq!(made.len(), 4, "{made:?}");
}

#[test]
fn outputs_that_differ_in_case_only_are_refused() {
    let pairs = [
        ("lit-a.jpg", "LIT-A.jpg"),
        ("lit-a.jpg", "lit-A.JPG"),
        // The frame of one is the mask of the other.
        ("lit-a.jpg", "LIT-A-MASK.png"),
        ("\u{e4}.jpg", "\u{c4}.jpg"),
    ];
    for (one, other) in pairs {
        let shoot = Shoot::new();
        std::fs::create_dir(shoot.path("other")).unwrap();
        std::fs::rename(shoot.path("lit-1.jpg"), shoot.path(one)).unwrap();
        let second = format!("other/{other}");
        if Path::new(other).extension() == Some(OsStr::new("png")) {
            shoot.plate_again(&second);
        } else {
            std::fs::rename(shoot.path("lit-2.jpg"), shoot.path(&second)).unwrap();
        }
        let before = files(shoot.folder.path());
        for more in [&[][..], &["--overwrite"]] {
            let args = [
                "clean",
                one,
                &second,
                "--plate",
                "plate.jpg",
                "--out",
                "out",
            ];
            let output = shoot.derig(&[&args[..], more].concat());
            let told = said(&output);
            assert_eq!(output.status.code(), Some(2), "{one} {other}: {told}");
            assert!(
                told.contains("differ in upper and lower case only"),
                "{told}"
            );
            assert!(told.contains(one) && told.contains(other), "{told}");
            assert!(files(shoot.folder.path()) == before);
        }
    }
}

/// An OpenRaster file of a stranger with one layer at `path`.
fn hostile(path: &str) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let stored =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let stack = format!(
        "<image version='0.0.3' w='900' h='600'><stack><layer name='patch' src='{path}'/></stack></image>"
    );
    let picture = std::fs::read(shoot::sample("plate.jpg")).unwrap();
    for (name, bytes) in [
        ("mimetype", &b"image/openraster"[..]),
        ("stack.xml", stack.as_bytes()),
        (path, &picture),
    ] {
        zip.start_file(name, stored).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

#[test]
fn paths_that_climb_out_of_an_openraster_file_lead_nowhere() {
    let shoot = Shoot::new();
    shoot.cleaned(&[]);
    let before = inputs(&shoot);
    let absolute = shoot.path("absolute.png");
    let mut tried = 0;
    for path in [
        "../evil.png",
        "../../evil.png",
        "data/../../evil.png",
        "data/../../../lit-1.jpg",
        absolute.to_str().unwrap(),
        "/etc/passwd",
        "C:\\evil.png",
        "..\\evil.png",
    ] {
        std::fs::write(shoot.path("strange.ora"), hostile(path)).unwrap();
        let standing = files(shoot.folder.path());
        let args = ["redo", "out/report.json", "--frame", "lit-1.jpg"];
        let output = shoot.derig(
            &[
                &args[..],
                &["--openraster", "strange.ora", "--out", "again"],
            ]
            .concat(),
        );
        let told = said(&output);
        assert_eq!(output.status.code(), Some(2), "{path}: {told}");
        assert!(
            told.contains("`strange.ora`") && !told.contains("panicked"),
            "{told}"
        );
        assert!(
            files(shoot.folder.path()) == standing,
            "{path} left something behind"
        );
        tried += 1;
    }
    assert_eq!((tried, inputs(&shoot)), (8, before));
}

/// What somebody painted is not replaced by what is made of it.
#[test]
fn an_edited_openraster_file_is_no_output() {
    let shoot = Shoot::new();
    shoot.cleaned(&["--layers", "openraster"]);
    std::fs::create_dir(shoot.path("desk")).unwrap();
    // The same layers in other bytes, as an editor saves them.
    let edited = shoot.path("desk/lit-1.ora");
    let mut bytes = std::fs::read(shoot.path("out/lit-1.ora")).unwrap();
    let end = bytes.len() - 2;
    bytes[end..].copy_from_slice(&4u16.to_le_bytes());
    bytes.extend(b"desk");
    std::fs::write(&edited, &bytes).unwrap();
    let output = shoot.derig(&[
        "redo",
        "out/report.json",
        "--frame",
        "lit-1.jpg",
        "--openraster",
        "desk/lit-1.ora",
        "--out",
        "desk",
        "--overwrite",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(shoot.path("desk/lit-1.jpg").exists());
    assert!(
        std::fs::read(&edited).unwrap() == bytes,
        "the edited file was replaced"
    );
}
