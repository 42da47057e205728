//! Ctrl-C, `kill` and a terminal that closes: a run that is told to stop leaves no file half-written, and
//! ends as the signal would have ended it, so that shells and schedulers see what happened.

/// The signals that end a run, unless whoever started it wants it to live through them (`nohup`, jobs in
/// the background).
#[cfg(unix)]
pub(super) fn signals() -> impl Iterator<Item = i32> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

    let ignored = ignored();
    let ending = [SIGINT, SIGTERM, SIGHUP].into_iter();
    ending.filter(move |signal| !ignored.contains(*signal))
}

/// The signals that end a run.
#[cfg(not(unix))]
pub(super) fn signals() -> impl Iterator<Item = i32> {
    [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM].into_iter()
}

/// Waits for the signals from now on, beside the work.
#[cfg(unix)]
pub(super) fn on_signals() {
    use std::io::Write as _;

    use signal_hook::iterator::Signals;

    // Without signals to wait for the run ends all the same; the next one takes away what is left.
    let Ok(mut waiting) = Signals::new(signals()) else {
        return;
    };
    std::thread::spawn(move || {
        if let Some(signal) = waiting.forever().next() {
            crate::photo::give_up_unfinished();
            let told = "stopped: what is finished stays; the same command goes on from there\n";
            let _ = std::io::stderr().write_all(told.as_bytes());
            let _ = signal_hook::low_level::emulate_default_handler(signal);
        }
    });
}

#[cfg(not(unix))]
pub(super) fn on_signals() {}

/// Signals, bit `n - 1` for signal `n`.
#[cfg(unix)]
#[derive(Debug, PartialEq, Eq)]
struct SignalSet(u64);

#[cfg(unix)]
impl SignalSet {
    fn contains(&self, signal: i32) -> bool {
        self.0 >> (signal - 1) & 1 == 1
    }
}

/// Ignored since before the start; told by Linux alone (proc(5), `SigIgn`), elsewhere none.
#[cfg(unix)]
fn ignored() -> SignalSet {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    ignored_by(&status)
}

#[cfg(unix)]
fn ignored_by(status: &str) -> SignalSet {
    let line = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    let bits = line.and_then(|bits| u64::from_str_radix(bits.trim(), 16).ok());
    SignalSet(bits.unwrap_or(0))
}

#[cfg(all(test, unix))]
mod tests {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

    use super::*;

    #[test]
    fn ignored_signals_are_read_from_what_the_system_tells() {
        let set =
            ignored_by("Name:\tderig\nSigBlk:\t0000000000000000\nSigIgn:\t0000000000001001\n");
        assert!(set.contains(SIGHUP) && !set.contains(SIGINT) && !set.contains(SIGTERM));
        assert_eq!(ignored_by("Name:\tderig\n"), SignalSet(0));
        assert_eq!(ignored_by("SigIgn:\tnothing\n"), SignalSet(0));
    }
}
