//! A page at work: pictures as frames are finished, the file at the end.
//!
//! Pictures stay in memory as long as they can stand in the page itself; beyond that all go to a
//! folder beside it, the ones to come at once, so that memory does not grow with the batch.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use super::frame_entry::shown_name;
use crate::page::{self, Page, Picture, Pictures, Sheet};
use crate::photo::{self, Existing, PhotoError};

/// Name of the page in the output folder, and of the folder of its pictures.
pub(super) const PAGE_STEM: &str = "page";
/// Pictures in the page itself, all together, bytes of base64.
const MAX_INLINE_BYTES: usize = 30_000_000;

/// A page that grows frame by frame.
#[derive(Debug)]
pub(super) struct PageOutput {
    path: PathBuf,
    existing: Existing,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    frames: Vec<Sheet>,
    inline_bytes: usize,
    /// The first that went wrong with the folder of pictures.
    failed: Option<PhotoError>,
    placed: Placed,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
enum Placed {
    #[default]
    InPage,
    Beside,
}

/// Where the page's pictures go when they are too many: named like the page.
pub(super) fn folder_of(page: &Path) -> PathBuf {
    page.with_extension("")
}

impl PageOutput {
    pub(super) fn new(path: &Path, existing: Existing) -> Self {
        Self {
            path: path.to_owned(),
            existing,
            state: Mutex::default(),
        }
    }

    /// The next frame, in the order of the report.
    pub(super) fn add(&self, mut sheet: Sheet) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let bytes = sheet.pictures.as_ref().map_or(0, Pictures::page_bytes);
        state.inline_bytes += bytes;
        if state.placed == Placed::InPage && state.inline_bytes > MAX_INLINE_BYTES {
            state.placed = Placed::Beside;
            let mut frames = std::mem::take(&mut state.frames);
            for (index, sheet) in frames.iter_mut().enumerate() {
                self.put_beside(&mut state, sheet, index);
            }
            state.frames = frames;
        }
        if state.placed == Placed::Beside {
            let index = state.frames.len();
            self.put_beside(&mut state, &mut sheet, index);
        }
        state.frames.push(sheet);
    }

    fn put_beside(&self, state: &mut State, sheet: &mut Sheet, index: usize) {
        let folder = folder_of(&self.path);
        let number = index + 1;
        let made = std::fs::create_dir_all(&folder).map_err(|e| PhotoError {
            path: folder.clone(),
            action: "write",
            kind: photo::PhotoErrorKind::Io(e),
        });
        let stored = made.and_then(|()| {
            let pictures = sheet.pictures.iter_mut();
            for (what, picture) in pictures.flat_map(Pictures::pictures_mut) {
                let Picture::Here(jpeg) = picture else {
                    continue;
                };
                let name = format!("{number:04}-{what}.jpg");
                photo::store(&folder.join(&name), jpeg, self.existing)?;
                *picture = Picture::Beside(format!("{}/{name}", shown_name(&folder)));
            }
            Ok(())
        });
        if let Err(error) = stored {
            // The frame's own outputs are on the disk; it stands on the page without pictures.
            sheet.pictures = None;
            state.failed.get_or_insert(error);
        }
    }

    /// Writes the page that `page` makes of the frames.
    ///
    /// # Errors
    /// When it, or a picture beside it, cannot be written.
    pub(super) fn write(self, page: impl FnOnce(Vec<Sheet>) -> Page) -> Result<(), PhotoError> {
        let state = self.state.into_inner();
        let state = state.unwrap_or_else(PoisonError::into_inner);
        let text = page::document(&page(state.frames));
        photo::store(&self.path, text.as_bytes(), self.existing)?;
        state.failed.map_or(Ok(()), Err)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::{After, Outcome, Place, Purpose};
    use crate::scene::{Size, Window};

    fn sheet(index: usize, pictures: Pictures) -> Sheet {
        Sheet {
            name: format!("lit-{index}.jpg"),
            outcome: Outcome::Finished,
            summary: String::new(),
            hand_work: Vec::new(),
            told: Vec::new(),
            notes: Vec::new(),
            facts: Vec::new(),
            pictures: Some(pictures),
        }
    }

    fn page(frames: Vec<Sheet>) -> Page {
        Page {
            title: "derig".to_owned(),
            purpose: Purpose::Check,
            told: Vec::new(),
            frames,
        }
    }

    fn pictures(bytes: usize) -> Pictures {
        let size = Size {
            columns: 30,
            rows: 20,
        };
        let picture = || Picture::Here(vec![0; bytes / 2]);
        Pictures {
            full: size,
            size,
            scale: 1,
            before: picture(),
            after: Some(After {
                picture: picture(),
                part: Window {
                    left: 0,
                    top: 0,
                    right: 16,
                    bottom: 16,
                },
            }),
            places: Vec::<Place>::new(),
            regions: Vec::new(),
            mask: String::new(),
        }
    }

    fn written(frames: usize) -> (tempfile::TempDir, String) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("page.html");
        let output = PageOutput::new(&path, Existing::Keep);
        for index in 0..frames {
            output.add(sheet(index, pictures(200_000)));
        }
        output.write(page).unwrap();
        let text = std::fs::read_to_string(path).unwrap();
        (folder, text)
    }

    #[test]
    fn a_small_run_is_one_file() {
        let (folder, text) = written(10);
        assert_eq!(text.matches("data:image/jpeg;base64,").count(), 20);
        assert!(!folder.path().join("page").exists());
    }

    #[test]
    fn pictures_of_a_large_run_lie_beside_the_page() {
        let frames = MAX_INLINE_BYTES / 266_668 + 3;
        let (folder, text) = written(frames);
        assert_eq!(text.matches("data:").count(), 1, "in the policy alone");
        assert_eq!(text.matches("src=\"page/").count(), 2 * frames);
        let files = std::fs::read_dir(folder.path().join("page")).unwrap();
        assert_eq!(files.count(), 2 * frames);
        assert!(text.contains("src=\"page/0001-before.jpg\""));
    }

    #[test]
    fn pictures_that_cannot_be_written_are_told_and_the_page_stands() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("page"), "a file in the way").unwrap();
        let path = folder.path().join("page.html");
        let output = PageOutput::new(&path, Existing::Keep);
        output.add(sheet(0, pictures(2 * MAX_INLINE_BYTES)));
        assert!(output.write(page).is_err());
        assert!(std::fs::read_to_string(path).unwrap().contains("lit-0.jpg"));
    }
}
