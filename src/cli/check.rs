//! `derig check`: will the plate do, or what must be shot again while the tripod still stands?

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use rayon::prelude::*;

use super::check_args::CheckArgs;
use super::check_report::{CheckReport, CheckedFrame, in_short, told};
use super::exit_status::ExitStatus;
use super::frame_entry::{ErrorEntry, shown};
use super::limits;
use super::messages::{Failure, Messages};
use super::page_check;
use super::plan_inputs::check_inputs;
use super::shoot::expanded;
use super::talk_args::Timings;
use crate::check::{Answer, CHECK_VERSION, FrameCheck, PlateToCheck, SmallFrame, sum_up};
use crate::photo::{self, PhotoError};

/// Frames decoded at once: each fills the memory with its samples, and decoders use one core.
const DECODED_AT_ONCE: usize = 2;
/// Reasons that are told of a frame on the terminal; `--json` has all.
const MAX_REASONS_TOLD: usize = 4;

/// Looks at the frames and tells.
///
/// # Errors
/// [`Failure`] when no plate can be read or the files do not go together.
pub(super) fn run(typed: &CheckArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let lit = expanded(&typed.lit, &typed.plates)?;
    check_inputs(&lit, &typed.plates)?;
    let page = match &typed.page {
        Some(path) => {
            let inputs = lit.iter().chain(&typed.plates);
            Some(page_check::page_output(path, typed.existing(), inputs)?)
        }
        None => None,
    };
    let mut seconds = BTreeMap::new();
    let (frames, errors) = looked_at(&typed.plates, &lit, messages, &mut seconds)?;
    let checks: Vec<FrameCheck> = frames.iter().filter_map(as_check).collect();
    let report = CheckReport {
        check_version: CHECK_VERSION,
        derig_version: env!("CARGO_PKG_VERSION").to_owned(),
        plates: typed.plates.iter().map(|p| shown(p)).collect(),
        set_up: sum_up(&checks),
        frames,
        seconds,
    };
    if typed.json {
        let text = serde_json::to_string_pretty(&report).expect("a check has string keys only");
        print(&(text + "\n"));
    }
    tell(&report, messages);
    if let Some(page) = page {
        page_check::write(page, &report, &lit, &typed.plates).map_err(Failure::from)?;
    }
    if errors > 0 {
        return Ok(ExitStatus::SomeFailed);
    }
    Ok(match report.set_up.answer {
        Answer::Go => ExitStatus::AllDone,
        Answer::ShootAgain => ExitStatus::ShootAgain,
        Answer::CannotTell => ExitStatus::CannotTell,
    })
}

fn print(text: &str) {
    // A closed pipe is the reader's choice, not a failure.
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
}

fn as_check(frame: &CheckedFrame) -> Option<FrameCheck> {
    Some(FrameCheck {
        answer: frame.answer?,
        reasons: frame.reasons.clone(),
    })
}

/// A file's small copy.
pub(super) fn small_frame(path: &Path) -> Result<SmallFrame, PhotoError> {
    photo::read(path, &limits::in_force()).map(|photo| SmallFrame::of(&photo))
}

