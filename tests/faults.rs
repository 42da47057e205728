//! Disks that fill up, folders that go away, runs that are stopped or killed, links and odd names: the
//! inputs stay as they were, nothing half-written has a final name, a second run completes.

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

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use derig::photo::{self, ReadLimits};

use shoot::{Shoot, said};

/// Trials of stopping and killing; `DERIG_TRIALS` asks for more (200 before a release).
const TRIALS: u64 = 9;

const INPUTS: [&str; 3] = ["lit-1.jpg", "lit-2.jpg", "plate.jpg"];

fn inputs(shoot: &Shoot) -> Vec<Vec<u8>> {
    INPUTS
        .iter()
        .map(|name| std::fs::read(shoot.path(name)).unwrap())
        .collect()
}

const CLEAN: [&str; 8] = [
    "clean",
    "lit-1.jpg",
    "lit-2.jpg",
    "--plate",
    "plate.jpg",
    "--out",
    "out",
    "--quiet",
];

fn started(shoot: &Shoot) -> Child {
    Command::new(env!("CARGO_BIN_EXE_derig"))
        .current_dir(shoot.folder.path())
        .args(CLEAN)
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Files under a folder, by path.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
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

fn is_part(path: &Path) -> bool {
    let name = path.file_name().unwrap().to_string_lossy();
    name.starts_with(".derig-") && name.ends_with(".part")
}

/// Every picture under a final name is whole.
#[track_caller]
fn is_sound(out: &Path, what: &str) {
    for path in files(out).keys().filter(|p| !is_part(p)) {
        if path.extension().is_some_and(|e| e == "jpg" || e == "png") {
            let read = photo::read(path, &ReadLimits::default());
            assert!(read.is_ok(), "{what}: `{}` is half-written", path.display());
        }
    }
}

#[test]
fn runs_that_are_stopped_or_killed_harm_nothing_and_go_on() {
    let trials = std::env::var("DERIG_TRIALS").ok();
    let trials = trials.and_then(|t| t.parse().ok()).unwrap_or(TRIALS);
    let whole = Shoot::new();
    let output = whole.derig(&CLEAN);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let wanted: Vec<Vec<u8>> = files(&whole.path("out"))
        .into_iter()
        .filter(|(path, _)| path.extension().is_some_and(|e| e != "json"))
        .map(|(_, bytes)| bytes)
        .collect();
    for trial in 0..trials {
        let signal = ["-INT", "-TERM", "-KILL"][(trial % 3) as usize];
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        let mut process = started(&shoot);
        // Spread over the run, by the golden ratio so that no two are alike.
        let share = (trial as f64 * 0.618_034).fract();
        std::thread::sleep(Duration::from_millis((share * 6000.0) as u64));
        let id = process.id().to_string();
        let _ = Command::new("kill")
            .args([signal, &id])
            .stderr(Stdio::null())
            .status();
        process.wait().unwrap();
        let what = format!("trial {trial}, {signal} at {share:.2}");
        assert_eq!(inputs(&shoot), before, "{what}");
        is_sound(&shoot.path("out"), &what);
        let output = shoot.derig(&CLEAN);
        assert_eq!(output.status.code(), Some(0), "{what}: {}", said(&output));
        let made = files(&shoot.path("out"));
        assert!(
            !made.keys().any(|p| is_part(p)),
            "{what}: {:?}",
            made.keys()
        );
        let pictures: Vec<Vec<u8>> = made
            .into_iter()
            .filter(|(path, _)| path.extension().is_some_and(|e| e != "json"))
            .map(|(_, bytes)| bytes)
            .collect();
        assert!(
            pictures == wanted,
            "{what}: other bytes than a run in one go"
        );
        assert_eq!(inputs(&shoot), before, "{what}");
    }
}

/// Runs a script in a name space of its own, where a small disk may be mounted; `None` with a word
/// where the system allows none.
fn with_small_disk(shoot: &Shoot, size: &str, script: &str) -> Option<Output> {
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

#[test]
fn a_disk_that_fills_up_is_told_and_leaves_no_half_file() {
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let derig = env!("CARGO_BIN_EXE_derig");
    for size in ["64k", "700k"] {
        let clean = CLEAN.join(" ");
        let script = format!(
            "{derig} {clean} 2> said; echo $? > code; mkdir -p left; cp -a out/. left/; exit 0"
        );
        let Some(output) = with_small_disk(&shoot, size, &script) else {
            return;
        };
        assert!(output.status.success(), "{}", said(&output));
        let told = std::fs::read_to_string(shoot.path("said")).unwrap();
        let code = std::fs::read_to_string(shoot.path("code")).unwrap();
        assert!(["1", "2"].contains(&code.trim()), "{size}: {code}{told}");
        assert!(
            told.contains("error:") && !told.contains("panicked"),
            "{size}: {told}"
        );
        assert!(told.contains("out"), "the place is named: {told}");
        is_sound(&shoot.path("left"), size);
        let left = files(&shoot.path("left"));
        assert!(
            !left.keys().any(|p| is_part(p)),
            "{size}: {:?}",
            left.keys()
        );
        assert_eq!(inputs(&shoot), before);
        std::fs::remove_dir_all(shoot.path("left")).unwrap();
    }
}

#[test]
fn a_folder_that_may_not_be_written_is_told() {
    use std::os::unix::fs::PermissionsExt as _;
    let shoot = Shoot::new();
    let out = shoot.path("out");
    std::fs::create_dir(&out).unwrap();
    std::fs::set_permissions(&out, std::fs::Permissions::from_mode(0o555)).unwrap();
    if std::fs::write(out.join("try"), b"").is_ok() {
        // Who runs this may write anywhere but on a disk that is read only.
        let script = format!(
            "{} {} 2> said; echo $? > code",
            env!("CARGO_BIN_EXE_derig"),
            CLEAN.join(" ")
        );
        if with_small_disk(&shoot, "1m,ro", &script).is_some() {
            let told = std::fs::read_to_string(shoot.path("said")).unwrap();
            let code = std::fs::read_to_string(shoot.path("code")).unwrap();
            assert_eq!(code.trim(), "2", "{told}");
            assert!(
                told.contains("cannot write into the folder `out`"),
                "{told}"
            );
        }
        return;
    }
    let output = shoot.derig(&CLEAN);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("cannot write into the folder `out`"));
}

#[test]
fn an_output_folder_that_goes_away_is_told() {
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let mut process = started(&shoot);
    while !shoot.path("out").exists() && process.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(5));
    }
    std::fs::remove_dir_all(shoot.path("out")).unwrap();
    let output = process.wait_with_output().unwrap();
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(
        told.contains("error:") && !told.contains("panicked"),
        "{told}"
    );
    assert_eq!(inputs(&shoot), before);
    let again = shoot.derig(&CLEAN);
    assert_eq!(again.status.code(), Some(0), "{}", said(&again));
}

