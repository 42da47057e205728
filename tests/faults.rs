//! Disks that fill up, rights and folders that go, files that change, runs that are stopped or killed:
//! the inputs stay as they were, nothing half-written has a final name, a second run completes.

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
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use shoot::left::{is_part, is_sound, parts, pictures, with_small_disk};
use shoot::stopped::{is_ignored, send, started, trials, wait_for_moment};
use shoot::{CLEAN, INPUTS, Shoot, files, inputs, said};

/// Trials of stopping and killing; `DERIG_TRIALS` asks for more (200 before a release).
const TRIALS: u64 = 9;
const SIGNALS: [&str; 3] = ["-INT", "-TERM", "-KILL"];

#[test]
fn runs_that_are_stopped_or_killed_harm_nothing_and_go_on() {
    let trials = trials(TRIALS);
    let whole = Shoot::new();
    let start = Instant::now();
    let output = whole.derig(&CLEAN);
    let whole_run = start.elapsed();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let wanted = pictures(&whole.path("out"));
    let (mut at_work, mut with_outputs, mut tried) = (BTreeMap::new(), 0, 0);
    for trial in 0..trials {
        let signal = SIGNALS[trial as usize % SIGNALS.len()];
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        let mut process = started(&shoot, &CLEAN);
        let share = wait_for_moment(trial, whole_run);
        send(signal, &process);
        tried += u64::from(!is_ignored(signal));
        let ended = process.wait().unwrap();
        let what = format!("trial {trial}, {signal} at {share:.2}");
        assert_eq!(inputs(&shoot), before, "{what}");
        is_sound(&shoot.path("out"), &what);
        if ended.code() != Some(0) {
            // A shell sees the signal, not an exit code of ours.
            assert_eq!(ended.code(), None, "{what}");
            *at_work.entry(signal).or_insert(0) += 1;
            with_outputs += u64::from(!files(&shoot.path("out")).is_empty());
        }
        if signal != "-KILL" {
            let left = parts(&shoot.path("out"));
            assert!(left.is_empty(), "{what}: a clean stop left {left:?}");
        }
        let output = shoot.derig(&CLEAN);
        assert_eq!(output.status.code(), Some(0), "{what}: {}", said(&output));
        let left = parts(&shoot.path("out"));
        assert!(left.is_empty(), "{what}: {left:?}");
        assert!(
            pictures(&shoot.path("out")) == wanted,
            "{what}: other bytes than a run in one go"
        );
        assert!(!shoot.path("out/report.json.unfinished").exists(), "{what}");
        assert_eq!(inputs(&shoot), before, "{what}");
        // Hundreds take long: one that is cut off tells how far it came.
        println!("{what}: nothing lost");
    }
    println!("{trials} trials; at work when stopped: {at_work:?}, {with_outputs} with outputs");
    for signal in SIGNALS.into_iter().filter(|s| is_ignored(s)) {
        println!("SKIPPED: {signal} is ignored by what started this test");
    }
    let at_work: u64 = at_work.values().sum();
    assert!(2 * at_work > tried, "most trials came too late");
}

/// A terminal that closes ends the run as cleanly; what `nohup` started goes on.
#[test]
fn a_closed_terminal_stops_the_run_unless_it_was_told_to_go_on() {
    let whole = Shoot::new();
    assert_eq!(whole.derig(&CLEAN).status.code(), Some(0));
    for (ignored, signal) in [("", "-HUP"), ("HUP", "-HUP"), ("HUP INT", "-INT")] {
        let shoot = Shoot::new();
        let script = if ignored.is_empty() {
            "exec \"$@\"".to_owned()
        } else {
            format!("trap '' {ignored}; exec \"$@\"")
        };
        let mut process = Command::new("sh")
            .args(["-c", &script, "sh", env!("CARGO_BIN_EXE_derig")])
            .args(CLEAN)
            .current_dir(shoot.folder.path())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        while !shoot.path("out").exists() && process.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(2));
        }
        send(signal, &process);
        let ended = process.wait().unwrap().code();
        if ignored.is_empty() && !is_ignored("-HUP") {
            assert_eq!(ended, None, "a shell sees the signal");
        } else {
            assert_eq!(ended, Some(0), "{ignored}");
            assert!(pictures(&shoot.path("out")) == pictures(&whole.path("out")));
        }
        assert_eq!(parts(&shoot.path("out")), Vec::<PathBuf>::new());
    }
}