/// Every frame beside every plate; how many files cannot be read.
fn looked_at(
    plates: &[PathBuf],
    lit: &[PathBuf],
    messages: &Messages,
    seconds: &mut BTreeMap<String, f64>,
) -> Result<(Vec<CheckedFrame>, usize), Failure> {
    let mut clock = |what: &str, since: Instant| {
        *seconds.entry(what.to_owned()).or_default() += since.elapsed().as_secs_f64();
    };
    // Frames that tell what stands still are kept; they are decoded beside the plates.
    let observed = match lit.len() {
        1 => vec![0],
        n => PlateToCheck::frames_to_observe(n),
    };
    let paths: Vec<PathBuf> = observed.iter().map(|&i| lit[i].clone()).collect();
    let start = Instant::now();
    let (plates_read, kept) = rayon::join(|| small_frames(plates), || small_frames(&paths));
    clock("read", start);
    let mut kept: BTreeMap<usize, Read> = observed.into_iter().zip(kept).collect();
    let start = Instant::now();
    let mut ready = Vec::new();
    for (path, plate) in plates.iter().zip(plates_read) {
        let mut plate = PlateToCheck::new(plate.map_err(Failure::from)?);
        if lit.len() > 1 {
            for (&index, frame) in &kept {
                if let Ok(frame) = frame {
                    plate.observe(index, frame);
                }
            }
        }
        ready.push((shown(path), plate));
    }
    clock("observe", start);
    let mut errors = 0;
    let mut frames = Vec::with_capacity(lit.len());
    for (index, path) in lit.iter().enumerate() {
        if !kept.contains_key(&index) {
            let start = Instant::now();
            let few = index..(index + DECODED_AT_ONCE).min(lit.len());
            let few: Vec<usize> = few.filter(|i| !kept.contains_key(i)).collect();
            let paths: Vec<PathBuf> = few.iter().map(|&i| lit[i].clone()).collect();
            kept.extend(few.into_iter().zip(small_frames(&paths)));
            clock("read", start);
        }
        let start = Instant::now();
        frames.push(match kept.remove(&index).expect("it was read just now") {
            Ok(small) => checked((index, path), &small, &ready),
            Err(error) => {
                messages.error(&error, error.hint());
                errors += 1;
                unreadable(path, &error)
            }
        });
        clock("check", start);
    }
    Ok((frames, errors))
}

type Read = Result<SmallFrame, PhotoError>;

fn small_frames(paths: &[PathBuf]) -> Vec<Read> {
    paths.par_iter().map(|path| small_frame(path)).collect()
}

/// Beside the plate that serves it best.
fn checked(
    (index, path): (usize, &Path),
    lit: &SmallFrame,
    plates: &[(String, PlateToCheck)],
) -> CheckedFrame {
    let rank = |check: &FrameCheck| {
        let heaviest = check.reasons.first().map_or(0.0, |r| r.weight);
        (check.answer, heaviest)
    };
    let best = plates
        .iter()
        .map(|(name, plate)| (name, plate.check(index, lit)))
        .min_by(|(_, a), (_, b)| {
            let (a, b) = (rank(a), rank(b));
            a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
        });
    let (plate, check) = best.expect("clap asks for one plate at least");
    CheckedFrame {
        lit: shown(path),
        plate: Some(plate.clone()),
        answer: Some(check.answer),
        reasons: check.reasons,
        error: None,
    }
}

fn unreadable(path: &Path, error: &PhotoError) -> CheckedFrame {
    CheckedFrame {
        lit: shown(path),
        plate: None,
        answer: None,
        reasons: Vec::new(),
        error: Some(ErrorEntry::new(error, error.hint())),
    }
}

fn tell(report: &CheckReport, messages: &Messages) {
    let many_plates = report.plates.len() > 1;
    for frame in &report.frames {
        let Some(answer) = frame.answer else { continue };
        let plate = match (&frame.plate, many_plates) {
            (Some(plate), true) => format!(" on `{plate}`"),
            _ => String::new(),
        };
        messages.line(&format!("`{}`{plate}: {}", frame.lit, answer.words()));
        for reason in frame.reasons.iter().take(MAX_REASONS_TOLD) {
            messages.line(&told(reason));
        }
        if frame.reasons.len() > MAX_REASONS_TOLD {
            let more = frame.reasons.len() - MAX_REASONS_TOLD;
            messages.line(&format!("    and {more} more, see `--json`"));
        }
    }
    if messages.timings() == Timings::Shown {
        for (part, seconds) in &report.seconds {
            messages.line(&format!("{seconds:9.3} s  {part}"));
        }
    }
    messages.line(&in_short(&report.set_up));
}
