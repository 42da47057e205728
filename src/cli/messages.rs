//! Messages to the user: `error:`, `caused by:`, `hint:`, `warning:`, in one shape everywhere.

use std::error::Error;
use std::fmt::Write as _;
use std::io::{IsTerminal, Write};

use indicatif::MultiProgress;

use super::exit_status::ExitStatus;
use super::talk_args::{Loudness, Talk, Timings};
use crate::photo::PhotoError;

/// A run that stops, with the way out and the exit code.
#[derive(Debug)]
pub(super) struct Failure {
    pub(super) error: Box<dyn Error + Send + Sync>,
    pub(super) hint: Option<String>,
    pub(super) status: ExitStatus,
}

impl From<PhotoError> for Failure {
    fn from(error: PhotoError) -> Self {
        Self {
            hint: error.hint().map(ToOwned::to_owned),
            error: Box::new(error),
            status: ExitStatus::SomeFailed,
        }
    }
}

/// Everything that is told goes through here, so that bars and lines do not cross.
#[derive(Debug)]
pub(super) struct Messages {
    talk: Talk,
    colour: Colour,
    terminal: Terminal,
    bars: MultiProgress,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Colour {
    Plain,
    Ansi,
}

/// Who reads standard error?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Terminal {
    Person,
    Log,
}

const RED: &str = "\x1b[1;31m";
const YELLOW: &str = "\x1b[1;33m";
const CYAN: &str = "\x1b[1;36m";
const RESET: &str = "\x1b[0m";

impl Messages {
    pub(super) fn to_standard_error(talk: Talk) -> Self {
        let terminal = if std::io::stderr().is_terminal() {
            Terminal::Person
        } else {
            Terminal::Log
        };
        // https://no-color.org: any value but the empty one turns colour off.
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let colour = if terminal == Terminal::Person && !no_colour {
            Colour::Ansi
        } else {
            Colour::Plain
        };
        Self {
            talk,
            colour,
            terminal,
            bars: MultiProgress::new(),
        }
    }

    /// Log lines of the stages for `-v` and `-vv`.
    pub(super) fn start_logging(&self) {
        let level = match self.talk.loudness {
            Loudness::Quiet | Loudness::Normal => return,
            Loudness::Verbose => tracing::Level::INFO,
            Loudness::VeryVerbose => tracing::Level::DEBUG,
        };
        // A second subscriber in one process (tests) is refused, and the first goes on.
        let _ = tracing_subscriber::fmt()
            .with_max_level(level)
            .with_writer(std::io::stderr)
            .with_ansi(self.colour == Colour::Ansi)
            .without_time()
            .try_init();
    }

    /// Bars for a person, when no log lines would run through them.
    pub(super) fn bars(&self) -> Option<&MultiProgress> {
        let wanted = self.terminal == Terminal::Person && self.talk.loudness == Loudness::Normal;
        wanted.then_some(&self.bars)
    }

    pub(super) fn timings(&self) -> Timings {
        self.talk.timings
    }

    pub(super) fn failure(&self, failure: &Failure) {
        self.error(&*failure.error, failure.hint.as_deref());
    }

    pub(super) fn error(&self, error: &dyn Error, hint: Option<&str>) {
        self.put(&self.error_text(error, hint));
    }

    fn error_text(&self, error: &dyn Error, hint: Option<&str>) -> String {
        // Writing into a `String` cannot fail.
        let mut text = format!("{} {error}\n", self.painted(RED, "error:"));
        let mut cause = error.source();
        while let Some(source) = cause {
            let _ = writeln!(text, "{} {source}", self.painted(RED, "caused by:"));
            cause = source.source();
        }
        if let Some(hint) = hint {
            let _ = writeln!(text, "\n{} {hint}", self.painted(CYAN, "hint:"));
        }
        text
    }

    pub(super) fn warning(&self, what: &str) {
        if self.talk.loudness > Loudness::Quiet {
            self.put(&format!("{} {what}\n", self.painted(YELLOW, "warning:")));
        }
    }

    /// A plain line.
    pub(super) fn line(&self, what: &str) {
        if self.talk.loudness > Loudness::Quiet {
            self.put(&format!("{what}\n"));
        }
    }

    fn painted(&self, colour: &str, word: &str) -> String {
        match self.colour {
            Colour::Ansi => format!("{colour}{word}{RESET}"),
            Colour::Plain => word.to_owned(),
        }
    }

    fn put(&self, text: &str) {
        self.bars.suspend(|| {
            // A closed pipe must not end the work on the frames.
            let _ = std::io::stderr().lock().write_all(text.as_bytes());
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, thiserror::Error)]
    #[error("cannot read `a.jpg`")]
    struct Outer(#[source] std::fmt::Error);

    #[test]
    fn an_error_tells_cause_and_hint_in_the_one_shape() {
        let messages = Messages {
            colour: Colour::Plain,
            ..Messages::to_standard_error(Talk {
                loudness: Loudness::Quiet,
                timings: Timings::Hidden,
            })
        };
        let text = messages.error_text(&Outer(std::fmt::Error), Some("copy it again"));
        let cause = std::fmt::Error;
        assert_eq!(
            text,
            format!("error: cannot read `a.jpg`\ncaused by: {cause}\n\nhint: copy it again\n")
        );
    }
}
