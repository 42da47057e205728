//! A bar for a person at a terminal, one line a frame for a log.

use indicatif::{ProgressBar, ProgressStyle};

use super::frame_entry::{FrameEntry, FrameStatus};
use super::messages::Messages;
use crate::pipeline::Observer;
use crate::report::{FrameReport, Verdict};

/// Milliseconds between two turns of the bar's sign of life.
const TICK: std::time::Duration = std::time::Duration::from_millis(120);
/// Places to look at that are told on the terminal; the report has all.
const MAX_PLACES_TOLD: usize = 3;

/// Tells of frames as they are done.
#[derive(Debug)]
pub(super) struct Progress<'a> {
    messages: &'a Messages,
    bar: Option<ProgressBar>,
}

impl<'a> Progress<'a> {
    pub(super) fn new(messages: &'a Messages, frames: usize) -> Self {
        let bar = messages.bars().map(|bars| {
            let bar = bars.add(ProgressBar::new(frames as u64));
            let style = ProgressStyle::with_template("{spinner} {bar:24} {pos}/{len} {msg}");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar.enable_steady_tick(TICK);
            bar
        });
        Self { messages, bar }
    }

    /// A frame's outputs are written.
    pub(super) fn handed_over(&self, entry: &FrameEntry) {
        for warning in &entry.warnings {
            self.messages
                .warning(&format!("`{}`: {warning}", entry.lit));
        }
        let looks = entry
            .report
            .as_ref()
            .is_some_and(|r| r.verdict == Verdict::LookHere);
        if self.bar.is_none() || looks {
            self.messages.line(&line(entry));
        }
        if let (true, Some(report)) = (looks, &entry.report) {
            self.places(report);
        }
        self.step();
    }

    /// A frame has failed, and its error been told.
    pub(super) fn step(&self) {
        if let Some(bar) = &self.bar {
            bar.inc(1);
        }
    }

    fn places(&self, report: &FrameReport) {
        for work in report.hand_work.iter().take(MAX_PLACES_TOLD) {
            let place = work.place;
            self.messages.line(&format!(
                "  at {},{} ({}x{}): {}",
                place.x, place.y, place.width, place.height, work.reason
            ));
        }
        if report.hand_work.len() > MAX_PLACES_TOLD {
            let more = report.hand_work.len() - MAX_PLACES_TOLD;
            self.messages
                .line(&format!("  and {more} more places, see the report"));
        }
    }

    pub(super) fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Observer for Progress<'_> {
    fn stage(&self, name: &'static str) {
        if let Some(bar) = &self.bar {
            bar.set_message(name);
        }
        tracing::debug!(stage = name);
    }
}

fn line(entry: &FrameEntry) -> String {
    let merged = entry.merged.as_deref().unwrap_or_default();
    let what = match (entry.status, &entry.report) {
        (FrameStatus::NothingToRemove, _) => "nothing to remove".to_owned(),
        (_, Some(report)) => {
            let verdict = match report.verdict {
                Verdict::Finished => "finished",
                Verdict::LookHere => "look here",
            };
            format!("{verdict}, {:.1} % replaced", 100.0 * report.replaced_share)
        }
        _ => String::new(),
    };
    format!("`{}` -> `{merged}`: {what}", entry.lit)
}