#[test]
fn a_file_replaced_while_the_run_is_at_it_harms_nothing() {
    let shoot = Shoot::new();
    let second = std::fs::read(shoot.path("lit-2.jpg")).unwrap();
    let process = started(&shoot);
    std::thread::sleep(Duration::from_millis(150));
    std::fs::write(shoot.path("new.jpg"), &second[..second.len() / 2]).unwrap();
    std::fs::rename(shoot.path("new.jpg"), shoot.path("lit-2.jpg")).unwrap();
    let output = process.wait_with_output().unwrap();
    let told = said(&output);
    assert!(matches!(output.status.code(), Some(0 | 1)), "{told}");
    assert!(!told.contains("panicked"), "{told}");
    is_sound(&shoot.path("out"), "replaced");
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
    let run = |args: &[&OsStr]| {
        Command::new(env!("CARGO_BIN_EXE_derig"))
            .current_dir(shoot.folder.path())
            .args(args)
            .output()
            .unwrap()
    };
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

#[test]
fn two_runs_into_one_folder_leave_whole_files_only() {
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let (one, two) = (started(&shoot), started(&shoot));
    for process in [one, two] {
        let output = process.wait_with_output().unwrap();
        let told = said(&output);
        assert!(output.status.code().is_some(), "{told}");
        assert!(!told.contains("panicked"), "{told}");
    }
    is_sound(&shoot.path("out"), "two runs");
    assert_eq!(inputs(&shoot), before);
    let again = shoot.derig(&[&CLEAN[..], &["--overwrite"]].concat());
    assert_eq!(again.status.code(), Some(0), "{}", said(&again));
}
