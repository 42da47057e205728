//! Runs in the background, and the signals that stop or kill them.

use std::process::{Child, Command, Stdio};
use std::time::Duration;

use super::Shoot;

/// Trials of stopping and killing: `few`, unless `DERIG_TRIALS` says how many.
pub(crate) fn trials(few: u64) -> u64 {
    let asked = std::env::var("DERIG_TRIALS").ok();
    asked.and_then(|t| t.parse().ok()).unwrap_or(few)
}

/// A run that goes on by itself; what it says is kept.
pub(crate) fn started(shoot: &Shoot, args: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_derig"))
        .current_dir(shoot.folder.path())
        .args(args)
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits for a moment of a run, spread over trials by the golden ratio so that no two are alike, and hands
/// back which share of the run that is.
pub(crate) fn wait_for_moment(trial: u64, whole_run: Duration) -> f64 {
    let share = (trial as f64 * 0.618_034).fract();
    std::thread::sleep(whole_run.mul_f64(share));
    share
}

/// Sends a signal (`-INT`, `-KILL`); a run that has ended already gets none.
pub(crate) fn send(signal: &str, process: &Child) {
    let _ = Command::new("kill")
        .args([signal, &process.id().to_string()])
        .stderr(Stdio::null())
        .status();
}

/// Was this process itself told not to mind a signal (`-HUP`, `-INT`), as `nohup` does and a shell for what runs
/// behind `&`? Then so are the runs that it starts, and derig leaves that as it is.
pub(crate) fn is_ignored(signal: &str) -> bool {
    let number = match signal {
        "-HUP" => 1,
        "-INT" => 2,
        "-TERM" => 15,
        _ => return false,
    };
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let bits = ignored.and_then(|hex| u64::from_str_radix(hex.trim(), 16).ok());
    bits.is_some_and(|bits| bits >> (number - 1) & 1 == 1)
}
