//! What README.md tells people to type, typed.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use std::path::Path;
use std::process::{Command, Output};

use shoot::{Shoot, said, sample};

const README: &str = include_str!("../README.md");

/// Lines of the README's blocks of commands that call the program.
fn commands() -> Vec<&'static str> {
    let blocks = README.split("```").skip(1).step_by(2);
    let lines = blocks.flat_map(|block| block.lines().skip(1));
    lines.filter(|line| line.starts_with("derig ")).collect()
}

/// The files that the README speaks of.
fn set() -> Shoot {
    let shoot = Shoot::new();
    for folder in ["card", "tethered"] {
        std::fs::create_dir(shoot.path(folder)).unwrap();
        for name in ["plate.jpg", "lit-1.jpg", "lit-2.jpg"] {
            std::fs::copy(sample(name), shoot.path(folder).join(name)).unwrap();
        }
    }
    for (name, like) in [
        ("portrait-1.jpg", "lit-1.jpg"),
        ("portrait-2.jpg", "lit-2.jpg"),
    ] {
        std::fs::copy(sample(like), shoot.path(name)).unwrap();
    }
    shoot
}

/// As a shell runs it, with our program before any other.
fn typed(line: &str, folder: &Path) -> Output {
    let program = assert_cmd::cargo::cargo_bin("derig");
    let path = std::env::var("PATH").unwrap();
    Command::new("sh")
        .args(["-c", line])
        .current_dir(folder)
        .env(
            "PATH",
            format!("{}:{path}", program.parent().unwrap().display()),
        )
        .output()
        .unwrap()
}

#[test]
fn the_commands_of_the_readme_do_what_it_says() {
    let shoot = set();
    let mut done = Vec::new();
    for line in commands() {
        // Needs what GNU parallel left; both are run in `tests/whole_shoot.rs`.
        if line.starts_with("derig join") {
            continue;
        }
        let fresh = line.contains("--out cleaned");
        if fresh && shoot.path("cleaned").exists() {
            std::fs::remove_dir_all(shoot.path("cleaned")).unwrap();
        }
        // It would wait for more frames until it is told to stop.
        let ends = if line.starts_with("derig watch") {
            " --idle 2"
        } else {
            ""
        };
        let output = typed(&format!("{line}{ends}"), shoot.folder.path());
        assert_eq!(output.status.code(), Some(0), "{line}: {}", said(&output));
        if fresh {
            assert!(shoot.path("cleaned/report.json").is_file(), "{line}");
        }
        done.push(line.split(' ').nth(1).unwrap());
    }
    for command in ["clean", "redo", "plan", "check", "watch"] {
        assert!(done.contains(&command), "README shows `derig {command}`");
    }
    assert!(shoot.path("plan.svg").is_file());
    let plan = std::fs::read_to_string(shoot.path("plan.jsonl")).unwrap();
    assert_eq!(plan.lines().count(), 1, "one set-up on the card");
}
