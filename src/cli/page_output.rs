//! The page of a run: pictures as frames are finished, the file at the end.
//!
//! Pictures stay in memory as long as they can stand in the page itself; beyond that all go to a
//! folder beside it, the ones to come at once, so that memory does not grow with the batch.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use super::frame_output::LitFacts;
use super::plan::FramePlan;
use super::run_report::{ErrorEntry, FrameEntry, FrameStatus, shown_name};
use crate::handover::{self, Kept, shares_of};
use crate::page::{self, Outcome, Page, Picture, Pictures, Pieces, Sheet, Shown};
use crate::photo::{self, Existing, PhotoError};
use crate::pipeline::Decision;
use crate::report::{FrameReport, Verdict};
use crate::scene::{Encoding, Plane, Samples};

/// Name of the page in the output folder, and of the folder of its pictures.
pub(super) const PAGE_STEM: &str = "page";
/// Pictures in the page itself, all together, bytes of base64.
const MAX_INLINE_BYTES: usize = 30_000_000;

/// The page of the run at work.
#[derive(Debug)]
pub(super) struct PageOutput {
    path: PathBuf,
    report: PathBuf,
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
    pub(super) fn new(path: &Path, report: &Path, existing: Existing) -> Self {
        Self {
            path: path.to_owned(),
            report: report.to_owned(),
            existing,
            state: Mutex::default(),
        }
    }

    /// The next frame, in the order of the report.
    pub(super) fn add(&self, entry: &FrameEntry, pictures: Option<Pictures>) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let mut sheet = sheet(entry, pictures);
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

    /// Writes the page.
    ///
    /// # Errors
    /// When it, or a picture beside it, cannot be written.
    pub(super) fn write(self) -> Result<(), PhotoError> {
        let state = self.state.into_inner();
        let state = state.unwrap_or_else(PoisonError::into_inner);
        let page = Page {
            title: title(&state.frames),
            report: shown_name(&self.report),
            frames: state.frames,
        };
        let text = page::document(&page);
        photo::store(&self.path, text.as_bytes(), self.existing)?;
        state.failed.map_or(Ok(()), Err)
    }
}

fn title(frames: &[Sheet]) -> String {
    let to_look_at = frames.iter().filter(|f| f.outcome == Outcome::LookHere);
    let frames_word = if frames.len() == 1 { "frame" } else { "frames" };
    format!(
        "derig: {} {frames_word}, {} to look at",
        frames.len(),
        to_look_at.count()
    )
}

/// Pictures of a frame that is still in memory.
pub(super) fn pictures_at_hand(
    lit: &LitFacts,
    (merged, mask): (&Samples, &Plane<u16>),
    decision: Option<&Decision>,
    report: Option<&FrameReport>,
) -> Option<Pictures> {
    let samples = lit.samples.as_ref()?;
    pictures(samples, &lit.encoding, (merged, mask), decision, report)
}

/// Pictures of a frame that an earlier run finished, from its files; `None` where they do not tell.
pub(super) fn pictures_from_files(frame: &FramePlan, entry: &FrameEntry) -> Option<Pictures> {
    let target = frame.target.as_ref().ok()?;
    let read = |path: &Path| photo::read(path, &super::limits::in_force()).ok();
    let lit = read(&frame.lit)?;
    let kept = target.redo_data.as_ref().and_then(|path| {
        let file = BufReader::new(File::open(path).ok()?);
        handover::read_kept(file, &lit.samples).ok()
    });
    let report = entry.report.as_ref();
    if let Some(Kept {
        merged,
        mask,
        decision,
    }) = kept
    {
        let results = (&merged, &mask);
        return pictures(
            &lit.samples,
            &lit.encoding,
            results,
            Some(&decision),
            report,
        );
    }
    let mask = shares_of(&read(&target.mask)?, lit.samples.size).ok()?;
    let merged = read(&target.merged)?;
    if merged.samples.size != lit.samples.size {
        return None;
    }
    let results = (&merged.samples, &mask);
    pictures(&lit.samples, &merged.encoding, results, None, report)
}

