//! What is no file of its kind: pipes, devices, folders, files of a terabyte. Nothing waits for what never
//! comes, nothing reads what never ends.

#![cfg(target_os = "linux")]
#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "a skipped check must not pass in silence"
)]

mod shoot;

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use shoot::{Shoot, inputs};

/// Nothing waits for longer, even on a machine that is busy with other things.
const PATIENCE: Duration = Duration::from_secs(60);

/// Exit code and what was said, within [`PATIENCE`], 5 s of a processor and 4 GB of addresses.
#[track_caller]
fn ended(shoot: &Shoot, args: &[&str]) -> (i32, String) {
    let start = Instant::now();
    let mut process = Command::new("sh")
        .args(["-c", "ulimit -t 5; ulimit -v 4000000; exec \"$0\" \"$@\""])
        .arg(env!("CARGO_BIN_EXE_derig"))
        .args(args)
        .env("RAYON_NUM_THREADS", "2")
        .current_dir(shoot.folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    while process.try_wait().unwrap().is_none() {
        if start.elapsed() > PATIENCE {
            process.kill().unwrap();
            panic!("{args:?}: still at work after {PATIENCE:?}");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    let output = process.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!told.contains("panicked"), "{args:?}: {told}");
    let code = output.status.code();
    (code.unwrap_or_else(|| panic!("{args:?}: {told}")), told)
}

/// A pipe that nobody writes to, a device without end, one without a byte, a folder, and a terabyte that
/// takes no room on the disk, with and without the beginning of a picture.
fn odd_files(shoot: &Shoot) -> Vec<String> {
    let mut names = vec!["/dev/zero".to_owned(), "/dev/null".to_owned()];
    let pipe = Command::new("mkfifo").arg(shoot.path("pipe.jpg")).status();
    if pipe.is_ok_and(|status| status.success()) {
        names.push("pipe.jpg".to_owned());
    } else {
        println!("SKIPPED: no pipes here");
    }
    std::fs::create_dir(shoot.path("folder.jpg")).unwrap();
    names.push("folder.jpg".to_owned());
    std::fs::copy(shoot.path("lit-2.jpg"), shoot.path("endless.jpg")).unwrap();
    std::fs::write(shoot.path("zeros.jpg"), b"").unwrap();
    for name in ["endless.jpg", "zeros.jpg"] {
        let file = std::fs::OpenOptions::new()
            .write(true)
            .open(shoot.path(name))
            .unwrap();
        if file.set_len(1 << 40).is_ok() {
            names.push(name.to_owned());
        } else {
            println!("SKIPPED: no files of a terabyte here");
        }
    }
    names
}

/// A run that failed leaves its report; the next one is another.
fn more_of(args: &[&str]) -> &'static [&'static str] {
    if args[0] == "clean" {
        &["--overwrite"]
    } else {
        &[]
    }
}

#[test]
fn what_is_no_file_of_a_picture_is_told_at_once() {
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let mut runs = 0;
    for odd in odd_files(&shoot) {
        let odd = odd.as_str();
        for args in [
            &["clean", odd, "--plate", "plate.jpg", "--out", "out"][..],
            &["clean", "lit-1.jpg", "--plate", odd, "--out", "out"],
            &["clean", odd, "lit-1.jpg", "--out", "out"],
            &["check", odd, "--plate", "plate.jpg"],
            &["check", "lit-1.jpg", "--plate", odd],
        ] {
            let (code, told) = ended(&shoot, &[args, more_of(args)].concat());
            assert!((1..=5).contains(&code), "{args:?}: {code}: {told}");
            assert!(told.contains(odd), "{args:?}: {told}");
            runs += 1;
        }
    }
    assert!(!shoot.path("out/lit-1.jpg").exists());
    assert_eq!(inputs(&shoot), before);
    println!("{runs} runs over what is no file");
    assert!(runs >= 20, "{runs}");
}

#[test]
fn what_is_no_text_or_archive_is_told_at_once() {
    let shoot = Shoot::new();
    shoot.cleaned(&[]);
    let mut runs = 0;
    for odd in odd_files(&shoot) {
        let odd = odd.as_str();
        let redo = [
            "redo",
            "out/report.json",
            "--frame",
            "lit-1.jpg",
            "--out",
            "again",
            "--overwrite",
        ];
        let mut all = vec![
            [&redo[..], &["--mask", odd]].concat(),
            [&redo[..], &["--openraster", odd]].concat(),
        ];
        // A text may come through a pipe, and then is waited for.
        if odd != "pipe.jpg" {
            all.push([&redo[..], &["--corrections", odd]].concat());
            all.push(vec!["redo", odd, "--out", "again"]);
            all.push(vec!["join", odd, "--out", "joined.json"]);
            all.push(vec!["clean", "--plan", odd, "--out", "again"]);
            all.push(vec!["settings", "--settings", odd]);
        }
        for args in all {
            let (code, told) = ended(&shoot, &args);
            // Nothing at all is a text: no corrections, no settings, no plan.
            let empty = odd == "/dev/null";
            assert!(matches!(code, 1 | 2) || empty, "{args:?}: {code}: {told}");
            assert!(told.contains(odd) || empty, "{args:?}: {told}");
            runs += 1;
        }
    }
    println!("{runs} runs over what is no text or archive");
    assert!(runs >= 28, "{runs}");
}
