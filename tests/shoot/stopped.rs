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
