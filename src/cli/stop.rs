//! Ctrl-C and `kill`: a run that is told to stop leaves no file half-written, and ends as the signal
//! would have ended it, so that shells and schedulers see what happened.

/// Waits for the signals from now on, beside the work.
#[cfg(unix)]
pub(super) fn on_signals() {
    use std::io::Write as _;

    use signal_hook::consts::{SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    // Without signals to wait for the run ends all the same; the next one takes away what is left.
    let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) else {
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