fn pictures(
    lit: &Samples,
    encoding: &Encoding,
    (merged, mask): (&Samples, &Plane<u16>),
    decision: Option<&Decision>,
    report: Option<&FrameReport>,
) -> Option<Pictures> {
    let shown = Shown {
        lit,
        encoding,
        merged,
        mask,
        pieces: decision.map(|decision| Pieces {
            numbers: &decision.pieces,
            labels: &decision.labels,
            factor: decision.lie.factor,
        }),
    };
    let hand_work = report.map(|r| &r.hand_work[..]).unwrap_or_default();
    Pictures::of(&shown, hand_work)
}

fn sheet(entry: &FrameEntry, pictures: Option<Pictures>) -> Sheet {
    let report = entry.report.as_ref();
    let outcome = match (entry.status, report.map(|r| r.verdict)) {
        (FrameStatus::Failed, _) => Outcome::Failed,
        (_, Some(Verdict::LookHere)) => Outcome::LookHere,
        (FrameStatus::NothingToRemove, _) => Outcome::NothingToRemove,
        (FrameStatus::Cleaned, _) => Outcome::Finished,
    };
    let summary = match (entry.status, report) {
        (FrameStatus::Cleaned, Some(report)) => {
            format!("{:.1} % from the plate", 100.0 * report.replaced_share)
        }
        _ => String::new(),
    };
    let told = entry.error.iter().flat_map(ErrorEntry::lines);
    Sheet {
        name: entry.lit.clone(),
        outcome,
        summary,
        hand_work: report.map(|r| r.hand_work.clone()).unwrap_or_default(),
        notes: told.chain(entry.warnings.iter().cloned()).collect(),
        facts: facts(entry),
        pictures,
    }
}

fn facts(entry: &FrameEntry) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    let mut add = |name: &str, value: String| facts.push((name.to_owned(), value));
    if let Some(merged) = &entry.merged {
        add("cleaned frame", merged.clone());
    }
    if let Some(mask) = &entry.mask {
        add("mask", mask.clone());
    }
    add("plate", entry.plates.join(", "));
    if !entry.taken_back.is_empty() {
        add("taken back", entry.taken_back.join("; "));
    }
    if let Some(report) = &entry.report {
        let registration = &report.registration;
        let [dx, dy] = registration.shift_px;
        add(
            "how the plate lies",
            format!(
                "{}, shifted by {dx:.1}, {dy:.1} px, turned by {:.3}\u{b0}, off by {:.2} px at {} places",
                registration.model,
                registration.rotation_deg,
                registration.residual_px,
                registration.tiles
            ),
        );
        let gain = report.light.gain.map(|g| format!("{g:.3}")).join(", ");
        add("daylight, lit / plate (red, green, blue)", gain);
        let [dx, dy] = report.light.drift_px;
        add(
            "sky",
            format!(
                "{:.0} % of the picture, clouds drifted by {dx:.1}, {dy:.1} px",
                100.0 * report.light.sky_share
            ),
        );
    }
    facts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::{After, Place};
    use crate::photo::CameraFacts;
    use crate::scene::{Size, Window};
    use std::collections::BTreeMap;

    fn entry(index: usize) -> FrameEntry {
        FrameEntry {
            lit: format!("lit-{index}.jpg"),
            plates: vec!["plate.jpg".to_owned()],
            merged: Some(format!("lit-{index}.jpg")),
            mask: None,
            layers: BTreeMap::new(),
            redo_data: None,
            hashes: BTreeMap::new(),
            taken_back: Vec::new(),
            status: FrameStatus::Cleaned,
            error: None,
            exposure: CameraFacts::default(),
            warnings: Vec::new(),
            file_seconds: BTreeMap::new(),
            report: None,
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
        let report = folder.path().join("report.json");
        let page = PageOutput::new(&path, &report, Existing::Keep);
        for index in 0..frames {
            page.add(&entry(index), Some(pictures(200_000)));
        }
        page.write().unwrap();
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
        let page = PageOutput::new(&path, &folder.path().join("report.json"), Existing::Keep);
        page.add(&entry(0), Some(pictures(2 * MAX_INLINE_BYTES)));
        assert!(page.write().is_err());
        assert!(std::fs::read_to_string(path).unwrap().contains("lit-0.jpg"));
    }
}
