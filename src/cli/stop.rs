//! Ctrl-C, `kill` and a terminal that closes: a run that is told to stop leaves no file half-written, and
//! ends as the signal would have ended it, so that shells and schedulers see what happened.

/// Waits for the signals from now on, beside the work.
#[cfg(unix)]
pub(super) fn on_signals() {
    use std::io::Write as _;

    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    let ignored = ignored();
    let waited_for = [SIGINT, SIGTERM, SIGHUP];
    let waited_for = waited_for.into_iter().filter(|s| !ignored.contains(*s));
    // Without signals to wait for the run ends all the same; the next one takes away what is left.
    let Ok(mut signals) = Signals::new(waited_for) else {
        return;
    };
    std::thread::spawn(move || {
        if let Some(signal) = signals.forever().next() {
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

/// What whoever started this process wants it to live through (`nohup`, jobs in the background); told by
/// Linux alone (proc(5), `SigIgn`), elsewhere none.
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
