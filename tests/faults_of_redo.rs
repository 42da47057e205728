//! Runs of `redo` that are stopped, killed or have no room: what a person painted and the inputs stay as
//! they were, nothing half-written has a final name, the same command completes.

#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "the number of runs that were stopped is what this test is for"
)]

mod shoot;

use std::path::PathBuf;
use std::time::Instant;

use derig::photo::{self, Existing, Format, Metadata};
use derig::scene::CodeValues;

use shoot::left::{is_sound, parts, pictures, with_small_disk};
use shoot::stopped::{is_ignored, send, started, trials, wait_for_moment};
use shoot::{Shoot, files, inputs, read, said};

/// Trials of stopping and killing; `DERIG_TRIALS` asks for more.
const TRIALS: u64 = 8;

/// A cleaned shoot, a mask with a hole painted into it, and what takes it back.
fn painted() -> Shoot {
    let shoot = Shoot::new();
    shoot.cleaned(&[]);
    let mut mask = read(&shoot.path("out/lit-1-mask.png"));
    let columns = mask.size.columns;
    let CodeValues::Eight(codes) = &mut mask.values else {
        panic!("a mask has 8 bits unless asked");
    };
    for (i, code) in codes.iter_mut().enumerate() {
        if i % columns < columns / 2 {
            *code = 0;
        }
    }
    let metadata = Metadata::default();
    let path = shoot.path("painted.png");
    photo::write(&path, mask, &metadata, Format::Png, Existing::Keep).unwrap();
    shoot
}

const REDO: [&str; 6] = [
    "redo",
    "out/report.json",
    "--frame",
    "lit-1.jpg",
    "--mask",
    "painted.png",
];

