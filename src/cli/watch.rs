//! `derig watch`: frames that arrive are checked, and cleaned once the plate of their set-up is there.
//!
//! What was done is in the report and its journal, by the contents of the lit frames: a run that was
//! stopped, or killed, goes on where it was, and a frame that was renamed is not done twice.

mod cleaning;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::args::CleanArgs;
use super::arrivals::{Arrivals, News, Stamp};
use super::content_hash::input_hash;
use super::exit_status::ExitStatus;
use super::file_identity::FileIdentity;
use super::frame_entry::{FrameEntry, FrameStatus, shown_name};
use super::frame_output::are_as_written;
use super::journal::Earlier;
use super::limits;
use super::messages::{Failure, Messages};
use super::path_text::meant_path;
use super::plan::{REPORT_NAME, frame_plan};
use super::run_report::RunReport;
use super::settings::InForce;
use super::shoot::pictures_in;
use super::stop;
use super::talk_args::{Loudness, Talk, Timings};
use super::text_files::{MAX_REPORT_BYTES, read_at_most};
use super::watch_args::WatchArgs;
use crate::check::PlateToCheck;
use crate::photo;
use crate::shoot::{Look, PlateSought, find_plate, set_up_of};

#[derive(Debug, thiserror::Error)]
enum WatchError {
    #[error("cannot watch the folder `{}`", .0.display())]
    Folder(PathBuf, #[source] std::io::Error),
    #[error("`{}` is watched and written into: outputs would arrive as frames", .0.display())]
    OneFolder(PathBuf),
    #[error("`{}` was made with other settings, or by another version of derig", .0.display())]
    OtherReport(PathBuf),
    #[error("cannot wait for signals")]
    Signals(#[source] std::io::Error),
}

impl From<WatchError> for Failure {
    fn from(error: WatchError) -> Self {
        let hint = match &error {
            WatchError::Folder(..) => "name a folder that is there and can be read",
            WatchError::OneFolder(_) => "name another folder with `--out`",
            WatchError::OtherReport(_) => "name a fresh folder with `--out`",
            WatchError::Signals(_) => "use `derig clean` on the folder instead",
        };
        Self {
            error: Box::new(error),
            hint: Some(hint.to_owned()),
            status: ExitStatus::WrongUsage,
        }
    }
}

/// Watches until told to stop.
///
/// # Errors
/// [`Failure`] when folders or settings cannot be used.
pub(super) fn run(typed: &WatchArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let mut settings = CleanArgs::with_settings(typed.settings.clone());
    settings.out.clone_from(&typed.out);
    let in_force = InForce::of(&settings)?;
    let inside = typed.folder.join("frame");
    let out = in_force.out_folder(&[inside])?;
    let unreadable = |e| WatchError::Folder(typed.folder.clone(), e);
    std::fs::read_dir(&typed.folder).map_err(unreadable)?;
    std::fs::create_dir_all(&out).map_err(|e| WatchError::Folder(out.clone(), e))?;
    let same = (FileIdentity::of(&typed.folder), FileIdentity::of(&out));
    if matches!(same, (Some(a), Some(b)) if a.is_same_file(&b)) {
        return Err(WatchError::OneFolder(out).into());
    }
    let stop = Arc::new(AtomicBool::new(false));
    for signal in stop::signals() {
        signal_hook::flag::register(signal, Arc::clone(&stop)).map_err(WatchError::Signals)?;
    }
    let mut watch = Watch::new(&in_force, out, messages, &stop)?;
    for plate in &typed.plates {
        watch.named_plate(plate)?;
    }
    watch.until_stopped(typed)
}

/// A frame that arrived.
struct Arrived {
    path: PathBuf,
    hash: String,
    modified: Option<std::time::SystemTime>,
    stage: Stage,
}

/// How far a frame has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// For its plate.
    Waits,
    IsPlate,
    Done,
    Failed,
    /// The file was taken away.
    Gone,
}

/// Frames of one tripod set-up.
struct Group {
    members: Vec<usize>,
    plates: Vec<usize>,
    check: Option<PlateToCheck>,
}

struct Watch<'a> {
    in_force: &'a InForce,
    out: PathBuf,
    report_path: PathBuf,
    messages: &'a Messages,
    /// For the run of `clean`, whose lines are not readable at arm's length.
    errors_only: Messages,
    stop: &'a AtomicBool,
    arrivals: Arrivals,
    frames: Vec<Arrived>,
    looks: Vec<Look>,
    groups: Vec<Group>,
    report: Option<RunReport>,
    /// Frames done, by the contents of the lit frame.
    done: BTreeMap<String, FrameEntry>,
    /// Lit frames whose outputs a run that was killed may have left in part.
    begun: BTreeSet<String>,
}

