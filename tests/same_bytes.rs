//! The same input gives the same bytes: for any number of threads, twice in a row, from any folder, in
//! any order of arguments, whatever clock, locale and environment say.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use std::collections::BTreeMap;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

use shoot::{Shoot, said};

const LAYERS: &str = "aligned-plate,relit-plate,patch,labelled,openraster";
/// What a report may tell of the run itself: how long it took, and where it was.
const OF_THE_RUN: [&str; 3] = ["seconds", "file_seconds", "folder"];

/// Every file below a folder by its path there; of a report what does not tell of the run itself.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let mut bytes = std::fs::read(&path).unwrap();
            if path.extension().is_some_and(|e| e == "json") {
                let mut report: Value = serde_json::from_slice(&bytes).unwrap();
                without(&mut report, &OF_THE_RUN);
                bytes = serde_json::to_vec(&report).unwrap();
            }
            let name = path.strip_prefix(folder).unwrap();
            found.insert(name.to_str().unwrap().to_owned(), bytes);
        }
    }
    found
}

fn without(value: &mut Value, names: &[&str]) {
    match value {
        Value::Object(fields) => {
            fields.retain(|name, _| !names.contains(&name.as_str()));
            fields.values_mut().for_each(|v| without(v, names));
        }
        Value::Array(values) => values.iter_mut().for_each(|v| without(v, names)),
        _ => {}
    }
}

fn cleaned(shoot: &Shoot, lit: &[&str], environment: &[(&str, &str)]) -> BTreeMap<String, Vec<u8>> {
    let output = Command::cargo_bin("derig")
        .unwrap()
        .current_dir(shoot.folder.path())
        .envs(environment.iter().copied())
        .arg("clean")
        .args(lit)
        .args(["-p", "plate.jpg", "-o", "out", "--page", "--layers", LAYERS])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    files(&shoot.path("out"))
}

fn assert_same(one: &BTreeMap<String, Vec<u8>>, other: &BTreeMap<String, Vec<u8>>, what: &str) {
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(one), names(other), "{what}");
    for (name, bytes) in one {
        assert!(bytes == &other[name], "{what}: {name} differs");
    }
}

const BOTH: [&str; 2] = ["lit-1.jpg", "lit-2.jpg"];

#[test]
fn threads_folders_clocks_and_locales_change_no_byte() {
    let reference = cleaned(&Shoot::new(), &BOTH, &[("RAYON_NUM_THREADS", "1")]);
    assert!(reference.len() > 12, "{:?}", reference.keys());
    let environments: [(&str, &[(&str, &str)]); 4] = [
        ("again", &[("RAYON_NUM_THREADS", "1")]),
        ("two threads", &[("RAYON_NUM_THREADS", "2")]),
        ("eight threads", &[("RAYON_NUM_THREADS", "8")]),
        (
            "elsewhere",
            &[
                ("TZ", "Pacific/Kiritimati"),
                ("LANG", "tr_TR.UTF-8"),
                ("LC_ALL", "de_DE.UTF-8"),
                ("HOME", "/nowhere"),
                ("USER", "somebody"),
                ("SOURCE_DATE_EPOCH", "1"),
            ],
        ),
    ];
    for (what, environment) in environments {
        assert_same(
            &reference,
            &cleaned(&Shoot::new(), &BOTH, environment),
            what,
        );
    }
}

#[test]
fn the_order_of_arguments_changes_no_picture() {
    let forward = cleaned(&Shoot::new(), &BOTH, &[]);
    let back = cleaned(&Shoot::new(), &["lit-2.jpg", "lit-1.jpg"], &[]);
    // Report and page tell of the frames in the order they were named.
    let pictures = |files: BTreeMap<String, Vec<u8>>| -> BTreeMap<String, Vec<u8>> {
        let told = |name: &String| name == "report.json" || name == "page.html";
        files.into_iter().filter(|(name, _)| !told(name)).collect()
    };
    assert_same(&pictures(forward), &pictures(back), "the other way round");
}

#[test]
fn no_name_of_machine_or_folder_goes_into_an_output() {
    let shoot = Shoot::new();
    let folder = shoot
        .folder
        .path()
        .file_name()
        .unwrap()
        .to_str()
        .unwrap()
        .to_owned();
    for (name, bytes) in cleaned(
        &shoot,
        &BOTH,
        &[("USER", "zanzibar-user"), ("HOSTNAME", "zanzibar-host")],
    ) {
        for told in [&folder[..], "zanzibar"] {
            let found = bytes.windows(told.len()).any(|w| w == told.as_bytes());
            assert!(!found, "{name} tells {told}");
        }
    }
}

/// Where the system allows it: no network at all, not even a loopback that is up.
#[test]
fn nothing_needs_a_network() {
    let shoot = Shoot::new();
    let can = std::process::Command::new("unshare")
        .args(["-n", "true"])
        .status();
    if !can.is_ok_and(|status| status.success()) {
        eprintln!("skipped: `unshare -n` is not permitted here");
        return;
    }
    let derig = assert_cmd::cargo::cargo_bin("derig");
    let output = std::process::Command::new("unshare")
        .arg("-n")
        .arg(derig)
        .current_dir(shoot.folder.path())
        .args([
            "clean",
            "lit-1.jpg",
            "-p",
            "plate.jpg",
            "-o",
            "out",
            "--page",
        ])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(shoot.path("out/page.html").exists());
}

/// By absolute paths from another folder, into a folder elsewhere; only the report says so.
#[test]
fn the_current_folder_changes_no_picture() {
    let (here, there) = (Shoot::new(), tempfile::tempdir().unwrap());
    let reference = cleaned(&here, &BOTH, &[]);
    let shoot = Shoot::new();
    let (lit_1, lit_2) = (shoot.path("lit-1.jpg"), shoot.path("lit-2.jpg"));
    let output = Command::cargo_bin("derig")
        .unwrap()
        .current_dir(there.path())
        .arg("clean")
        .args([&lit_1, &lit_2])
        .arg("--plate")
        .arg(shoot.path("plate.jpg"))
        .arg("--out")
        .arg(shoot.path("elsewhere"))
        .args(["--page", "--layers", LAYERS])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let pictures = |files: BTreeMap<String, Vec<u8>>| -> BTreeMap<String, Vec<u8>> {
        let told = |name: &String| name == "report.json" || name == "page.html";
        files.into_iter().filter(|(name, _)| !told(name)).collect()
    };
    assert_same(
        &pictures(reference),
        &pictures(files(&shoot.path("elsewhere"))),
        "from another folder",
    );
    assert_eq!(std::fs::read_dir(there.path()).unwrap().count(), 0);
}