/// A copy of a prepared shoot, so that each trial begins alike.
fn copied(from: &Shoot) -> Shoot {
    let shoot = Shoot::new();
    for (path, bytes) in files(from.folder.path()) {
        let path = shoot
            .folder
            .path()
            .join(path.strip_prefix(from.folder.path()).unwrap());
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    shoot
}

#[test]
fn a_redo_that_is_stopped_or_killed_harms_nothing_and_goes_on() {
    let trials = trials(TRIALS);
    let prepared = painted();
    // Into a folder of its own, and over what the first run made.
    let ways = [
        ("again", &["--out", "again"][..]),
        ("out", &["--overwrite"]),
    ];
    let wanted = ways.map(|(folder, more)| {
        let shoot = copied(&prepared);
        let start = Instant::now();
        let output = shoot.derig(&[&REDO[..], more].concat());
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        (start.elapsed(), pictures(&shoot.path(folder)))
    });
    let (mut at_work, mut tried) = (0, 0);
    for trial in 0..trials {
        let signal = ["-INT", "-TERM", "-KILL", "-HUP"][(trial / 2 % 4) as usize];
        let (folder, more) = ways[(trial % 2) as usize];
        let (whole_run, wanted) = &wanted[(trial % 2) as usize];
        let shoot = copied(&prepared);
        let before = (
            inputs(&shoot),
            std::fs::read(shoot.path("painted.png")).unwrap(),
        );
        let mut process = started(&shoot, &[&REDO[..], more].concat());
        wait_for_moment(trial, *whole_run);
        send(signal, &process);
        let what = format!("trial {trial}, {signal}, {more:?}");
        let ended = process.wait().unwrap().code();
        assert!(matches!(ended, None | Some(0)), "{what}: {ended:?}");
        if is_ignored(signal) {
            println!("SKIPPED: {signal} is ignored by what started this test");
        } else {
            tried += 1;
            at_work += u64::from(ended.is_none());
        }
        let after = (
            inputs(&shoot),
            std::fs::read(shoot.path("painted.png")).unwrap(),
        );
        assert!(before == after, "{what}");
        is_sound(&shoot.path("out"), &what);
        is_sound(&shoot.path("again"), &what);
        if signal != "-KILL" {
            assert_eq!(parts(shoot.folder.path()), Vec::<PathBuf>::new(), "{what}");
        }
        // The report is one or the other, never half of one.
        let _ = shoot.report();
        let mut command = [&REDO[..], more].concat();
        if ended == Some(0) && folder == "again" {
            // It was done before the signal came.
            command.push("--overwrite");
        }
        let output = shoot.derig(&command);
        assert_eq!(output.status.code(), Some(0), "{what}: {}", said(&output));
        assert!(pictures(&shoot.path(folder)) == *wanted, "{what}");
        assert_eq!(parts(shoot.folder.path()), Vec::<PathBuf>::new(), "{what}");
        let journal = shoot.path(folder).join("report.json.unfinished");
        assert!(!journal.exists(), "{what}");
    }
    println!("{at_work} of {tried} runs of `redo` were at work when stopped");
    assert!(2 * at_work > tried, "most trials came too late");
}

#[test]
fn two_redos_into_one_folder_do_not_meet() {
    let shoot = painted();
    let mut refused = 0;
    for trial in 0..4 {
        let out = format!("again-{trial}");
        let args = [&REDO[..], &["--out", &out]].concat();
        let both = [started(&shoot, &args), started(&shoot, &args)]
            .map(|process| process.wait_with_output().unwrap());
        for output in &both {
            let told = said(output);
            let busy = told.contains("another run is at work") || told.contains("exists already");
            match output.status.code() {
                Some(0) => {}
                Some(2) if busy => refused += 1,
                code => panic!("{code:?}: {told}"),
            }
        }
        assert!(both.iter().any(|output| output.status.success()));
        is_sound(&shoot.path(&out), &out);
    }
    println!("{refused} of 4 pairs refused one");
    assert!(refused > 0, "never at once: nothing was tried");
}

#[test]
fn a_redo_without_room_is_told_and_leaves_no_half_file() {
    let whole = painted();
    let output = whole.derig(&[&REDO[..], &["--out", "again"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let wanted = pictures(&whole.path("again"));
    let needed: usize = wanted.values().map(Vec::len).sum();
    let derig = env!("CARGO_BIN_EXE_derig");
    let redo = REDO.join(" ");
    let mut full = 0;
    for third in 1..=3 {
        let shoot = copied(&whole);
        let before = files(&shoot.path("out"));
        std::fs::remove_dir_all(shoot.path("again")).unwrap();
        // The small disk lies beside the first run's outputs.
        let size = (needed * third / 4).next_multiple_of(4096).to_string();
        let script = format!(
            "mkdir again && mount -t tmpfs -o size={size} tmpfs again && \
             {{ {derig} {redo} --out again 2> said; echo $? > code; cp -a again left; exit 0; }}"
        );
        let Some(output) = with_small_disk(&shoot, "1m", &format!("umount out && {script}")) else {
            return;
        };
        assert!(output.status.success(), "{}", said(&output));
        let told = std::fs::read_to_string(shoot.path("said")).unwrap();
        let code = std::fs::read_to_string(shoot.path("code")).unwrap();
        if code.trim() != "0" {
            assert!(told.contains("error:") && told.contains("`again"), "{told}");
            assert!(!told.contains("panicked"), "{told}");
            full += 1;
        }
        is_sound(&shoot.path("left"), &told);
        assert_eq!(parts(&shoot.path("left")), Vec::<PathBuf>::new(), "{told}");
        assert!(
            files(&shoot.path("out")) == before,
            "the first run's outputs"
        );
        for folder in ["left", "again"] {
            std::fs::remove_dir_all(shoot.path(folder)).unwrap();
        }
        let output = shoot.derig(&[&REDO[..], &["--out", "again"]].concat());
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        assert!(pictures(&shoot.path("again")) == wanted);
    }
    println!("{full} of 3 disks were too small");
    assert!(full > 1, "{full}");
}

/// A painted mask that lies where the new one goes is replaced when that is allowed, and by its equal.
#[test]
fn a_painted_mask_says_after_a_redo_what_it_said_before() {
    let shoot = painted();
    std::fs::create_dir(shoot.path("desk")).unwrap();
    let mask = shoot.path("desk/lit-1-mask.png");
    std::fs::rename(shoot.path("painted.png"), &mask).unwrap();
    let (bytes, shares) = (std::fs::read(&mask).unwrap(), read(&mask));
    let args = ["redo", "out/report.json", "--frame", "lit-1.jpg"];
    let rest = ["--mask", "desk/lit-1-mask.png", "--out", "desk"];
    let refused = shoot.derig(&[&args[..], &rest].concat());
    assert_eq!(refused.status.code(), Some(2), "{}", said(&refused));
    assert!(std::fs::read(&mask).unwrap() == bytes);
    let done = shoot.derig(&[&args[..], &rest, &["--overwrite"]].concat());
    assert_eq!(done.status.code(), Some(0), "{}", said(&done));
    assert!(read(&mask) == shares);
}
