//! Frames that wait, once their plate is there: checked, cleaned, told of, reported.

use std::path::{Path, PathBuf};

use super::{Stage, Watch, WatchError};
use crate::check::{Answer, FrameCheck, PlateToCheck, Reason};
use crate::cli::check::small_frame;
use crate::cli::clean::{clean_frames, write_report};
use crate::cli::clean_plan::{CleanPlan, Target};
use crate::cli::frame_entry::{FrameEntry, FrameStatus, shown};
use crate::cli::journal::{Earlier, Journal};
use crate::cli::messages::Failure;
use crate::cli::outcome::Listeners;
use crate::cli::path_text::told_path;
use crate::cli::plan::frame_plan;
use crate::cli::plan_line::PlanLine;
use crate::cli::progress::Progress;
use crate::cli::run_report::RunReport;
use crate::photo::Existing;
use crate::report::Verdict;

impl Watch<'_> {
    pub(super) fn clean_what_is_ready(&mut self) -> Result<(), Failure> {
        for group in 0..self.groups.len() {
            if self.is_stopped() {
                break;
            }
            let ready = self.ready(group);
            if !ready.is_empty() {
                self.clean(group, &ready)?;
            }
        }
        Ok(())
    }

    /// Frames of a set-up that wait and whose plate is there, the oldest first.
    fn ready(&self, group: usize) -> Vec<usize> {
        let group = &self.groups[group];
        if group.plates.is_empty() {
            return Vec::new();
        }
        let waits = |i: &usize| self.frames[*i].stage == Stage::Waits;
        let mut ready: Vec<usize> = group.members.iter().copied().filter(waits).collect();
        ready.sort_by(|&a, &b| {
            let (x, y) = (&self.looks[a], &self.looks[b]);
            let time = x.taken_at().cmp(&y.taken_at());
            let (a, b) = (&self.frames[a], &self.frames[b]);
            time.then(a.modified.cmp(&b.modified))
                .then(a.path.cmp(&b.path))
        });
        ready
    }

    /// Checks and cleans frames; those that were done before are shown again as evidence of what
    /// stands still, and are not done again.
    fn clean(&mut self, group: usize, ready: &[usize]) -> Result<(), Failure> {
        let mut wanted = Vec::new();
        for &index in ready {
            let frame = &self.frames[index];
            let plan = frame_plan(&frame.path, &self.out, self.in_force);
            let begun = self.begun.contains(&told_path(&frame.path));
            let stands = plan.target.as_ref().ok().and_then(standing_output);
            match stands {
                Some(output) if !begun && !self.done.contains_key(&frame.hash) => {
                    let path = frame.path.clone();
                    let what = format!("`{}` is there already", shown(&output));
                    self.tell("FAILED", &path, &what);
                    self.frames[index].stage = Stage::Failed;
                }
                _ => wanted.push(index),
            }
        }
        if wanted.is_empty() {
            return Ok(());
        }
        let Some(mut plan) = self.planned(group, &wanted) else {
            return Ok(());
        };
        for frame in plan.frames.iter_mut().take(wanted.len()) {
            // What stands there was seen to, or is what a run that was killed left.
            frame.existing = Existing::Replace;
        }
        plan.make_folders(&self.out)?;
        let journal = Journal::beside(&self.report_path)?;
        let progress = Progress::new(&self.errors_only, plan.frames.len());
        let cleaned = clean_frames(
            &plan,
            &Listeners {
                messages: &self.errors_only,
                progress: &progress,
                journal: &journal,
                page: None,
                stop: self.stop,
            },
        );
        progress.finish();
        let entries = match cleaned {
            Ok(entries) => entries,
            Err(failure) => {
                // The plate went away or is broken: its frames wait for another.
                self.errors_only.failure(&failure);
                self.groups[group].plates.clear();
                self.groups[group].check = None;
                return Ok(());
            }
        };
        let new: Vec<FrameEntry> = entries.into_iter().take(wanted.len()).collect();
        for (entry, &index) in new.iter().zip(&wanted) {
            self.told(group, index, entry);
        }
        self.reported(&plan, new)?;
        journal.done();
        Ok(())
    }

    /// The run for frames `wanted` of a set-up, then those done before.
    fn planned(&mut self, group: usize, wanted: &[usize]) -> Option<CleanPlan> {
        let paths = |of: &[usize]| -> Vec<PathBuf> {
            of.iter().map(|&i| self.frames[i].path.clone()).collect()
        };
        let members = &self.groups[group].members;
        let is_done = |i: &usize| {
            let frame = &self.frames[*i];
            frame.stage == Stage::Done && frame.path.exists()
        };
        let done: Vec<usize> = members.iter().copied().filter(is_done).collect();
        let lit = [paths(wanted), paths(&done)].concat();
        let plates = paths(&self.groups[group].plates);
        let line = PlanLine::new(group + 1, plates, lit, String::new());
        match CleanPlan::of_set_up(&line, &self.out, self.in_force) {
            Ok(mut plan) => {
                plan.report.clone_from(&self.report_path);
                plan.existing = Existing::Replace;
                plan.look_back(&Earlier::default(), false);
                for (frame, &index) in plan.frames[wanted.len()..].iter_mut().zip(&done) {
                    let entry = self.done.get(&self.frames[index].hash);
                    frame.finished = entry.cloned().map(Box::new);
                }
                Some(plan)
            }
            Err(failure) => {
                self.errors_only.failure(&failure);
                for &index in wanted {
                    self.frames[index].stage = Stage::Failed;
                }
                None
            }
        }
    }

    /// One line, readable at arm's length: what to do first, then the frame.
    fn told(&mut self, group: usize, index: usize, entry: &FrameEntry) {
        let path = self.frames[index].path.clone();
        if entry.status == FrameStatus::Failed {
            self.frames[index].stage = Stage::Failed;
            self.tell("FAILED", &path, "see above");
            return;
        }
        self.frames[index].stage = Stage::Done;
        if let Some(hash) = entry.hashes.get("lit") {
            self.done.insert(hash.clone(), entry.clone());
        }
        let look = entry.report.as_ref().map(|r| r.verdict);
        let cleaned = match (entry.status, look) {
            (FrameStatus::NothingToRemove, _) => "nothing to remove",
            (_, Some(Verdict::LookHere)) => "cleaned, look at it",
            _ => "cleaned",
        };
        let (word, why) = match self.checked(group, &path) {
            Some(check) => match (check.answer, check.reasons.first()) {
                (Answer::Go, _) => ("GO", String::new()),
                (Answer::ShootAgain, first) => ("SHOOT AGAIN", because(first)),
                (Answer::CannotTell, first) => ("CANNOT TELL", because(first)),
            },
            None => ("CANNOT TELL", String::new()),
        };
        self.tell(word, &path, &format!("{cleaned}{why}"));
    }

    /// Will the plate do for this frame?
    fn checked(&mut self, group: usize, lit: &Path) -> Option<FrameCheck> {
        let group = &mut self.groups[group];
        if group.check.is_none() {
            let plate = &self.frames[*group.plates.first()?].path;
            group.check = small_frame(plate).ok().map(PlateToCheck::new);
        }
        let lit = small_frame(lit).ok()?;
        Some(group.check.as_ref()?.check(0, &lit))
    }

    fn reported(&mut self, plan: &CleanPlan, new: Vec<FrameEntry>) -> Result<(), Failure> {
        let this = RunReport::new(std::slice::from_ref(plan), new);
        let joined = match self.report.take() {
            Some(before) => before.joined(this),
            None => Some(this),
        };
        let joined = joined.ok_or_else(|| WatchError::OtherReport(self.report_path.clone()))?;
        write_report(plan, &joined)?;
        self.report = Some(joined);
        Ok(())
    }
}

fn because(reason: Option<&Reason>) -> String {
    reason.map_or_else(String::new, |r| format!("; {}", r.what))
}

/// An output that stands there already.
fn standing_output(target: &Target) -> Option<PathBuf> {
    [&target.merged, &target.mask]
        .into_iter()
        .find(|path| path.symlink_metadata().is_ok())
        .cloned()
}
