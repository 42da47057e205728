//! A Python with the packages that check our files, where there is one.

#![allow(dead_code, reason = "each test binary uses a part of it")]
#![allow(
    clippy::print_stdout,
    reason = "a skipped check must not pass in silence"
)]

use std::path::Path;
use std::process::{Command, Output};

/// Made by `.ci/run` where it can be.
const OWN: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/target/python/bin/python");

/// Runs a script with an interpreter that can import `package`; `None` with a printed word when
/// there is none.
pub(crate) fn python(package: &str, script: &str, args: &[&Path]) -> Option<Output> {
    let found = [OWN, "python3"].into_iter().find(|interpreter| {
        let import = format!("import {package}");
        let tried = Command::new(interpreter).args(["-c", &import]).output();
        tried.is_ok_and(|output| output.status.success())
    });
    let Some(interpreter) = found else {
        println!("skipped: no Python here can import {package}");
        return None;
    };
    let output = Command::new(interpreter)
        .arg("-c")
        .arg(script)
        .args(args)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    Some(output)
}