impl<'a> Watch<'a> {
    fn new(
        in_force: &'a InForce,
        out: PathBuf,
        messages: &'a Messages,
        stop: &'a AtomicBool,
    ) -> Result<Self, Failure> {
        let report_path = out.join(REPORT_NAME);
        let earlier = Earlier::read(&report_path);
        earlier.clear_parts(&out);
        earlier.clear_parts(&out.join(super::path_text::REDO_FOLDER));
        let text = read_at_most(&report_path, MAX_REPORT_BYTES).ok();
        let report = text.and_then(|text| serde_json::from_slice::<RunReport>(&text).ok());
        if report.is_none() && report_path.exists() {
            return Err(WatchError::OtherReport(report_path).into());
        }
        let (finished, begun) = earlier.into_parts();
        let done = finished.into_values().filter_map(|entry| {
            let hash = entry.hashes.get("lit")?.clone();
            (entry.status != FrameStatus::Failed).then_some((hash, entry))
        });
        Ok(Self {
            in_force,
            out,
            report_path,
            messages,
            errors_only: Messages::to_standard_error(Talk {
                loudness: Loudness::Quiet,
                timings: Timings::Hidden,
            }),
            stop,
            arrivals: Arrivals::default(),
            frames: Vec::new(),
            looks: Vec::new(),
            groups: Vec::new(),
            report,
            done: done.collect(),
            begun,
        })
    }

    /// A plate that was named: a set-up of its own until frames join it.
    fn named_plate(&mut self, path: &Path) -> Result<(), Failure> {
        let photo = photo::read(path, &limits::in_force()).map_err(Failure::from)?;
        let look = Look::of(&photo);
        let hash = input_hash(path).unwrap_or_default();
        let index = self.put(path.to_owned(), hash, look, Stage::IsPlate);
        let joined = self.group_of(index);
        let group = self.joined(joined, index);
        self.groups[group].plates.push(index);
        self.tell("PLATE", path, "as named");
        Ok(())
    }

    fn put(&mut self, path: PathBuf, hash: String, look: Look, stage: Stage) -> usize {
        let modified = Stamp::of(&path).and_then(|stamp| stamp.modified);
        self.frames.push(Arrived {
            path,
            hash,
            modified,
            stage,
        });
        self.looks.push(look);
        self.frames.len() - 1
    }

    fn group_of(&self, index: usize) -> Option<usize> {
        let members: Vec<Vec<usize>> = self.groups.iter().map(|g| g.members.clone()).collect();
        set_up_of(&self.looks, &members, index)
    }

    fn joined(&mut self, found: Option<usize>, index: usize) -> usize {
        let group = found.unwrap_or_else(|| {
            self.groups.push(Group {
                members: Vec::new(),
                plates: Vec::new(),
                check: None,
            });
            self.groups.len() - 1
        });
        self.groups[group].members.push(index);
        group
    }

    fn until_stopped(&mut self, typed: &WatchArgs) -> Result<ExitStatus, Failure> {
        self.messages.line(&format!(
            "watching `{}`, writing into `{}`; stop with Ctrl-C",
            typed.folder.display(),
            self.out.display()
        ));
        let mut last_news = Instant::now();
        while !self.is_stopped() {
            let listing = listing(&typed.folder, &self.report_path);
            let news = self.arrivals.look(listing);
            let quiet = news.is_empty() && !self.arrivals.is_arriving();
            for news in news {
                if self.is_stopped() {
                    break;
                }
                match news {
                    News::Whole(path) => self.arrived(&path),
                    News::Gone(path) => self.gone(&path),
                }
            }
            self.clean_what_is_ready()?;
            if !quiet {
                last_news = Instant::now();
            }
            let idle = typed.idle.map(Duration::from_secs);
            if idle.is_some_and(|idle| last_news.elapsed() >= idle) {
                break;
            }
            self.pause(Duration::from_secs(typed.every));
        }
        Ok(self.closing())
    }

    fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Waits, but not for long once told to stop.
    fn pause(&self, time: Duration) {
        let until = Instant::now() + time;
        while !self.is_stopped() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            std::thread::sleep(left.min(Duration::from_millis(100)));
        }
    }

    fn arrived(&mut self, path: &Path) {
        let read = photo::read(path, &limits::in_force());
        let photo = match read {
            Ok(photo) => photo,
            Err(error) => {
                if self.arrivals.unreadable(path) {
                    self.tell(
                        "WAITING",
                        path,
                        &format!("not whole yet: {}", cause(&error)),
                    );
                }
                return;
            }
        };
        self.arrivals.taken(path);
        let hash = input_hash(path).unwrap_or_default();
        if let Some(twin) = self.twin_of(&hash, path) {
            let what = format!("the same picture as {}", shown_name(&twin));
            self.tell("KNOWN", path, &what);
            return;
        }
        // A file that was written to again is another frame.
        self.gone(path);
        let look = Look::of(&photo);
        drop(photo);
        let stage = if self.is_done(path, &hash) {
            Stage::Done
        } else {
            Stage::Waits
        };
        let index = self.put(path.to_owned(), hash, look, stage);
        let found = self.group_of(index);
        let group = self.joined(found, index);
        self.look_for_plate(group);
        if self.groups[group].plates.is_empty() && stage == Stage::Waits {
            self.tell("WAITING", path, "for its plate");
        }
    }

    /// A frame with the same contents that is here already.
    fn twin_of(&self, hash: &str, path: &Path) -> Option<PathBuf> {
        let known = self.frames.iter().find(|f| f.hash == hash);
        if let Some(known) = known.filter(|f| f.stage != Stage::Gone && f.path != path) {
            return Some(known.path.clone());
        }
        let entry = self.done.get(hash)?;
        let elsewhere = meant_path(&entry.lit);
        (elsewhere.file_name() != path.file_name()).then_some(elsewhere)
    }

    /// Was the frame done, and are its outputs still as they were written?
    fn is_done(&self, path: &Path, hash: &str) -> bool {
        let Some(entry) = self.done.get(hash) else {
            return false;
        };
        let plan = frame_plan(path, &self.out, self.in_force);
        let target = plan.target.ok();
        target.is_some_and(|target| are_as_written(&target, &entry.hashes))
    }

    fn gone(&mut self, path: &Path) {
        let here = self.frames.iter_mut().filter(|f| f.path == path);
        for frame in here.filter(|f| matches!(f.stage, Stage::Waits)) {
            frame.stage = Stage::Gone;
        }
    }

    fn look_for_plate(&mut self, group: usize) {
        let Group {
            members, plates, ..
        } = &self.groups[group];
        if !plates.is_empty() {
            return;
        }
        let here = |i: &&usize| self.frames[**i].stage != Stage::Gone;
        let members: Vec<usize> = members.iter().filter(here).copied().collect();
        let PlateSought::Found { plates, reason } = find_plate(&self.looks, &members) else {
            return;
        };
        // A frame that was cleaned is none, whatever arrives later.
        if plates.iter().any(|&p| self.frames[p].stage == Stage::Done) {
            return;
        }
        for &plate in &plates {
            self.frames[plate].stage = Stage::IsPlate;
            let path = self.frames[plate].path.clone();
            self.tell("PLATE", &path, &reason.to_string());
        }
        self.groups[group].plates = plates;
    }

    fn tell(&self, word: &str, path: &Path, what: &str) {
        self.messages
            .line(&format!("{word:<11}  {}: {what}", shown_name(path)));
    }

    fn closing(&self) -> ExitStatus {
        let count = |stage: Stage| self.frames.iter().filter(|f| f.stage == stage).count();
        let waiting = count(Stage::Waits);
        let failed = count(Stage::Failed) + self.arrivals.unread();
        let mut parts = vec![format!("stopped: {} done", count(Stage::Done))];
        if waiting > 0 {
            parts.push(format!("{waiting} without a plate or not begun"));
        }
        if failed > 0 {
            parts.push(format!("{failed} failed"));
        }
        self.messages.line(&parts.join(", "));
        if waiting + failed > 0 {
            ExitStatus::SomeFailed
        } else {
            ExitStatus::AllDone
        }
    }
}

fn cause(error: &dyn std::error::Error) -> String {
    error
        .source()
        .map_or_else(|| error.to_string(), ToString::to_string)
}

/// Pictures in the folder now; a folder that cannot be read for a moment is an empty one.
fn listing(folder: &Path, report: &Path) -> Vec<(PathBuf, Stamp)> {
    let files = pictures_in(folder).unwrap_or_default();
    let files = files.into_iter().filter(|path| path != report);
    files
        .filter_map(|path| Stamp::of(&path).map(|stamp| (path, stamp)))
        .collect()
}
