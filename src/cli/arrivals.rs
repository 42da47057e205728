//! Files that arrive in a folder: which are whole, which are gone.
//!
//! The folder is looked at again and again rather than waited on: card readers and network drives tell
//! of changes late or never, and a listing a second costs nothing beside a frame's work. A file is
//! handed out once its length and time stood still from one look to the next; a file that cannot be
//! read then may still be on its way, and is handed out again when it changes or after a while.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// What changes when a file is written to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamp {
    pub(super) length: u64,
    pub(super) modified: Option<SystemTime>,
}

impl Stamp {
    /// Of a file that is there.
    pub(super) fn of(path: &Path) -> Option<Self> {
        let facts = path.metadata().ok()?;
        facts.is_file().then(|| Self {
            length: facts.len(),
            modified: facts.modified().ok(),
        })
    }
}

/// Looks after which a file that could not be read, and did not change, is tried again: writers on
/// some network drives fill a file whose length and time stand still.
const TRIED_AGAIN_AFTER: [u32; 3] = [3, 10, 30];

/// How far a file has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// It may still grow.
    Arriving,
    /// It was handed out, and read.
    Taken,
    /// It was handed out and could not be read, so often; looks since.
    Unreadable { tries: usize, looks: u32 },
}

/// What a look at the folder tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum News {
    /// The file stands still: try to read it.
    Whole(PathBuf),
    /// A file that was there is not any more.
    Gone(PathBuf),
}

/// The files of a folder over time.
#[derive(Debug, Default)]
pub(super) struct Arrivals {
    files: BTreeMap<PathBuf, (Stamp, State)>,
}

impl Arrivals {
    /// Takes the files that are there now.
    pub(super) fn look(
        &mut self,
        listing: impl IntoIterator<Item = (PathBuf, Stamp)>,
    ) -> Vec<News> {
        let mut before = std::mem::take(&mut self.files);
        let mut news = Vec::new();
        for (path, stamp) in listing {
            let state = match before.remove(&path) {
                Some((was, state)) if was == stamp && stamp.length > 0 => match state {
                    State::Arriving => Some(State::Taken),
                    State::Unreadable { tries, looks } => {
                        let due = TRIED_AGAIN_AFTER.get(tries - 1) == Some(&(looks + 1));
                        let looks = looks + 1;
                        if due {
                            news.push(News::Whole(path.clone()));
                        }
                        self.files
                            .insert(path, (stamp, State::Unreadable { tries, looks }));
                        continue;
                    }
                    State::Taken => None,
                },
                _ => Some(State::Arriving),
            };
            if state == Some(State::Taken) {
                news.push(News::Whole(path.clone()));
            }
            self.files
                .insert(path, (stamp, state.unwrap_or(State::Taken)));
        }
        news.extend(before.into_keys().map(News::Gone));
        news
    }

    /// A file that was handed out cannot be read; whether it is for the first time.
    pub(super) fn unreadable(&mut self, path: &Path) -> bool {
        let Some((_, state)) = self.files.get_mut(path) else {
            return false;
        };
        let tries = match state {
            State::Unreadable { tries, .. } => *tries + 1,
            State::Arriving | State::Taken => 1,
        };
        *state = State::Unreadable { tries, looks: 0 };
        tries == 1
    }

    /// A file that was handed out is read.
    pub(super) fn taken(&mut self, path: &Path) {
        if let Some((_, state)) = self.files.get_mut(path) {
            *state = State::Taken;
        }
    }

    /// Is any file still on its way?
    pub(super) fn is_arriving(&self) -> bool {
        self.files.values().any(|(_, state)| match state {
            State::Arriving => true,
            State::Taken => false,
            State::Unreadable { tries, .. } => *tries <= TRIED_AGAIN_AFTER.len(),
        })
    }

    /// Files that were handed out and could not be read.
    pub(super) fn unread(&self) -> usize {
        let states = self.files.values().map(|(_, state)| state);
        states
            .filter(|s| matches!(s, State::Unreadable { .. }))
            .count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, length: u64) -> (PathBuf, Stamp) {
        let modified = Some(SystemTime::UNIX_EPOCH);
        (PathBuf::from(name), Stamp { length, modified })
    }

    fn whole(name: &str) -> News {
        News::Whole(name.into())
    }

    #[test]
    fn a_file_is_handed_out_once_when_it_stands_still() {
        let mut arrivals = Arrivals::default();
        assert_eq!(arrivals.look([file("a", 0)]), []);
        assert_eq!(arrivals.look([file("a", 0)]), [], "an empty file is none");
        assert_eq!(arrivals.look([file("a", 10)]), []);
        assert_eq!(arrivals.look([file("a", 20)]), []);
        assert!(arrivals.is_arriving());
        assert_eq!(arrivals.look([file("a", 20)]), [whole("a")]);
        assert_eq!(arrivals.look([file("a", 20)]), []);
        assert!(!arrivals.is_arriving());
    }

    #[test]
    fn a_file_cut_short_is_tried_again_when_it_changes_or_after_a_while() {
        let mut arrivals = Arrivals::default();
        arrivals.look([file("a", 10)]);
        assert_eq!(arrivals.look([file("a", 10)]), [whole("a")]);
        assert!(arrivals.unreadable(Path::new("a")));
        assert_eq!(arrivals.look([file("a", 30)]), []);
        assert_eq!(arrivals.look([file("a", 30)]), [whole("a")]);
        assert!(arrivals.unreadable(Path::new("a")));
        let tries = (0..60).flat_map(|_| {
            let news = arrivals.look([file("a", 30)]);
            if !news.is_empty() {
                assert!(!arrivals.unreadable(Path::new("a")));
            }
            news
        });
        assert_eq!(tries.count(), TRIED_AGAIN_AFTER.len());
        assert!(!arrivals.is_arriving() && arrivals.unread() == 1);
    }

    #[test]
    fn a_renamed_file_is_gone_and_arrives() {
        let mut arrivals = Arrivals::default();
        arrivals.look([file("a.part", 10)]);
        arrivals.look([file("a.part", 10)]);
        assert_eq!(
            arrivals.look([file("a", 10)]),
            [News::Gone("a.part".into())]
        );
        assert_eq!(arrivals.look([file("a", 10)]), [whole("a")]);
    }
}