#[test]
fn a_disk_that_fills_up_is_told_and_leaves_no_half_file() {
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let derig = env!("CARGO_BIN_EXE_derig");
    let clean = CLEAN.join(" ");
    let whole = Shoot::new();
    assert_eq!(whole.derig(&CLEAN).status.code(), Some(0));
    let wanted = pictures(&whole.path("out"));
    let needed: usize = wanted.values().map(Vec::len).sum();
    let (mut full, mut tried) = (0, 0);
    // From too small for anything to just too small, by pages of 4 KiB.
    for twelfth in 1..=12 {
        let size = (needed * twelfth / 12).next_multiple_of(4096).to_string();
        let script = format!(
            "{derig} {clean} 2> said; echo $? > code; mkdir -p left; cp -a out/. left/; \
             mount -o remount,size=64m out; {derig} {clean} 2> said2; echo $? > code2; \
             mv left first; mkdir left; cp -a out/. left/; exit 0"
        );
        let Some(output) = with_small_disk(&shoot, &size, &script) else {
            return;
        };
        assert!(output.status.success(), "{}", said(&output));
        let told = |name: &str| std::fs::read_to_string(shoot.path(name)).unwrap();
        let code = told("code");
        assert!(["0", "1", "2"].contains(&code.trim()), "{size}: {code}");
        if code.trim() != "0" {
            let told = told("said");
            assert!(
                told.contains("error:") && !told.contains("panicked"),
                "{size}: {told}"
            );
            assert!(told.contains("`out"), "the place is named: {told}");
            full += 1;
        }
        is_sound(&shoot.path("first"), &size);
        assert_eq!(parts(&shoot.path("first")), Vec::<PathBuf>::new(), "{size}");
        assert_eq!(inputs(&shoot), before);
        // Room was made: the same command goes on and ends with the bytes of a run in one go.
        assert_eq!(told("code2").trim(), "0", "{size}: {}", told("said2"));
        assert!(pictures(&shoot.path("left")) == wanted, "{size}");
        for folder in ["first", "left"] {
            std::fs::remove_dir_all(shoot.path(folder)).unwrap();
        }
        tried += 1;
    }
    println!("{full} of {tried} disks were too small");
    assert!(full > 6, "{full} of {tried}");
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
    let whole = Shoot::new();
    let start = Instant::now();
    assert_eq!(whole.derig(&CLEAN).status.code(), Some(0));
    let whole_run = start.elapsed();
    let mut told_of = 0;
    for trial in 0..6 {
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        let mut process = started(&shoot, &CLEAN);
        while !shoot.path("out").exists() && process.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(2));
        }
        std::thread::sleep(whole_run.mul_f64(f64::from(trial) * 0.15));
        // A file may come while the folder is being emptied.
        while shoot.path("out").exists() && std::fs::remove_dir_all(shoot.path("out")).is_err() {}
        let output = process.wait_with_output().unwrap();
        let told = said(&output);
        assert!(!told.contains("panicked"), "{told}");
        match output.status.code() {
            // It had gone before the folder did.
            Some(0) => {}
            Some(1) => {
                assert!(told.contains("error:") && told.contains("`out"), "{told}");
                told_of += 1;
            }
            code => panic!("{code:?}: {told}"),
        }
        assert_eq!(inputs(&shoot), before);
        let again = shoot.derig(&CLEAN);
        assert_eq!(again.status.code(), Some(0), "{}", said(&again));
        assert!(pictures(&shoot.path("out")) == pictures(&whole.path("out")));
    }
    println!("{told_of} of 6 runs lost their folder while at work");
    assert!(told_of > 2);
}

/// Cut, overwritten, replaced and taken away, before, while and after it is read.
#[test]
fn a_file_replaced_while_the_run_is_at_it_harms_nothing() {
    let whole = Shoot::new();
    let start = Instant::now();
    assert_eq!(whole.derig(&CLEAN).status.code(), Some(0));
    let whole_run = start.elapsed();
    let mut failed = 0;
    for trial in 0..16 {
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        let victim = ["lit-2.jpg", "plate.jpg"][trial % 2];
        let path = shoot.path(victim);
        let bytes = std::fs::read(&path).unwrap();
        let process = started(&shoot, &CLEAN);
        // Files are read early: most trials come then.
        std::thread::sleep(whole_run.mul_f64((trial as f64 / 16.0).powi(2) / 2.0));
        match trial / 2 % 4 {
            0 => {
                std::fs::write(shoot.path("new.jpg"), &bytes[..bytes.len() / 2]).unwrap();
                std::fs::rename(shoot.path("new.jpg"), &path).unwrap();
            }
            1 => {
                let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
                file.set_len(bytes.len() as u64 / 3).unwrap();
            }
            2 => std::fs::write(&path, vec![0; bytes.len()]).unwrap(),
            _ => std::fs::remove_file(&path).unwrap(),
        }
        let output = process.wait_with_output().unwrap();
        let told = said(&output);
        let what = format!("trial {trial}: {told}");
        assert!(matches!(output.status.code(), Some(0..=2)), "{what}");
        assert!(!told.contains("panicked"), "{what}");
        if output.status.code() != Some(0) {
            assert!(told.contains(victim), "{what}");
            failed += 1;
        }
        is_sound(&shoot.path("out"), &what);
        assert_eq!(parts(&shoot.path("out")), Vec::<PathBuf>::new(), "{what}");
        for (name, was) in INPUTS.iter().zip(&before) {
            assert!(*name == victim || std::fs::read(shoot.path(name)).unwrap() == *was);
        }
        // Put back as it was: the same command completes.
        std::fs::write(&path, &bytes).unwrap();
        let again = shoot.derig(&CLEAN);
        assert_eq!(again.status.code(), Some(0), "{what}\n{}", said(&again));
        assert!(
            pictures(&shoot.path("out")) == pictures(&whole.path("out")),
            "{what}"
        );
    }
    println!("{failed} of 16 runs missed the file");
}

