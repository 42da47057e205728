//! What a process costs: wall and processor seconds, and the most memory it ever held.

use std::error::Error;
use std::ffi::{OsStr, OsString};
use std::process::{Command, Stdio};
use std::time::Instant;

use nix::sys::resource::{UsageWho, getrusage};
use serde::{Deserialize, Serialize};

/// Cost of one process, its children included.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub struct Cost {
    /// Wall seconds.
    pub wall: f64,
    /// Processor seconds, user and system, of all threads.
    pub cpu: f64,
    /// Largest resident set, MB (10^6 bytes).
    pub peak_mb: f64,
}

/// Runs a command in a process of its own and says what it cost.
///
/// The operating system tells the peak over *all* children of a process, so that every command
/// gets a parent of its own: this program again, with the chore `weigh`.
///
/// # Errors
/// When the command cannot be started or fails.
pub fn weighed(program: &OsStr, arguments: &[OsString]) -> Result<Cost, Box<dyn Error>> {
    let output = Command::new(std::env::current_exe()?)
        .arg("weigh")
        .arg(program)
        .args(arguments)
        .stderr(Stdio::inherit())
        .output()?;
    if !output.status.success() {
        return Err(format!("`{}` failed", program.to_string_lossy()).into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// The parent's side of [`weighed`]: runs the command and prints its cost as JSON.
///
/// # Errors
/// As [`weighed`].
pub fn run_and_tell(command: &[OsString]) -> Result<(), Box<dyn Error>> {
    let (program, arguments) = command.split_first().ok_or("no command to weigh")?;
    let start = Instant::now();
    let status = Command::new(program)
        .args(arguments)
        .stdout(Stdio::null())
        .status()?;
    let wall = start.elapsed().as_secs_f64();
    if !status.success() {
        return Err(format!("`{}` ended with {status}", program.to_string_lossy()).into());
    }
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN)?;
    let seconds = |t: nix::sys::time::TimeVal| t.tv_sec() as f64 + t.tv_usec() as f64 * 1e-6;
    let cost = Cost {
        wall,
        cpu: seconds(usage.user_time()) + seconds(usage.system_time()),
        // Linux counts in KiB.
        peak_mb: usage.max_rss() as f64 * 1024.0 / 1e6,
    };
    println!("{}", serde_json::to_string(&cost)?);
    Ok(())
}

/// Median of each figure, each for itself.
pub fn median(costs: &[Cost]) -> Cost {
    let of = |figure: fn(&Cost) -> f64| {
        let mut values: Vec<f64> = costs.iter().map(figure).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    Cost {
        wall: of(|c| c.wall),
        cpu: of(|c| c.cpu),
        peak_mb: of(|c| c.peak_mb),
    }
}