#[test]
fn two_runs_into_one_folder_do_not_meet() {
    let whole = Shoot::new();
    assert_eq!(whole.derig(&CLEAN).status.code(), Some(0));
    let wanted = pictures(&whole.path("out"));
    let mut refused = 0;
    for trial in 0..4 {
        let shoot = Shoot::new();
        let before = inputs(&shoot);
        let one = started(&shoot, &CLEAN);
        std::thread::sleep(Duration::from_millis(60 * trial));
        let two = started(&shoot, &CLEAN);
        let mut completed = 0;
        for process in [one, two] {
            let output = process.wait_with_output().unwrap();
            let told = said(&output);
            match output.status.code() {
                Some(0) => completed += 1,
                Some(2) => {
                    assert!(told.contains("another run is at work"), "{told}");
                    refused += 1;
                }
                code => panic!("{code:?}: {told}"),
            }
        }
        assert!(completed > 0);
        is_sound(&shoot.path("out"), "two runs");
        assert!(
            pictures(&shoot.path("out")) == wanted,
            "one whole run's outputs"
        );
        assert_eq!(inputs(&shoot), before);
        let again = shoot.derig(&CLEAN);
        assert_eq!(again.status.code(), Some(0), "{}", said(&again));
    }
    println!("two runs at once: {refused} of 4 pairs refused one");
    assert!(refused > 0, "never at once: nothing was tried");
}

/// A run that was killed had finished a frame; then the plate is broken; then it is whole again.
#[test]
fn what_a_killed_run_finished_outlives_a_broken_plate() {
    let shoot = Shoot::new();
    let mut process = started(&shoot, &CLEAN);
    while !shoot.path("out/lit-1-mask.png").exists() {
        assert!(process.try_wait().unwrap().is_none(), "killed too late");
        std::thread::sleep(Duration::from_millis(2));
    }
    std::thread::sleep(Duration::from_millis(20));
    let _ = process.kill();
    process.wait().unwrap();
    let plate = std::fs::read(shoot.path("plate.jpg")).unwrap();
    std::fs::write(shoot.path("plate.jpg"), &plate[..plate.len() / 2]).unwrap();
    let output = shoot.derig(&CLEAN);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("`plate.jpg`"), "{}", said(&output));
    std::fs::write(shoot.path("plate.jpg"), &plate).unwrap();
    let output = shoot.derig(&CLEAN);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    is_sound(&shoot.path("out"), "after a broken plate");
}

/// The folder may be written when the run begins, and no more once the first output is there.
#[test]
fn rights_that_are_lost_half_way_are_told() {
    use std::os::unix::fs::PermissionsExt as _;
    use std::os::unix::process::CommandExt as _;
    const NOBODY: u32 = 65_534;
    let shoot = Shoot::new();
    let before = inputs(&shoot);
    let out = shoot.path("out");
    std::fs::create_dir(&out).unwrap();
    let mode = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    let mut command = Command::new(env!("CARGO_BIN_EXE_derig"));
    command.current_dir(shoot.folder.path()).args(CLEAN);
    // Who may do anything loses no rights: then the run is somebody else's.
    mode(&out, 0o555);
    let may_all = std::fs::write(out.join("try"), b"").is_ok();
    mode(&out, 0o755);
    if may_all {
        std::fs::remove_file(out.join("try")).unwrap();
        mode(shoot.folder.path(), 0o755);
        std::os::unix::fs::chown(&out, Some(NOBODY), Some(NOBODY)).unwrap();
        command.uid(NOBODY).gid(NOBODY);
    }
    let process = command.stderr(Stdio::piped()).spawn();
    let Ok(mut process) = process else {
        println!("SKIPPED: nobody else may run the program here");
        return;
    };
    while !out.join("for-redo").exists() && process.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(2));
    }
    for folder in [out.join("for-redo"), out.clone()] {
        mode(&folder, 0o555);
    }
    let output = process.wait_with_output().unwrap();
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("Permission denied"), "{told}");
    assert!(told.contains("`out/"), "the place is named: {told}");
    assert!(!told.contains("panicked"), "{told}");
    is_sound(&out, "rights lost");
    for folder in [&out, &out.join("for-redo")] {
        mode(folder, 0o755);
        if may_all {
            std::os::unix::fs::chown(folder, Some(0), Some(0)).unwrap();
        }
    }
    let left: Vec<_> = files(&out).into_keys().filter(|p| is_part(p)).collect();
    assert_eq!(inputs(&shoot), before);
    let again = shoot.derig(&CLEAN);
    assert_eq!(again.status.code(), Some(0), "{}", said(&again));
    // A part that could not be taken away without rights is taken away now.
    assert!(!files(&out).keys().any(|p| is_part(p)), "{left:?}");
}
